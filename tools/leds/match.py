"""Which lamps of one colour look alike, and which stand out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.colorimetry import ciede2000, lab_of

Floats = NDArray[np.float64]

#: CIEDE2000 up to which two lamps look alike side by side, and from which one stands out. About 1
#: is just to be seen with care (common practice, no source); lamps are seen one after the other.
ALIKE: Final = 3.0
STANDS_OUT: Final = 6.0
#: Luminance on which lamps are compared, D65 white = 100.
LUMINANCE: Final = 50.0
_DRAWS: Final = 200


@dataclass(frozen=True, slots=True)
class Pair:
    """Two lamps of one colour: their difference, its standard error, and what that makes sure."""

    first: int
    second: int
    difference: float
    error: float
    word: str


def pairs_of(colours: Sequence[str], xy: Floats, covariances: Floats) -> list[Pair]:
    """Compare every two lamps of the same colour on a common luminance.

    Parameters
    ----------
    colours : (N,) their colour words
    xy : (N, 2) chromaticities
    covariances : (N, 2, 2) of each lamp's own noise: what the camera gets wrong it gets wrong for
        all lamps of the picture alike
    """
    rng = np.random.default_rng(1)
    out = []
    for i in range(len(colours)):
        for j in range(i + 1, len(colours)):
            if colours[i] != colours[j]:
                continue
            first = rng.multivariate_normal(xy[i], covariances[i], _DRAWS)
            second = rng.multivariate_normal(xy[j], covariances[j], _DRAWS)
            draws = ciede2000(lab_of(first, LUMINANCE), lab_of(second, LUMINANCE))
            middle = ciede2000(lab_of(xy[i], LUMINANCE), lab_of(xy[j], LUMINANCE))
            difference, error = float(middle), float(draws.std())
            out.append(Pair(i, j, difference, error, _word(difference, error)))
    return out


def standouts(count: int, pairs: Sequence[Pair]) -> list[int]:
    """Lamps that differ from most others of their colour, the plainest first."""
    out = []
    for lamp in range(count):
        mine = [p for p in pairs if lamp in (p.first, p.second)]
        if len(mine) < 2:
            continue
        far = [p for p in mine if p.word == "differs"]
        if len(far) > 0.5 * len(mine):
            out.append((float(np.median([p.difference for p in mine])), lamp))
    return [lamp for _, lamp in sorted(out, reverse=True)]


def _word(difference: float, error: float) -> str:
    if difference + error <= ALIKE:
        return "alike"
    if difference - 2.0 * error >= STANDS_OUT:
        return "differs"
    return "near" if difference - error < STANDS_OUT else "differs"
