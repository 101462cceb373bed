"""A frame whose tone curve has been undone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.profile import Tone
from mastread.vision.frame import Frame, Planes


@dataclass(frozen=True, slots=True, eq=False)
class TonedFrame:
    """A `mastread.vision.frame.Frame` whose light is straightened by a tone curve."""

    frame: Frame
    tone: Tone

    @property
    def time_s(self) -> float:
        """See `Frame.time_s`."""
        return self.frame.time_s

    @property
    def index(self) -> int:
        """See `Frame.index`."""
        return self.frame.index

    @property
    def width(self) -> int:
        """See `Frame.width`."""
        return self.frame.width

    @property
    def height(self) -> int:
        """See `Frame.height`."""
        return self.frame.height

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.frame.planes()

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.linear`."""
        light = self.frame.linear(x0, y0, x1, y1).astype(np.float64)
        return self.tone.straight(light).astype(np.float32)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.frame.coded(x0, y0, x1, y1)
