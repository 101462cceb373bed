"""Collect spots from rendered scenes, and train the small net that sorts them by figures alone.

    python -m mastread.tools.train collect --photos 0:3000 --out spots.npz
    python -m mastread.tools.train fit spots.npz --check choosing.npz

The net that then looks at what is left is trained by `mastread.tools.train_patch` from the same
collections.

Data come from the scene renderer alone: scenes with seeds of the *tuning* range are trained on,
scenes of the *choosing* range decide when to stop and set the temperature, and the *reporting*
range is never touched here. Each candidate spot of a scene is measured just as when reading; the
truth says whether it is a lit lamp and of which colour. Spots that hit a lamp off centre, and lamps
too faint for anyone, are left out of both.
"""

from __future__ import annotations

import itertools
import json
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS

#: A lamp that lifts the finished picture by less than this (coded 0..1) is left out of training.
LEAST_CONTRAST: Final = 0.08
_ROUNDS: Final = 120
_PATIENCE: Final = 25
_BATCH: Final = 512
#: Spots of a scene that are kept although they are no lamp: so many of the strongest, and about
#: as many of the rest.
_MOST_OTHERS: Final = 15
_STEP: Final = 2e-3
_DECAY: Final = 2e-3
#: Share of the target that is spread over the other classes: no training picture is worth
#: certainty, and odds of a million to one would drown every other witness when pooled.
_SMOOTHING: Final = 0.002


@click.group()
def main() -> None:
    """Collect measured spots from rendered scenes, and fit the nets to them."""


@main.command()
@click.option("--photos", default="0:2000", help="seeds of photos, FROM:TO")
@click.option("--clips", default="0:0", help="seeds of clips, FROM:TO; some frames of each")
@click.option("--even", is_flag=True, help="draw every head's colour evenly from all six")
@click.option("--jobs", default=2, show_default=True)
@click.option("--seconds", type=float, help="stop after this long, with what there is")
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect(
    photos: str, clips: str, even: bool, jobs: int, seconds: float | None, out: Path
) -> None:
    """Measure candidate spots of rendered scenes and label them by their truth."""
    tasks = [("photo", seed, even) for seed in _range(photos)]
    tasks += [("clip", seed, even) for seed in _range(clips)]
    until = None if seconds is None else time.monotonic() + seconds
    parts: list[Spots] = []
    with ProcessPoolExecutor(jobs) as pool:
        for k, part in enumerate(pool.map(_spots_of, tasks, chunksize=2)):
            parts.append(part)
            if k % 200 == 199:
                click.echo(f"{k + 1} of {len(tasks)} scenes", err=True)
            if until is not None and time.monotonic() > until:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    x, patches, y = (np.concatenate(column) for column in zip(*parts, strict=True))
    np.savez(out, x=x, patches=patches, y=y)
    counts = ", ".join(f"{(y == k).sum()} {name}" for k, name in enumerate(("none", *COLOURS)))
    click.echo(f"{len(parts)} scenes, {len(y)} spots: {counts}")


@main.command("collect-none")
@click.argument("photos", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--jobs", default=2, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect_none(photos: Sequence[Path], jobs: int, out: Path) -> None:
    """Collect spots of real photographs that show no signal: none of them is a lamp.

    Each is taken at several sizes and qualities, since a spot is judged by its pixels.
    """
    with ProcessPoolExecutor(jobs) as pool:
        parts = list(pool.map(_spots_of_none, photos, chunksize=1))
    x, patches, y = (np.concatenate(column) for column in zip(*parts, strict=True))
    np.savez(out, x=x, patches=patches, y=y)
    click.echo(f"{len(parts)} photographs, {len(y)} spots")


@main.command("collect-dark")
@click.option("--photos", default="0:1000", help="seeds of photos, FROM:TO")
@click.option("--jobs", default=2, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect_dark(photos: str, jobs: int, out: Path) -> None:
    """Collect places that look like a lit head of their mast: dark heads, and others."""
    from mastread.vision.darkheads import DARK_FEATURES

    rows: list[NDArray[np.float64]] = []
    labels: list[NDArray[np.int8]] = []
    with ProcessPoolExecutor(jobs) as pool:
        for x, y in pool.map(_dark_places, _range(photos), chunksize=4):
            rows.append(x)
            labels.append(y)
    x, y = np.concatenate(rows), np.concatenate(labels)
    np.savez(out, x=x.reshape(-1, len(DARK_FEATURES)), y=y)
    click.echo(f"{len(y)} places, {int((y > 0).sum())} of them heads without light")


@main.command("fit-dark")
@click.argument("places", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--check", multiple=True, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--out", type=click.Path(path_type=Path), default=Path("vision"))
@click.option("--seed", default=7, show_default=True)
def fit_dark(places: Sequence[Path], check: Sequence[Path], out: Path, seed: int) -> None:
    """Fit `dark_net`: is a place that looks like a head one?"""
    from mastread.vision.darkheads import DARK_FEATURES

    x, y = _load(places)
    cx, cy = _load(check)
    _fit_and_write(
        "dark_net", ("head", "other"), DARK_FEATURES, (x, y == 0), (cx, cy == 0), (12,), seed, out
    )


@main.command()
@click.argument("spots", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--check", multiple=True, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--out", type=click.Path(path_type=Path), default=Path("vision"))
@click.option("--seed", default=7, show_default=True)
def fit(spots: Sequence[Path], check: Sequence[Path], out: Path, seed: int) -> None:
    """Fit `lamp_net` and write it to `vision/` (or --out)."""
    from mastread.vision.features import FEATURES

    x, y = _load(spots)
    cx, cy = _load(check)
    _fit_and_write(
        "lamp_net", ("lamp", "other"), FEATURES, (x, y == 0), (cx, cy == 0), (24, 12), seed, out
    )


def _fit_and_write(
    name: str,
    classes: tuple[str, str],
    names: Sequence[str],
    train: tuple[NDArray[np.float64], NDArray[np.bool_]],
    check: tuple[NDArray[np.float64], NDArray[np.bool_]],
    hidden: tuple[int, ...],
    seed: int,
    out: Path,
) -> None:
    """Fit a net of two classes (the label says whether it is the second) and write it."""
    (x, y), (cx, cy) = train, check
    net, report = _fit((x, y.astype(int)), (cx, cy.astype(int)), len(classes), hidden, seed)
    document = {
        "about": "Small net over measured figures; trained by tools/train.py on rendered scenes.",
        "trained_on": len(y),
        "checked_on": len(cy),
        "report": report,
        "classes": list(classes),
        "features": list(names),
        **net,
    }
    path = out / f"{name}.json"
    partial = path.with_suffix(".partial")
    partial.write_text(json.dumps(document) + "\n", encoding="utf-8")
    partial.replace(path)
    click.echo(f"{path}: {report}")


def _range(text: str) -> range:
    first, last = text.split(":")
    return range(int(first), int(last))


def _load(paths: Sequence[Path]) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    tables = [np.load(path) for path in paths]
    return (
        np.concatenate([table["x"] for table in tables]).astype(np.float64),
        np.concatenate([table["y"] for table in tables]),
    )


# --- collecting -----------------------------------------------------------------------------


Spots = tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.int8]]


def _spots_of(task: tuple[str, int, bool]) -> Spots:
    """Features, patches and labels (0 none, 1.. colour) of the spots of one scene.

    Of the spots that are no lamp the strongest are kept and as many others, drawn at random.
    """
    import cv2

    from mastread.vision.features import FEATURES, features, scene_of
    from mastread.vision.look import measure_all
    from mastread.vision.patch import SIZE, patch
    from mastread.vision.propose import propose

    cv2.setNumThreads(1)
    kind, seed, even = task
    rng = np.random.default_rng([seed, 78])
    rows: list[NDArray[np.float64]] = []
    patches: list[NDArray[np.uint8]] = []
    labels: list[int] = []
    for frame, lamps in _frames(kind, seed, _even_aspect(seed) if even else {}):
        scene = scene_of(frame.planes())
        others = 0
        for spot in measure_all(frame, propose(frame.planes(), most=160)):
            x, y, radius = float(spot["x"]), float(spot["y"]), float(spot["radius"])
            label = _label(x, y, radius, lamps)
            if label is None:
                continue
            if label == 0:
                others += 1
                if others > _MOST_OTHERS and rng.random() > _MOST_OTHERS / 130:
                    continue
            rows.append(features(spot, scene))
            patches.append(patch(frame, x, y, radius))
            labels.append(label)
    return (
        np.array(rows, np.float32).reshape(-1, len(FEATURES)),
        np.array(patches, np.uint8).reshape(-1, SIZE, SIZE, 3),
        np.array(labels, np.int8),
    )


def _spots_of_none(path: Path) -> Spots:
    """Spots of one photograph without a signal at several sizes, all labelled as none."""
    import cv2

    from mastread.vision.features import FEATURES, features, scene_of
    from mastread.vision.look import measure_all
    from mastread.vision.patch import SIZE, patch
    from mastread.vision.photo import open_photo
    from mastread.vision.propose import propose

    cv2.setNumThreads(1)
    rows: list[NDArray[np.float64]] = []
    patches: list[NDArray[np.uint8]] = []
    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        picture = np.zeros((8, 8, 3), np.uint8)
    for width, quality in ((1920, 92), (1024, 75), (640, 60)):
        scale = min(width / picture.shape[1], 1.0)
        small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        with tempfile.TemporaryDirectory() as folder:
            name = str(Path(folder) / "none.jpg")
            cv2.imwrite(name, small, [cv2.IMWRITE_JPEG_QUALITY, quality])
            frame = open_photo(name)
        scene = scene_of(frame.planes())
        for spot in measure_all(frame, propose(frame.planes(), most=160)):
            rows.append(features(spot, scene))
            patches.append(patch(frame, float(spot["x"]), float(spot["y"]), float(spot["radius"])))
    return (
        np.array(rows, np.float32).reshape(-1, len(FEATURES)),
        np.array(patches, np.uint8).reshape(-1, SIZE, SIZE, 3),
        np.zeros(len(rows), np.int8),
    )


def _dark_places(seed: int) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """Figures of the places that look like a head, and whether there is a head without light.

    Every second scene is given a failed lamp, so that there are enough of them.
    """
    import cv2

    from mastread.tools.scenes import make
    from mastread.vision import masts
    from mastread.vision.darkheads import DARK_FEATURES, alike_places
    from mastread.vision.photo import open_photo

    cv2.setNumThreads(1)
    rng = np.random.default_rng([seed, 79])
    overrides = {"lens_px": float(np.exp(rng.uniform(np.log(4.0), np.log(50.0))))}
    if seed % 2:
        heads = [str(word) for word in rng.choice(["red", "green", "yellow"], rng.integers(2, 4))]
        heads[int(rng.integers(len(heads)))] = "dark"
        overrides["aspect"] = " over ".join(heads)  # type: ignore[assignment]
    with tempfile.TemporaryDirectory() as folder:
        truth = make.write_photo(seed, folder, **overrides)
        frame = open_photo(Path(folder) / truth.file)
    heads_true = [(head, mast) for mast in truth.masts for head in mast.spans[0].heads]
    lit = [head for head, _ in heads_true if head.lit_now and (head.contrast or 0) > LEAST_CONTRAST]
    x, y, r = (np.array([getattr(head, k) for head in lit]) for k in ("x", "y", "radius"))
    rows: list[NDArray[np.float64]] = []
    labels: list[int] = []
    for group in masts.group(x, y, r):
        # As measured from a picture, a lens looks up to half again as large as it is.
        grow = float(rng.uniform(0.9, 1.5))
        marks = [(float(x[i]), float(y[i]), float(r[i]) * grow) for i in group.members]
        places, table, _ = alike_places(frame, marks)
        for (px, py), row in zip(places, table, strict=True):
            near = [
                head
                for head, _ in heads_true
                if np.hypot(head.x - px, head.y - py) < max(2.5 * head.radius, 3.0)
            ]
            rows.append(row)
            labels.append(int(any(not head.lit_now for head in near)))
    return np.array(rows).reshape(-1, len(DARK_FEATURES)), np.array(labels, np.int8)


Lamps = list[tuple[float, float, float, int, bool]]


def _even_aspect(seed: int) -> dict[str, str]:
    """An aspect whose colours are drawn evenly, for colours that rulebooks seldom use."""
    rng = np.random.default_rng([seed, 77])
    heads = rng.choice(np.array(COLOURS), int(rng.integers(1, 4)))
    return {"aspect": " over ".join(heads)}


def _frames(kind: str, seed: int, overrides: dict[str, str]) -> Iterator[tuple[Any, Lamps]]:
    """Frames of a scene as they are read back from its file, each with its true lit lamps."""
    from mastread.tools.scenes import clip, make
    from mastread.vision.photo import open_photo
    from mastread.vision.video import open_video

    with tempfile.TemporaryDirectory() as folder:
        if kind == "photo":
            truth = make.write_photo(seed, folder, **overrides)
            path = Path(folder) / truth.file
            lamps: Lamps = [
                (
                    head.x,
                    head.y,
                    head.radius,
                    COLOURS.index(head.colour) + 1 if head.colour else 0,
                    (head.contrast or 0.0) >= LEAST_CONTRAST,
                )
                for mast in truth.masts
                for head in mast.spans[0].heads
                if head.lit_now and head.colour
            ]
            yield open_photo(path), lamps
            return
        path = Path(folder) / "clip.mp4"
        truth = clip.make_clip(seed, path, **overrides)
        motion = truth.motion
        assert motion is not None
        with open_video(path) as video:
            for frame in video:
                if frame.index % 37 == 5:
                    yield frame, _lamps_at(truth, frame.index, frame.time_s)


def _lamps_at(truth: Any, index: int, time_s: float) -> Lamps:
    """Lamps of a clip that may be lit at one frame; flashing ones may be dark, and so count as
    unusable where they are not surely lit."""
    motion = truth.motion
    cx, cy = (truth.width - 1) / 2, (truth.height - 1) / 2
    zoom = motion.zoom[index]
    lamps: Lamps = []
    for mast in truth.masts:
        for span in mast.spans:
            if not span.start_s + 0.3 <= time_s <= span.end_s - 0.3:
                continue
            hidden = any(a - 0.2 <= time_s <= b + 0.2 for a, b in mast.hidden)
            for head in span.heads:
                if head.colour is None:
                    continue
                lamps.append(
                    (
                        cx + zoom * (head.x - cx) + motion.dx[index],
                        cy + zoom * (head.y - cy) + motion.dy[index],
                        head.radius * zoom,
                        COLOURS.index(head.colour) + 1,
                        not hidden
                        and head.behaviour == "steady"
                        and (head.contrast or 0.0) >= LEAST_CONTRAST,
                    )
                )
    return lamps


def _label(x: float, y: float, radius: float, lamps: Lamps) -> int | None:
    for lx, ly, lr, colour, usable in lamps:
        distance = float(np.hypot(x - lx, y - ly))
        if distance < max(0.6 * lr, 1.2):
            return colour if usable else None
        if distance < max(2.5 * lr, 3.0, radius):
            return None
    return 0


# --- fitting --------------------------------------------------------------------------------


def _fit(
    train: tuple[NDArray[np.float64], NDArray[np.int64]],
    check: tuple[NDArray[np.float64], NDArray[np.int64]],
    classes: int,
    hidden: tuple[int, ...],
    seed: int,
) -> tuple[dict[str, Any], dict[str, float]]:
    rng = np.random.default_rng(seed)
    centre = train[0].mean(axis=0)
    spread = train[0].std(axis=0) + 1e-3
    x, cx = ((np.clip((t[0] - centre) / spread, -4, 4)) for t in (train, check))
    y, cy = train[1], check[1]
    sizes = [x.shape[1], *hidden, classes]
    weights = [rng.normal(0, 1 / np.sqrt(a), (a, b)) for a, b in itertools.pairwise(sizes)]
    biases = [np.zeros(b) for b in sizes[1:]]
    target = np.full((len(y), classes), _SMOOTHING / (classes - 1))
    target[np.arange(len(y)), y] = 1 - _SMOOTHING
    parameters = [*weights, *biases]
    first = [np.zeros_like(p) for p in parameters]
    second = [np.zeros_like(p) for p in parameters]
    best, best_loss, waited, step = [p.copy() for p in parameters], np.inf, 0, 0
    for _ in range(_ROUNDS):
        order = rng.permutation(len(y))
        for start in range(0, len(y), _BATCH):
            batch = order[start : start + _BATCH]
            # A little noise on the inputs stands for cameras that were not drawn.
            noisy = x[batch] + rng.normal(0, 0.08, (len(batch), x.shape[1]))
            gradients = _gradients(noisy, target[batch], weights, biases)
            step += 1
            for k, (parameter, gradient) in enumerate(zip(parameters, gradients, strict=True)):
                first[k] = 0.9 * first[k] + 0.1 * gradient
                second[k] = 0.999 * second[k] + 0.001 * gradient**2
                m = first[k] / (1 - 0.9**step)
                v = second[k] / (1 - 0.999**step)
                decay = _DECAY * parameter if parameter.ndim == 2 else 0.0
                parameter -= _STEP * (m / (np.sqrt(v) + 1e-8) + decay)
        loss = _loss(_forward(cx, weights, biases)[-1], cy)
        if loss < best_loss - 1e-5:
            best, best_loss, waited = [p.copy() for p in parameters], loss, 0
        else:
            waited += 1
            if waited >= _PATIENCE:
                break
    n = len(weights)
    weights, biases = best[:n], best[n:]
    scores = _forward(cx, weights, biases)[-1]
    temperature = min(np.arange(0.6, 3.01, 0.05), key=lambda t: _loss(scores / t, cy))
    right = float((scores.argmax(axis=1) == cy).mean())
    report = {
        "check_loss": round(_loss(scores / temperature, cy), 5),
        "check_right": round(right, 5),
    }
    net = {
        "centre": np.round(centre, 5).tolist(),
        "spread": np.round(spread, 5).tolist(),
        "layers": [
            {"weights": np.round(w, 5).tolist(), "bias": np.round(b, 5).tolist()}
            for w, b in zip(weights, biases, strict=True)
        ],
        "temperature": round(float(temperature), 3),
    }
    return net, report


def _forward(
    x: NDArray[np.float64], weights: list[NDArray[np.float64]], biases: list[NDArray[np.float64]]
) -> list[NDArray[np.float64]]:
    values = [x]
    for k, (w, b) in enumerate(zip(weights, biases, strict=True)):
        value = values[-1] @ w + b
        values.append(np.tanh(value) if k + 1 < len(weights) else value)
    return values


def _gradients(
    x: NDArray[np.float64],
    target: NDArray[np.float64],
    weights: list[NDArray[np.float64]],
    biases: list[NDArray[np.float64]],
) -> list[NDArray[np.float64]]:
    values = _forward(x, weights, biases)
    shifted = np.exp(values[-1] - values[-1].max(axis=1, keepdims=True))
    error = (shifted / shifted.sum(axis=1, keepdims=True) - target) / len(x)
    of_weights: list[NDArray[np.float64]] = []
    of_biases: list[NDArray[np.float64]] = []
    for k in range(len(weights) - 1, -1, -1):
        of_weights.insert(0, values[k].T @ error)
        of_biases.insert(0, error.sum(axis=0))
        if k:
            error = (error @ weights[k].T) * (1 - values[k] ** 2)
    return [*of_weights, *of_biases]


def _loss(scores: NDArray[np.float64], y: NDArray[np.int64]) -> float:
    """Mean negative log-odds of the true class."""
    top = scores.max(axis=1, keepdims=True)
    log_sum = np.log(np.exp(scores - top).sum(axis=1)) + top[:, 0]
    return float((log_sum - scores[np.arange(len(y)), y]).mean())


if __name__ == "__main__":
    main()
