"""A spot cut out and brought to one size, so that a net can look at it.

The cut reaches `REACH` radii from the centre of the spot and is scaled to `SIZE` pixels square:
a far lamp of three pixels and a near one of sixty look alike in it, lens, hood and disc included.
Places beyond the edge of the picture repeat its last row or column.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame

SIZE: Final = 40
REACH: Final = 4.0


def patch(frame: Frame, x: float, y: float, radius: float) -> NDArray[np.uint8]:
    """Coded R, G, B of the neighbourhood of a spot.

    Returns
    -------
    (SIZE, SIZE, 3) uint8
    """
    half = REACH * max(radius, 0.8)
    # One pixel of margin on each side feeds the interpolation.
    x0, y0 = int(np.floor(x - half)) - 1, int(np.floor(y - half)) - 1
    x1, y1 = int(np.ceil(x + half)) + 2, int(np.ceil(y + half)) + 2
    cx0, cy0 = min(max(x0, 0), frame.width - 1), min(max(y0, 0), frame.height - 1)
    cx1, cy1 = max(min(x1, frame.width), cx0 + 1), max(min(y1, frame.height), cy0 + 1)
    crop = frame.coded(cx0, cy0, cx1, cy1)
    step = 2.0 * half / SIZE
    if step > 1.5:
        # Averaging first keeps a large spot from being sampled between its pixels.
        shrink = 1.0 / step
        size = (max(1, round(crop.shape[1] * shrink)), max(1, round(crop.shape[0] * shrink)))
        scale_x, scale_y = size[0] / crop.shape[1], size[1] / crop.shape[0]
        crop = cv2.resize(crop, size, interpolation=cv2.INTER_AREA)
    else:
        scale_x = scale_y = 1.0
    grid = (np.arange(SIZE) + 0.5) * step - half
    map_x = ((x - cx0 + grid + 0.5) * scale_x - 0.5).astype(np.float32)
    map_y = ((y - cy0 + grid + 0.5) * scale_y - 0.5).astype(np.float32)
    out = cv2.remap(
        crop,
        np.repeat(map_x[None, :], SIZE, axis=0),
        np.repeat(map_y[:, None], SIZE, axis=1),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(np.clip(np.rint(out * 255.0), 0, 255), np.uint8)
