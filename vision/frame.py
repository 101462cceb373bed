"""What a stage may ask of a picture, be it a photo or one frame of a video."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Planes:
    """Luma and colour-difference planes, upright, as views of the decoder's memory if possible.

    Attributes
    ----------
    y : (H, W) uint8, luma as coded (8 bits; deeper pictures are reduced for searching only)
    u, v : (h, w) uint8, colour difference (Cb, Cr) at the file's own sampling, 128 = neutral;
        a grey picture holds 128 everywhere
    full_range : True when luma runs over 0..255, False for 16..235
    """

    y: NDArray[np.uint8]
    u: NDArray[np.uint8]
    v: NDArray[np.uint8]
    full_range: bool


class Frame(Protocol):
    """One upright picture."""

    @property
    def time_s(self) -> float:
        """Presentation time in seconds; 0 for a photo."""
        ...

    @property
    def index(self) -> int:
        """Running number of the frame in its file, from 0."""
        ...

    @property
    def width(self) -> int:
        """Upright width in pixels."""
        ...

    @property
    def height(self) -> int:
        """Upright height in pixels."""
        ...

    def planes(self) -> Planes:
        """Planes for searching; cheap."""
        ...

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Linear-light RGB, (y1-y0, x1-x0, 3) float32, 1 = clipping level.

        Full resolution and full depth; BT.709/sRGB primaries. The box must lie within the
        picture and not be empty, else ValueError.
        """
        ...

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Coded (gamma) RGB of the same box, float32 in 0..1."""
        ...
