"""Which pixels of a picture make up a spot, and the part of the picture round it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame

LARGEST_CROP: Final = 170
#: Two spots that hang together are one if their areas differ by less than this share.
_SAME: Final = 0.1


def strongest(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light of the strongest primary, (H, W) of (H, W, 3); quicker than a reduction."""
    return np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])


def weakest(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light of the weakest primary, (H, W) of (H, W, 3)."""
    return np.minimum(np.minimum(light[..., 0], light[..., 1]), light[..., 2])


def quantile(values: NDArray[np.float32], share: float) -> float:
    """The value below which that share of the values lies, without interpolation."""
    k = min(int(share * len(values)), len(values) - 1)
    return float(np.partition(values, k)[k])


@dataclass(frozen=True, slots=True, eq=False)
class Crop:
    """Light of a part of the picture: (H, W, 3), that of the strongest primary, and its corner."""

    light: NDArray[np.float32]
    top: NDArray[np.float32]
    left: int
    top_row: int


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """Pixels of a spot: those set in `mask`, whose corner lies at (x0, y0) of the crop.

    They lie over `level`, in the light of the strongest primary or (`excess`) in colour excess;
    (x, y) is the brightest of them.
    """

    mask: NDArray[np.uint8]
    x0: int
    y0: int
    area: int
    touches: bool
    x: int
    y: int
    level: float
    excess: bool


class Seen:
    """The spots of one picture that were measured so far.

    A detail at the rim of a lamp is proposed as a small spot of its own, and grows into the lamp
    when it is measured; a dozen of them a lamp are not worth following to the end.
    """

    def __init__(self) -> None:
        #: Spots, and where their corner lies in the picture.
        self._spots: list[tuple[int, int, Spot]] = []

    def add(self, spot: Spot, crop: Crop) -> None:
        """Remember a spot."""
        self._spots.append((crop.left + spot.x0, crop.top_row + spot.y0, spot))

    def holds(self, spot: Spot, crop: Crop, radius: float) -> bool:
        """Is a spot, found from a candidate of that radius, one that is known?

        Spots with a pixel in common lie one in the other, for both hold all that hangs together
        over their level; so they are one if they are of a size. A candidate larger than the spot
        may still settle on what stands beside it, and is followed to its end.
        """
        x, y = crop.left + spot.x, crop.top_row + spot.y
        for x0, y0, known in self._spots:
            height, width = known.mask.shape
            if not (0 <= x - x0 < width and 0 <= y - y0 < height):
                continue
            if spot.excess != known.excess or not known.mask[y - y0, x - x0]:
                continue
            # In one that is no disc, another spot may lie beside the brightest pixel.
            round_one = max(height, width) <= 1.4 * min(height, width)
            round_one = round_one and known.area >= 0.65 * height * width
            alike = abs(spot.area - known.area) <= _SAME * known.area
            if round_one and alike and np.pi * radius * radius < known.area:
                return True
        return False


def crop_of(
    frame: Frame, x: float, y: float, radius: float, known: Crop | None = None
) -> Crop | None:
    half = int(np.clip(np.ceil(5.5 * radius + 3), 8, LARGEST_CROP))
    left, top = max(0, round(x) - half), max(0, round(y) - half)
    right, bottom = min(frame.width, round(x) + half + 1), min(frame.height, round(y) + half + 1)
    if right - left < 3 or bottom - top < 3:
        return None
    if known is not None:
        dx, dy = left - known.left, top - known.top_row
        height, width = known.top.shape
        if dx >= 0 and dy >= 0 and right - known.left <= width and bottom - known.top_row <= height:
            part = np.s_[dy : bottom - known.top_row, dx : right - known.left]
            return Crop(known.light[part], known.top[part], left, top)
    # A picture of floating-point numbers may hold more than the clipping level; a turned one comes
    # with its columns in memory order, which OpenCV does not take.
    whole = np.ascontiguousarray(frame.linear(left, top, right, bottom))
    light = np.minimum(whole, np.float32(1.0))
    return Crop(light, strongest(light), left, top)


def segment(crop: Crop, x: float, y: float, radius: float) -> Spot | None:
    """Pixels of the spot at half its height over the near surround, and whether it touches
    the edge of the crop."""
    height, width = crop.top.shape
    reach = max(1, round(0.6 * radius))
    cx, cy = round(x), round(y)
    x0, x1 = max(0, cx - reach), min(width, cx + reach + 1)
    y0, y1 = max(0, cy - reach), min(height, cy + reach + 1)
    if x1 <= x0 or y1 <= y0:
        return None
    # Height is taken in the light of the strongest primary, or where that is lost against a
    # bright sky, in the colour excess.
    for excess in (False, True):
        image = crop.top - weakest(crop.light) if excess else crop.top
        window = image[y0:y1, x0:x1]
        k = int(np.argmax(window))
        py, px = y0 + k // window.shape[1], x0 + k % window.shape[1]
        peak = float(image[py, px])
        r = max(radius, 1.0)
        ring = annulus(image, float(px), float(py), 1.6 * r + 0.5, 2.8 * r + 1.5)
        if ring.size < 6:
            continue
        level = quantile(ring, 0.35)
        if peak - level < 0.012 or peak < 1.25 * level:
            continue
        spot = _flood(image, level + 0.5 * (peak - level), px, py, excess)
        if spot.area > 0.45 * image.size:
            continue
        return spot
    return None


def _flood(image: NDArray[np.float32], level: float, x: int, y: int, excess: bool) -> Spot:
    """The pixels over a level that hang together (by their sides) with the one at (x, y)."""
    height, width = image.shape
    filled = np.zeros((height + 2, width + 2), np.uint8)
    high = (image > level).view(np.uint8)
    flags = 4 | cv2.FLOODFILL_MASK_ONLY | (1 << 8)
    area, _, _, (x0, y0, w, h) = cv2.floodFill(high, filled, (x, y), 1, flags=flags)
    touches = x0 == 0 or y0 == 0 or x0 + w == width or y0 + h == height
    mask = filled[1 + y0 : 1 + y0 + h, 1 + x0 : 1 + x0 + w]
    return Spot(mask, x0, y0, int(area), touches, x, y, level, excess)


def near(shape: tuple[int, ...], cx: float, cy: float, reach: float) -> tuple[slice, slice]:
    """The rows and columns of a picture that lie within a distance of a place."""
    return (
        slice(max(0, int(cy - reach)), max(0, min(shape[0], int(cy + reach) + 2))),
        slice(max(0, int(cx - reach)), max(0, min(shape[1], int(cx + reach) + 2))),
    )


def squared_distance(part: tuple[slice, slice], cx: float, cy: float) -> NDArray[np.float64]:
    """Squared distance of the pixels of a part of a picture from a place."""
    rows, columns = part
    dy = np.arange(rows.start, rows.stop) - cy
    dx = np.arange(columns.start, columns.stop) - cx
    return np.asarray(np.add.outer(dy * dy, dx * dx), np.float64)


def annulus(
    image: NDArray[np.float32], cx: float, cy: float, inner: float, outer: float
) -> NDArray[np.float32]:
    """The pixels that lie farther than `inner` and nearer than `outer`, (N,) or (N, 3)."""
    part = near(image.shape, cx, cy, outer)
    distance2 = squared_distance(part, cx, cy)
    inside = distance2 > inner * inner
    inside &= distance2 < outer * outer
    return image[part][inside]
