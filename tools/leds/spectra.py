"""Spectra of lamps: the family of all that a signal lamp may plausibly be, and how likely each is.

A spectrum is a row of relative power at `WAVELENGTHS`, summing to 1. A *kind* of spectrum has
a few parameters, each given as a number from 0 to 1 that is spread evenly (in the sense of the
prior) over the range in ``settings.toml``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library
from mastread.tools.leds.settings import settings

Floats = NDArray[np.float64]

#: Nanometres at which spectra and sensitivities are sampled; LED lines are 12 nm wide or more.
STEP_NM: Final = 5.0
WAVELENGTHS: Final[Floats] = np.arange(380.0, 731.0, STEP_NM)

#: Full width at half maximum of a Gaussian over its standard deviation.
FWHM: Final = 2.0 * float(np.sqrt(2.0 * np.log(2.0)))


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of lamp: its name, share of the prior, and the ranges of its parameters."""

    name: str
    share: float
    ranges: tuple[tuple[float, float], ...]

    def spectra(self, cube: Floats) -> Floats:
        """(N, W) spectra of (N, parameters) numbers between 0 and 1."""
        low, high = np.array(self.ranges).T
        values = (low + cube * (high - low)).T
        if self.name == "line":
            values[1] = line_widths(values[0], cube[:, 1])
        made: Floats = _MAKERS[self.name](*values)
        return unit(made)


def line_widths(peak: Floats, share: Floats) -> Floats:
    """Widths of LED lines at their peaks, `share` of the way from the narrowest to the widest."""
    knots, narrow, wide = np.array(settings("widths")["knots"]).T
    low, high = np.interp(peak, knots, narrow), np.interp(peak, knots, wide)
    return np.asarray(low + share * (high - low))


@cache
def kinds() -> tuple[Kind, ...]:
    """Return the kinds of lamp that are thought of, with shares that sum to 1."""
    found = [
        Kind(name, entry["share"], tuple((a, b) for a, b in entry["ranges"].values()))
        for name, entry in settings("kinds").items()
    ]
    assert abs(sum(kind.share for kind in found) - 1.0) < 1e-9
    return tuple(found)


def unit(power: Floats) -> Floats:
    """Spectra (..., W) scaled to a sum of 1."""
    return np.asarray(power / power.sum(axis=-1, keepdims=True))


def line(peak: Floats, fwhm: Floats, skew: Floats, tails: Floats) -> Floats:
    """(N, W) lines of narrow LEDs.

    Parameters
    ----------
    peak, fwhm : nanometres
    skew : natural logarithm of the width to the right over that to the left
    tails : 0 a Gaussian, 1 the two-term profile of Ohno 2005 (Color Research and Application
        30:115), which is narrower at its top and wider at its foot
    """
    sigma = fwhm / FWHM
    offset = WAVELENGTHS - peak[:, None]
    left, right = sigma * np.exp(-0.5 * skew), sigma * np.exp(0.5 * skew)
    width = np.where(offset < 0, left[:, None], right[:, None])
    gauss = np.exp(-0.5 * (offset / width) ** 2)
    # Ohno's profile is 0.92 of its parameter wide at half height; 1.81 evens the widths out.
    g = np.exp(-0.5 * (offset / (1.81 * width)) ** 2)
    share = tails[:, None]
    return np.asarray((1 - share) * gauss + share * (g + 2.0 * g**5) / 3.0)


def phosphor(
    pump: Floats, pump_fwhm: Floats, peak: Floats, fwhm: Floats, skew: Floats, ratio: Floats
) -> Floats:
    """(N, W) phosphor-white LEDs: a blue line and a broad band.

    ratio : natural logarithm of the height of the line over that of the band
    """
    none = np.zeros(len(pump))
    blue = line(pump, pump_fwhm, none, none)
    band = line(peak, fwhm, skew, none)
    return np.asarray(np.exp(ratio)[:, None] * blue + band)


def filament(kelvin: Floats, edge: Floats, slope: Floats, tint: Floats) -> Floats:
    """(N, W) bulbs behind glass that holds back short waves, and faintly tinted ones.

    Parameters
    ----------
    kelvin : colour temperature of the filament
    edge, slope : wavelength of half transmission and width of the edge, nanometres
    tint : strength of a blue glass that evens out the bulb's yellow (0 none)
    """
    power = WAVELENGTHS**-5.0 / np.expm1(1.438777e7 / (WAVELENGTHS * kelvin[:, None]))
    cut = 1.0 / (1.0 + np.exp(-(WAVELENGTHS - edge[:, None]) / slope[:, None]))
    return np.asarray(power * cut * np.exp(-tint[:, None] * (WAVELENGTHS - 480.0) / 100.0))


_MAKERS: Final[dict[str, Callable[..., Floats]]] = {
    "line": line,
    "phosphor": phosphor,
    "broad": line,
    "filament": filament,
}


@cache
def observer() -> Floats:
    """(3, W) CIE 1931 2-degree colour-matching functions (from colour-science, CIE 018:2019)."""
    colour = library("colour")
    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy()
    shape = colour.SpectralShape(WAVELENGTHS[0], WAVELENGTHS[-1], STEP_NM)
    return np.asarray(table.align(shape).values.T, np.float64)


def xyz_of(power: Floats) -> Floats:
    """XYZ (..., 3) of spectra (..., W), up to a common factor."""
    return np.asarray(power @ observer().T)


def xy_of(power: Floats) -> Floats:
    """CIE 1931 x, y (..., 2) of spectra (..., W)."""
    xyz = xyz_of(power)
    return np.asarray(xyz[..., :2] / xyz.sum(axis=-1, keepdims=True))


@cache
def light_spectrum(name: str) -> Floats:
    """(W,) spectrum of a known light, mean 1: a CIE illuminant by name, or kelvin as ``2856K``.

    A temperature means a black body below 4000 K and CIE daylight from there on.

    Raises
    ------
    KeyError
        If there is no such light.
    """
    colour = library("colour")
    text = name.strip()
    if text[:-1].replace(".", "", 1).isdigit() and text[-1] in "Kk":
        kelvin = float(text[:-1])
        if not 1500 <= kelvin <= 20000:
            raise KeyError(name)
        if kelvin < 4000:
            power = WAVELENGTHS**-5.0 / np.expm1(1.438777e7 / (WAVELENGTHS * kelvin))
        else:
            xy = colour.temperature.CCT_to_xy_CIE_D(kelvin)
            power = _sampled(colour.sd_CIE_illuminant_D_series(xy))
    else:
        table = {key.casefold(): key for key in colour.SDS_ILLUMINANTS}
        power = _sampled(colour.SDS_ILLUMINANTS[table[text.casefold()]])
    return np.asarray(power / power.mean())


def _sampled(sd: object) -> Floats:
    """A distribution of colour-science at `WAVELENGTHS`, zero where it is not defined."""
    domain, values = np.asarray(sd.wavelengths), np.asarray(sd.values)  # type: ignore[attr-defined]
    return np.asarray(np.interp(WAVELENGTHS, domain, values), np.float64)


@cache
def chart_reflectances() -> tuple[tuple[str, ...], Floats]:
    """Names and (24, W) reflectances of the common 24-patch chart, row by row from dark skin.

    The averages of many charts as published by BabelColor, from colour-science.
    """
    chart = library("colour").SDS_COLOURCHECKERS["BabelColor Average"]
    return tuple(chart), np.stack([_sampled(sd) for sd in chart.values()])
