"""From a site's samples to when its lamp was lit, dark, or not to be seen."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.cover import covered, runs
from mastread.vision.flash import Edge, find_flashes
from mastread.vision.levels import shining, veil

#: Spells shorter than this are not of a signal's making (a lost frame, mains beat); seconds.
SHORTEST_SPELL_S: Final = 0.09
#: Share of its light by which a lamp must sink in an even beat to be taken for one that flashes
#: but never looks dark; exposure drift and mains ripple stay below it.
AFTERGLOW_DEPTH: Final = 0.25
#: Share of the time that it may look dark all the same.
RARELY_DARK: Final = 0.2


@dataclass(frozen=True, slots=True)
class Curve:
    """Light of one site against time.

    Attributes
    ----------
    time_s : (N,) presentation times, rising
    flux : (N,) light from 0 (dark) to 1 (lit as usual at that time); NaN where not measured
    lit : (N,) probability that the lamp was lit; NaN where it could not be seen
    told : (N,) whether the surround shows that nothing stood in front while the lamp was dark; None
        where that is taken for granted
    veil : (N,) light of a burnt-out lamp by what it scatters round itself, 0 dark to 1 lit; None
        where that tells nothing
    """

    time_s: NDArray[np.float64]
    flux: NDArray[np.float32]
    lit: NDArray[np.float32]
    told: NDArray[np.bool_] | None = None
    veil: NDArray[np.float64] | None = None

    def spells(self) -> list[Spell]:
        """Unbroken stretches of lit, dark and unseen, in order of time."""
        return _spells(self)


@dataclass(frozen=True, slots=True)
class Spell:
    """From sample `first` to sample `last` (both included) the lamp was `state`.

    `state` is True for lit, False for dark, None for not to be seen. ``start_s`` and ``end_s``
    are where the change to and from it happened, between the samples; ``sd_s`` how well the
    start is known.
    """

    state: bool | None
    first: int
    last: int
    start_s: float
    end_s: float
    sd_s: float

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s


def light_curve(
    table: NDArray[np.void], lit_times_s: Sequence[float], dim_times_s: Sequence[float] = ()
) -> Curve:
    """Curve of one site.

    Parameters
    ----------
    table : (N,) of `mastread.vision.sites.SAMPLE`, in order of time
    lit_times_s : times at which a look at full resolution confirmed a lit lamp
    dim_times_s : times at which one found no lit lamp, but the glass of a lens
    """
    time_s = table["time_s"].astype(np.float64)
    share = shining(table, lit_times_s, dim_times_s)
    smooth = _median_filter(time_s, share, SHORTEST_SPELL_S)
    with np.errstate(over="ignore", invalid="ignore"):
        lit = 1.0 / (1.0 + np.exp(-(smooth - 0.5) / 0.06))
    hidden, told = covered(table, lit)
    for first, last in runs(hidden):
        if time_s[last] - time_s[first] < SHORTEST_SPELL_S:
            hidden[first : last + 1] = False
    lit[hidden] = np.nan
    for first, last in runs(np.isfinite(lit))[1:-1]:
        # A glimpse between what hides the lamp says nothing: the side of a car glints, too.
        if time_s[last] - time_s[first] < SHORTEST_SPELL_S:
            lit[first : last + 1] = np.nan
    curve = Curve(time_s, share.astype(np.float32), lit.astype(np.float32), told)
    curve = replace(curve, veil=veil(table, np.nan_to_num(lit, nan=0.0) > 0.5))
    return _afterglow(curve, smooth) or curve


def _afterglow(curve: Curve, smooth: NDArray[np.float64]) -> Curve | None:
    """The curve of a lamp whose light sinks in an even beat without going out, if it is one.

    By night a camera may be so far over-exposed that the afterglow of a flashing filament still
    clips: the lamp seems to shrink and grow. Only an even beat counts; any other swell is left to
    be steady light under a changing exposure. (The veil round it would tell more, but a lamp that
    flashes nearby makes the veil of a steady one beat as well.)
    """
    seen = np.isfinite(smooth) & np.isfinite(curve.lit)
    # Before it came on for the first time, and after it went out for good, it does not flash.
    shone = np.flatnonzero(seen & (np.nan_to_num(curve.lit, nan=0.0) > 0.5))
    if not len(shone):
        return None
    between = np.zeros(len(seen), bool)
    between[shone[0] : shone[-1] + 1] = True
    seen &= between
    if np.count_nonzero(seen) < 10 or (curve.lit[seen] < 0.5).mean() > RARELY_DARK:
        return None
    low, high = (float(v) for v in np.percentile(smooth[seen], [5, 92]))
    if high <= 0 or (high - low) / high < AFTERGLOW_DEPTH:
        return None
    middle, width = 0.5 * (low + high), 0.08 * (high - low)
    with np.errstate(over="ignore", invalid="ignore"):
        lit = 1.0 / (1.0 + np.exp(-(smooth - middle) / width))
    lit[~seen] = np.where(between, np.nan, curve.lit)[~seen]
    # Between its two levels the crossing of the middle is what is timed.
    flux = np.where(between, (smooth - low) / (high - low), np.minimum(curve.flux, 0.4))
    sunk = replace(curve, flux=flux.astype(np.float32), lit=lit.astype(np.float32))
    beats = find_flashes(edges(sunk))
    beating = sum(beat.end_s - beat.start_s for beat in beats)
    whole = float(curve.time_s[shone[-1]] - curve.time_s[shone[0]]) * float(seen[between].mean())
    return sunk if beating > 0.6 * whole else None


def edges(curve: Curve) -> list[Edge]:
    """Every rise and fall between a lit and a dark spell, in order of time."""
    out: list[Edge] = []
    spells = curve.spells()
    for before, after in itertools.pairwise(spells):
        if before.state is None or after.state is None:
            continue
        out.append(Edge(after.start_s, bool(after.state), after.sd_s))
    return out


def _median_filter(
    time_s: NDArray[np.float64], values: NDArray[np.float64], window_s: float
) -> NDArray[np.float64]:
    """Running median over `window_s`, so that one lost frame does not make a spell."""
    if len(values) < 3:
        return values.copy()
    spacing = float(np.median(np.diff(time_s)))
    reach = int(window_s / max(spacing, 1e-6) / 2.0)
    if reach < 1:
        return values.copy()
    padded = np.pad(values, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    out = values.copy()
    some = np.isfinite(windows).any(axis=1) & np.isfinite(values)
    out[some] = np.nanmedian(windows[some], axis=1)
    return out


def _spells(curve: Curve) -> list[Spell]:
    n = len(curve.time_s)
    if n == 0:
        return []
    state = np.where(np.isnan(curve.lit), -1, (curve.lit > 0.5).astype(int))
    change = np.flatnonzero(np.diff(state)) + 1
    starts = [0, *change.tolist()]
    ends = [*(change - 1).tolist(), n - 1]
    out: list[Spell] = []
    for k, (first, last) in enumerate(zip(starts, ends, strict=True)):
        start_s, sd_s = _crossing(curve, first) if k else (float(curve.time_s[0]), 0.0)
        end_s = _crossing(curve, last + 1)[0] if last + 1 < n else float(curve.time_s[-1])
        value = int(state[first])
        out.append(Spell(None if value < 0 else bool(value), first, last, start_s, end_s, sd_s))
    return out


def _crossing(curve: Curve, index: int) -> tuple[float, float]:
    """When the lamp changed between samples `index` - 1 and `index`, and how well that is known.

    The light of the two samples is joined by a straight line, which finds the middle of a
    filament's slow rise and puts a sudden change between its two frames.
    """
    t0, t1 = float(curve.time_s[index - 1]), float(curve.time_s[index])
    f0, f1 = float(curve.flux[index - 1]), float(curve.flux[index])
    share = 0.5
    # Where the light does not cross the middle, the lens changed its colour and not its strength.
    if np.isfinite(f0) and np.isfinite(f1) and (f0 - 0.5) * (f1 - 0.5) < 0.0:
        share = (0.5 - f0) / (f1 - f0)
    return t0 + share * (t1 - t0), (t1 - t0) / float(np.sqrt(12.0))
