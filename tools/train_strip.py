"""Train the strip net: it looks at a mast's surroundings for heads that are not known yet.

    python -m mastread.tools.train_strip collect --photos 3000:6500 --out tuning.npy
    python -m mastread.tools.train_strip collect --photos 16000:16500 --out choosing.npy
    python -m mastread.tools.train_strip fit tuning.npy --check choosing.npy --out vision

`fit` needs PyTorch and onnx (not among the project's dependencies); the result is an ONNX file that
OpenCV's own dnn module runs. Scenes of the *tuning* seeds are trained on, those of the *choosing*
seeds decide when to stop and set the temperatures. What is asked of each strip stands in
`mastread.tools.train_strips`.

Inputs: ``strip`` (N, 8, 176, 64), see `mastread.vision.strip.layers`; ``figures`` (N, 3): log of
the lens radius in pixels, how many lit lamps and dark heads are marked. Outputs: ``scores``
(N, 5), log-odds in the order of `mastread.vision.strip_net.QUESTIONS`; ``where`` (N, 44 * 16),
log-odds up to a constant that a dark head stands at a cell of 4 by 4 pixels.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
from numpy.typing import NDArray

from mastread.vision.strip import HEIGHT, PER_RADIUS, WIDTH
from mastread.vision.strip_net import CELL, QUESTIONS

_BATCH: Final = 48
_STEP: Final = 3e-3
_WHERE_WEIGHT: Final = 0.5
_LIFT: Final = 60.0


@click.group()
def main() -> None:
    """Collect strips of made scenes, and fit the net to them."""


@main.command()
@click.option("--photos", default="3000:6500", help="seeds of photos, FROM:TO")
@click.option("--jobs", default=2, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect(photos: str, jobs: int, out: Path) -> None:
    """Make scenes and cut the strips of their masts."""
    from mastread.tools.train_strips import strips_of

    first, last = photos.split(":")
    with ProcessPoolExecutor(jobs) as pool:
        parts = list(pool.map(strips_of, range(int(first), int(last)), chunksize=8))
    found = np.concatenate(parts)
    np.save(out, found)
    click.echo(f"{len(parts)} scenes, {len(found)} strips")


@main.command()
@click.argument("strips", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--check", multiple=True, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--rounds", default=8, show_default=True)
@click.option("--seed", default=7, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), default=Path("vision"))
def fit(strips: Sequence[Path], check: Sequence[Path], rounds: int, seed: int, out: Path) -> None:
    """Train on STRIPS, choose by --check, write `strip_net.onnx` and its card."""
    import torch

    torch.manual_seed(seed)
    train, held = _load(strips), _load(check)
    net = _network()
    optimiser = torch.optim.AdamW(net.parameters(), _STEP, weight_decay=1e-2)
    steps = rounds * math.ceil(len(train) / _BATCH)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, _STEP, total_steps=steps)
    rng = np.random.default_rng(seed)
    best: dict[str, Any] = {"loss": math.inf}
    for number in range(rounds):
        net.train()
        order = rng.permutation(len(train))
        for first in range(0, len(train), _BATCH):
            batch = _batch(train[np.sort(order[first : first + _BATCH])], rng)
            loss = _loss(net(batch["strip"], batch["figures"]), batch)
            optimiser.zero_grad()
            torch.autograd.backward(loss)
            torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
            optimiser.step()
            schedule.step()
        scores, where, targets = _held(net, held)
        held_loss = float(_loss((scores, where), targets))
        if held_loss < best["loss"]:
            state = {k: v.detach().clone() for k, v in net.state_dict().items()}
            best = {"loss": held_loss, "round": number, "state": state}
        click.echo(f"round {number}: check loss {held_loss:.4f} {_report(scores, where, targets)}")
    net.load_state_dict(best["state"])
    scores, where, targets = _held(net, held)
    report = {
        "check_loss": round(best["loss"], 5),
        "round": best["round"],
        **_report(scores, where, targets),
    }
    _write(net.eval(), out, _temperatures(scores, targets), len(train), len(held), report)
    click.echo(str(report))


def _load(paths: Sequence[Path]) -> NDArray[np.void]:
    return np.concatenate([np.load(path) for path in paths])


def _network() -> Any:
    """Strided stages that look at ever larger parts, joined again to say where."""
    import torch
    from torch import nn

    def stage(channels: int, out: int, **more: Any) -> Any:
        return nn.Sequential(
            nn.Conv2d(channels, out, more.pop("kernel", 3), bias=False, **more),
            nn.BatchNorm2d(out),
            nn.ReLU(),
        )

    class StripNet(nn.Module):  # type: ignore[misc, unused-ignore]
        def __init__(self) -> None:
            super().__init__()
            self.first = stage(8, 14, kernel=5, stride=2, padding=2)
            self.quarter = nn.Sequential(
                stage(14, 24, stride=2, padding=1), stage(24, 28, padding=1)
            )
            self.eighth = nn.Sequential(
                stage(28, 36, stride=2, padding=1),
                stage(36, 36, padding=2, dilation=2),
                stage(36, 36, padding=4, dilation=4),
            )
            self.back = nn.Upsample(scale_factor=2, mode="nearest")
            self.join = stage(36 + 28, 32, padding=1)
            self.at = nn.Conv2d(32, 1, 1)
            self.most = nn.AdaptiveMaxPool2d(1)
            self.mean = nn.AdaptiveAvgPool2d(1)
            self.answer = nn.Sequential(
                nn.Linear(36 + 36 + 32 + 1 + 3, 48),
                nn.ReLU(),
                nn.Dropout(0.15),
                nn.Linear(48, len(QUESTIONS)),
            )

        def forward(self, strip: Any, figures: Any) -> tuple[Any, Any]:
            quarter = self.quarter(self.first(strip))
            eighth = self.eighth(quarter)
            joined = self.join(torch.cat([self.back(eighth), quarter], dim=1))
            at = self.at(joined)
            pooled = [self.most(eighth), self.mean(eighth), self.most(joined), self.most(at)]
            flat = [torch.flatten(part, 1) for part in pooled]
            return self.answer(torch.cat([*flat, figures], dim=1)), torch.flatten(at, 1)

    return StripNet()


def _batch(rows: NDArray[np.void], rng: np.random.Generator | None) -> dict[str, Any]:
    """Inputs and targets; varied a little where `rng` is given."""
    import torch
    from torch.nn import functional

    n = len(rows)
    picture = torch.from_numpy(rows["picture"].transpose(0, 3, 1, 2).astype(np.float32) / 255.0)
    inside = np.unpackbits(rows["inside"], axis=2).astype(np.float32)
    stack = torch.cat([picture, torch.from_numpy(inside)[:, None]], dim=1)
    names = ("lit", "dark", "others", "at_dark")
    spots = {name: rows[name].astype(np.float32).copy() for name in names}
    if rng is not None:
        scale = np.exp(rng.normal(0.0, 0.1, n)).astype(np.float32)
        mirror = np.where(rng.random(n) < 0.5, -1.0, 1.0).astype(np.float32)
        turn = rng.normal(0.0, 0.02, n).astype(np.float32)
        shift = rng.normal(0.0, 1.0, (n, 2)).astype(np.float32)
        middle = np.array([(WIDTH - 1) / 2.0, (HEIGHT - 1) / 2.0], np.float32)
        # Where a pixel of the new strip comes from, about the middle: source = m @ new + shift.
        m = np.zeros((n, 2, 2), np.float32)
        m[:, 0, 0], m[:, 0, 1] = mirror / scale, -turn / scale
        m[:, 1, 0], m[:, 1, 1] = mirror * turn / scale, 1.0 / scale
        size = np.array([WIDTH, HEIGHT], np.float32)
        theta = np.zeros((n, 2, 3), np.float32)
        theta[:, :, :2] = m * (size[None, None, :] / size[None, :, None])
        theta[:, :, 2] = shift / (size / 2.0)
        grid = functional.affine_grid(torch.from_numpy(theta), list(stack.shape), False)
        stack = functional.grid_sample(stack, grid, padding_mode="zeros", align_corners=False)
        back = np.linalg.inv(m)
        for name in names:
            moved = spots[name] - middle - shift[:, None, :]
            spots[name] = np.einsum("nij,nkj->nki", back, moved) + middle
        for name in ("lit", "others"):
            spots[name] += rng.normal(0.0, 0.4, spots[name].shape).astype(np.float32)
        gone = rng.random(spots["others"].shape[:2]) < 0.15
        spots["others"][gone] = np.nan
        gamma = torch.from_numpy(np.exp(rng.normal(0.0, 0.15, (n, 1, 1, 1))).astype(np.float32))
        gain = torch.from_numpy(np.exp(rng.normal(0.0, 0.08, (n, 3, 1, 1))).astype(np.float32))
        noise = torch.from_numpy(rng.random((n, 1, 1, 1)).astype(np.float32) * 0.03)
        rgb = stack[:, :3].clamp(1e-4, 1.0) ** gamma * gain
        rgb = (rgb + torch.randn_like(rgb) * noise).clamp(0.0, 1.0) * (stack[:, 3:] > 0.5)
        stack = torch.cat([rgb, (stack[:, 3:] > 0.5).float()], dim=1)
    lifted = torch.log1p(_LIFT * stack[:, :3].amax(dim=1, keepdim=True)) / math.log1p(_LIFT)
    marks = np.stack([_marks(spots[name]) for name in ("lit", "dark", "others")], axis=1)
    strip = torch.cat([stack[:, :3], lifted, stack[:, 3:], torch.from_numpy(marks)], dim=1)
    counts = [np.isfinite(rows[name][:, :, 0]).sum(axis=1) for name in ("lit", "dark")]
    figures = np.stack([np.log(np.maximum(rows["radius"], 1.0)), *counts], axis=1)
    asked = rows["heads_asked"] > 0
    answers = np.stack(
        [
            np.where(asked, np.isfinite(rows["at_dark"][:, :, 0]).any(axis=1), -1),
            np.where(asked, np.isfinite(rows["at_lit"][:, :, 0]).any(axis=1), -1),
            rows["one"],
            rows["row"],
            rows["dwarf"],
        ],
        axis=1,
    )
    return {
        "strip": strip,
        "figures": torch.from_numpy(figures.astype(np.float32)),
        "answers": torch.from_numpy(answers.astype(np.float32)),
        "where": torch.from_numpy(_cells(spots["at_dark"])),
    }


def _marks(spots: NDArray[np.float32]) -> NDArray[np.float32]:
    """Soft discs, (N, HEIGHT, WIDTH); see `mastread.vision.strip`."""
    columns = np.arange(WIDTH, dtype=np.float32)
    rows = np.arange(HEIGHT, dtype=np.float32)
    scale = -0.5 / PER_RADIUS**2
    out = np.zeros((len(spots), HEIGHT, WIDTH), np.float32)
    for k in range(spots.shape[1]):
        used = np.flatnonzero(np.isfinite(spots[:, k, 0]))
        across = np.exp(scale * (columns[None, :] - spots[used, k, 0, None]) ** 2)
        along = np.exp(scale * (rows[None, :] - spots[used, k, 1, None]) ** 2)
        out[used] = np.maximum(out[used], along[:, :, None] * across[:, None, :])
    return out


def _cells(spots: NDArray[np.float32]) -> NDArray[np.float32]:
    """Shares of the cells in which dark heads stand, (N, cells); 0 all over where there is none."""
    high, wide = HEIGHT // CELL, WIDTH // CELL
    rows, columns = np.mgrid[0:high, 0:wide]
    out = np.zeros((len(spots), high, wide), np.float32)
    for i, k in zip(*np.nonzero(np.isfinite(spots[:, :, 0])), strict=True):
        x, y = (spots[i, k] - (CELL - 1) / 2.0) / CELL
        if -0.5 <= x < wide - 0.5 and -0.5 <= y < high - 0.5:
            out[i] += np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 0.6**2))
    flat = out.reshape(len(spots), -1)
    total = flat.sum(axis=1, keepdims=True)
    return np.asarray(flat / np.maximum(total, 1e-6), np.float32)


def _loss(outputs: tuple[Any, Any], batch: dict[str, Any]) -> Any:
    from torch.nn import functional

    scores, where = outputs
    answers = batch["answers"]
    asked = (answers >= 0).float()
    each = functional.binary_cross_entropy_with_logits(
        scores, answers.clamp(0.002, 0.998), reduction="none"
    )
    told = (each * asked).sum() / asked.sum()
    share = batch["where"]
    placed = -(share * functional.log_softmax(where, dim=1)).sum(dim=1)
    return 5.0 * told + _WHERE_WEIGHT * placed.sum() / (share.sum() + 1.0)


def _held(net: Any, rows: NDArray[np.void]) -> tuple[Any, Any, dict[str, Any]]:
    import torch

    net.eval()
    scores, where, answers, cells = [], [], [], []
    with torch.no_grad():
        for first in range(0, len(rows), 128):
            batch = _batch(rows[first : first + 128], None)
            a, b = net(batch["strip"], batch["figures"])
            scores.append(a)
            where.append(b)
            answers.append(batch["answers"])
            cells.append(batch["where"])
    told = {"answers": torch.cat(answers), "where": torch.cat(cells)}
    return torch.cat(scores), torch.cat(where), told


def _report(scores: Any, where: Any, told: dict[str, Any]) -> dict[str, float]:
    """Per question the loss and the area under the curve of hits against false alarms."""
    report: dict[str, float] = {}
    for k, name in enumerate(QUESTIONS):
        answers = told["answers"][:, k].numpy()
        asked = answers >= 0
        truth, score = answers[asked] > 0.5, scores[:, k].numpy()[asked]
        order = np.argsort(np.argsort(score))
        good, bad = int(truth.sum()), int((~truth).sum())
        area = (order[truth].sum() - good * (good - 1) / 2) / max(good * bad, 1)
        loss = np.logaddexp(0.0, np.where(truth, -score, score)).mean()
        report[f"{name}_loss"] = round(float(loss), 4)
        report[f"{name}_area"] = round(float(area), 4)
    share = told["where"].numpy()
    some = share.sum(axis=1) > 0.5
    top = where.numpy()[some].argmax(axis=1)
    report["placed"] = round(float((share[some][np.arange(some.sum()), top] > 0.02).mean()), 4)
    return report


def _temperatures(scores: Any, told: dict[str, Any]) -> list[float]:
    out = []
    for k in range(len(QUESTIONS)):
        answers = told["answers"][:, k].numpy()
        asked = answers >= 0
        truth, score = answers[asked] > 0.5, scores[:, k].numpy()[asked]
        grid = np.arange(0.7, 3.01, 0.05)
        losses = [np.logaddexp(0.0, np.where(truth, -score, score) / t).mean() for t in grid]
        out.append(round(float(grid[int(np.argmin(losses))]), 3))
    return out


def _write(
    net: Any,
    out: Path,
    temperatures: list[float],
    trained: int,
    checked: int,
    report: dict[str, Any],
) -> None:
    import torch

    out.mkdir(parents=True, exist_ok=True)
    example = (torch.zeros(1, 8, HEIGHT, WIDTH), torch.zeros(1, 3))
    torch.onnx.export(
        net,
        example,
        str(out / "strip_net.onnx"),
        input_names=["strip", "figures"],
        output_names=["scores", "where"],
        opset_version=13,
        dynamo=False,
    )
    card = {
        "about": "Convolutional net over the surroundings of a mast: heads without light, lamps "
        "that were missed, whether the marked lamps are one mast, one row of a position light, a "
        "dwarf; trained by tools/train_strip.py on rendered scenes only.",
        "trained_on": trained,
        "checked_on": checked,
        "report": report,
        "questions": list(QUESTIONS),
        "temperatures": dict(zip(QUESTIONS, temperatures, strict=True)),
    }
    (out / "strip_net.json").write_text(json.dumps(card) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
