"""Where and when something moves in a clip: a tag must not stand in front of a train."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.moments import Interval
from mastread.tools.tags import Rect
from mastread.vision.frame import Frame

#: Cells across the picture; each is about as large as a tag is high.
CELLS_ACROSS: Final = 48

#: Something stands in a cell whose mean luma differs from the usual by more than this, of 255: more
#: than leaves, noise, and the rest of a shake that was taken back do; less than most vehicles.
MOVED: Final = 24.0

#: Stands for a cell that the camera did not show.
BEYOND: Final = 0

#: Share of a tag's ground that may be busy: one corner of a cell.
TOLERANCE: Final = 0.03

#: The clip is looked at so often, times a second ...
RATE_HZ: Final = 4.0
#: ... but no oftener than makes this many looks, so that a clip of hours fits into memory (0.1 GB),
MOST_LOOKS: Final = 20_000
#: ... and a tag goes so long before something comes under it, and returns as long after, seconds.
AHEAD_S: Final = 0.5


@dataclass(frozen=True, slots=True)
class MotionMap:
    """Cells in which something stands that is not there for most of the clip.

    Attributes
    ----------
    time_s : (N,) when it was looked
    busy : (N, rows, columns) bool
    width, height : of the picture, pixels of the document
    step_s : how far its times are apart at least
    """

    time_s: NDArray[np.float64]
    busy: NDArray[np.bool_]
    width: int
    height: int
    step_s: float = 1.0 / RATE_HZ

    def busy_at(self, rects: Sequence[Rect], scale: float = 1.0) -> NDArray[np.bool_]:
        """Return when something is in one of `rects` (x0, y0, x1, y1, document times `scale`)."""
        _, rows, columns = self.busy.shape
        found = np.zeros(len(self.time_s), np.bool_)
        for rect in rects:
            x0, x1 = (value / scale / self.width * columns for value in (rect[0], rect[2]))
            y0, y1 = (value / scale / self.height * rows for value in (rect[1], rect[3]))
            left, right = np.clip([np.floor(x0), np.ceil(x1)], 0, columns).astype(int)
            top, bottom = np.clip([np.floor(y0), np.ceil(y1)], 0, rows).astype(int)
            if right > left and bottom > top:
                cells = self.busy[:, top:bottom, left:right]
                found |= cells.mean(axis=(1, 2)) > TOLERANCE
        return found

    def without(self, rects: Sequence[Rect]) -> MotionMap:
        """Return the map without what happens in `rects` (pixels of the document): lamps change."""
        _, rows, columns = self.busy.shape
        busy = self.busy.copy()
        for x0, y0, x1, y1 in rects:
            left, right = (round(value / self.width * columns) for value in (x0, x1))
            top, bottom = (round(value / self.height * rows) for value in (y0, y1))
            # A cell more on each side: the glow of a lamp reaches beyond its mast.
            busy[:, max(0, top - 1) : bottom + 2, max(0, left - 1) : right + 2] = False
        return replace(self, busy=busy)

    def free(self, rects: Sequence[Rect], scale: float = 1.0) -> float:
        """Return the share of the time for which nothing is in any of `rects`."""
        return float(1.0 - self.busy_at(rects, scale).mean()) if len(self.time_s) else 1.0

    def busy_times(self, rects: Sequence[Rect], scale: float = 1.0) -> list[Interval]:
        """Return when tags at `rects` have to go, with the time ahead and after."""
        ahead = max(AHEAD_S, 2 * self.step_s)
        found: list[Interval] = []
        for time_s in self.time_s[self.busy_at(rects, scale)].tolist():
            start, end = time_s - ahead, time_s + ahead
            if found and start <= found[-1][1]:
                found[-1] = (found[-1][0], end)
            else:
                found.append((start, end))
        return found


def map_motion(
    frames: Iterable[Frame], path: NDArray[np.float64], length_s: float | None = None
) -> MotionMap | None:
    """Look at the frames of a clip, and tell where something moves.

    Parameters
    ----------
    frames : of the whole clip
    path : (N, 3) time_s, dx, dy: how the camera moved, from the path of a mast
    length_s : how long the clip is, where that is known

    Returns
    -------
    MotionMap, or None where there was nothing to look at
    """
    step = max(1.0 / RATE_HZ, (length_s or 0.0) / MOST_LOOKS)
    times: list[float] = []
    pictures: list[NDArray[np.uint8]] = []
    size = (0, 0)
    for frame in frames:
        if times and frame.time_s < times[-1] + step - 1e-6:
            continue
        size = (frame.width, frame.height)
        times.append(frame.time_s)
        pictures.append(_cells(frame, path))
    if not times:
        return None
    stack = np.stack(pictures)
    shown = np.where(stack == BEYOND, np.float32(np.nan), stack)
    shown[:, (stack == BEYOND).all(axis=0)] = 0.0
    usual = np.nanmedian(shown, axis=0)
    busy = np.zeros(stack.shape, np.bool_)
    for n, cells in enumerate(stack):
        # What the camera did not show then says nothing; exposure moves all cells alike.
        known = cells != BEYOND
        apart = cells - usual
        if known.any():
            busy[n] = known & (np.abs(apart - np.median(apart[known])) > MOVED)
    return MotionMap(np.array(times), busy, *size, step)


def _cells(frame: Frame, path: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Mean luma of each cell, the camera's motion taken back; `BEYOND` off its edge."""
    luma = frame.planes().y
    high, wide = luma.shape
    columns = min(CELLS_ACROSS, wide)
    rows = max(1, round(columns * high / wide))
    small = cv2.resize(luma, (columns * 4, rows * 4), interpolation=cv2.INTER_AREA)
    small = small.astype(np.float32)
    if len(path):
        dx = float(np.interp(frame.time_s, path[:, 0], path[:, 1])) * columns * 4 / frame.width
        dy = float(np.interp(frame.time_s, path[:, 0], path[:, 2])) * rows * 4 / frame.height
        back = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        size = (columns * 4, rows * 4)
        small = np.asarray(
            cv2.warpAffine(
                small, back, size, flags=how, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan
            ),
            np.float32,
        )
    cells = small.reshape(rows, 4, columns, 4).mean(axis=(1, 3))
    known = np.isfinite(cells)
    return np.where(known, np.round(np.clip(np.nan_to_num(cells), 1, 255)), BEYOND).astype(np.uint8)
