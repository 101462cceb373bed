"""What the nets are trained on: spots of made scenes labelled by their truth, and of photographs.

Each function works on one scene, in a process of its own; see `mastread.tools.train`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS

#: A lamp that lifts the finished picture by less than this (coded 0..1) is left out of training.
LEAST_CONTRAST: Final = 0.08
#: Spots of a scene that are kept although they are no lamp: so many of the strongest, and about
#: as many of the rest.
_MOST_OTHERS: Final = 15

Spots = tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.int8]]


def spots_of(task: tuple[str, int, bool]) -> Spots:
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


def spots_of_none(path: Path) -> Spots:
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
