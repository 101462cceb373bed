"""Frames that are woven of two fields: told by their look, and parted into their two moments.

An interlaced frame holds the even rows of one moment and the odd rows of the next. Where nothing
moves the two agree, and the woven frame is best, with all its rows. Where something moves, rows
stick out like the teeth of a comb; then each field is read as a picture of its own, with the
missing rows filled in between its own.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.media_raster import RgbRaster, YccRaster

#: A row sticks out if it is above or below both its neighbours by this (steps of 255).
_TOOTH: Final = 10.0
#: Share of the looked-at places that must stick out, and how many times more than within a field.
_LEAST: Final = 0.004
_TIMES: Final = 3.0
#: Columns that are looked at: every so many.
_EVERY: Final = 7
#: Votes that settle which field comes first, and the share by which one order must be better.
_VOTES: Final = 3
_BETTER: Final = 1.1


def is_combed(luma: NDArray[Any]) -> bool:
    """Do rows of a luma plane, (rows, columns) as stored, stick out as two moments woven make them?

    Fine level structure (sleepers, bricks, print) sticks out too, but as much within one field.
    """
    rows = luma.shape[0] // 2 * 2
    if rows < 16:
        return False
    narrow = luma[:rows, ::_EVERY].astype(np.float32)
    if luma.dtype != np.uint8:
        narrow *= 255.0 / max(float(narrow.max()), 1.0)
    woven = _teeth(narrow)
    apart = max(_teeth(narrow[0::2]), _teeth(narrow[1::2]))
    return woven >= _LEAST and woven > _TIMES * apart


def _teeth(rows: NDArray[np.float32]) -> float:
    """Share of places that stand out against the row above and the row below alike."""
    up, down = rows[1:-1] - rows[:-2], rows[1:-1] - rows[2:]
    same = np.minimum(np.abs(up), np.abs(down)) > _TOOTH
    return float(np.mean(same & ((up > 0) == (down > 0))))


class FieldOrder:
    """Which field of a frame is the earlier one, told by the motion over several frames."""

    def __init__(self) -> None:
        self._votes = 0
        self._previous: NDArray[np.float32] | None = None

    @property
    def upper_first(self) -> bool:
        """True until told otherwise: so are high definition and most of the rest."""
        return self._votes > -_VOTES

    def see(self, luma: NDArray[Any]) -> None:
        """Take the next woven luma plane.

        From the later field of one frame to the earlier field of the next is one step, from the
        earlier to the later of the next are three; what lies nearer in time differs less.
        """
        if abs(self._votes) >= 4 * _VOTES:
            return
        rows = luma.shape[0] // 4 * 4
        now = luma[:rows, ::_EVERY].astype(np.float32)
        before, self._previous = self._previous, now
        if before is None or before.shape != now.shape:
            return
        lower_to_upper = _apart(before[1::2], now[0::2], True)
        upper_to_lower = _apart(before[0::2], now[1::2], False)
        if upper_to_lower > _BETTER * lower_to_upper:
            self._votes += 1
        elif lower_to_upper > _BETTER * upper_to_lower:
            self._votes -= 1


def _apart(a: NDArray[np.float32], b: NDArray[np.float32], below: bool) -> float:
    """Mean difference of two fields, the first brought to the rows of the second.

    below : the rows of `a` lie below those of `b`
    """
    if below:
        middle, other = 0.5 * (a[:-1] + a[1:]), b[1:]
    else:
        middle, other = 0.5 * (a[:-1] + a[1:]), b[:-1]
    return float(np.abs(middle - other).mean())


def part(raster: YccRaster | RgbRaster, lower: bool) -> YccRaster | RgbRaster:
    """One field of a woven raster as a whole picture: its rows, and rows filled in between."""
    odd = int(lower)
    if isinstance(raster, RgbRaster):
        return replace(raster, samples=_filled(raster.samples, odd))
    u = None if raster.u is None else _filled(raster.u, odd)
    v = None if raster.v is None else _filled(raster.v, odd)
    return replace(raster, y=_filled(raster.y, odd), u=u, v=v)


def _filled(plane: NDArray[Any], odd: int) -> NDArray[Any]:
    field = np.ascontiguousarray(plane[odd::2])
    # Row y of the whole lies at (y - odd) / 2 of the field.
    move = np.array([[1.0, 0.0, 0.0], [0.0, 0.5, -0.5 * odd]])
    return np.asarray(
        cv2.warpAffine(
            field,
            move,
            (plane.shape[1], plane.shape[0]),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )
