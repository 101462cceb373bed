"""When a head turned from one light to the next.

A filament goes out and warms over a tenth of a second and more, so that its half light comes late;
what moves first is what was told. The turn is put in the middle between the moment at which the one
lamp begins to fall and the moment at which the other begins to rise.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.curves import Curve

#: A fall or rise belongs to a turn if its half light lies within this of it, seconds.
_NEAR_S: Final = 0.45
_EARLY_S: Final = 0.15
#: A lamp has begun to change once it is off its rest by this share, or so many times its scatter.
_BEGUN: Final = 0.07
_SIGMAS: Final = 3.5
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
    return float(np.mean(times))


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
    low, high = share[first - 1], share[first]
    part = float(np.clip((begun - low) / max(high - low, 1e-6), 0.0, 1.0))
    return float(time_s[first - 1] + part * (time_s[first] - time_s[first - 1]))


def _scatter(values: NDArray[np.float64]) -> float:
    """Scatter from frame to frame of a lamp at rest."""
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    return 1.4826 * float(np.median(steps)) / np.sqrt(2.0) if len(steps) > 2 else 0.0
