"""The surroundings of a mast, cut out and brought to one size, so that a net can look at them.

The strip is centred on the lamps that are known, reaches far enough for every head that a mast
could have, and is scaled so that a lens has the same size in every strip. Besides the picture it
carries maps of what is known already: the lit lamps of the mast, heads that were found dark, and
lamps that belong to other masts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame

#: Size of a strip, and pixels of it per lens radius as it appears.
WIDTH: Final = 64
HEIGHT: Final = 176
PER_RADIUS: Final = 2.5
#: Radii under this are taken for it: what is smaller holds nothing to look at.
_LEAST_RADIUS: Final = 1.0
#: Layers of a strip: R, G, B, brightness with the shadows lifted, inside of the picture or not,
#: lit lamps, dark heads, lamps of other masts.
LAYERS: Final = 8
#: How much the shadows are lifted.
_LIFT: Final = 60.0

Spot = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A strip and where it lies.

    Attributes
    ----------
    picture : (HEIGHT, WIDTH, 3) uint8, coded R, G, B; 0 outside of the frame
    inside : (HEIGHT, WIDTH) whether a pixel lies within the frame
    left, top : frame pixel at which the middle of its first pixel lies
    step : frame pixels per pixel of the strip
    """

    picture: NDArray[np.uint8]
    inside: NDArray[np.bool_]
    left: float
    top: float
    step: float

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Pixel of the strip at which a place of the frame lies."""
        return (x - self.left) / self.step, (y - self.top) / self.step

    def frame_place(self, column: float, row: float) -> tuple[float, float]:
        """Place of the frame that lies at a pixel of the strip."""
        return self.left + column * self.step, self.top + row * self.step


def strip(frame: Frame, lit: Sequence[Spot]) -> Strip:
    """Cut the strip of a mast.

    Parameters
    ----------
    lit : (x, y, radius) of its lamps, at least one
    """
    xs, ys = [x for x, _, _ in lit], [y for _, y, _ in lit]
    radius = max(float(np.median([r for _, _, r in lit])), _LEAST_RADIUS)
    step = radius / PER_RADIUS
    left = 0.5 * (min(xs) + max(xs)) - step * (WIDTH - 1) / 2.0
    top = 0.5 * (min(ys) + max(ys)) - step * (HEIGHT - 1) / 2.0
    columns = left + step * np.arange(WIDTH)
    rows = top + step * np.arange(HEIGHT)
    inside = ((rows >= 0) & (rows <= frame.height - 1))[:, None] & (
        (columns >= 0) & (columns <= frame.width - 1)
    )[None, :]
    # One step of margin on each side feeds the interpolation.
    x0 = int(min(max(0, left - step - 1), frame.width - 1))
    y0 = int(min(max(0, top - step - 1), frame.height - 1))
    x1 = max(int(min(frame.width, columns[-1] + step + 2)), x0 + 1)
    y1 = max(int(min(frame.height, rows[-1] + step + 2)), y0 + 1)
    crop = np.asarray(frame.coded(x0, y0, x1, y1), np.float32)
    scale_x = scale_y = 1.0
    if step > 1.5:
        size = max(1, round(crop.shape[1] / step)), max(1, round(crop.shape[0] / step))
        scale_x, scale_y = size[0] / crop.shape[1], size[1] / crop.shape[0]
        crop = np.asarray(cv2.resize(crop, size, interpolation=cv2.INTER_AREA), np.float32)
    map_x = np.asarray((columns - x0 + 0.5) * scale_x - 0.5, np.float32)
    map_y = np.asarray((rows - y0 + 0.5) * scale_y - 0.5, np.float32)
    out = cv2.remap(
        crop,
        np.repeat(map_x[None, :], HEIGHT, axis=0),
        np.repeat(map_y[:, None], WIDTH, axis=1),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    coded = np.clip(np.rint(out * 255.0), 0, 255) * inside[:, :, None]
    return Strip(np.asarray(coded, np.uint8), inside, left, top, step)


def layers(
    cut: Strip, lit: Sequence[Spot], dark: Sequence[Spot], others: Sequence[Spot]
) -> NDArray[np.float32]:
    """What the net looks at, (LAYERS, HEIGHT, WIDTH): the strip and the maps of what is known."""
    picture = cut.picture.astype(np.float32) / np.float32(255.0)
    bright = picture.max(axis=2)
    lifted = np.log1p(_LIFT * bright) / np.log1p(_LIFT)
    maps = [_marks(cut, spots) for spots in (lit, dark, others)]
    return np.asarray(
        np.stack([*picture.transpose(2, 0, 1), lifted, cut.inside, *maps]), np.float32
    )


def _marks(cut: Strip, spots: Sequence[Spot]) -> NDArray[np.float32]:
    """A soft disc at each spot."""
    out = np.zeros((HEIGHT, WIDTH), np.float32)
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    for x, y, _ in spots:
        column, row = cut.place(x, y)
        if -9.0 < column < WIDTH + 8.0 and -9.0 < row < HEIGHT + 8.0:
            distance = ((columns - column) ** 2 + (rows - row) ** 2) / PER_RADIUS**2
            np.maximum(out, np.exp(-0.5 * distance), out=out)
    return out
