"""Writes streams of pictures as video: true presentation times, several codecs, rotation flag."""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Final, Literal

import av
import numpy as np
from av.video.reformatter import ColorRange, Colorspace
from numpy.typing import NDArray

Codec = Literal["h264", "hevc", "vp9", "mjpeg"]

#: Ticks per second of presentation times; common to film and television rates.
_TICKS: Final = 90_000
_ENCODERS: Final[dict[Codec, str]] = {
    "h264": "libx264",
    "hevc": "libx265",
    "vp9": "libvpx-vp9",
    "mjpeg": "mjpeg",
}


@dataclass(frozen=True, slots=True)
class VideoOptions:
    """How a clip is stored.

    Attributes
    ----------
    codec : see `Codec`
    crf : quality of H.264, HEVC and VP9 (higher is worse); for MJPEG the quantiser 2..31
    preset : speed of H.264 and HEVC
    matrix : luma weights, ``bt709`` or ``bt601``; MJPEG always has the latter
    rotation : degrees clockwise, 0, 90, 180 or 270, by which a player must turn the stored
        pictures; MP4 and MOV only
    fields : ``flagged``: every two pictures are woven into one frame of two fields, upper first,
        and the file says so; ``bare``: woven, and the file says nothing
    transfer : ``hlg`` or ``pq``: ten bits in the wide colours of ITU-R BT.2100; else BT.709
    """

    codec: Codec = "h264"
    crf: int = 22
    preset: str = "veryfast"
    matrix: Literal["bt709", "bt601"] = "bt709"
    rotation: int = 0
    fields: Literal["", "flagged", "bare"] = ""
    transfer: Literal["sdr", "hlg", "pq"] = "sdr"


class ClipWriter:
    """Writes upright pictures to a video file; a context manager.

    The file has a temporary name until the last picture is in.

    Parameters
    ----------
    path : target; its suffix names the container
    width, height : of the upright pictures; even numbers
    fps : nominal rate, for the header
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        width: int,
        height: int,
        fps: float,
        options: VideoOptions | None = None,
    ) -> None:
        options = options or VideoOptions()
        if width % 2 or height % 2:
            raise ValueError(f"{path}: {width}x{height} must be even for video")
        if options.fields and options.codec != "h264":
            raise ValueError(f"{path}: fields are written as H.264 only")
        if options.transfer != "sdr" and options.codec not in ("h264", "hevc"):
            raise ValueError(f"{path}: {options.transfer} needs ten bits, so H.264 or HEVC")
        if options.rotation and Path(path).suffix not in (".mp4", ".mov"):
            raise ValueError(f"{path}: only .mp4 and .mov can hold a rotation flag")
        self._path = Path(path)
        self._part = self._path.with_name(f".{self._path.stem}.part{self._path.suffix}")
        self._options = options
        turned = options.rotation in (90, 270)
        self._container = av.open(str(self._part), "w")
        rate = Fraction(fps).limit_denominator(1001)
        stream = self._container.add_stream(_ENCODERS[options.codec], rate=rate)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height = (height, width) if turned else (width, height)
        stream.pix_fmt = "yuvj420p" if options.codec == "mjpeg" else "yuv420p"
        if options.transfer != "sdr":
            stream.pix_fmt = "yuv420p10le"
        context = stream.codec_context
        context.time_base = Fraction(1, _TICKS)
        stream.time_base = Fraction(1, _TICKS)
        context.thread_count = 2
        if options.codec == "mjpeg":
            context.qmin = context.qmax = int(np.clip(options.crf, 2, 31))
        elif options.codec == "vp9":
            context.options = {
                "crf": str(options.crf),
                "b": "0",
                "deadline": "realtime",
                "cpu-used": "8",
            }
        else:
            context.options = {"crf": str(options.crf), "preset": options.preset}
            if options.codec == "hevc":
                context.options = {**context.options, "x265-params": "log-level=error"}
            if options.fields == "flagged":
                context.options = {**context.options, "x264-params": "tff=1"}
        full = options.codec == "mjpeg"
        # JPEG pictures hold BT.601 luma weights (JFIF), whatever the clip is.
        modern = options.matrix == "bt709" and not full
        self._matrix = Colorspace.ITU709 if modern else Colorspace.ITU601
        self._range = ColorRange.JPEG if full else ColorRange.MPEG
        context.colorspace = self._matrix
        context.color_range = self._range
        context.color_primaries = 1
        context.color_trc = 1
        if options.transfer != "sdr":
            # Code points of ITU-T H.273: BT.2020 matrix and primaries, PQ or HLG.
            self._matrix = Colorspace(9)
            context.colorspace = 9
            context.color_primaries = 9
            context.color_trc = {"pq": 16, "hlg": 18}[options.transfer]
        self._stream = stream
        self._upper: tuple[NDArray[np.uint8], float] | None = None

    def __enter__(self) -> ClipWriter:
        return self

    def write(self, rgb: NDArray[np.uint8], time_s: float) -> None:
        """Append one (H, W, 3) picture shown from `time_s` on."""
        if self._options.fields:
            if self._upper is None:
                self._upper = (rgb, time_s)
                return
            # Even rows are of the first moment, odd rows of the second.
            (rgb, time_s), lower = self._upper, rgb
            rgb = rgb.copy()
            rgb[1::2] = lower[1::2]
            self._upper = None
        turns = {0: 0, 90: 1, 180: 2, 270: 3}[self._options.rotation]
        picture = np.ascontiguousarray(np.rot90(rgb, turns)) if turns else rgb
        if self._options.transfer == "sdr":
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
        else:
            deep = to_bt2100(picture, self._options.transfer)
            frame = av.VideoFrame.from_ndarray(deep, format="rgb48le")
        frame = frame.reformat(
            format=self._stream.pix_fmt,
            dst_colorspace=self._matrix,
            dst_color_range=self._range,
        )
        frame.pts = round(time_s * _TICKS)
        frame.time_base = Fraction(1, _TICKS)
        for packet in self._stream.encode(frame):
            self._container.mux(packet)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            self._container.close()
            self._part.unlink(missing_ok=True)
            return
        for packet in self._stream.encode(None):
            self._container.mux(packet)
        self._container.close()
        if self._options.rotation:
            flag_rotation(self._part, self._options.rotation)
        self._part.replace(self._path)


#: Linear light of BT.709 primaries to those of BT.2020 (ITU-R BT.2087-0, section 4).
_TO_BT2020: Final = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
)
#: Peak of the made pictures in cd/m2 when they are told as PQ: a bright display.
_PEAK_CD: Final = 1000.0


def to_bt2100(rgb: NDArray[np.uint8], transfer: str) -> NDArray[np.uint16]:
    """Pictures in sRGB as (H, W, 3) codes of 16 bits in HLG or PQ (ITU-R BT.2100, tables 4, 5)."""
    coded = np.arange(256) / 255.0
    table = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    light = np.clip(table.astype(np.float32)[rgb] @ _TO_BT2020.T.astype(np.float32), 0.0, 1.0)
    if transfer == "hlg":
        a, b, c = 0.17883277, 0.28466892, 0.55991073
        low = np.sqrt(3.0 * light)
        out = np.where(light <= 1 / 12, low, a * np.log(np.maximum(12.0 * light - b, 1e-6)) + c)
    else:
        m1, m2 = 2610 / 16384, 2523 / 4096 * 128
        c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
        power = (light * (_PEAK_CD / 10000.0)) ** m1
        out = ((c1 + c2 * power) / (1.0 + c3 * power)) ** m2
    return np.asarray(np.clip(np.rint(out * 65535.0), 0, 65535), np.uint16)


def flag_rotation(path: str | os.PathLike[str], degrees: int) -> None:
    """Set the display matrix of the track header of an MP4 or MOV file.

    Source of the layout: ISO/IEC 14496-12, 8.3.2 (track header box): nine numbers a b u c d v x
    y w in row order, 16.16 fixed point except u v w, which are 2.30.
    """
    one = 1 << 16
    turn = {
        90: (0, one, 0, -one, 0, 0),
        180: (-one, 0, 0, 0, -one, 0),
        270: (0, -one, 0, one, 0, 0),
    }[degrees]
    data = bytearray(Path(path).read_bytes())
    at = data.find(b"tkhd")
    if at < 0:
        raise ValueError(f"{path}: no track header to flag a rotation in")
    version = data[at + 4]
    # After the name: version and flags, then times, track, duration; then 16 bytes to the matrix.
    matrix = at + 8 + (32 if version == 1 else 20) + 16
    struct.pack_into(">9i", data, matrix, *turn, 0, 0, 1 << 30)
    Path(path).write_bytes(bytes(data))
