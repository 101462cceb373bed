"""Drawing with light: a finely sampled sheet that is laid over a linear picture."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
Mask = NDArray[np.uint8]
Rgb = tuple[float, float, float]
Point = tuple[float, float]

#: Fractional bits of the positions handed to the polygon filler.
_SHIFT = 4


class Ink:
    """A sheet over part of a picture, `scale` samples per pixel, colour and cover.

    Positions are pixels of the picture (centre of the first pixel is 0); colours are linear.

    Parameters
    ----------
    x0, y0 : first pixel of the picture that the sheet covers
    width, height : size in pixels of the picture
    scale : samples per pixel, along each side
    """

    def __init__(self, x0: int, y0: int, width: int, height: int, scale: int) -> None:
        self.x0, self.y0, self.width, self.height, self.scale = x0, y0, width, height, scale
        self.rgb: Picture = np.zeros((height * scale, width * scale, 3), np.float32)
        self.cover: Mask = np.zeros((height * scale, width * scale), np.uint8)

    def at(self, x: float, y: float) -> Point:
        """Sample position of a picture position."""
        return ((x - self.x0 + 0.5) * self.scale - 0.5, (y - self.y0 + 0.5) * self.scale - 0.5)

    def blank(self) -> Mask:
        """Return an empty mask of this sheet, to be filled by `fill`."""
        return np.zeros(self.cover.shape, np.uint8)

    def fill(self, points: Sequence[Point] | NDArray[np.float64], mask: Mask) -> None:
        """Fill a polygon of picture positions in a mask with 255."""
        spots = np.array([self.at(x, y) for x, y in points])
        fixed = np.round(spots * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(mask, [fixed], 255, shift=_SHIFT)

    def polygon(self, points: Sequence[Point] | NDArray[np.float64], rgb: Rgb) -> None:
        """Paint a filled polygon."""
        spots = np.array([self.at(x, y) for x, y in points])
        fixed = np.round(spots * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(self.rgb, [fixed], rgb, shift=_SHIFT)
        cv2.fillPoly(self.cover, [fixed], 255, shift=_SHIFT)

    def disc(self, x: float, y: float, radius: float, rgb: Rgb) -> None:
        """Paint a filled circle."""
        self.polygon(circle(x, y, radius), rgb)

    def line(self, a: Point, b: Point, width: float, rgb: Rgb) -> None:
        """Paint a straight bar of the given width from `a` to `b`."""
        self.polygon(bar(a, b, width), rgb)

    def rect(self, x0: float, y0: float, x1: float, y1: float, rgb: Rgb) -> None:
        """Paint an upright rectangle."""
        self.polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], rgb)

    def rounded(self, x0: float, y0: float, x1: float, y1: float, corner: float, rgb: Rgb) -> None:
        """Paint an upright rectangle with rounded corners."""
        self.polygon(rounded(x0, y0, x1, y1, corner), rgb)

    def tube(self, a: Point, b: Point, width: float, rgb: Rgb, bright: float = 0.0) -> None:
        """Paint a round tube: lighter on one side, darker on the other.

        Parameters
        ----------
        bright : where the light comes from, -1 left to 1 right
        """
        ax, ay = a
        bx, by = b
        length = max(1e-6, float(np.hypot(bx - ax, by - ay)))
        nx, ny = -(by - ay) / length, (bx - ax) / length
        strips = 6
        for i in range(strips):
            t = (i + 0.5) / strips - 0.5
            # Lambert on a cylinder, over a floor of sky light.
            tilt = np.arcsin(2.0 * t)
            glow = 0.45 + 0.75 * max(0.0, float(np.cos(tilt + bright * 0.9)))
            ox, oy = nx * t * width, ny * t * width
            shade = (rgb[0] * glow, rgb[1] * glow, rgb[2] * glow)
            self.line((ax + ox, ay + oy), (bx + ox, by + oy), width / strips * 1.3, shade)

    def paint(self, mask: Mask, rgb: Rgb | Picture) -> None:
        """Paint where a mask is set; `rgb` may be one colour or a sheet of colours."""
        hit = mask > 0
        if isinstance(rgb, np.ndarray):
            self.rgb[hit] = rgb[hit]
        else:
            self.rgb[hit] = rgb
        self.cover[hit] = 255

    def lay_on(self, picture: Picture, haze: float = 0.0, haze_rgb: Rgb = (1, 1, 1)) -> None:
        """Lay the sheet over a picture in place.

        Parameters
        ----------
        haze, haze_rgb : share of the sheet's light that the air in front replaces, and its colour
        """
        size = (self.width, self.height)
        cover = self.cover.astype(np.float32) / np.float32(255.0)
        rgb = self.rgb * cover[:, :, None]
        if self.scale > 1:
            cover = np.asarray(cv2.resize(cover, size, interpolation=cv2.INTER_AREA), np.float32)
            rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.float32)
        if haze > 0.0:
            rgb = rgb * np.float32(1.0 - haze) + (
                cover[:, :, None] * np.asarray(haze_rgb, np.float32) * np.float32(haze)
            )
        top, left = max(0, self.y0), max(0, self.x0)
        bottom = min(picture.shape[0], self.y0 + self.height)
        right = min(picture.shape[1], self.x0 + self.width)
        if top >= bottom or left >= right:
            return
        rows = slice(top - self.y0, bottom - self.y0)
        cols = slice(left - self.x0, right - self.x0)
        part = picture[top:bottom, left:right]
        part *= 1.0 - cover[rows, cols, None]
        part += rgb[rows, cols]


def circle(x: float, y: float, radius: float, points: int = 48) -> NDArray[np.float64]:
    """Corners of a circle."""
    angle = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    return np.column_stack([x + radius * np.cos(angle), y + radius * np.sin(angle)])


def bar(a: Point, b: Point, width: float) -> NDArray[np.float64]:
    """Corners of a straight bar from `a` to `b`."""
    (ax, ay), (bx, by) = a, b
    length = max(1e-6, float(np.hypot(bx - ax, by - ay)))
    nx, ny = -(by - ay) / length * width / 2.0, (bx - ax) / length * width / 2.0
    return np.array(
        [(ax + nx, ay + ny), (bx + nx, by + ny), (bx - nx, by - ny), (ax - nx, ay - ny)]
    )


def rounded(x0: float, y0: float, x1: float, y1: float, corner: float) -> NDArray[np.float64]:
    """Corners of an upright rectangle with rounded corners."""
    c = max(0.0, min(corner, (x1 - x0) / 2.0, (y1 - y0) / 2.0))
    turn = np.linspace(0.0, np.pi / 2.0, 8)
    parts = []
    for cx, cy, start in (
        (x1 - c, y1 - c, 0.0),
        (x0 + c, y1 - c, np.pi / 2.0),
        (x0 + c, y0 + c, np.pi),
        (x1 - c, y0 + c, 1.5 * np.pi),
    ):
        parts.append(
            np.column_stack([cx + c * np.cos(turn + start), cy + c * np.sin(turn + start)])
        )
    return np.concatenate(parts)


def scaled(rgb: Sequence[float] | NDArray[np.float64], factor: float) -> Rgb:
    """Return a colour times a factor."""
    return (float(rgb[0]) * factor, float(rgb[1]) * factor, float(rgb[2]) * factor)


def cloud(
    shape: tuple[int, int],
    rng: np.random.Generator,
    cell: float,
    octaves: int = 4,
    stretch: float = 1.0,
    falloff: float = 0.5,
) -> Picture:
    """Return smooth random values 0..1, rough on several scales.

    Parameters
    ----------
    cell : size in px of the largest bumps
    stretch : how much wider than high the bumps are
    falloff : weight of each finer scale against the one before
    """
    h, w = shape
    total = np.zeros(shape, np.float32)
    weight, sum_of_weights = 1.0, 0.0
    for _ in range(octaves):
        rows = int(np.clip(round(h / cell) + 3, 4, h + 3))
        cols = int(np.clip(round(w / (cell * stretch)) + 3, 4, w + 3))
        grid = rng.random((rows, cols), np.float32)
        big = cv2.resize(grid, (w, h), interpolation=cv2.INTER_CUBIC)
        total += np.float32(weight) * big
        sum_of_weights += weight
        weight *= falloff
        cell = max(1.0, cell / 2.0)
    total /= np.float32(sum_of_weights)
    low, high = np.percentile(total[:: max(1, h // 64), :: max(1, w // 64)], (1, 99))
    return np.asarray(np.clip((total - low) / max(1e-6, high - low), 0.0, 1.0), np.float32)
