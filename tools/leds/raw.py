"""Camera raw files as frames: light in proportion, nothing cut off at zero (extra ``leds-raw``)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library
from mastread.tools.leds.words import say_led
from mastread.vision import light
from mastread.vision.errors import MediaError
from mastread.vision.frame import Planes
from mastread.vision.media import read_head
from mastread.vision.media_raster import UPRIGHT, RgbRaster

#: Endings that cameras give their raw files; the content cannot tell them from plain TIFF.
_ENDINGS: Final = (
    "3fr arw cr2 cr3 crw dng erf iiq kdc mef mos mrw nef nrw orf pef raf raw rw2 rwl sr2 srf "
    "srw x3f"
)
RAW_SUFFIXES: Final = frozenset("." + ending for ending in _ENDINGS.split(" "))


@dataclass(frozen=True, slots=True, eq=False)
class RawFrame:
    """A raw photo as a `mastread.vision.frame.Frame`.

    `linear` gives the sensor's own red, green, blue, balanced for daylight, 1 = clipping level;
    `planes` and `coded` those of a developed copy, for finding lamps.
    """

    raw: NDArray[np.float32]
    developed: RgbRaster
    time_s: float = 0.0
    index: int = 0

    @property
    def width(self) -> int:
        """Upright width in pixels."""
        return int(self.raw.shape[1])

    @property
    def height(self) -> int:
        """Upright height in pixels."""
        return int(self.raw.shape[0])

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.developed.planes()

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """Sensor light of a box, (y1-y0, x1-x0, 3)."""
        if not (0 <= x0 < x1 <= self.width and 0 <= y0 < y1 <= self.height):
            raise ValueError("the box must lie within the picture")
        return self.raw[y0:y1, x0:x1]

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.developed.coded(x0, y0, x1, y1)


@dataclass(frozen=True, slots=True, eq=False)
class DevelopedFrame:
    """The developed copy of a raw photo alone, for finding lamps in it."""

    of: RawFrame
    time_s: float = 0.0
    index: int = 0

    @property
    def width(self) -> int:
        """Upright width in pixels."""
        return self.of.width

    @property
    def height(self) -> int:
        """Upright height in pixels."""
        return self.of.height

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.of.planes()

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.linear`."""
        return self.of.developed.linear(x0, y0, x1, y1)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.of.coded(x0, y0, x1, y1)


def is_raw(path: Path) -> bool:
    """Whether a file is camera raw by the ending of its name."""
    return path.suffix.lower() in RAW_SUFFIXES


def open_raw(path: Path) -> RawFrame:
    """Read a raw file.

    Raises
    ------
    MissingExtraError
        If rawpy is not installed.
    MediaError
        If the file is missing, damaged, or of a camera that is not known.
    """
    rawpy = library("rawpy")
    read_head(path)
    try:
        with rawpy.imread(str(path)) as file:
            sensor = _develop(rawpy, file, linear=True)
            shown = _develop(rawpy, file, linear=False)
            gains = np.array(file.daylight_whitebalance[:3], np.float64)
    except rawpy.LibRawError as error:
        what = say_led("error.raw", what=str(error).split(":")[-1].strip(" '\"b"))
        raise MediaError(path, what, say_led("error.raw_cure")) from None
    if not (np.isfinite(gains).all() and (gains > 0).all()):
        gains = np.ones(3)
    balanced = sensor.astype(np.float32) / np.float32(65535) * (gains / gains.min()).astype("f4")
    raster = RgbRaster(shown, light.Transfer.SRGB, UPRIGHT, None)
    return RawFrame(balanced, raster)


def _develop(rawpy: Any, file: Any, *, linear: bool) -> NDArray[Any]:
    """The sensor's own values with 16 bits, or an ordinary picture with 8."""
    if not linear:
        return np.ascontiguousarray(file.postprocess(use_camera_wb=True, output_bps=8))
    return np.asarray(
        file.postprocess(
            output_color=rawpy.ColorSpace.raw,
            gamma=(1, 1),
            no_auto_bright=True,
            no_auto_scale=False,
            user_wb=[1.0, 1.0, 1.0, 1.0],
            output_bps=16,
            demosaic_algorithm=rawpy.DemosaicAlgorithm.LINEAR,
            highlight_mode=rawpy.HighlightMode.Clip,
        )
    )
