"""Small pictures of lamps of known light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

#: Exif 2.32: Exif sub-directory, WhiteBalance, CustomRendered.
EXIF, WHITE_BALANCE, CUSTOM_RENDERED = 34665, 41987, 41985


def lamp_picture(
    rgb: tuple[float, float, float] = (0.1, 0.62, 0.3),
    *,
    radius: float = 14.0,
    size: int = 160,
    at: tuple[float, float] | None = None,
    ground: float = 0.05,
    blur: float = 1.0,
    seed: int = 1,
) -> NDArray[np.float64]:
    """(size, size, 3) linear light of one round lamp of this light over a grey ground."""
    x, y = at or (size / 2, size / 2)
    rows, columns = np.mgrid[:size, :size]
    disc = np.clip(radius + 0.5 - np.hypot(columns - x, rows - y), 0, 1)
    disc = cv2.GaussianBlur(disc, (0, 0), blur)
    light = ground + disc[..., None] * np.array(rgb)
    return np.asarray(light + np.random.default_rng(seed).normal(0, 0.0015, light.shape))
