"""A spot cut out and brought to one size, so that a net can look at it: near by, and from afar.

The near cut reaches `REACH` radii from the centre of the spot, the wide one `WIDE` radii, each
scaled to `SIZE` pixels square: a far lamp of three pixels and a near one of sixty look alike in
them. The near cut holds lens, hood and disc; the wide one the mast and its other heads, or the
car whose tail lamp it is. Places beyond the edge of the picture repeat its last row or column.
"""

from __future__ import annotations

from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame

SIZE: Final = 40
REACH: Final = 4.0
WIDE: Final = 14.0
#: Channels of `views`: red, green, blue of the near cut, then of the wide one.
CHANNELS: Final = 6
#: A spot is never looked at closer than if it had this radius, in pixels.
_LEAST_RADIUS: Final = 0.8


def views(frame: Frame, x: float, y: float, radius: float) -> NDArray[np.uint8]:
    """Both cuts of a spot, (SIZE, SIZE, CHANNELS) uint8: `patch`, then `around`."""
    return np.concatenate(
        [patch(frame, x, y, radius), around(frame, x, y, radius)], axis=2, dtype=np.uint8
    )


def patch(frame: Frame, x: float, y: float, radius: float) -> NDArray[np.uint8]:
    """Coded R, G, B of the neighbourhood of a spot.

    Returns
    -------
    (SIZE, SIZE, 3) uint8
    """
    half = REACH * max(radius, _LEAST_RADIUS)
    x0, y0, x1, y1 = _box(x, y, half, frame.width, frame.height)
    out = _sample(frame.coded(x0, y0, x1, y1), x - x0, y - y0, half)
    return np.asarray(np.clip(np.rint(out * 255.0), 0, 255), np.uint8)


def around(frame: Frame, x: float, y: float, radius: float) -> NDArray[np.uint8]:
    """R, G, B of the wide surroundings of a spot, from the planes for searching.

    The planes spare the conversion of what can be a large part of the picture; as in
    `mastread.vision.propose`, BT.601 weights serve whatever the file's own.

    Returns
    -------
    (SIZE, SIZE, 3) uint8
    """
    planes = frame.planes()
    half = WIDE * max(radius, _LEAST_RADIUS)
    cuts = []
    for plane in (planes.y, planes.u, planes.v):
        height, width = plane.shape
        across, down = width / frame.width, height / frame.height
        px, py = (x + 0.5) * across - 0.5, (y + 0.5) * down - 0.5
        reach = (half * across, half * down)
        x0, y0, x1, y1 = _box(px, py, reach, width, height)
        cuts.append(_sample(plane[y0:y1, x0:x1], px - x0, py - y0, reach).astype(np.float32))
    luma, u, v = cuts[0], cuts[1] - 128.0, cuts[2] - 128.0
    if not planes.full_range:
        luma = (luma - 16.0) * (255.0 / 219.0)
        u *= 255.0 / 224.0
        v *= 255.0 / 224.0
    rgb = np.stack([luma + 1.402 * v, luma - 0.344 * u - 0.714 * v, luma + 1.772 * u], axis=2)
    return np.asarray(np.clip(np.rint(rgb), 0, 255), np.uint8)


def _box(
    x: float, y: float, half: float | tuple[float, float], width: int, height: int
) -> tuple[int, int, int, int]:
    """Pixels that a cut needs, at least one, with one of margin for the interpolation."""
    half_x, half_y = half if isinstance(half, tuple) else (half, half)
    x0, y0 = int(np.floor(x - half_x)) - 1, int(np.floor(y - half_y)) - 1
    x1, y1 = int(np.ceil(x + half_x)) + 2, int(np.ceil(y + half_y)) + 2
    x0, y0 = min(max(x0, 0), width - 1), min(max(y0, 0), height - 1)
    return x0, y0, max(min(x1, width), x0 + 1), max(min(y1, height), y0 + 1)


def _sample(
    crop: NDArray[Any], x: float, y: float, half: float | tuple[float, float]
) -> NDArray[Any]:
    """`SIZE` samples square of a crop round (x, y), which reach `half` to each side."""
    half_x, half_y = half if isinstance(half, tuple) else (half, half)
    step_x, step_y = 2.0 * half_x / SIZE, 2.0 * half_y / SIZE
    scale_x = scale_y = 1.0
    if max(step_x, step_y) > 1.5:
        # Averaging first keeps a large spot from being sampled between its pixels.
        height, width = crop.shape[:2]
        size = (max(1, round(width / step_x)), max(1, round(height / step_y)))
        scale_x, scale_y = size[0] / width, size[1] / height
        crop = cv2.resize(crop, size, interpolation=cv2.INTER_AREA)
    grid = np.arange(SIZE) + 0.5
    map_x = ((x + grid * step_x - half_x + 0.5) * scale_x - 0.5).astype(np.float32)
    map_y = ((y + grid * step_y - half_y + 0.5) * scale_y - 0.5).astype(np.float32)
    return np.asarray(
        cv2.remap(
            crop,
            np.repeat(map_x[None, :], SIZE, axis=0),
            np.repeat(map_y[:, None], SIZE, axis=1),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )
