"""Train the patch net: a small convolutional net that looks at a spot and its neighbourhood.

    python -m mastread.tools.train collect ... --out tuning.npz      (several times)
    python -m mastread.tools.train_patch tuning*.npz --check choosing*.npz --out vision

Needs PyTorch and onnx (not among the project's dependencies); the result is an ONNX file that
OpenCV's own dnn module runs. The same rules hold as for the other nets: scenes of the *tuning*
seeds are trained on, those of the *choosing* seeds decide when to stop and set the temperatures.

Inputs: ``patch`` (N, 6, 40, 40), coded R, G, B in 0..1 of the near and of the wide view;
``figures`` (N, F), the features of `mastread.vision.features` less their centre, over their spread,
clipped to +-4 (the numbers are in the card beside the net). Output ``scores`` (N, 8): lamp, other,
then the six colours.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
import onnx
import onnx.helper
import onnx.numpy_helper
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

from mastread.decoder.words import COLOURS
from mastread.vision.features import FEATURES
from mastread.vision.patch import CHANNELS, SIZE

_SMOOTHING: Final = 0.002
_BATCH: Final = 2048
_STEP: Final = 3e-3
#: Share of the running mean of the weights that stays at each step; that mean is what is kept.
_MEAN: Final = 0.998
#: How much a missed or mistaken colour weighs against lamp or not.
_COLOUR_WEIGHT: Final = 1.0


class PatchNet(nn.Module):
    """A tower of strided stages for each view, joined with the measured figures.

    Parameters
    ----------
    figures : how many measured figures come along
    width : channels of the first stage for the near view; the wide view has two thirds of them
    """

    def __init__(self, figures: int, width: int = 32) -> None:
        super().__init__()
        self.near = _tower(width, 64)
        self.wide = _tower(2 * width // 3, 48)
        self.join = nn.Sequential(
            nn.Linear(64 + 48 + figures, 96),
            nn.ReLU(),
            nn.Dropout(0.3),
            nn.Linear(96, 2 + len(COLOURS)),
        )

    def forward(self, patch: Tensor, figures: Tensor) -> Tensor:
        """Scores of lamp, other, and the six colours."""
        seen = [self.near(patch[:, :3]), self.wide(patch[:, 3:]), figures]
        return self.join(torch.cat(seen, dim=1))


def _tower(width: int, out: int) -> nn.Sequential:
    """Stages from 40 pixels square down to 5, then `out` values."""
    layers: list[nn.Module] = []
    last = 3
    for channels, stride in (
        (width, 1),
        (width, 2),
        (2 * width, 1),
        (2 * width, 2),
        (3 * width, 2),
        (3 * width, 1),
    ):
        layers += [
            nn.Conv2d(last, channels, 3, stride=stride, padding=1, bias=False),
            nn.BatchNorm2d(channels),
            nn.ReLU(),
        ]
        last = channels
    layers += [nn.Flatten(), nn.Linear(last * 25, out), nn.ReLU()]
    return nn.Sequential(*layers)


@click.command()
@click.argument("spots", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--check", multiple=True, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--rounds", default=32, show_default=True)
@click.option("--width", default=32, show_default=True)
@click.option("--seed", default=7, show_default=True)
@click.option("--step", default=_STEP, show_default=True, help="largest step of the optimiser")
@click.option("--out", type=click.Path(path_type=Path), default=Path("vision"))
def main(
    spots: Sequence[Path],
    check: Sequence[Path],
    rounds: int,
    width: int,
    seed: int,
    step: float,
    out: Path,
) -> None:
    """Train on SPOTS, choose by --check, write `patch_net.onnx` and its card."""
    torch.manual_seed(seed)
    torch.set_float32_matmul_precision("high")
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    x, patches, y = _load(spots)
    cx, cpatches, cy = _load(check)
    centre, spread = x.mean(axis=0), x.std(axis=0) + 1e-3
    train = _on(device, (x - centre) / spread, patches, y)
    held = _on(device, (cx - centre) / spread, cpatches, cy)
    net = PatchNet(x.shape[1], width)
    net = net.to(device)
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(_MEAN), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), step, weight_decay=3e-2)
    steps = rounds * math.ceil(len(y) / _BATCH)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, step, total_steps=steps)
    best: dict[str, Any] = {"loss": math.inf}
    for number in range(rounds):
        net.train()
        order = torch.randperm(len(y), device=device)
        for first in range(0, len(y), _BATCH):
            batch = order[first : first + _BATCH]
            figures, pictures, labels = _vary(*(part[batch] for part in train))
            loss = _loss(net(pictures, figures), labels, _SMOOTHING)
            optimiser.zero_grad()
            torch.autograd.backward(loss)
            nn.utils.clip_grad_norm_(net.parameters(), 5.0)
            optimiser.step()
            schedule.step()
            mean.update_parameters(net)
        scores = _scores(mean.module, held)
        held_loss = float(_loss(scores, held[2], 0.0))
        if held_loss < best["loss"]:
            state = {k: v.detach().clone() for k, v in mean.module.state_dict().items()}
            best = {"loss": held_loss, "round": number, "state": state}
        click.echo(f"round {number}: check loss {held_loss:.4f} {_shares(scores, held[2])}")
    net.load_state_dict(best["state"])
    scores = _scores(net, held)
    temperatures = _temperatures(scores, held[2])
    report = {
        "check_loss": round(best["loss"], 5),
        "round": best["round"],
        **_shares(scores, held[2]),
    }
    lit = np.bincount(y[y > 0] - 1, minlength=len(COLOURS))
    shares: dict[str, float] = {
        c: round(float(n) / lit.sum(), 4) for c, n in zip(COLOURS, lit, strict=True)
    }
    _write(net.cpu().eval(), out, centre, spread, temperatures, shares, len(y), len(cy), report)
    click.echo(f"{report} temperatures {temperatures}")


def _load(
    paths: Sequence[Path],
) -> tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.int64]]:
    tables = [np.load(path) for path in paths]
    return (
        np.concatenate([table["x"] for table in tables]).astype(np.float32),
        np.concatenate([table["patches"] for table in tables]),
        np.concatenate([table["y"] for table in tables]).astype(np.int64),
    )


def _on(
    device: torch.device,
    figures: NDArray[np.float32],
    patches: NDArray[np.uint8],
    labels: NDArray[np.int64],
) -> tuple[Tensor, Tensor, Tensor]:
    return (
        torch.from_numpy(np.clip(figures, -4, 4)).float().to(device),
        torch.from_numpy(patches).permute(0, 3, 1, 2).contiguous().to(device),
        torch.from_numpy(labels).to(device),
    )


def _vary(figures: Tensor, patches: Tensor, labels: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Small changes that leave the answer as it is, for cameras and places that were not drawn."""
    n, device = len(labels), patches.device
    pictures = patches.float() / 255.0
    # Mirror images, and a little turn, shift and scale; both views alike.
    angle = torch.randn(n, device=device) * 0.08
    scale = torch.exp(torch.randn(n, device=device) * 0.08)
    mirror = torch.where(torch.rand(n, device=device) < 0.5, -1.0, 1.0)
    theta = torch.zeros(n, 2, 3, device=device)
    theta[:, 0, 0] = torch.cos(angle) * scale * mirror
    theta[:, 0, 1] = -torch.sin(angle) * scale
    theta[:, 1, 0] = torch.sin(angle) * scale * mirror
    theta[:, 1, 1] = torch.cos(angle) * scale
    theta[:, :, 2] = torch.randn(n, 2, device=device) * 0.025
    grid = nn.functional.affine_grid(theta, list(pictures.shape), align_corners=False)
    pictures = nn.functional.grid_sample(pictures, grid, padding_mode="border", align_corners=False)
    # Other tone curves and white balances, within what does not change a colour's name.
    gamma = torch.exp(torch.randn(n, 1, 1, 1, device=device) * 0.1)
    gain = torch.exp(torch.randn(n, 3, 1, 1, device=device) * 0.03).repeat(1, 2, 1, 1)
    pictures = (pictures.clamp(1e-4, 1.0) ** gamma * gain).clamp(0.0, 1.0)
    noise = torch.rand(n, 1, 1, 1, device=device) * 0.03
    pictures = (pictures + torch.randn_like(pictures) * noise).clamp(0.0, 1.0)
    # Half of the time the figures are noisy or missing, so that the net learns to look.
    figures = figures + torch.randn_like(figures) * 0.08
    kept = (torch.rand(n, 1, device=device) > 0.15).float()
    # And now and then the surroundings are missing, so that the lamp itself is looked at as well.
    seen = (torch.rand(n, 1, 1, 1, device=device) > 0.1).float()
    grey = pictures[:, 3:].mean(dim=(2, 3), keepdim=True)
    wide = pictures[:, 3:] * seen + grey * (1.0 - seen)
    return figures * kept, torch.cat([pictures[:, :3], wide], dim=1), labels


def _loss(scores: Tensor, labels: Tensor, smoothing: float) -> Tensor:
    lamp = nn.functional.cross_entropy(
        scores[:, :2], (labels == 0).long(), label_smoothing=smoothing
    )
    lit = labels > 0
    colour = nn.functional.cross_entropy(
        scores[lit][:, 2:], labels[lit] - 1, label_smoothing=smoothing
    )
    return lamp + _COLOUR_WEIGHT * colour


def _scores(net: nn.Module, data: tuple[Tensor, Tensor, Tensor]) -> Tensor:
    net.eval()
    with torch.no_grad():
        parts = [
            net(data[1][k : k + 4096].float() / 255.0, data[0][k : k + 4096])
            for k in range(0, len(data[2]), 4096)
        ]
    return torch.cat(parts)


def _shares(scores: Tensor, labels: Tensor) -> dict[str, float]:
    lit = labels > 0
    odds = torch.softmax(scores[:, :2], dim=1)[:, 0]
    colour = torch.softmax(scores[lit][:, 2:], dim=1)
    top, word = colour.max(dim=1)
    right = word == labels[lit] - 1
    stated = top > 0.9
    return {
        "found": round(float((odds[lit] > 0.5).float().mean()), 4),
        "invented": round(float((odds[~lit] > 0.5).float().mean()), 5),
        "colour_right": round(float(right.float().mean()), 4),
        "stated": round(float(stated.float().mean()), 4),
        "wrong_of_stated": round(float((~right[stated]).float().mean()), 5),
    }


def _temperatures(scores: Tensor, labels: Tensor) -> dict[str, float]:
    lit = labels > 0
    grid = [0.7 + 0.05 * k for k in range(40)]
    lamp = min(
        grid,
        key=lambda t: float(nn.functional.cross_entropy(scores[:, :2] / t, (labels == 0).long())),
    )
    colour = min(
        grid,
        key=lambda t: float(nn.functional.cross_entropy(scores[lit][:, 2:] / t, labels[lit] - 1)),
    )
    return {"lamp": round(lamp, 3), "colour": round(colour, 3)}


def _write(
    net: nn.Module,
    out: Path,
    centre: NDArray[np.float32],
    spread: NDArray[np.float32],
    temperatures: dict[str, float],
    shares: dict[str, float],
    trained: int,
    checked: int,
    report: dict[str, Any],
) -> None:
    out.mkdir(parents=True, exist_ok=True)
    example = (torch.zeros(1, CHANNELS, SIZE, SIZE), torch.zeros(1, len(FEATURES)))
    torch.onnx.export(
        net,
        example,
        str(out / "patch_net.onnx"),
        input_names=["patch", "figures"],
        output_names=["scores"],
        dynamic_axes={"patch": {0: "n"}, "figures": {0: "n"}, "scores": {0: "n"}},
        opset_version=13,
        dynamo=False,
    )
    _halve(out / "patch_net.onnx")
    card = {
        "about": "Convolutional net over two views of a spot, near and wide, and its "
        "measured figures; trained by tools/train_patch.py on rendered scenes, and on photographs "
        "without a signal as examples of what is no lamp.",
        "trained_on": trained,
        "checked_on": checked,
        "report": report,
        "features": list(FEATURES),
        "centre": np.round(centre, 5).tolist(),
        "spread": np.round(spread, 5).tolist(),
        "temperatures": temperatures,
        "colour_shares": shares,
    }
    (out / "patch_net.json").write_text(json.dumps(card) + "\n", encoding="utf-8")


def _halve(path: Path) -> None:
    """Store the large weights as 16-bit floats, cast back when the net is loaded.

    Half the bytes in the wheel; scores change by less than a hundredth.
    """
    model = onnx.load(str(path))
    casts = []
    for entry in list(model.graph.initializer):
        values = onnx.numpy_helper.to_array(entry)
        if values.dtype != np.float32 or values.size < 256:
            continue
        short = f"{entry.name}_half"
        model.graph.initializer.remove(entry)
        model.graph.initializer.append(
            onnx.numpy_helper.from_array(values.astype(np.float16), short)
        )
        casts.append(
            onnx.helper.make_node("Cast", [short], [entry.name], to=onnx.TensorProto.FLOAT)
        )
    for place, node in enumerate(casts):
        model.graph.node.insert(place, node)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


if __name__ == "__main__":
    main()
