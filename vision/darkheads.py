"""Heads that show no light, found by what stands round a lamp: disc, hood, housing.

Heads of one mast look alike. What surrounds a lit lamp (without the lamp and its glow) is looked
for above, below and between the lit heads. By night nothing of it can be seen, and this is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame

#: What is compared: the surround of a lamp between these distances, in radii.
_FROM: Final = 1.5
_TO: Final = 3.6
#: How far above and below the lit heads the search goes, in radii.
_REACH: Final = 26.0
#: Lamps smaller than this show too little of their surround.
_SMALLEST_RADIUS: Final = 2.2
#: A surround with less contrast than this (coded 0..1) is lost in the dark.
_LEAST_CONTRAST: Final = 0.07
#: Likeness (normalised correlation) at which a dark head is as likely as not.
_EVEN_LIKENESS: Final = 0.74
_SHARPNESS: Final = 22.0


@dataclass(frozen=True, slots=True)
class DarkHead:
    """Place of a head without light, and the probability that there is one."""

    x: float
    y: float
    radius: float
    odds: float


def find_dark_heads(
    frame: Frame, lit: Sequence[tuple[float, float, float]]
) -> tuple[list[DarkHead], bool]:
    """Dark heads of a mast.

    Parameters
    ----------
    lit : (x, y, radius) of its lit heads

    Returns
    -------
    The dark heads, likeliest first, and whether the mast could be seen well enough to tell
    """
    if not lit:
        return [], False
    radius = float(np.median([r for _, _, r in lit]))
    if radius < _SMALLEST_RADIUS:
        return [], False
    xs, ys = [x for x, _, _ in lit], [y for _, y, _ in lit]
    half = int(np.ceil(_TO * radius))
    left = int(max(0, min(xs) - 2.0 * half))
    right = int(min(frame.width, max(xs) + 2.0 * half))
    top = int(max(0, min(ys) - _REACH * radius))
    bottom = int(min(frame.height, max(ys) + _REACH * radius))
    if right - left < 2 * half + 3 or bottom - top < 2 * half + 3:
        return [], False
    column = frame.coded(left, top, right, bottom).max(axis=2)
    mask = _ring(half, radius)
    told = False
    likeness: NDArray[np.float32] | None = None
    for x, y, _ in lit:
        px, py = round(x) - left, round(y) - top
        if not (half <= px < column.shape[1] - half and half <= py < column.shape[0] - half):
            continue
        template = column[py - half : py + half + 1, px - half : px + half + 1]
        if float(template[mask > 0].std()) < _LEAST_CONTRAST:
            continue
        told = True
        match = cv2.matchTemplate(column, template, cv2.TM_CCOEFF_NORMED, mask=mask)
        match = np.nan_to_num(match, nan=0.0, posinf=0.0, neginf=0.0)
        likeness = match if likeness is None else np.maximum(likeness, match)
    if likeness is None:
        return [], told
    return _peaks(likeness, left + half, top + half, radius, lit), told


def _ring(half: int, radius: float) -> NDArray[np.float32]:
    grid = np.arange(-half, half + 1, dtype=np.float32)
    distance = np.hypot(grid[None, :], grid[:, None])
    inside = (distance >= _FROM * radius + 0.5) & (distance <= _TO * radius)
    return np.asarray(inside, np.float32)


def _peaks(
    likeness: NDArray[np.float32],
    left: int,
    top: int,
    radius: float,
    lit: Sequence[tuple[float, float, float]],
) -> list[DarkHead]:
    """Places that look like a head and are none of the lit ones."""
    remaining = likeness.copy()
    rows, columns = np.mgrid[: likeness.shape[0], : likeness.shape[1]]
    for x, y, r in lit:
        near = (columns + left - x) ** 2 + (rows + top - y) ** 2 < (5.0 * r) ** 2
        remaining[near] = 0.0
    found: list[DarkHead] = []
    for _ in range(3):
        k = int(np.argmax(remaining))
        row, column = divmod(k, remaining.shape[1])
        value = float(remaining[row, column])
        odds = 1.0 / (1.0 + np.exp(-_SHARPNESS * (value - _EVEN_LIKENESS)))
        if odds < 0.02:
            break
        x, y = float(column + left), float(row + top)
        found.append(DarkHead(x, y, radius, float(odds)))
        near = (columns + left - x) ** 2 + (rows + top - y) ** 2 < (5.0 * radius) ** 2
        remaining[near] = 0.0
    return found
