"""From FFmpeg's decoded frames to rasters, without copying where the layout allows.

The numbers of matrix, transfer and primaries are the code points of ITU-T H.273, tables 2
to 4, which FFmpeg uses as they are.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, cast

import av
import numpy as np
from av.video.plane import VideoPlane
from numpy.typing import NDArray

from mastread.vision import light
from mastread.vision.media_raster import RgbRaster, Turn, YccCoding, YccRaster

_MATRICES = {
    1: light.Matrix.BT709,
    4: light.Matrix.FCC,
    5: light.Matrix.BT601,
    6: light.Matrix.BT601,
    7: light.Matrix.SMPTE240,
    9: light.Matrix.BT2020,
    10: light.Matrix.BT2020,
}
# BT.601, BT.2020, SMPTE 240M and IEC 61966-2-4 share BT.709's curve to within a code.
_TRANSFERS = {
    1: light.Transfer.BT709,
    4: light.Transfer.GAMMA22,
    5: light.Transfer.GAMMA28,
    6: light.Transfer.BT709,
    7: light.Transfer.BT709,
    8: light.Transfer.LINEAR,
    11: light.Transfer.BT709,
    13: light.Transfer.SRGB,
    14: light.Transfer.BT709,
    15: light.Transfer.BT709,
    16: light.Transfer.PQ,
    18: light.Transfer.HLG,
}
_PRIMARIES = {
    5: light.Primaries.BT601_625,
    6: light.Primaries.BT601_525,
    7: light.Primaries.BT601_525,
    9: light.Primaries.BT2020,
    12: light.Primaries.P3,
}
_UNSPECIFIED_RANGE, _FULL_RANGE = 0, 2
#: A picture at least this large is taken for BT.709 where the file does not say (common
#: practice of players, no source).
_HD_WIDTH, _HD_HEIGHT = 1280, 577

_PLANAR = re.compile(r"yuv(?P<j>j?)a?(?P<ss>4[1-4][0124])p(?P<bits>9|1[0246])?(?P<end>le|be)?")
_GREY = re.compile(r"gray(?P<bits>9|1[0246])?(?P<end>le|be)?")
_SUBSAMPLING = {
    "410": (4, 4),
    "411": (4, 1),
    "420": (2, 2),
    "422": (2, 1),
    "440": (1, 2),
    "444": (1, 1),
}


@dataclass(frozen=True, slots=True)
class _Layout:
    """Where the samples of a pixel format lie."""

    bits: int
    shift: int
    sub: tuple[int, int] | None
    dtype: np.dtype[Any]
    interleaved: str = ""
    full_range: bool = False


_INTERLEAVED = {
    "nv12": _Layout(8, 0, (2, 2), np.dtype("u1"), "uv"),
    "nv21": _Layout(8, 0, (2, 2), np.dtype("u1"), "vu"),
    "nv16": _Layout(8, 0, (2, 1), np.dtype("u1"), "uv"),
    "nv24": _Layout(8, 0, (1, 1), np.dtype("u1"), "uv"),
    "p010le": _Layout(10, 6, (2, 2), np.dtype("<u2"), "uv"),
    "p012le": _Layout(12, 4, (2, 2), np.dtype("<u2"), "uv"),
    "p016le": _Layout(16, 0, (2, 2), np.dtype("<u2"), "uv"),
    "p210le": _Layout(10, 6, (2, 1), np.dtype("<u2"), "uv"),
    "p410le": _Layout(10, 6, (1, 1), np.dtype("<u2"), "uv"),
}


def _layout(name: str) -> _Layout | None:
    """The layout of a pixel format that can be read in place; None if it must be converted."""
    if name in _INTERLEAVED:
        return _INTERLEAVED[name]
    match = _PLANAR.fullmatch(name) or _GREY.fullmatch(name)
    if match is None or match["end"] == "be":
        return None
    bits = int(match["bits"] or 8)
    dtype = np.dtype("u1") if bits == 8 else np.dtype("<u2")
    groups = match.groupdict()
    if "ss" not in groups:
        return _Layout(bits, 0, None, dtype)
    sub = _SUBSAMPLING.get(groups["ss"])
    return _Layout(bits, 0, sub, dtype, full_range=bool(groups["j"])) if sub else None


def plane_array(plane: VideoPlane, dtype: np.dtype[Any], per_pixel: int = 1) -> NDArray[Any]:
    """One plane of a decoded frame, (rows, samples), as a read-only view that keeps it alive.

    per_pixel : samples that lie together for each place (2 for interleaved colour difference)
    """
    # PyAV's types do not say that a plane has the buffer interface.
    samples: NDArray[Any] = np.frombuffer(cast(memoryview, plane), dtype)
    out = samples.reshape(-1, plane.line_size // dtype.itemsize)[
        : plane.height, : plane.width * per_pixel
    ]
    # The decoder still predicts later frames from this memory.
    out.flags.writeable = False
    return out


class SampleReader:
    """Makes rasters of the frames of one stream; remembers what does not change.

    Parameters
    ----------
    turn : how the stored pictures are brought upright
    centred : colour-difference samples lie midway between luma samples in both directions, as
        in JPEG and MPEG-1; else beside the left luma sample, as in all later codings
    photographic : untagged values are taken for those of a still camera (sRGB curve, BT.601
        weights), as in JPEG
    profile : curve and matrix to BT.709 primaries that overrule what the frames say
    """

    def __init__(
        self,
        turn: Turn,
        *,
        centred: bool = False,
        photographic: bool = False,
        profile: tuple[light.Transfer, NDArray[np.float64] | None] | None = None,
    ) -> None:
        self._turn = turn
        self._profile = profile
        self._centred = centred
        self._photographic = photographic
        self._codings: dict[tuple[Any, ...], tuple[_Layout, YccCoding]] = {}

    def raster(self, frame: av.VideoFrame) -> YccRaster | RgbRaster:
        """The samples of a frame; views of the decoder's memory where the format allows."""
        name = frame.format.name
        layout = _layout(name)
        if layout is None:
            if frame.format.is_rgb or name in ("pal8", "monow", "monob"):
                return self._rgb(frame)
            deep = max(c.bits for c in frame.format.components) > 8
            grey = len(frame.format.components) <= 2
            plain = ("gray", "gray16le") if grey else ("yuv444p", "yuv444p16le")
            return self.raster(frame.reformat(format=plain[deep]))
        coding = self._coding(frame, layout)
        dtype = layout.dtype
        y = plane_array(frame.planes[0], dtype)
        if layout.sub is None:
            return YccRaster(y, None, None, coding, self._turn)
        if layout.interleaved:
            both = plane_array(frame.planes[1], dtype, per_pixel=2)
            u, v = both[:, 0::2], both[:, 1::2]
            if layout.interleaved == "vu":
                u, v = v, u
        else:
            u, v = plane_array(frame.planes[1], dtype), plane_array(frame.planes[2], dtype)
        return YccRaster(y, u, v, coding, self._turn)

    def _rgb(self, frame: av.VideoFrame) -> RgbRaster:
        deep = max(c.bits for c in frame.format.components) > 8
        transfer = _TRANSFERS.get(frame.color_trc, light.Transfer.SRGB)
        to_bt709 = _to_bt709(frame.color_primaries)
        plain = frame.reformat(format="rgb48le" if deep else "rgb24")
        flat = plane_array(plain.planes[0], np.dtype("<u2" if deep else "u1"), per_pixel=3)
        samples = flat.reshape(flat.shape[0], -1, 3)
        return RgbRaster(samples, transfer, self._turn, to_bt709)

    def _coding(self, frame: av.VideoFrame, layout: _Layout) -> YccCoding:
        key = (
            frame.format.name,
            frame.colorspace,
            frame.color_range,
            frame.color_trc,
            frame.color_primaries,
            frame.width,
            frame.height,
        )
        known = self._codings.get(key)
        if known is None:
            known = self._codings[key] = (layout, self._new_coding(frame, layout))
        return known[1]

    def _new_coding(self, frame: av.VideoFrame, layout: _Layout) -> YccCoding:
        matrix = _MATRICES.get(frame.colorspace)
        if matrix is None:
            large = frame.width >= _HD_WIDTH or frame.height >= _HD_HEIGHT
            hd = large and not self._photographic
            matrix = light.Matrix.BT709 if hd else light.Matrix.BT601
        fallback = light.Transfer.SRGB if self._photographic else light.Transfer.BT709
        sub_x, sub_y = layout.sub or (1, 1)
        transfer = _TRANSFERS.get(frame.color_trc, fallback)
        to_bt709 = _to_bt709(frame.color_primaries)
        if self._profile is not None:
            transfer, to_bt709 = self._profile
        return YccCoding(
            matrix,
            full_range=layout.full_range or self._is_full_range(frame, layout),
            transfer=transfer,
            bits=layout.bits,
            shift=layout.shift,
            sub_x=sub_x,
            sub_y=sub_y,
            site_x=(sub_x - 1) / 2 if self._centred else 0.0,
            site_y=(sub_y - 1) / 2,
            to_bt709=to_bt709,
        )

    def _is_full_range(self, frame: av.VideoFrame, layout: _Layout) -> bool:
        if frame.color_range == _UNSPECIFIED_RANGE:
            # FFmpeg's own reading of an untagged picture: grey alone has the full range.
            return self._photographic or layout.sub is None
        return bool(frame.color_range == _FULL_RANGE)


def _to_bt709(code: int) -> NDArray[np.float64] | None:
    primaries = _PRIMARIES.get(code)
    return None if primaries is None else light.primaries_matrix(primaries)
