"""How strongly a lamp shone in each frame, against what it shows when lit and when dark.

Two measures are at hand: the light summed over the lens, and the light at its top. The sum is the
better one by night: it keeps counting where the top is clipped. The top is the better one for a
small lamp before a bright surround. Both are taken as the lens shows them, not as what they add to
the surround: a lens is not transparent, and the train that passes behind it changes nothing.

The lit level is that of the moments at which a look at full resolution found a lit lamp. It
follows the looks nearby in time as far as the surround's own light (an exposure that settles) or
the size of the lens (a zoom, a camera that comes nearer) explain it, and no farther: sunlight in
the glass of a dark lens shines, too, though less than the lamp.
"""

from __future__ import annotations

import warnings
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
_DARK_AT_MOST: Final = 0.65
_DARK_AT_LEAST: Final = -4.0
#: Light of glass may be up to this share of the lamp's, if there are two kinds of light.
_GLASS: Final = 0.72
#: Sunlit glass of a dark lens is told from the lamp by this many looks or more that found no lamp,
#: if it is dimmer than the lamp by this share, and by so many times the scatter.
_FEWEST_DIM: Final = 2
_GLASS_AT_MOST: Final = 0.8
_GLASS_APART: Final = 6.0
#: The top is used where the sum parts lit from dark by less than so many times its scatter, and
#: the top does so better by this factor.
_CLEAR: Final = 12.0
_BETTER: Final = 1.5
#: A lamp whose top is this high (linear, 1 = clipping) is burnt out; its veil must stand over its
#: own scatter by so many times, with so many frames of lit and dark.
_BURNT_OUT: Final = 0.93
_VEIL_SIGMAS: Final = 8.0
_ENOUGH: Final = 6
#: The lit level is that of the brighter looks: this percentile.
_USUAL: Final = 90.0
#: It moves by this factor without a reason that can be seen, and by no more than the next with one.
_SLACK: Final = 1.2
_MOST: Final = 4.0
#: Light added to that of the surround before its changes are taken for the exposure's, linear.
_NIGHT: Final = 0.02
#: The size of a lens that comes nearer grows from frame to frame by less than this factor.
_LEAP: Final = 1.4
#: A level below so many times its own scatter is no level, unless the lamp is dark for this share
#: of the time.
_POOR: Final = 3.0
_SOMETIMES: Final = 0.05


@dataclass(frozen=True, slots=True)
class _Measure:
    """One measure as shares: 0 dark, 1 lit; and how far apart these are in units of scatter."""

    share: NDArray[np.float64]
    contrast: float


def shining(
    table: NDArray[np.void], lit_times_s: Sequence[float], dim_times_s: Sequence[float] = ()
) -> NDArray[np.float64]:
    """Light of every frame between dark (0) and lit (1); NaN where the place was not in view.

    Parameters
    ----------
    table : (N,) of `mastread.vision.sites.SAMPLE`, in order of time
    lit_times_s : times at which a look at full resolution confirmed a lit lamp
    dim_times_s : times at which one found the glass of a lens, but no lit lamp in it
    """
    time_s = table["time_s"].astype(np.float64)
    known = ~table["outside"] & np.isfinite(table["flux"])
    at = _frames_at(time_s, lit_times_s, known)
    if not len(at):
        return np.where(known, 0.0, np.nan)
    reason = _reason(table, at)
    dim = _frames_at(time_s, dim_times_s, known)
    ring = table["ring"].astype(np.float64)
    # Light is told for the size at which the lamp was found, so its surround must be, too.
    scale = np.where(table["scale"] > 0, table["scale"], 1.0)
    disc = table["flux"] + ring * np.pi * (table["r"] / scale).astype(np.float64) ** 2
    flux = _measure(time_s, disc, at, known, reason, dim)
    if flux is not None and flux.contrast >= _CLEAR:
        return flux.share
    peak = _measure(time_s, table["peak"] + ring, at, known, reason, dim)
    if flux is None or (peak is not None and peak.contrast > _BETTER * flux.contrast):
        return peak.share if peak is not None else np.where(known, 1.0, np.nan)
    return flux.share


def veil(table: NDArray[np.void], lit: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Light that a burnt-out lamp scatters round itself, 0 dark to 1 lit; None if it tells nothing.

    Where the lamp itself clips, a filament has lost most of its light before it is seen to dim. Its
    veil on the near surround does not clip.

    Parameters
    ----------
    table : (N,) of `mastread.vision.sites.SAMPLE`, in order of time
    lit : (N,) whether the lamp was lit
    """
    ring = table["ring"].astype(np.float64)
    top = table["peak"].astype(np.float64) + ring
    dark = ~lit & np.isfinite(ring) & ~table["outside"]
    if np.count_nonzero(lit) < _ENOUGH or np.count_nonzero(dark) < _ENOUGH:
        return None
    if float(np.median(top[lit])) < _BURNT_OUT:
        return None
    high, low = float(np.median(ring[lit])), float(np.median(ring[dark]))
    steps = np.abs(np.diff(ring))[lit[1:] == lit[:-1]]
    scatter = 1.4826 / np.sqrt(2.0) * float(np.median(steps))
    if high - low < _VEIL_SIGMAS * max(scatter, 1e-4):
        return None
    return (ring - low) / (high - low)


def _reason(table: NDArray[np.void], at: NDArray[np.intp]) -> NDArray[np.float64]:
    """(2, N) factors, the least and the greatest, by which the lit level may have moved."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        light = np.nanmedian(table["look"].astype(np.float64), axis=1)
    light = np.nan_to_num(light, nan=0.0) + _NIGHT
    # What passes in front for a moment is not the exposure's doing.
    light = _smoothed(light, table["time_s"].astype(np.float64))
    gain = light / np.median(light[at])
    size = table["r"].astype(np.float64)
    grown = np.ones(len(table))
    if len(size) > 1 and (size > 0).all():
        if np.abs(np.diff(np.log(size))).max() < np.log(_LEAP):
            grown = (size / np.median(size[at])) ** 2
        else:
            # Another size was measured elsewhere: neither light tells of the exposure.
            gain = np.ones(len(table))
    low = np.minimum(gain, 1.0) * np.minimum(grown, 1.0) / _SLACK
    high = np.maximum(gain, 1.0) * np.maximum(grown, 1.0) * _SLACK
    return np.stack([np.maximum(low, 1.0 / _MOST**2), np.minimum(high, _MOST**2)])


def _smoothed(values: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running median over the time in which looks are pooled."""
    if len(values) < 5:
        return values
    spacing = max(float(np.median(np.diff(time_s))), 1e-3)
    reach = int(min(max(_WITHIN_S / spacing / 2.0, 1), (len(values) - 1) // 2))
    padded = np.pad(values, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray(np.median(windows, axis=1), np.float64)


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
    reason: NDArray[np.float64],
    dim: NDArray[np.intp],
) -> _Measure | None:
    """A measure as shares; None where the lit lamp does not stand out in it."""
    usual = float(np.percentile(values[at], _USUAL))
    if not usual > 0:
        return None
    level = np.clip(_level(time_s, time_s[at], values[at]), usual * reason[0], usual * reason[1])
    ratio = np.where(known, values / level, np.nan)
    # From frame to frame, since a lamp that glows on or is dimmed is no scatter.
    steps = np.abs(np.diff(ratio))[(ratio[1:] > _LOWER) & (ratio[:-1] > _LOWER)]
    scatter = 1.4826 / np.sqrt(2.0) * float(np.median(steps)) if len(steps) > 2 else 0.1
    lower = ratio[known & (ratio < _split(ratio[known], scatter))]
    # Pulse width modulation makes light scatter, and yet dark is another thing.
    if scatter * _POOR > 1.0 and len(lower) < _SOMETIMES * np.count_nonzero(known):
        return None
    dark = 0.0
    if len(lower):
        dark = float(np.clip(np.median(lower), _DARK_AT_LEAST, _DARK_AT_MOST))
    if len(dim) >= _FEWEST_DIM:
        glass = float(np.median(ratio[dim]))
        if dark < glass <= _GLASS_AT_MOST and 1.0 - glass > _GLASS_APART * scatter:
            dark = glass
    return _Measure((ratio - dark) / (1.0 - dark), (1.0 - dark) / max(scatter, 0.01))


def _split(ratio: NDArray[np.float64], scatter: float) -> float:
    """Share of the lit level below which light is that of a dark lens.

    Half, but where light has two kinds with next to nothing between them: sunlit glass may show
    more than half of what the lamp does.
    """
    below = ratio[ratio < _GLASS]
    if len(below) < _FEWEST:
        return _LOWER
    low = float(np.median(below))
    apart = 1.0 - low
    between = (ratio > low + 0.3 * apart) & (ratio < 1.0 - 0.3 * apart)
    if apart < _GLASS_APART * scatter or np.count_nonzero(between) > 0.25 * len(below):
        return _LOWER
    return max(low + 0.5 * apart, _LOWER)


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
