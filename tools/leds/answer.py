"""The colour of one lamp in figures, each with what is known of its error.

The *95 % region* is the ellipse, with the shape of the weighted spread of x, y, that holds 95 % of
the weight; its covariance is stated so that the usual factor (5.991 = chi-square, two degrees
of freedom) gives that ellipse.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds import colorimetry
from mastread.tools.leds.estimate import Lights

Floats = NDArray[np.float64]

#: 95 % point of chi-square with two degrees of freedom.
CHI2_95: Final = 5.991464547107979
#: A dominant wavelength is stated as one number where 95 % lie within this of it, nanometres; a
#: temperature where they lie within this share of it.
SURE_NM: Final = 3.0
SURE_KELVIN: Final = 0.12
#: Lamps less pure than this are whites: they have a colour temperature, not a wavelength.
WHITE_PURITY: Final = 0.45
#: A Planckian temperature means something only this near the line (CIE 15: 0.05 in u', v').
FARTHEST_DUV: Final = 0.05
#: Width added for the grain of the draws, x and y.
_GRAIN: Final = 2e-4


@dataclass(frozen=True, slots=True)
class Span:
    """A figure with the bounds between which it lies with 95 %; `sure` where it may be stated as
    one number."""

    value: float
    low: float
    high: float
    sure: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """What light a lamp gives.

    Attributes
    ----------
    xy, covariance : CIE 1931 x, y, and the (2, 2) covariance of their 95 % region
    uv, uv_covariance : the same in CIE 1976 u', v'
    white : share of the weight on lamps of low purity
    dominant_nm, purity : None where the lamp is a white
    cct_k, duv : None where it is not
    """

    xy: Floats
    covariance: Floats
    uv: Floats
    uv_covariance: Floats
    white: float
    dominant_nm: Span | None
    purity: Span | None
    cct_k: Span | None
    duv: Span | None

    def holds(self, xy: Floats) -> NDArray[np.bool_]:
        """Which of (N, 2) chromaticities lie in the 95 % region."""
        apart = np.atleast_2d(xy) - self.xy
        return np.asarray(_squares(apart, self.covariance) <= CHI2_95)


def answer_of(lights: Lights) -> Answer:
    """Boil weighted spectra down to figures."""
    xy, weight = lights.xy, lights.weight
    centre, covariance = region_of(xy, weight)
    uv, uv_covariance = region_of(colorimetry.uv_of(xy), weight)
    dominant, purity = colorimetry.dominant_wavelengths(xy)
    pale = purity < WHITE_PURITY
    white = float(weight[pale].sum())
    known = np.isfinite(dominant) & ~pale
    spectral = white < 0.5 and float(weight[known].sum()) > 0.5
    nm = _span(dominant[known], weight[known], SURE_NM) if spectral else None
    pure = _span(purity[known], weight[known], 0.05) if spectral else None
    kelvin = duv = None
    if white >= 0.5:
        cct, apart = colorimetry.temperatures(xy[pale])
        near = np.abs(apart) < FARTHEST_DUV
        if float(weight[pale][near].sum()) > 0.5 * white:
            part = weight[pale][near]
            middle = float(part @ cct[near] / part.sum())
            kelvin = _span(cct[near], part, SURE_KELVIN * middle)
            duv = _span(apart[near], part, 0.006)
    return Answer(centre, covariance, uv, uv_covariance, white, nm, pure, kelvin, duv)


def region_of(points: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Centre and covariance of the 95 % region of weighted (N, 2) points."""
    centre = weight @ points
    apart = points - centre
    covariance = (apart * weight[:, None]).T @ apart + np.eye(2) * _GRAIN**2
    squares = _squares(apart, covariance)
    order = np.argsort(squares)
    running = np.cumsum(weight[order])
    reach = float(squares[order][min(int(np.searchsorted(running, 0.95)), len(order) - 1)])
    # Draws are few where all agree: the ellipse is never smaller than the Gaussian's own.
    return centre, covariance * max(reach / CHI2_95, 1.0)


def _squares(apart: Floats, covariance: Floats) -> Floats:
    return np.asarray(np.einsum("ni,ij,nj->n", apart, np.linalg.inv(covariance), apart))


def _span(values: Floats, weight: Floats, sure: float) -> Span:
    """Median and the bounds of the middle 95 %."""
    order = np.argsort(values)
    running = (np.cumsum(weight[order]) - 0.5 * weight[order]) / weight.sum()
    low, middle, high = (float(np.interp(p, running, values[order])) for p in (0.025, 0.5, 0.975))
    return Span(middle, low, high, max(high - middle, middle - low) <= sure)
