"""What the nets are trained on: spots of made scenes labelled by their truth, and of photographs.

Each function works on one scene, in a process of its own; see `mastread.tools.train`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS

#: A lamp that lifts the finished picture by less than this (coded 0..1) is left out of training.
LEAST_CONTRAST: Final = 0.08
#: Spots of a picture that are kept although they are no lamp: so many of those that the figures
#: alone would not sort out, and of the others.
_MOST_HARD, _MOST_EASY = 12, 3
#: Candidates measured in the second and later shots of a place, besides those at lamps.
_MORE_CANDIDATES: Final = 40

Spots = tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.int8]]
#: Lit lamps of a frame: x, y, radius, colour from 1, and whether they count.
Lamps = list[tuple[float, float, float, int, bool]]


@dataclass(frozen=True, slots=True)
class Place:
    """One place to collect spots from.

    Attributes
    ----------
    kind : "photo" (`shots` photographs of one painted place) or "clip" (some frames of one)
    even : every head's colours are drawn evenly from all six
    backdrops : folder of photographs that may stand behind the masts
    """

    kind: Literal["photo", "clip"]
    seed: int
    even: bool = False
    shots: int = 1
    backdrops: Path | None = None


def spots_of(place: Place) -> Spots:
    """Features, patches and labels (0 none, 1.. colour) of the spots of one place.

    Of the spots that are no lamp, those are kept that the net over figures would hand on (they are
    what the patch net has to tell apart), and a few others.
    """
    import cv2

    from mastread.vision.features import FEATURES, features, scene_of
    from mastread.vision.look import WORTH_A_LOOK, measure_all
    from mastread.vision.net import load_net
    from mastread.vision.patch import CHANNELS, SIZE, views
    from mastread.vision.propose import propose

    cv2.setNumThreads(1)
    rng = np.random.default_rng([place.seed, 78])
    net = load_net("lamp_net")
    rows: list[NDArray[np.float64]] = []
    patches: list[NDArray[np.uint8]] = []
    labels: list[int] = []
    for number, (frame, lamps) in enumerate(_frames(place)):
        scene = scene_of(frame.planes())
        candidates = propose(frame.planes(), most=160)
        if number:
            candidates = _fewer(rng, candidates, lamps)
        hard = easy = 0
        spots = measure_all(frame, candidates)
        for index in rng.permutation(len(spots)):
            spot = spots[index]
            x, y, radius = float(spot["x"]), float(spot["y"]), float(spot["radius"])
            label = _label(x, y, radius, lamps)
            if label is None:
                continue
            row = features(spot, scene)
            if label == 0:
                if net.odds(row[None])[0, 0] >= 0.5 * WORTH_A_LOOK:
                    hard += 1
                    if hard > _MOST_HARD:
                        continue
                else:
                    easy += 1
                    if easy > _MOST_EASY:
                        continue
            rows.append(row)
            patches.append(views(frame, x, y, radius))
            labels.append(label)
    return (
        np.array(rows, np.float32).reshape(-1, len(FEATURES)),
        np.array(patches, np.uint8).reshape(-1, SIZE, SIZE, CHANNELS),
        np.array(labels, np.int8),
    )


def _fewer(rng: np.random.Generator, candidates: NDArray[np.void], lamps: Lamps) -> Any:
    """Candidates at lamps, and some of the others, in their order."""
    keep = rng.random(len(candidates)) < _MORE_CANDIDATES / max(len(candidates), 1)
    for x, y, radius, _, _ in lamps:
        near = np.hypot(candidates["x"] - x, candidates["y"] - y) < max(2.0 * radius, 3.0)
        keep |= near
    return candidates[keep]


def spots_of_none(path: Path) -> Spots:
    """Spots of one photograph without a signal at several sizes, all labelled as none."""
    import cv2

    from mastread.vision.features import FEATURES, features, scene_of
    from mastread.vision.look import measure_all
    from mastread.vision.patch import CHANNELS, SIZE, views
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
            patches.append(views(frame, float(spot["x"]), float(spot["y"]), float(spot["radius"])))
    return (
        np.array(rows, np.float32).reshape(-1, len(FEATURES)),
        np.array(patches, np.uint8).reshape(-1, SIZE, SIZE, CHANNELS),
        np.zeros(len(rows), np.int8),
    )


def _frames(place: Place) -> Iterator[tuple[Any, Lamps]]:
    """Frames of a place as they are read back from their files, each with its true lit lamps."""
    from mastread.tools.scenes import clip
    from mastread.tools.train_shots import shots
    from mastread.vision.video import open_video

    if place.kind == "photo":
        for frame, lit in shots(place.seed, place.shots, place.even, place.backdrops):
            yield (
                frame,
                [(b.x, b.y, b.radius, b.colour, b.contrast >= LEAST_CONTRAST) for b in lit],
            )
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp4"
        truth = clip.make_clip(place.seed, path, even=place.even)
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
    """Colour of the lamp at a spot, 0 for none, None where it would be unfair to ask.

    A spot beside a lamp that does not cover it (its glow on the hood, a ray, a mirror image) is
    none; one that hits it off centre, or holds it, is not asked about.
    """
    for lx, ly, lr, colour, usable in lamps:
        distance = float(np.hypot(x - lx, y - ly))
        if distance < max(0.6 * lr, 1.2):
            return colour if usable else None
        if distance < max(1.3 * lr + 1.0, radius):
            return None
    return 0
