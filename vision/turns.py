"""When a head turned from one light to the next.

A filament goes out and warms over a tenth of a second and more, so that its half light comes late;
what moves first is what was told. The turn is put in the middle between the moment at which the one
lamp begins to fall and the moment at which the other begins to rise.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.curves import Curve, Spell
from mastread.vision.flash import Flash

#: A fall or rise belongs to a turn if its half light lies within this of it, seconds.
_NEAR_S: Final = 0.45
_EARLY_S: Final = 0.4
#: A lamp has begun to change once it is off its rest by this share, or so many times its scatter.
_BEGUN: Final = 0.07
_SIGMAS: Final = 3.5
#: A lit half shorter than the usual by this share, and by these seconds, was cut off.
_CUT: Final = 0.08
_CUT_S: Final = 0.05
#: Bounds that contradict one another by less than this are both a little off, seconds.
_AT_ODDS_S: Final = 0.2
#: A turn from or to unrest in the same lens is not known better than this.
_UNREST_S: Final = 0.6
#: Half of the longest time in which a flash may have begun or ended.
_LONGEST_SOFT_S: Final = 1.5
#: The veil of a burnt-out lamp falls this long before the lamp itself is seen to, at the most.
_LONGEST_VEIL_S: Final = 0.5
#: A lamp that takes this many frames to go out is a filament.
_SLOW: Final = 2
#: It changes within this, seconds, and by at least this share from frame to frame.
_CLIMBS: Final = 0.01
_LONGEST_S: Final = 0.4


def turn_of(before: Curve | None, after: Curve | None, about_s: float) -> float:
    """Time of the turn from one lens to another (None: to or from dark) near a known time."""
    fall = None if before is None else _begins(before, about_s, falls=True)
    rise = None if after is None else _begins(after, about_s, falls=False)
    times = [t for t in (fall, rise) if t is not None]
    if not times or (before is not None and after is not None and len(times) < 2):
        return about_s
    if fall is not None and rise is not None:
        # Over-exposed light is seen to fall late; it does not rise late.
        times = [min(fall, rise), rise]
    return float(np.mean(times))


def beat_bounds(
    before: tuple[int | None, Flash | None],
    after: tuple[int | None, Flash | None],
    lenses: Sequence[Curve],
    about_s: float,
) -> tuple[float, float]:
    """Earliest and latest time of a turn from or to a flash, near a known time.

    A flash that ends between two flashes may have ended at any time in that dark half; one that is
    cut short in its lit half ended there. Likewise for the beginning.

    Parameters
    ----------
    before, after : index of the lens that shone (None: dark), and its beat if it flashed
    """
    low, high = about_s - _LONGEST_SOFT_S, about_s + _LONGEST_SOFT_S
    same = before[0] == after[0]
    if before[1] is not None and before[0] is not None:
        a, b = _until_then(lenses[before[0]], before[1], about_s, goes_on=same)
        low, high = max(low, a), min(high, b)
    elif before[0] is not None and not same:
        fall = _begins(lenses[before[0]], about_s, falls=True)
        low = low if fall is None else max(low, fall)
    if after[1] is not None and after[0] is not None:
        a, b = _from_then(lenses[after[0]], after[1], about_s, went_before=same)
        low, high = max(low, a), min(high, b)
    elif after[0] is not None and not same:
        rise = _begins(lenses[after[0]], about_s, falls=False)
        high = high if rise is None else min(high, rise)
    if low <= high:
        return low, high
    middle = 0.5 * (low + high)
    return (middle, middle) if low - high < _AT_ODDS_S else (about_s, about_s)


def unrest_bounds(
    before: int | None, after: int | None, lenses: Sequence[Curve], about_s: float
) -> tuple[float, float]:
    """The same of a turn from or to light that came and went without a whole beat."""
    if before is None or after is None or before == after:
        return about_s - _UNREST_S, about_s + _UNREST_S
    last = _lit_spell(lenses[before], about_s, last=True)
    first = _lit_spell(lenses[after], about_s, last=False)
    if last is None or first is None or last.end_s > first.start_s:
        return about_s, about_s
    return last.end_s, first.start_s


def _lit_spell(curve: Curve, about_s: float, *, last: bool) -> Spell | None:
    """The last lit spell that began before a time, or the first that ends after it."""
    lit = [spell for spell in curve.spells() if spell.state]
    room = 0.05
    if last:
        return next((s for s in reversed(lit) if s.start_s < about_s - room), None)
    return next((s for s in lit if s.end_s > about_s + room), None)


def _until_then(
    curve: Curve, flash: Flash, about_s: float, *, goes_on: bool
) -> tuple[float, float]:
    """Bounds of the end of a flash."""
    spell = _lit_spell(curve, about_s, last=True)
    period = 1.0 / flash.rate_hz
    lit_s = flash.duty * period
    if spell is None:
        return about_s, about_s
    if goes_on:
        # It stays lit: at the latest when the flash would have gone dark again, at the earliest
        # when it last went dark; sharply where it came on before its time.
        stays = _lit_spell(curve, about_s, last=False) or spell
        dark_s = stays.start_s - spell.end_s
        if stays is not spell and period - lit_s - dark_s > max(_CUT_S, _CUT * lit_s):
            return stays.start_s, stays.start_s
        return min(spell.end_s, stays.start_s), stays.start_s + lit_s
    if lit_s - spell.length_s > max(_CUT_S, _CUT * lit_s):
        return spell.end_s, spell.end_s
    return spell.end_s, spell.start_s + period


def _from_then(
    curve: Curve, flash: Flash, about_s: float, *, went_before: bool
) -> tuple[float, float]:
    """Bounds of the beginning of a flash."""
    spell = _lit_spell(curve, about_s, last=False)
    period = 1.0 / flash.rate_hz
    lit_s = flash.duty * period
    if spell is None:
        return about_s, about_s
    if went_before:
        # The light that was steady goes dark for the first time near the known time.
        fell = _lit_spell(curve, about_s, last=True) or spell
        if fell is not spell and spell.start_s - fell.end_s > period - lit_s + _CUT_S:
            # Longer than the dark of the flash: the change itself had a dark moment.
            return fell.end_s, spell.start_s
        return fell.end_s - lit_s, fell.end_s
    if lit_s - spell.length_s > max(_CUT_S, _CUT * lit_s):
        return spell.start_s, spell.start_s
    return spell.end_s - period, spell.start_s


def _begins(curve: Curve, about_s: float, *, falls: bool) -> float | None:
    """When a lens began to go out (or come on), near a time; None where it did not."""
    share = np.asarray(curve.flux, np.float64)
    share = 1.0 - share if falls else share
    time_s = curve.time_s
    crossed = np.flatnonzero((share[1:] >= 0.5) & (share[:-1] < 0.5)) + 1
    # A lamp goes out before the middle of the turn, and the other comes on after it.
    late = time_s[crossed] - about_s if falls else about_s - time_s[crossed]
    crossed = crossed[(late <= _EARLY_S) & (late >= -_NEAR_S)]
    if not len(crossed):
        return None
    at = int(crossed[np.argmin(np.abs(time_s[crossed] - about_s))])
    begun = max(_BEGUN, _SIGMAS * _scatter(share[max(at - 40, 0) : at]))
    if begun >= 0.5:
        begun = 0.5
    first = at
    while (
        first > 0
        and share[first - 1] > begun
        and share[first - 1] < share[first] - _CLIMBS
        and time_s[at] - time_s[first - 1] <= _LONGEST_S
    ):
        first -= 1
    if first == 0 or not np.isfinite(share[first - 1]):
        return None
    if falls and curve.veil is not None and at - first >= _SLOW:
        veiled = _veil_falls(curve.veil, time_s, at)
        if veiled is not None:
            return veiled
    low, high = share[first - 1], share[first]
    part = float(np.clip((begun - low) / max(high - low, 1e-6), 0.0, 1.0))
    return float(time_s[first - 1] + part * (time_s[first] - time_s[first - 1]))


def _veil_falls(veil: NDArray[np.float64], time_s: NDArray[np.float64], at: int) -> float | None:
    """When the veil of a burnt-out lamp began to fall, before frame `at`."""
    begun = max(_BEGUN, _SIGMAS * _scatter(veil[max(at - 40, 0) : at]))
    lost = 1.0 - veil
    rest = float(np.median(lost[max(at - 40, 0) : max(at - 12, 1)]))
    lost = lost - rest
    first = at
    while first > 0 and time_s[at] - time_s[first - 1] <= _LONGEST_VEIL_S:
        first -= 1
        if lost[first] <= begun:
            low, high = lost[first], lost[first + 1]
            part = float(np.clip((begun - low) / max(high - low, 1e-6), 0.0, 1.0))
            return float(time_s[first] + part * (time_s[first + 1] - time_s[first]))
    return None


def _scatter(values: NDArray[np.float64]) -> float:
    """Scatter from frame to frame of a lamp at rest."""
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    return 1.4826 * float(np.median(steps)) / np.sqrt(2.0) if len(steps) > 2 else 0.0
