"""Pictures drawn in linear light with exactly known lamps, as frames for single stages."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Planes

Picture = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class DrawnFrame:
    """A `mastread.vision.frame.Frame` over a linear picture; coded values use a power of 2.2."""

    picture: Picture
    time_s: float = 0.0
    index: int = 0

    @property
    def width(self) -> int:
        """Width in pixels."""
        return self.picture.shape[1]

    @property
    def height(self) -> int:
        """Height in pixels."""
        return self.picture.shape[0]

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> Picture:
        """Clipped linear light of a box."""
        return np.clip(self.picture[y0:y1, x0:x1], 0.0, 1.0)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> Picture:
        """Coded values of a box."""
        return self.linear(x0, y0, x1, y1) ** np.float32(1 / 2.2)

    def planes(self) -> Planes:
        """Full-range planes with colour difference at half resolution (BT.601 weights)."""
        coded = 255.0 * self.coded(0, 0, self.width, self.height)
        red, green, blue = coded[..., 0], coded[..., 1], coded[..., 2]
        y = 0.299 * red + 0.587 * green + 0.114 * blue
        u, v = 128 + 0.564 * (blue - y), 128 + 0.713 * (red - y)
        return Planes(_bytes(y), _bytes(_halved(u)), _bytes(_halved(v)), True)


def backdrop(width: int = 240, height: int = 200, level: float = 0.05, seed: int = 1) -> Picture:
    """An even, slightly noisy surround."""
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 0.02 * level, (height, width, 3))
    return (level + noise).astype(np.float32)


def texture(width: int, height: int, seed: int = 2) -> Picture:
    """Soft random structure at several scales, for following the camera."""
    rng = np.random.default_rng(seed)
    out = np.zeros((height, width))
    for cell in (48, 16, 6):
        coarse = rng.random((height // cell + 2, width // cell + 2))
        rows = np.linspace(0, coarse.shape[0] - 1.001, height)
        columns = np.linspace(0, coarse.shape[1] - 1.001, width)
        i, j = rows.astype(int), columns.astype(int)
        fi, fj = (rows - i)[:, None], (columns - j)[None, :]
        out += (
            coarse[np.ix_(i, j)] * (1 - fi) * (1 - fj)
            + coarse[np.ix_(i + 1, j)] * fi * (1 - fj)
            + coarse[np.ix_(i, j + 1)] * (1 - fi) * fj
            + coarse[np.ix_(i + 1, j + 1)] * fi * fj
        )
    return np.repeat((0.03 + 0.12 * out)[..., None], 3, axis=2).astype(np.float32)


def disc(
    picture: Picture, x: float, y: float, radius: float, light: tuple[float, float, float]
) -> None:
    """Add a disc of light with an edge one pixel soft, in place."""
    rows, columns = np.mgrid[: picture.shape[0], : picture.shape[1]]
    distance = np.hypot(columns - x, rows - y)
    cover = np.clip(radius + 0.5 - distance, 0.0, 1.0)
    picture += cover[..., None].astype(np.float32) * np.array(light, np.float32)


def _halved(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    # Odd sizes repeat their last row or column, as encoders do.
    padded = np.pad(plane, ((0, plane.shape[0] % 2), (0, plane.shape[1] % 2)), mode="edge")
    height, width = padded.shape
    return padded.reshape(height // 2, 2, width // 2, 2).mean(axis=(1, 3))


def _bytes(plane: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.clip(np.rint(plane), 0, 255).astype(np.uint8)
