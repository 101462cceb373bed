"""Signal colours as a screen can show them: the nearest sRGB of the same hue."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.colorimetry import WHITE
from mastread.tools.leds.limits import limits_of
from mastread.tools.leds.sensors import XYZ_TO_SRGB
from mastread.vision import light

#: The standard whose middle stands for the prototype's colour.
_TARGET_SET = "ICAO filament"
#: Lunar has no published limits that were to be had: a black body of 6000 K stands for it.
_LUNAR = (0.3221, 0.3318)


@cache
def target_xy(colour: str) -> tuple[float, float]:
    """Chromaticity that stands for the prototype: the middle of a published region."""
    if colour == "lunar":
        return _LUNAR
    wanted = _TARGET_SET
    found = limits_of(colour)
    for limit in found:
        if limit.set == wanted and limit.colour in (colour, "green-restricted"):
            restricted = [m for m in found if m.set == wanted and m.colour == "green-restricted"]
            return restricted[0].centre if restricted else limit.centre
    return found[0].centre


def srgb_of(xy: tuple[float, float]) -> NDArray[np.uint8]:
    """(3,) sRGB codes of a chromaticity at the brightness that a screen can give it.

    What lies outside the screen's colours is mixed with white until it fits; the hue stays.
    """
    x, y = xy
    rgb = XYZ_TO_SRGB @ np.array([x / y, 1.0, (1 - x - y) / y])
    lowest = float(rgb.min())
    if lowest < 0:
        wx, wy = WHITE
        white = XYZ_TO_SRGB @ np.array([wx / wy, 1.0, (1 - wx - wy) / wy])
        rgb = rgb - lowest * white
    rgb = rgb / rgb.max()
    return np.round(light.encode(rgb, light.Transfer.SRGB) * 255).astype(np.uint8)


def target_hex(colour: str) -> str:
    """The prototype's colour for HTML and matplotlib; whites as greys."""
    if colour in ("white", "lunar", "selective yellow"):
        return {"white": "#8a8a8a", "lunar": "#5f6f86"}.get(colour, "#b59f00")
    return "#{:02x}{:02x}{:02x}".format(*srgb_of(target_xy(colour)))


def fits_screen(xy: tuple[float, float]) -> bool:
    """Whether a screen can show a chromaticity as it is."""
    x, y = xy
    return bool((XYZ_TO_SRGB @ np.array([x / y, 1.0, (1 - x - y) / y])).min() >= -1e-6)
