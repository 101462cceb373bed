"""Posters and crops: one moment of each span as a full-size picture, and each head close up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.shelf.entering import frames_between
from mastread.tools.shelf.figures import figures
from mastread.vision.errors import MediaError
from mastread.vision.frame import Frame
from mastread.vision.types import HeadSeen, LightCurve, MastSeen, SpanSeen
from mastread.vision.video import Video

#: A lamp counts as lit from these odds on.
_LIT: Final = 0.5
#: The frame of a moment is looked for until this long after it, seconds.
_LATE_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class Shot:
    """One moment of a span.

    Attributes
    ----------
    image : (H, W, 3) uint8, R, G, B
    time_s : that moment; None in a photo
    dx, dy : where the mast stood then against its place in the middle of the span, pixels
    """

    image: NDArray[np.uint8]
    time_s: float | None
    dx: float = 0.0
    dy: float = 0.0


def shot_of_photo(frame: Frame) -> Shot:
    """The whole photo."""
    return Shot(_image(frame), None)


def shot_of_span(video: Video, mast: MastSeen, span: SpanSeen) -> Shot:
    """A frame near the middle of the span in which as many of its lamps as can be are lit.

    Raises
    ------
    MediaError
        If no frame of the span can be decoded.
    """
    start, end = span.start_s or 0.0, span.end_s or 0.0
    wanted = best_moment(start, end, span.heads, mast.curves)
    for frame in frames_between(video, max(0.0, wanted - 1e-4), max(end, wanted) + _LATE_S):
        middle = offset(mast, (start + end) / 2)
        then = offset(mast, frame.time_s)
        return Shot(_image(frame), frame.time_s, then[0] - middle[0], then[1] - middle[1])
    for frame in frames_between(video, start, end + _LATE_S):
        return Shot(_image(frame), frame.time_s)
    raise MediaError(video.path, "no frame of a span can be decoded", "copy it again")


def best_moment(
    start_s: float, end_s: float, heads: Sequence[HeadSeen], curves: Sequence[LightCurve]
) -> float:
    """The moment to show, seconds: most flashing heads lit, then nearest to the middle."""
    middle = (start_s + end_s) / 2
    edge = min(figures("picture")["edge_s"], (end_s - start_s) / 4)
    flashing = [
        curve
        for head, curve in zip(heads, curves, strict=False)
        if head.behaviour_odds.get("flashing", 0.0) >= _LIT
    ]
    if not flashing:
        return middle
    times = np.unique(np.concatenate([curve.time_s for curve in flashing]))
    times = times[(times >= start_s + edge) & (times < end_s - edge)]
    if not len(times):
        return middle
    lit = np.zeros(len(times), np.int64)
    for curve in flashing:
        at = np.clip(np.searchsorted(curve.time_s, times), 0, len(curve.time_s) - 1)
        exact = np.abs(curve.time_s[at] - times) < 1e-6
        lit += exact & (np.nan_to_num(curve.lit[at]) >= _LIT)
    best = times[lit == lit.max()]
    return float(best[np.argmin(np.abs(best - middle))])


def offset(mast: MastSeen, time_s: float) -> tuple[float, float]:
    """Where a mast stood at a time against its place in its box, pixels."""
    if not len(mast.path):
        return 0.0, 0.0
    dx = float(np.interp(time_s, mast.path[:, 0], mast.path[:, 1]))
    return dx, float(np.interp(time_s, mast.path[:, 0], mast.path[:, 2]))


def write_jpeg(image: NDArray[np.uint8], target: Path) -> None:
    """Write R, G, B pixels as a JPEG file (OSError where that fails)."""
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(figures("picture")["quality"])]
    good, data = cv2.imencode(".jpg", cv2.cvtColor(image, cv2.COLOR_RGB2BGR), quality)
    if not good:
        raise OSError(f"{target.name}: the picture cannot be coded")
    target.write_bytes(data.tobytes())


def crop(image: NDArray[np.uint8], x: float, y: float, radius: float) -> NDArray[np.uint8]:
    """The square round a lens, cut off at the edge of the picture."""
    figs = figures("picture")
    reach = max(figs["crop_least_px"], figs["crop_radii"] * radius)
    height, width = image.shape[:2]
    x0, y0 = (int(np.clip(round(v - reach), 0, n - 1)) for v, n in ((x, width), (y, height)))
    x1, y1 = (int(np.clip(round(v + reach), 1, n)) for v, n in ((x, width), (y, height)))
    return image[y0 : max(y1, y0 + 1), x0 : max(x1, x0 + 1)]


def _image(frame: Frame) -> NDArray[np.uint8]:
    coded = frame.coded(0, 0, frame.width, frame.height)
    return np.asarray(cv2.convertScaleAbs(coded, alpha=255.0), np.uint8)
