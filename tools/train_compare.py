"""Collect lamps that were photographed together, and train the nets that compare their colours.

    python -m mastread.tools.train_compare collect --photos 2100:2500 --out joint.npz
    python -m mastread.tools.train_compare fit joint*.npz --check joint-choosing.npz --out vision

`fit` needs PyTorch. The patch net must be trained first, on other seeds: its odds of a scene that
it knows already would be too sure. What they do stands in `mastread.vision.compare`.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS

#: A lamp that lifts the finished picture by less than this (coded 0..1) is left out.
_LEAST_CONTRAST: Final = 0.08
#: Most lamps of a picture that are compared; more are rare.
_MOST: Final = 12
_BATCH: Final = 128
_STEP: Final = 3e-3


@click.group()
def main() -> None:
    """Collect lamps photographed together, and train the net that compares them."""


@main.command()
@click.option("--photos", required=True, help="seeds of places, FROM:TO")
@click.option("--shots", default=8, show_default=True, help="photographs of each painted place")
@click.option("--even", is_flag=True, help="draw every head's colour evenly from all six")
@click.option("--jobs", default=2, show_default=True)
@click.option("--seconds", type=float, help="stop after this long, with what there is")
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect(
    photos: str, shots: int, even: bool, jobs: int, seconds: float | None, out: Path
) -> None:
    """Measure the lit lamps of made photographs, picture by picture."""
    first, last = photos.split(":")
    tasks = [(seed, shots, even) for seed in range(int(first), int(last))]
    until = None if seconds is None else time.monotonic() + seconds
    pictures: list[dict[str, NDArray[Any]]] = []
    with ProcessPoolExecutor(jobs) as pool:
        for part in pool.map(_lamps_of, tasks, chunksize=1):
            pictures += part
            if until is not None and time.monotonic() > until:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    picture = np.repeat(np.arange(len(pictures)), [len(one["y"]) for one in pictures])
    table = {key: np.concatenate([one[key] for one in pictures]) for key in ("x", "scores", "y")}
    np.savez(out, picture=picture, x=table["x"], scores=table["scores"], y=table["y"])
    click.echo(f"{len(pictures)} pictures, {len(picture)} lamps")


def _lamps_of(task: tuple[int, int, bool]) -> list[dict[str, NDArray[Any]]]:
    """Figures, colour scores and true colours of the lamps of each shot of a place."""
    import cv2

    from mastread.tools.train_shots import shots
    from mastread.vision.features import features, scene_of
    from mastread.vision.look import measure_all
    from mastread.vision.patch import views
    from mastread.vision.patch_net import load_patch_net
    from mastread.vision.propose import propose

    cv2.setNumThreads(1)
    seed, count, even = task
    net = load_patch_net()
    out: list[dict[str, NDArray[Any]]] = []
    for frame, lamps in shots(seed, count, even, None):
        lamps = [lamp for lamp in lamps if lamp.contrast >= _LEAST_CONTRAST]
        candidates = propose(frame.planes(), most=160)
        near = np.zeros(len(candidates), bool)
        for lamp in lamps:
            away = np.hypot(candidates["x"] - lamp.x, candidates["y"] - lamp.y)
            near |= away < max(1.5 * lamp.radius, 3.0)
        scene = scene_of(frame.planes())
        rows, cuts, labels = [], [], []
        for spot in measure_all(frame, candidates[near]):
            x, y, radius = float(spot["x"]), float(spot["y"]), float(spot["radius"])
            hit = [a for a in lamps if math.hypot(a.x - x, a.y - y) < max(0.6 * a.radius, 1.2)]
            if hit:
                rows.append(features(spot, scene))
                cuts.append(views(frame, x, y, radius))
                labels.append(hit[0].colour - 1)
        if not rows:
            continue
        lit, scores = net.judge(np.array(cuts, np.uint8), np.array(rows))
        kept = np.argsort(-lit)[:_MOST]
        out.append(
            {
                "x": np.array(rows, np.float32)[kept],
                "scores": scores[kept].astype(np.float32),
                "y": np.array(labels, np.int8)[kept],
            }
        )
    return out


@main.command()
@click.argument("lamps", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--check", multiple=True, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--rounds", default=60, show_default=True)
@click.option("--hidden", default=32, show_default=True)
@click.option("--members", default=4, show_default=True, help="nets whose corrections are averaged")
@click.option("--out", type=click.Path(path_type=Path), default=Path("vision"))
def fit(
    lamps: Sequence[Path], check: Sequence[Path], rounds: int, hidden: int, members: int, out: Path
) -> None:
    """Fit the members of `compare_net` to LAMPS, choose by --check, and write them."""
    from mastread.vision.compare import correction, figures_of
    from mastread.vision.features import FEATURES

    x, scores, y, real = _padded(lamps)
    cx, cscores, cy, creal = _padded(check)
    centre, spread = x[real].mean(axis=0).round(5), (x[real].std(axis=0) + 1e-3).round(5)
    train = (figures_of(x, scores, centre, spread), scores, y, real)
    held = (figures_of(cx, cscores, centre, spread), cscores, cy, creal)
    found = [_fitted(train, held, rounds, hidden, seed) for seed in range(members)]
    told = cscores + np.mean(
        [
            [correction(layers, *one) for one in zip(held[0], creal, strict=True)]
            for layers in found
        ],
        axis=0,
    )
    grid = [0.8 + 0.05 * k for k in range(15)]
    temperature = min(grid, key=lambda t: _shares(told / t, cy, creal)["loss"])
    report = {
        "before": _shares(cscores, cy, creal),
        "after": _shares(told / temperature, cy, creal),
    }
    card = {
        "about": "Nets that compare the lamps of one picture; trained by tools/train_compare.py on "
        "rendered scenes only.",
        "trained_on": int(real.sum()),
        "checked_on": int(creal.sum()),
        "report": report,
        "features": list(FEATURES),
        "centre": centre.tolist(),
        "spread": spread.tolist(),
        "temperature": round(temperature, 3),
        "members": [
            {
                name: {"weights": weights.tolist(), "bias": bias.tolist()}
                for name, (weights, bias) in layers.items()
            }
            for layers in found
        ],
    }
    part = out / "compare_net.json.part"
    part.write_text(json.dumps(card) + "\n", encoding="utf-8")
    part.replace(out / "compare_net.json")
    click.echo(str(report))


Lit = tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.int8], NDArray[np.bool_]]


def _fitted(train: Lit, held: Lit, rounds: int, hidden: int, seed: int) -> Any:
    """Layers of one member: `own`, `other`, `first` and `last`, each weights and bias."""
    import torch
    from torch import nn

    from mastread.vision.limits import limits

    torch.manual_seed(seed)
    n, width = len(COLOURS), train[0].shape[-1]
    own, other = nn.Linear(width, hidden), nn.Linear(width, hidden)
    last = nn.Sequential(nn.Linear(width + hidden, hidden), nn.Tanh(), nn.Linear(hidden, n))
    nn.init.zeros_(last[2].weight)
    parts = nn.ModuleList([own, other, last])
    # The scores hold how often each colour is met outside; here others are as many.
    prior = np.array([limits("colours")["prior"][colour] for colour in COLOURS])

    def weights_of(lit: Lit) -> Any:
        share = np.bincount(lit[2][lit[3]], minlength=n) / lit[3].sum()
        return torch.tensor(prior / np.maximum(share, 0.003), dtype=torch.float32)

    def run(figures: Any, given: Any, mask: Any) -> Any:
        pairs = torch.tanh(own(figures)[:, :, None] + other(figures)[:, None, :])
        weight = (mask[:, :, None] & mask[:, None, :]).float()
        weight = weight * (1.0 - torch.eye(mask.shape[1]))
        pooled = (pairs * weight[..., None]).sum(dim=2) / weight.sum(dim=2, keepdim=True).clamp(1.0)
        return given + last(torch.cat([figures, pooled], dim=-1))

    def loss_of(given: Any, labels: Any, mask: Any, weight: Any) -> Any:
        return nn.functional.cross_entropy(
            given[mask], labels[mask].long(), weight, label_smoothing=0.002
        )

    data, check = ([torch.from_numpy(part) for part in lit] for lit in (train, held))
    weight, check_weight = weights_of(train), weights_of(held)
    optimiser = torch.optim.AdamW(parts.parameters(), _STEP, weight_decay=3e-2)
    steps = rounds * math.ceil(len(data[2]) / _BATCH)
    schedule = torch.optim.lr_scheduler.OneCycleLR(optimiser, _STEP, total_steps=steps)
    best, state = math.inf, {}
    for _ in range(rounds):
        order = torch.randperm(len(data[2]))
        for first in range(0, len(order), _BATCH):
            figures, given, labels, mask = (part[order[first : first + _BATCH]] for part in data)
            figures = figures + torch.randn_like(figures) * 0.1
            # Now and then a lamp is not there, so that one alone is judged as well.
            seen = mask & (torch.rand(mask.shape) > 0.2)
            optimiser.zero_grad()
            torch.autograd.backward(loss_of(run(figures, given, seen), labels, seen, weight))
            optimiser.step()
            schedule.step()
        with torch.no_grad():
            loss = float(
                loss_of(run(check[0], check[1], check[3]), check[2], check[3], check_weight)
            )
        if loss < best:
            best = loss
            state = {k: v.detach().numpy().round(3) for k, v in parts.state_dict().items()}
    click.echo(f"member {seed}: check loss {best:.4f}")
    keys = {"own": "0", "other": "1", "first": "2.0", "last": "2.2"}
    return {
        name: (state[f"{key}.weight"].T.copy(), state[f"{key}.bias"]) for name, key in keys.items()
    }


def _padded(paths: Sequence[Path]) -> Lit:
    """Lamps by picture: (P, M, F) figures, (P, M, 6) scores, (P, M) colours, (P, M) are real."""
    groups: list[tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.int8]]] = []
    for path in paths:
        table = np.load(path)
        ends = np.flatnonzero(np.diff(table["picture"])) + 1
        parts = (np.split(table[key], ends) for key in ("x", "scores", "y"))
        groups += list(zip(*parts, strict=True))
    x = np.zeros((len(groups), _MOST, groups[0][0].shape[1]), np.float32)
    scores = np.zeros((len(groups), _MOST, len(COLOURS)), np.float32)
    y = np.zeros((len(groups), _MOST), np.int8)
    real = np.zeros((len(groups), _MOST), np.bool_)
    for i, (a, b, c) in enumerate(groups):
        x[i, : len(c)], scores[i, : len(c)], y[i, : len(c)], real[i, : len(c)] = a, b, c, True
    return x, scores, y, real


def _shares(
    scores: NDArray[np.float32], y: NDArray[np.int8], real: NDArray[np.bool_]
) -> dict[str, float]:
    """Mean loss, share right, share stated at 0.9, and how much of that is wrong."""
    shifted = np.exp(scores[real] - scores[real].max(axis=1, keepdims=True))
    odds = shifted / shifted.sum(axis=1, keepdims=True)
    right = odds.argmax(axis=1) == y[real]
    true = odds[np.arange(len(odds)), y[real]]
    stated = odds.max(axis=1) > 0.9
    return {
        "loss": round(float(-np.log(true).mean()), 5),
        "colour_right": round(float(right.mean()), 4),
        "stated": round(float(stated.mean()), 4),
        "wrong_of_stated": round(float((~right[stated]).mean()), 5),
    }


if __name__ == "__main__":
    main()
