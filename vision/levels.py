"""How strongly a lamp shone in each frame, against what it shows when lit and when dark.

Two measures are at hand: the light summed over the lens, and the light at its top. The sum is the
better one for a lamp in front of something dark: it keeps counting where the top is clipped. Before
a bright surround, dark glass takes light away from the sum, the lit lamp may add next to nothing,
and the top tells them apart.

The lit level is that of the moments at which a look at full resolution found a lit lamp, nearby in
time: a zoom, a camera that comes nearer and an exposure that settles move it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: The lit level at a time is the median of the looks within this, seconds, or of the nearest few.
_WITHIN_S: Final = 0.8
_FEWEST: Final = 5
#: A lamp whose light is at most this share of the lit level nearby is dark, as the lower of two
#: states; a dark level never lies above `_DARK_AT_MOST`.
_LOWER: Final = 0.5
_DARK_AT_MOST: Final = 0.4
_DARK_AT_LEAST: Final = -4.0
#: The top is used where the sum parts lit from dark by less than so many times its scatter, and
#: the top does so better by this factor.
_CLEAR: Final = 12.0
_BETTER: Final = 1.5
#: A level below so many times its own scatter is no level.
_POOR: Final = 3.0


@dataclass(frozen=True, slots=True)
class _Measure:
    """One measure as shares: 0 dark, 1 lit; and how far apart these are in units of scatter."""

    share: NDArray[np.float64]
    contrast: float


def shining(table: NDArray[np.void], lit_times_s: Sequence[float]) -> NDArray[np.float64]:
    """Light of every frame between dark (0) and lit (1); NaN where the place was not in view.

    Parameters
    ----------
    table : (N,) of `mastread.vision.sites.SAMPLE`, in order of time
    lit_times_s : times at which a look at full resolution confirmed a lit lamp
    """
    time_s = table["time_s"].astype(np.float64)
    known = ~table["outside"] & np.isfinite(table["flux"])
    at = _frames_at(time_s, lit_times_s, known)
    if not len(at):
        return np.where(known, 0.0, np.nan)
    flux = _measure(time_s, table["flux"].astype(np.float64), at, known)
    if flux is not None and flux.contrast >= _CLEAR:
        return flux.share
    peak = _measure(time_s, table["peak"].astype(np.float64), at, known)
    if flux is None or (peak is not None and peak.contrast > _BETTER * flux.contrast):
        return peak.share if peak is not None else np.where(known, 1.0, np.nan)
    return flux.share


def _frames_at(
    time_s: NDArray[np.float64], lit_times_s: Sequence[float], known: NDArray[np.bool_]
) -> NDArray[np.intp]:
    """Indices of the frames nearest to given times, each once, where the light was measured."""
    if not len(time_s) or not len(lit_times_s):
        return np.zeros(0, np.intp)
    wanted = np.asarray(lit_times_s, np.float64)
    after = np.clip(np.searchsorted(time_s, wanted), 1, max(len(time_s) - 1, 1))
    if len(time_s) == 1:
        after = np.zeros(len(wanted), np.intp)
    else:
        nearer = np.abs(time_s[after - 1] - wanted) < np.abs(time_s[after] - wanted)
        after = after - nearer
    index = np.unique(after)
    return index[known[index]]


def _measure(
    time_s: NDArray[np.float64],
    values: NDArray[np.float64],
    at: NDArray[np.intp],
    known: NDArray[np.bool_],
) -> _Measure | None:
    """A measure as shares; None where the lit lamp does not stand out in it."""
    level = _level(time_s, time_s[at], values[at])
    ratio_lit = values[at] / np.where(level[at] > 0, level[at], np.nan)
    if not np.isfinite(ratio_lit).all():
        return None
    scatter = 1.4826 * float(np.median(np.abs(ratio_lit - np.median(ratio_lit))))
    if scatter * _POOR > 1.0:
        return None
    ratio = np.where(known, values / level, np.nan)
    lower = ratio[known & (ratio < _LOWER)]
    dark = 0.0
    if len(lower):
        dark = float(np.clip(np.median(lower), _DARK_AT_LEAST, _DARK_AT_MOST))
    return _Measure((ratio - dark) / (1.0 - dark), (1.0 - dark) / max(scatter, 0.01))


def _level(
    time_s: NDArray[np.float64], at_s: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Lit level at every time, from values at the times of looks."""
    local = np.empty(len(at_s))
    for k, t in enumerate(at_s):
        near = np.abs(at_s - t) <= _WITHIN_S
        if np.count_nonzero(near) < _FEWEST:
            near = np.argsort(np.abs(at_s - t), kind="stable")[:_FEWEST]
        local[k] = np.median(values[near])
    return np.asarray(np.interp(time_s, at_s, local), np.float64)
