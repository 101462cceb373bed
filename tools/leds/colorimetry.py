"""Dominant wavelength, purity, colour temperature, distance from the Planckian line, Lab.

The tables and the hard numerics come from colour-science; what is done here is to do them for
thousands of chromaticities at once, which the library's own functions take seconds for. The
tests hold the two against each other.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library

Floats = NDArray[np.float64]

#: CIE standard illuminant E: dominant wavelengths of self-luminous signals are taken from
#: the equal-energy point or from D65; `limits` and the literature here use D65 (colour.md).
WHITE: Final = (0.3127, 0.3290)


@cache
def locus() -> tuple[Floats, Floats]:
    """Wavelengths (nm, every 0.5 from 400 to 700) and (N, 2) x, y of the spectrum locus."""
    colour = library("colour")
    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    nm = np.arange(400.0, 700.1, 0.5)
    xyz = np.stack([np.interp(nm, table.wavelengths, column) for column in table.values.T], axis=1)
    return nm, xyz[:, :2] / xyz.sum(axis=1, keepdims=True)


def dominant_wavelengths(xy: Floats, white: tuple[float, float] = WHITE) -> tuple[Floats, Floats]:
    """Dominant wavelength and excitation purity of (N, 2) chromaticities.

    Returns
    -------
    (N,) nanometres, NaN for purples and for white itself; (N,) purity, 0 at the white and 1 on the
    spectrum locus or the purple line
    """
    nm, line = locus()
    start = np.array(white)
    bearing = np.unwrap(np.arctan2(line[:, 1] - start[1], line[:, 0] - start[0]))
    bearing, nm, line = bearing[::-1], nm[::-1], line[::-1]  # rising: from red round to violet
    offset = np.asarray(xy) - start
    angle = np.arctan2(offset[:, 1], offset[:, 0])
    angle = bearing[0] + np.mod(angle - bearing[0], 2 * np.pi)
    spectral = angle <= bearing[-1]
    dominant = np.where(spectral, np.interp(angle, bearing, nm), np.nan)
    edge_x = np.interp(angle, bearing, line[:, 0])
    edge_y = np.interp(angle, bearing, line[:, 1])
    edge = np.stack([edge_x, edge_y], axis=1)
    # Purples end on the straight line from violet to red.
    red, violet = line[0], line[-1]
    along = violet - red
    rest = red - start
    cross = offset[:, 0] * along[1] - offset[:, 1] * along[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (rest[0] * along[1] - rest[1] * along[0]) / cross
        purple = start + offset * reach[:, None]
    edge = np.where(spectral[:, None], edge, purple)
    length = np.hypot(offset[:, 0], offset[:, 1])
    purity = length / np.maximum(np.hypot(*(edge - start).T), 1e-9)
    dominant[length < 1e-6] = np.nan
    return dominant, purity


def uv_of(xy: Floats) -> Floats:
    """CIE 1976 u', v' of (..., 2) x, y."""
    x, y = np.asarray(xy)[..., 0], np.asarray(xy)[..., 1]
    total = -2.0 * x + 12.0 * y + 3.0
    return np.stack([4.0 * x / total, 9.0 * y / total], axis=-1)


@cache
def planckian() -> tuple[Floats, Floats]:
    """Kelvin (rising) and (N, 2) CIE 1960 u, v of black bodies."""
    kelvin = np.exp(np.linspace(np.log(1000.0), np.log(40000.0), 800))
    nm = np.arange(360.0, 831.0, 1.0)
    table = library("colour").MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    cmf = np.stack([np.interp(nm, table.wavelengths, column) for column in table.values.T])
    power = nm**-5.0 / np.expm1(1.438776877e7 / (nm * kelvin[:, None]))
    xyz = power @ cmf.T
    total = xyz[:, 0] + 15.0 * xyz[:, 1] + 3.0 * xyz[:, 2]
    return kelvin, np.stack([4.0 * xyz[:, 0] / total, 6.0 * xyz[:, 1] / total], axis=1)


def temperatures(xy: Floats) -> tuple[Floats, Floats]:
    """Correlated colour temperature (K) and Duv of (N, 2) chromaticities.

    Duv is the distance from the Planckian line in CIE 1960 u, v, positive above it (greenish).
    """
    kelvin, line = planckian()
    uv = uv_of(xy) * np.array([1.0, 2.0 / 3.0])
    apart = ((uv[:, None, :] - line) ** 2).sum(axis=2)
    i = np.clip(apart.argmin(axis=1), 1, len(kelvin) - 2)
    # A parabola through the three nearest: its lowest point lies between two black bodies.
    a, b, c = (apart[np.arange(len(uv)), i + d] for d in (-1, 0, 1))
    shift = np.clip(0.5 * (a - c) / np.maximum(a - 2 * b + c, 1e-15), -1.0, 1.0)
    logs = np.log(kelvin)
    cct = np.exp(logs[i] + shift * (logs[1] - logs[0]))
    foot = line[i] + shift[:, None] * 0.5 * (line[i + 1] - line[i - 1])
    offset = uv - foot
    return cct, np.sign(offset[:, 1]) * np.hypot(offset[:, 0], offset[:, 1])


def lab_of(xy: Floats, luminance: float = 50.0) -> Floats:
    """CIE L*a*b* (..., 3) against D65 of chromaticities brought to one luminance (white 100)."""
    xy = np.asarray(xy, np.float64)
    x, y = xy[..., 0], xy[..., 1]
    share = luminance / 100.0
    xyz = np.stack([x / y, np.ones_like(x), (1 - x - y) / y], axis=-1) * share
    return np.asarray(library("colour").XYZ_to_Lab(xyz, np.array(WHITE)), np.float64)


def ciede2000(first: Floats, second: Floats) -> Floats:
    """CIEDE2000 differences of (..., 3) L*a*b* (colour-science)."""
    return np.asarray(library("colour").delta_E(first, second, method="CIE 2000"), np.float64)
