"""Flash rate, on-fraction, rise and fall of a lamp, with bounds that cannot be missed.

Each edge lies between the last frame on one side of half light and the first on the other; a
frame gathers light over its shutter, which moves all edges alike and so changes neither rate nor
on-fraction. All even beats whose edges fit between their frames are considered (a linear
programme in the rate, the phase, and the on-fraction); the answer is the range they span. A
beat that is uneven itself widens its own bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library
from mastread.vision.curves import Curve
from mastread.vision.curves import edges as edges_of
from mastread.vision.flash import FEWEST_EDGES, find_flashes

Floats = NDArray[np.float64]

#: Light at which a lamp counts as half on, and how far that level may be off.
_HALF: Final = 0.5
_SLACK: Final = 0.06
#: Light (of the lit level) between which rise and fall are timed: common practice.
_FOOT, _TOP = 0.1, 0.9


@dataclass(frozen=True, slots=True)
class Range:
    """A figure and the bounds that it lies between."""

    value: float
    low: float
    high: float

    @property
    def half(self) -> float:
        """Half of the width."""
        return 0.5 * (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Beat:
    """An even flash.

    Attributes
    ----------
    rate_hz, on_fraction : within their bounds
    rise_s, fall_s : time from a tenth to nine tenths of the light; the lower bound is 0 where the
        frames are too far apart to see it
    cycles : how many whole cycles were watched
    uneven_s : by how much the edges miss an even beat beyond what the frames allow
    """

    rate_hz: Range
    on_fraction: Range
    rise_s: Range
    fall_s: Range
    cycles: int
    uneven_s: float


def beat_of(
    time_s: Floats, flux: Floats, exposure_s: float | None = None, *, burnt: bool = False
) -> Beat | None:
    """Find the beat of a lamp's light.

    Parameters
    ----------
    time_s, flux : (N,) presentation times and light, in any unit; NaN where not seen
    exposure_s : shutter, if known; else up to the time between two frames
    burnt : the lamp's core is clipped when lit, which hides the beginning of a slow fall

    Returns
    -------
    None where there is no even beat of two whole cycles in the band of signal flashers
    """
    level = _levels(flux)
    if level is None:
        return None
    dark, lit = level
    light = (flux - dark) / (lit - dark)
    curve = _curve(time_s, light)
    found = find_flashes(edges_of(curve))
    if not found:
        return None
    flash = max(found, key=lambda one: one.edges)
    gap = float(np.median(np.diff(time_s)))
    within = (time_s >= flash.start_s - gap) & (time_s <= flash.end_s + gap)
    rises, falls = _brackets(time_s[within], light[within])
    if len(rises) + len(falls) < FEWEST_EDGES:
        return None
    solved = _even_beats(rises, falls, flash.rate_hz)
    if solved is None:
        return None
    rate, share, uneven = solved
    shutter = min(exposure_s or gap, gap)
    rise, fall = _edge_times(time_s[within], light[within], shutter)
    share = _with_slow_edges(share, rise, fall, rate.value, burnt)
    cycles = max(len(rises), len(falls)) - 1
    return Beat(rate, share, rise, fall, cycles, uneven)


def _with_slow_edges(share: Range, rise: Range, fall: Range, rate_hz: float, burnt: bool) -> Range:
    """Widen an on-fraction for a lamp that glows up and down, such as a filament.

    Half light is then not when the current is switched: it comes half a rise late and goes half a
    fall late; and where the core is clipped, the fall has begun unseen, by up to a whole fall.
    """
    if rise.low <= 0.0 and fall.low <= 0.0:
        return share
    late = rate_hz * 0.5 * np.array([fall.high if np.isfinite(fall.high) else fall.low, rise.low])
    low = share.low - float(late[0]) * (2.0 if burnt else 1.0) + float(late[1])
    low, high = max(min(low, share.low), 0.0), share.high
    return Range(0.5 * (low + high), low, high)


def _levels(flux: Floats) -> tuple[float, float] | None:
    """Light when dark and when lit: the middles of the lower and the upper half."""
    known = flux[np.isfinite(flux)]
    if len(known) < 8:
        return None
    low, high = (float(v) for v in np.percentile(known, [2, 98]))
    if high - low <= 0:
        return None
    middle = 0.5 * (low + high)
    upper, lower = known[known > middle], known[known <= middle]
    # Frames that caught an edge lie between; the median of each half is not theirs.
    lit, dark = float(np.median(upper)), float(np.median(lower))
    return (dark, lit) if lit > 0 and lit - dark > 0.2 * lit else None


def _curve(time_s: Floats, light: Floats) -> Curve:
    with np.errstate(over="ignore"):
        lit = 1.0 / (1.0 + np.exp(-(light - _HALF) / 0.06))
    return Curve(time_s, light.astype(np.float32), lit.astype(np.float32))


def _brackets(time_s: Floats, light: Floats) -> tuple[list[tuple[int, float, float]], ...]:
    """(number, earliest, latest) of each rise and fall.

    Rises are numbered from the first; a fall has the number of the rise before it, or -1.
    """
    rises: list[tuple[int, float, float]] = []
    falls: list[tuple[int, float, float]] = []
    state: bool | None = None
    last = 0.0
    for t, v in zip(time_s, light, strict=True):
        if not np.isfinite(v) or abs(v - _HALF) <= _SLACK:
            continue
        lit = bool(v > _HALF)
        if state is not None and lit != state:
            if lit:
                rises.append((len(rises), last, float(t)))
            else:
                falls.append((len(rises) - 1, last, float(t)))
        state, last = lit, float(t)
    return rises, falls


def _even_beats(
    rises: list[tuple[int, float, float]], falls: list[tuple[int, float, float]], near_hz: float
) -> tuple[Range, Range, float] | None:
    """Rates and on-fractions of every even beat whose edges lie in their brackets.

    With s = rate, u = phase and d = on-fraction (in cycles), edge n lies in its bracket when
    ``earliest s <= u + n (+ d) <= latest s``: linear. Where no beat fits, all brackets are
    widened by the least time that lets one fit.
    """
    linprog = library("scipy.optimize").linprog
    rows, limits = [], []
    for edges, falling in ((rises, 0.0), (falls, 1.0)):
        for n, early, late in edges:
            # Unknowns: s, u, d, w, where w is the widening in cycles.
            rows += [[early, -1.0, -falling, -1.0], [-late, 1.0, falling, -1.0]]
            limits += [n, -n]
    a, b = np.array(rows), np.array(limits, np.float64)
    box = [(0.5 * near_hz, 2.0 * near_hz), (None, None), (0.0, 1.0), (0.0, None)]
    least = linprog([0, 0, 0, 1], A_ub=a, b_ub=b, bounds=box, method="highs")
    if least.status != 0:
        return None
    spare = float(least.x[3])
    # What an uneven beat leaves open is as wide as its unevenness, not the one point that fits.
    box[3] = (0.0, 2.0 * spare + 1e-9)
    out = []
    for unknown in (0, 2):
        ends = []
        for sign in (1.0, -1.0):
            aim = np.zeros(4)
            aim[unknown] = sign
            end = linprog(aim, A_ub=a, b_ub=b, bounds=box, method="highs")
            if end.status != 0:
                return None
            ends.append(float(end.x[unknown]))
        out.append(Range(0.5 * (ends[0] + ends[1]), ends[0], ends[1]))
    return out[0], out[1], spare / float(least.x[0])


def _edge_times(time_s: Floats, light: Floats, shutter_s: float) -> tuple[Range, Range]:
    """Bounds of rise and fall, the narrowest that any single edge gives.

    A frame spreads an edge over its shutter, so that much of what is seen may be the camera's.
    """
    shortest: dict[bool, list[tuple[float, float]]] = {True: [], False: []}
    for rising in (True, False):
        v = light if rising else 1.0 - light
        for i in np.flatnonzero((v[:-1] < _HALF) & (v[1:] >= _HALF)):
            below = np.flatnonzero(v[: i + 1] <= _FOOT)
            above = np.flatnonzero(v[i + 1 :] >= _TOP)
            if not len(below) or not len(above):
                continue
            first, last = int(below[-1]), int(i + 1 + above[0])
            upper = float(time_s[last] - time_s[first])
            inner = float(time_s[last - 1] - time_s[first + 1]) if last - first > 2 else 0.0
            shortest[rising].append((max(inner - shutter_s, 0.0), upper + shutter_s))
    out = []
    for rising in (True, False):
        seen = shortest[rising]
        low = float(np.median([s[0] for s in seen])) if seen else 0.0
        high = float(np.median([s[1] for s in seen])) if seen else float("inf")
        out.append(Range(0.5 * (low + high), low, high))
    return out[0], out[1]
