"""Night or day, from one picture.

A camera that sets its own exposure makes dusk as bright as noon, so dusk cannot be told from day
by one picture and counts as day; night can, mostly: even the brighter parts stay dark, apart
from lamps. Floodlit yards and long exposures look like day.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.shelf.figures import figures


def light_of(image: NDArray[np.uint8]) -> str:
    """Return ``night``, ``day``, or ``unknown`` between the two.

    Parameters
    ----------
    image : (H, W, 3) uint8, R, G, B, sRGB or BT.709
    """
    figs = figures("light")
    bright = brightness(image)
    if bright <= figs["night_until"]:
        return "night"
    return "day" if bright >= figs["day_from"] else "unknown"


def brightness(image: NDArray[np.uint8]) -> float:
    """Linear luminance (0..1) of the brighter parts: of 8 by 8 fields, the eighth brightest."""
    figs: dict[str, Any] = figures("light")
    small = cv2.resize(_luminance(image), (8, 8), interpolation=cv2.INTER_AREA)
    return float(np.sort(small.ravel())[-int(figs["fields"])])


def _luminance(image: NDArray[np.uint8]) -> NDArray[np.float32]:
    """IEC 61966-2-1 (sRGB): decoding curve and luminance weights."""
    steps = np.arange(256, dtype=np.float64) / 255
    curve = np.where(steps <= 0.04045, steps / 12.92, ((steps + 0.055) / 1.055) ** 2.4)
    linear = curve.astype(np.float32)[image]
    return linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
