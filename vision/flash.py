"""Is a row of lit and dark spells a flash, and how fast?

A flash is an even beat: every rise follows the one before by one period, and so does every
fall. A train passing twice, or one change of aspect, also makes rises and falls; they are told
apart by demanding at least two whole cycles (five edges) whose periods are alike. The rate comes
from a straight line through the edge times, so that its error is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.limits import limits

#: Periods that a signal's flasher may have, seconds. The published rates of signal lamps lie
#: between 33 and 90 a minute; the band leaves room on both sides.
SHORTEST_PERIOD_S: Final = float(limits("flash")["shortest_period_s"])
LONGEST_PERIOD_S: Final = float(limits("flash")["longest_period_s"])
#: Like periods within one flash differ by at most this share of their median, plus what the
#: spacing of the frames explains.
EVEN: Final = 0.1
FEWEST_EDGES: Final = 5


@dataclass(frozen=True, slots=True)
class Edge:
    """The lamp came on (`rise`) or went out at `time_s`, known to `sd_s`."""

    time_s: float
    rise: bool
    sd_s: float


@dataclass(frozen=True, slots=True)
class Flash:
    """An even beat from `start_s` to `end_s` (its first and last edge).

    Attributes
    ----------
    rate_hz, rate_sd_hz : flashes a second and the standard error
    duty : lit share of a period, 0..1
    edges : how many edges carry it
    """

    start_s: float
    end_s: float
    rate_hz: float
    rate_sd_hz: float
    duty: float
    edges: int


def find_flashes(edges: Sequence[Edge]) -> list[Flash]:
    """Longest even beats among edges in order of time; they do not overlap.

    Edges alternate between rise and fall; where they do not (a spell could not be seen), a beat
    does not run across.
    """
    flashes: list[Flash] = []
    first = 0
    while first + FEWEST_EDGES <= len(edges):
        last = _even_run(edges, first)
        if last - first + 1 >= FEWEST_EDGES:
            flash = fit_flash(edges[first : last + 1])
            if flash is not None:
                flashes.append(flash)
                first = last
                continue
        first += 1
    return flashes


def _even_run(edges: Sequence[Edge], first: int) -> int:
    """Index of the last edge of the even beat that starts at `first`."""
    last = first
    for i in range(first + 1, len(edges)):
        if edges[i].rise == edges[i - 1].rise:
            break
        run = edges[first : i + 1]
        periods = [run[k + 2].time_s - run[k].time_s for k in range(len(run) - 2)]
        if periods and not _even(periods, max(edge.sd_s for edge in run)):
            break
        last = i
    return last


def _even(periods: Sequence[float], sd_s: float) -> bool:
    middle = float(np.median(periods))
    if not SHORTEST_PERIOD_S <= middle <= LONGEST_PERIOD_S:
        return False
    room = EVEN * middle + 3.0 * sd_s
    return all(abs(period - middle) <= room for period in periods)


def fit_flash(edges: Sequence[Edge]) -> Flash | None:
    """Straight line through rise and fall times with one common period.

    Time of edge = start + period * count (+ lit spell, for falls): three unknowns, least
    squares. The error of the rate follows from the scatter, but never from less than what the
    spacing of the frames leaves open.

    Returns
    -------
    None where the edges do not fix a period in the band or leave no lit or dark spell
    """
    if len(edges) < FEWEST_EDGES:
        return None
    times = np.array([edge.time_s for edge in edges])
    rises = np.array([edge.rise for edge in edges])
    design = _design(rises)
    solution, *_ = np.linalg.lstsq(design, times, rcond=None)
    period, lit = float(solution[1]), float(solution[2])
    if not SHORTEST_PERIOD_S <= period <= LONGEST_PERIOD_S or not 0.0 < lit < period:
        return None
    residual = times - design @ solution
    freedom = max(len(times) - 3, 1)
    floor = float(np.mean([edge.sd_s**2 for edge in edges]))
    variance = max(float(residual @ residual) / freedom, floor)
    covariance = variance * np.linalg.inv(design.T @ design)
    rate = 1.0 / period
    return Flash(
        start_s=float(times[0]),
        end_s=float(times[-1]),
        rate_hz=rate,
        rate_sd_hz=float(np.sqrt(covariance[1, 1])) * rate**2,
        duty=lit / period,
        edges=len(edges),
    )


def _design(rises: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Columns: one, number of the cycle, whether it is a fall (which comes one spell later).

    A fall belongs to the cycle of the rise before it; one before the first rise, to cycle -1.
    """
    cycle = np.cumsum(rises) - 1.0
    return np.stack([np.ones(len(rises)), cycle, (~rises).astype(float)], axis=1)
