"""Heads that show no light, found by what stands round a lamp: disc, hood, housing.

Heads of one mast look alike. What surrounds a lit lamp (without the lamp and its glow) is looked
for above, below and between the lit heads; how alike a place is and how well it fits the spacing
of the mast make its odds (`dark_net.json`, trained on rendered scenes by ``tools/train.py``). By
night nothing of it can be seen, and this is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame
from mastread.vision.limits import limits
from mastread.vision.net import load_net
from mastread.vision.segment import strongest

#: What is compared: the surround of a lamp between these distances, in radii.
_FROM: Final = 1.5
_TO: Final = 3.6
#: How far above and below the lit heads, and to their sides, the search goes, in radii.
_REACH: Final = 30.0
_ASIDE: Final = 9.0
#: Nearer to a lit lamp than this, in radii, is its own head.
_OWN_HEAD: Final = 4.0
#: Lamps smaller than this show too little of their surround.
_SMALLEST_RADIUS: Final = 2.0
#: A surround with less contrast than this (coded 0..1) is lost in the dark.
_LEAST_CONTRAST: Final = 0.06
#: Places less alike than this (normalised correlation) are not weighed, and at most so many are.
_LEAST_LIKENESS: Final = 0.35
_MOST_PLACES: Final = 6

DARK_FEATURES: Final = (
    "likeness",
    "likeness_of_lit",
    "log_distance",
    "off_line",
    "log_gap_ratio",
    "gaps_known",
    "between",
    "contrast",
    "log_contrast_ratio",
    "log_radius",
    "lit_heads",
    "centre_over_ring",
)


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
    The places that may be dark heads, likeliest first, and whether the mast could be seen well
    enough to tell
    """
    places, table, told = alike_places(frame, lit)
    if not len(places):
        return [], told
    odds = load_net("dark_net").odds(table)[:, 0]
    radius = float(np.median([r for _, _, r in lit]))
    found = [
        DarkHead(float(x), float(y), radius, float(p))
        for (x, y), p in zip(places, odds, strict=True)
    ]
    return sorted(found, key=lambda dark: -dark.odds), told


def shifted_odds(odds: float) -> float:
    """Odds of a doubtful place as they are outside of the training scenes; see limits.toml."""
    safe = min(max(odds, 1e-9), 1.0 - 1e-9)
    log_odds = np.log(safe / (1.0 - safe)) + limits("heads")["doubtful_shift"]
    return float(1.0 / (1.0 + np.exp(-log_odds)))


def alike_places(
    frame: Frame, lit: Sequence[tuple[float, float, float]]
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Places round a mast that look like its lit heads.

    Returns
    -------
    (N, 2) x and y; (N, F) figures in the order of `DARK_FEATURES`; whether the mast was to be seen
    """
    nothing = np.zeros((0, 2)), np.zeros((0, len(DARK_FEATURES)))
    radius = float(np.median([r for _, _, r in lit])) if lit else 0.0
    if radius < _SMALLEST_RADIUS:
        return *nothing, False
    # Large lamps are compared on a smaller picture: nothing is gained by their every pixel.
    step = max(1, int(radius / 6.0))
    column, left, top = _column(frame, lit, radius, step)
    r = radius / step
    half = int(np.ceil(_TO * r))
    if min(column.shape) < 2 * half + 3:
        return *nothing, False
    marks = [((x - left) / step, (y - top) / step) for x, y, _ in lit]
    likeness, contrast, of_lit = _likeness(column, marks, r, half)
    if likeness is None:
        return *nothing, False
    peaks = _peaks(likeness, half, marks, r)
    if not peaks:
        return *nothing, True
    places = np.array([(left + x * step, top + y * step) for x, y, _ in peaks])
    rows = [_figures(column, peak, marks, r, contrast, of_lit, radius, half) for peak in peaks]
    return places, np.array(rows), True


def _column(
    frame: Frame, lit: Sequence[tuple[float, float, float]], radius: float, step: int
) -> tuple[NDArray[np.float32], int, int]:
    """The strip of the picture round the mast, strongest primary, coded; and where it begins."""
    xs, ys = [x for x, _, _ in lit], [y for _, y, _ in lit]
    left = int(max(0, min(xs) - (_ASIDE + _TO) * radius))
    right = int(min(frame.width, max(xs) + (_ASIDE + _TO) * radius + 1))
    top = int(max(0, min(ys) - _REACH * radius))
    bottom = int(min(frame.height, max(ys) + _REACH * radius + 1))
    strip = strongest(frame.coded(left, top, right, bottom))
    if step > 1:
        size = (max(1, strip.shape[1] // step), max(1, strip.shape[0] // step))
        strip = cv2.resize(strip, size, interpolation=cv2.INTER_AREA)
    return strip, left, top


def _likeness(
    column: NDArray[np.float32], marks: list[tuple[float, float]], r: float, half: int
) -> tuple[NDArray[np.float32] | None, float, float]:
    """Likeness of every place to the likest lit head; contrast of the heads' surround; and how
    alike the lit heads are to one another (1 for a single one)."""
    mask = _ring(half, r)
    best: NDArray[np.float32] | None = None
    contrasts: list[float] = []
    mutual: list[float] = []
    for x, y in marks:
        px, py = round(x), round(y)
        if not (half <= px < column.shape[1] - half and half <= py < column.shape[0] - half):
            continue
        template = column[py - half : py + half + 1, px - half : px + half + 1]
        contrast = float(template[mask > 0].std())
        if contrast < _LEAST_CONTRAST:
            continue
        contrasts.append(contrast)
        match = cv2.matchTemplate(column, template, cv2.TM_CCOEFF_NORMED, mask=mask)
        # Where the picture is flat the correlation is nothing over nothing, and says nothing.
        match = np.where(np.abs(match) <= 1.001, match, 0.0)
        for ox, oy in marks:
            i, j = round(oy) - half, round(ox) - half
            if (ox, oy) != (x, y) and 0 <= i < match.shape[0] and 0 <= j < match.shape[1]:
                mutual.append(float(match[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2].max()))
        best = match if best is None else np.maximum(best, match)
    if best is None:
        return None, 0.0, 1.0
    return best, float(np.mean(contrasts)), float(np.mean(mutual)) if mutual else 1.0


def _ring(half: int, r: float) -> NDArray[np.float32]:
    grid = np.arange(-half, half + 1, dtype=np.float32)
    distance = np.hypot(grid[None, :], grid[:, None])
    inside = (distance >= _FROM * r + 0.5) & (distance <= _TO * r)
    return np.asarray(inside, np.float32)


def _peaks(
    likeness: NDArray[np.float32], half: int, marks: list[tuple[float, float]], r: float
) -> list[tuple[float, float, float]]:
    """Places (x, y, likeness) in the column, likest first, that are none of the lit heads."""
    remaining = likeness.copy()
    rows = np.arange(likeness.shape[0])[:, None] + half
    columns = np.arange(likeness.shape[1])[None, :] + half
    for x, y in marks:
        remaining[(columns - x) ** 2 + (rows - y) ** 2 < (_OWN_HEAD * r) ** 2] = 0.0
    found: list[tuple[float, float, float]] = []
    while len(found) < _MOST_PLACES:
        k = int(np.argmax(remaining))
        row, column = divmod(k, remaining.shape[1])
        value = float(remaining[row, column])
        if value < _LEAST_LIKENESS:
            break
        x, y = float(column + half), float(row + half)
        found.append((x, y, value))
        remaining[(columns - x) ** 2 + (rows - y) ** 2 < (_OWN_HEAD * r) ** 2] = 0.0
    return found


def _figures(
    column: NDArray[np.float32],
    peak: tuple[float, float, float],
    marks: list[tuple[float, float]],
    r: float,
    contrast: float,
    of_lit: float,
    radius: float,
    half: int,
) -> list[float]:
    x, y, likeness = peak
    distances = [float(np.hypot(x - mx, y - my)) for mx, my in marks]
    ys = np.array(sorted(my for _, my in marks))
    gaps = np.diff(ys)
    gap_known = len(gaps) > 0
    # A mast's heads are evenly spaced, or one is missing between two of them.
    own_gap = float(np.abs(ys - y).min())
    ratio = np.log(max(own_gap, 1.0) / max(float(gaps.min()), 1.0)) if gap_known else 0.0
    if len(marks) > 1:
        slope, start = np.polyfit([my for _, my in marks], [mx for mx, _ in marks], 1)
        line = slope * y + start
    else:
        line = marks[0][0]
    px, py = round(x), round(y)
    around = column[py - half : py + half + 1, px - half : px + half + 1]
    ring = around[_ring(half, r) > 0]
    grid = np.hypot(*np.mgrid[-half : half + 1, -half : half + 1])
    centre = float(around[grid <= r].mean())
    return [
        likeness,
        of_lit,
        float(np.log(min(distances) / r)),
        min(abs(x - line) / r, 10.0),
        float(np.clip(ratio, -2.0, 2.0)),
        float(gap_known),
        float(ys[0] < y < ys[-1]),
        contrast,
        float(np.clip(np.log((float(ring.std()) + 0.01) / (contrast + 0.01)), -2.0, 2.0)),
        float(np.log(radius)),
        float(len(marks)),
        centre - float(np.median(ring)),
    ]
