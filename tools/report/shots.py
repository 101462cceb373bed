"""Pictures for the report, taken while the frames of a clip stream through, or from a photo."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.reading import HeadDoc, Reading, SpanDoc
from mastread.tools.sentences import is_hidden
from mastread.vision.frame import Frame
from mastread.vision.types import LightCurve, Seen

#: Width of a picture of the whole scene, and side of the crop of a lamp, pixels.
SCENE_WIDTH: Final = 480
LAMP_SIDE: Final = 112
#: Width and height of the close view of a mast.
CLOSE: Final = (150, 228)

#: A crop of a lamp reaches this many radii from its middle, but at least this many pixels.
LAMP_REACH: Final = 4.0
LEAST_REACH: Final = 9.0

#: A close view reaches this many radii beyond the outer heads.
CLOSE_REACH: Final = 5.0

SCENE_QUALITY: Final = 78
CROP_QUALITY: Final = 90

#: Probability of being lit above which a frame shows the lamp lit, and below which dark.
LIT_AT: Final = 0.8
DARK_AT: Final = 0.2

#: Pictures are taken at least this long after and before a change, where there is so much time.
WELL_WITHIN_S: Final = 0.3

Kind = Literal["scene", "close", "lit", "dark"]
#: Which picture: kind, mast number, span number, head number (0 where it is of no one head).
Name = tuple[Kind, int, int, int]
Image = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Shot:
    """A picture to take: when, and of what."""

    time_s: float
    name: Name


@dataclass(slots=True)
class Album:
    """Takes the pictures of one media file; `pictures` holds them as data addresses."""

    reading: Reading
    seen: Seen
    pictures: dict[Name, str] = field(default_factory=dict)
    _shots: list[Shot] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._shots = plan_shots(self.seen, self.reading)

    def look(self, frame: Frame) -> None:
        """Take what is due in this frame; frames come in order of time."""
        while self._shots and frame.time_s >= self._shots[0].time_s - 5e-4:
            shot = self._shots.pop(0)
            self.pictures[shot.name] = self._take(frame, shot.name)

    def _take(self, frame: Frame, name: Name) -> str:
        kind, mast, span, head = name
        if kind == "scene":
            scale = min(1.0, SCENE_WIDTH / frame.width)
            size = (max(1, round(frame.width * scale)), max(1, round(frame.height * scale)))
            return as_data(_reduced(frame, size), SCENE_QUALITY)
        doc = self.reading["masts"][mast - 1]["spans"][span - 1]
        dx, dy = self._offset(mast, frame.time_s)
        if kind == "close":
            return as_data(_region(frame, close_region(doc, dx, dy), CLOSE), CROP_QUALITY)
        one = next(h for h in doc["heads"] if h["head"] == head)
        return as_data(
            _region(frame, lamp_region(one, dx, dy), (LAMP_SIDE, LAMP_SIDE)), CROP_QUALITY
        )

    def _offset(self, mast: int, time_s: float) -> tuple[float, float]:
        path = self.seen.masts[mast - 1].path
        if len(path) == 0:
            return 0.0, 0.0
        return (
            float(np.interp(time_s, path[:, 0], path[:, 1])),
            float(np.interp(time_s, path[:, 0], path[:, 2])),
        )


def plan_shots(seen: Seen, reading: Reading) -> list[Shot]:
    """Return the pictures to take, in order of time.

    Of each span the scene and a close view of the mast; of each head the lamp lit and, where it
    flashes or is dark, without light.
    """
    if not reading["masts"]:
        middle = (reading["source"].get("duration_s") or 0.0) / 2
        return [Shot(middle, ("scene", 0, 0, 0))]
    shots: list[Shot] = []
    for mast, doc in zip(seen.masts, reading["masts"], strict=True):
        for n, span in enumerate(doc["spans"], start=1):
            curves = {curve.head: curve for curve in mast.curves}
            best = _moment(span, list(curves.values()), lit=True)
            shots += [
                Shot(best, ("scene", doc["mast"], n, 0)),
                Shot(best, ("close", doc["mast"], n, 0)),
            ]
            for head in span["heads"]:
                if is_hidden(head):
                    continue
                own = [curves[head["head"]]] if head["head"] in curves else []
                if head["behaviour"] != "dark":
                    at = _moment(span, own, lit=True)
                    shots.append(Shot(at, ("lit", doc["mast"], n, head["head"])))
                if head["behaviour"] in ("dark", "flashing"):
                    at = _moment(span, own, lit=False)
                    shots.append(Shot(at, ("dark", doc["mast"], n, head["head"])))
    return sorted(shots, key=lambda shot: shot.time_s)


def _moment(span: SpanDoc, curves: Sequence[LightCurve], *, lit: bool) -> float:
    """The time nearest to the middle of a span at which most lamps were lit (or were dark)."""
    start, end = span["start_s"], span["end_s"]
    if start is None or end is None:
        return 0.0
    middle = (start + end) / 2
    known = [curve for curve in curves if len(curve.time_s)]
    if not known:
        return middle
    times = known[0].time_s
    within = (times >= start - 5e-4) & (times < end)
    if not within.any():
        return middle
    times = times[within]
    score = np.zeros(len(times))
    for curve in known:
        nearest = np.clip(np.searchsorted(curve.time_s, times), 0, len(curve.time_s) - 1)
        share = np.asarray(curve.lit[nearest], np.float64)
        with np.errstate(invalid="ignore"):
            score += (share > LIT_AT) if lit else (share < DARK_AT)
    best = score == score.max()
    margin = _margins(times, best)
    # Away from where a lamp changes or something comes in front, and then near the middle.
    good = margin >= min(WELL_WITHIN_S, float(margin.max()) / 2)
    good &= best
    return float(times[good][np.argmin(np.abs(times[good] - middle))])


def _margins(times: NDArray[np.float64], mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    """How far each sample of `mask` is from the nearest time that is not in it, seconds."""
    others = times[~mask]
    if len(others) == 0:
        return np.full(len(times), np.inf)
    after = np.searchsorted(others, times)
    left = times - others[np.maximum(after - 1, 0)]
    right = others[np.minimum(after, len(others) - 1)] - times
    left[after == 0] = np.inf
    right[after == len(others)] = np.inf
    return np.where(mask, np.minimum(left, right), 0.0)


def lamp_region(head: HeadDoc, dx: float, dy: float) -> tuple[float, float, float, float]:
    """Return the square round a lamp: x, y, width, height."""
    reach = max(LEAST_REACH, LAMP_REACH * head["radius"])
    return head["x"] + dx - reach, head["y"] + dy - reach, 2 * reach, 2 * reach


def close_region(span: SpanDoc, dx: float, dy: float) -> tuple[float, float, float, float]:
    """Return the part of the picture that shows the heads of a mast, in the shape of `CLOSE`."""
    xs = [head["x"] + dx for head in span["heads"]]
    ys = [head["y"] + dy for head in span["heads"]]
    reach = CLOSE_REACH * max(2.0, *(head["radius"] for head in span["heads"]))
    high = max(max(ys) - min(ys) + 2 * reach, (max(xs) - min(xs) + 2 * reach) * CLOSE[1] / CLOSE[0])
    wide = high * CLOSE[0] / CLOSE[1]
    return (min(xs) + max(xs)) / 2 - wide / 2, (min(ys) + max(ys)) / 2 - high / 2, wide, high


def _region(
    frame: Frame, region: tuple[float, float, float, float], size: tuple[int, int]
) -> Image:
    """Return a part of a frame at another size; beyond the edge the picture goes on as it ends."""
    x, y, wide, high = region
    x0, y0 = max(0, int(x)), max(0, int(y))
    x1, y1 = min(frame.width, int(x + wide) + 2), min(frame.height, int(y + high) + 2)
    if x1 <= x0 or y1 <= y0:
        return np.zeros((size[1], size[0], 3), np.uint8)
    part = np.round(np.clip(frame.coded(x0, y0, x1, y1), 0.0, 1.0) * 255.0).astype(np.uint8)
    zoom = size[0] / wide
    # From the crop to the part, middles of pixels at whole numbers.
    matrix = np.array(
        [
            [1 / zoom, 0, x - x0 + 0.5 / zoom - 0.5],
            [0, 1 / zoom, y - y0 + 0.5 / zoom - 0.5],
        ]
    )
    how = cv2.INTER_CUBIC if zoom > 1 else cv2.INTER_LINEAR
    made = cv2.warpAffine(
        part, matrix, size, flags=how | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
    )
    return np.asarray(made, np.uint8)


def _reduced(frame: Frame, size: tuple[int, int]) -> Image:
    """The whole frame made smaller, a strip at a time, so that a huge one needs little memory."""
    step = max(1, 2_000_000 // frame.width)
    strips = []
    for y in range(0, frame.height, step):
        below = min(frame.height, y + step)
        strip = np.round(np.clip(frame.coded(0, y, frame.width, below), 0, 1) * 255)
        rows = max(1, round(below / frame.height * size[1]) - round(y / frame.height * size[1]))
        strips.append(
            cv2.resize(strip.astype(np.uint8), (size[0], rows), interpolation=cv2.INTER_AREA)
        )
    return np.asarray(np.concatenate(strips), np.uint8)


def as_data(image: Image, quality: int) -> str:
    """Return a picture (rows, columns, 3; R, G, B) as a data address that holds a JPEG file.

    Raises
    ------
    OSError
        If it cannot be encoded.
    """
    options = [cv2.IMWRITE_JPEG_QUALITY, quality]
    ok, data = cv2.imencode(".jpg", np.ascontiguousarray(image[:, :, ::-1]), options)
    if not ok:
        raise OSError("a picture of the report could not be encoded")
    return "data:image/jpeg;base64," + base64.b64encode(data.tobytes()).decode("ascii")
