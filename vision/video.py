"""Videos: upright frames with their true presentation times, one after the other.

Times count from the start of the file's presentation, the zero of its captions:

* MP4 and MOV carry their own zero, so their times are taken as they are;
* in other files the earliest time of any stream is the zero, as players show it;
* times below zero (a file cut before its first key frame) move the zero down to the first.

Memory does not grow with the length of the file: a frame lives as long as the caller holds it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import TracebackType
from typing import Self, cast

import av
import numpy as np
from av.container import InputContainer
from av.error import FFmpegError
from av.stream import Disposition
from av.video.stream import VideoStream
from numpy.typing import NDArray

from mastread.vision.errors import MediaError
from mastread.vision.frame import Planes
from mastread.vision.media import kind_of, media_limits, read_head
from mastread.vision.media_frames import WholeFrames
from mastread.vision.media_raster import UPRIGHT, RgbRaster, Turn, YccRaster
from mastread.vision.media_samples import SampleReader

_COPY_AGAIN = "copy it again from the camera or the backup"
_NAME_ANOTHER = "name a video or a photo"
_STOPPED_THERE = "nothing was read from there on"
#: FFmpeg's names of what only points to other files.
_PLAY_LISTS = {"concat", "dash", "hls", "imf"}
#: Codecs whose colour-difference samples lie midway, and whose untagged values are a photo's.
_PHOTOGRAPHIC = {"mjpeg", "mjpegb", "ljpeg", "jpeg2000", "webp", "png", "gif"}
_CENTRED = _PHOTOGRAPHIC | {"mpeg1video"}
#: Frames per second where a file gives neither times nor a rate (common practice).
_FALLBACK_RATE = 25.0
#: A higher nominal rate is a mistake in the file: no camera for this purpose is so fast.
_FASTEST_RATE = 1000
#: The picture may end this much before the sound or the stated end without a word.
_EARLY_END_S = 0.5
_MICROSECOND = 1e-6


class VideoFrame:
    """One frame of a video as a `mastread.vision.frame.Frame`; nothing is converted until asked."""

    __slots__ = ("_decoded", "_raster", "_reader", "height", "index", "time_s", "width")

    def __init__(
        self,
        decoded: av.VideoFrame,
        reader: SampleReader,
        size: tuple[int, int],
        index: int,
        time_s: float,
    ) -> None:
        self._decoded: av.VideoFrame | None = decoded
        self._reader = reader
        self._raster: YccRaster | RgbRaster | None = None
        self.width, self.height = size
        self.index = index
        self.time_s = time_s

    @property
    def raster(self) -> YccRaster | RgbRaster:
        """The samples."""
        if self._raster is None:
            assert self._decoded is not None
            self._raster = self._reader.raster(self._decoded)
            self._decoded = None
        return self._raster

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.raster.planes()

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.linear`."""
        return self.raster.linear(x0, y0, x1, y1)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.raster.coded(x0, y0, x1, y1)


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the first frame and the container tell about a file."""

    width: int
    height: int
    turn: Turn
    interlaced: bool
    codec: str
    origin_s: float
    duration_s: float | None
    frames_hint: int | None
    rate_hz: float
    has_sound: bool


class Video:
    """An open video: iterate over it for its frames, as often as wanted.

    Attributes
    ----------
    path : as given
    width, height : upright size in pixels
    duration_s : from t = 0 to the end of the last frame as the file states it, or None
    frames_hint : number of frames as the file states it, or None
    rate_hz : nominal frame rate; times never come from it unless the file has none
    interlaced : the first frame is made of two fields
    has_sound : the file has a sound track
    origin_s : the file's own time stamp at t = 0
    warnings : sentences about damage and oddities met so far
    """

    def __init__(self, path: str | os.PathLike[str], facts: _Facts) -> None:
        self.path = os.fspath(path)
        self._facts = facts
        self.width, self.height = facts.width, facts.height
        self.duration_s = facts.duration_s
        self.frames_hint = facts.frames_hint
        self.rate_hz = facts.rate_hz
        self.interlaced = facts.interlaced
        self.has_sound = facts.has_sound
        self.origin_s = facts.origin_s
        self.warnings: list[str] = []
        self._open: list[Iterator[VideoFrame]] = []
        if facts.interlaced:
            self._warn("the video is interlaced: fine detail of moving things is doubled")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give back what unfinished iterations hold."""
        for frames in self._open:
            frames.close()  # type: ignore[attr-defined]
        self._open.clear()

    def __iter__(self) -> Iterator[VideoFrame]:
        return self.frames()

    def frames(self, from_s: float = 0.0, to_s: float | None = None) -> Iterator[VideoFrame]:
        """The frames with ``from_s <= time_s < to_s``; all by default.

        `VideoFrame.index` counts from the first frame of the file, or, where `from_s` is above 0
        and the file could be entered in the middle, from the first frame yielded.
        """
        frames = self._frames(from_s, to_s)
        self._open.append(frames)
        return frames

    def _warn(self, sentence: str) -> None:
        if sentence not in self.warnings:
            self.warnings.append(sentence)

    def _frames(self, from_s: float, to_s: float | None) -> Iterator[VideoFrame]:
        facts = self._facts
        size = (self.width, self.height)
        reader = _reader(facts.codec, facts.turn)
        index = 0
        with _open_container(self.path) as container:
            stream = _video_stream(self.path, container)
            _prepare(stream)
            if from_s > 0:
                _enter(container, stream, from_s + self.origin_s)
            clock = _Clock(self._warn, stream, facts.origin_s, facts.rate_hz)
            for decoded, stamp in WholeFrames(container, stream, self._warn):
                time_s = clock.time_of(stamp)
                if to_s is not None and time_s >= to_s:
                    return
                if facts.turn.upright_size(decoded.width, decoded.height) != size:
                    self._warn(f"the picture changes its size at {time_s:.2f} s; {_STOPPED_THERE}")
                    return
                if time_s >= from_s or from_s <= 0:
                    yield VideoFrame(decoded, reader, size, index, time_s)
                    index += 1
        self._check_end(clock.end_s)

    def _check_end(self, end_s: float) -> None:
        if self.duration_s is not None and end_s < self.duration_s - _EARLY_END_S:
            self._warn(
                f"the picture ends at {end_s:.2f} s, though the file says that it lasts "
                f"{self.duration_s:.2f} s: the rest is missing or damaged"
            )


class _Clock:
    """Presentation times that never stand still or go back."""

    def __init__(
        self, warn: Callable[[str], None], stream: VideoStream, origin_s: float, rate_hz: float
    ) -> None:
        self._warn = warn
        self._unit = float(stream.time_base or 0)
        self._origin_s = origin_s
        self._step = 1 / rate_hz
        self._last: float | None = None

    @property
    def end_s(self) -> float:
        """When the last frame so far ends."""
        return 0.0 if self._last is None else self._last + self._step

    def time_of(self, stamp: int | None) -> float:
        if stamp is None:
            time_s = self.end_s
            self._warn("frames have no time stamps; the nominal rate was used")
        else:
            time_s = stamp * self._unit - self._origin_s
            if self._last is not None and time_s <= self._last:
                self._warn("time stamps go back or stand still; the nominal rate was used there")
                time_s = self.end_s
        self._last = time_s
        return time_s


def open_video(path: str | os.PathLike[str]) -> Video:
    """Open a video and look at its first frame.

    Raises
    ------
    MediaError : missing, empty, damaged beyond its first frame, no picture in it, too large
    """
    read_head(path)
    with _open_container(path) as container:
        stream = _video_stream(path, container)
        _prepare(stream)
        # One thread is enough for one frame.
        stream.thread_count = 1
        for decoded, stamp in WholeFrames(container, stream, lambda _: None):
            return Video(path, _facts(path, container, stream, decoded, stamp))
    raise MediaError(path, "no frame of it can be decoded", _COPY_AGAIN)


def _facts(
    path: str | os.PathLike[str],
    container: InputContainer,
    stream: VideoStream,
    frame: av.VideoFrame,
    stamp: int | None,
) -> _Facts:
    limit = media_limits()["max_megapixels"]
    if frame.width * frame.height > limit * 1e6:
        raise MediaError(
            path,
            f"has frames of {frame.width} x {frame.height}, more than {limit} megapixels",
            "make a smaller copy of it",
        )
    turn = display_turn(frame)
    width, height = turn.upright_size(frame.width, frame.height)
    rate_hz = _rate_hz(stream, stamped=stamp is not None)
    origin_s = _origin_s(container, stream)
    duration_s = _duration_s(container, stream, origin_s, rate_hz)
    hint = stream.frames or (round(duration_s * rate_hz) if duration_s else None)
    return _Facts(
        width=width,
        height=height,
        turn=turn,
        interlaced=frame.interlaced_frame,
        codec=stream.codec_context.name,
        origin_s=origin_s,
        duration_s=duration_s,
        frames_hint=hint,
        rate_hz=rate_hz,
        has_sound=bool(container.streams.audio),
    )


def _rate_hz(stream: VideoStream, stamped: bool) -> float:
    rates = [stream.guessed_rate, stream.average_rate, stream.codec_context.framerate]
    if not stamped:
        # A bare stream of pictures: only the coding itself may know.
        rates.reverse()
    sane = [float(rate) for rate in rates if rate and rate <= _FASTEST_RATE]
    return sane[0] if sane else _FALLBACK_RATE


def _duration_s(
    container: InputContainer, stream: VideoStream, origin_s: float, rate_hz: float
) -> float | None:
    """From t = 0 to the end of the picture, as the file states it."""
    unit = float(stream.time_base or 0)
    if container.format.name == "avi" and stream.frames:
        # What FFmpeg calls the duration is shortened to what the file still holds.
        return stream.frames / rate_hz
    if stream.duration and unit:
        return (stream.start_time or 0) * unit - origin_s + stream.duration * unit
    if container.duration:
        whole = container.duration * _MICROSECOND
        # Matroska states when the last frame ends, others how long they last.
        return whole - origin_s if "matroska" in container.format.name else whole
    return None


def _origin_s(container: InputContainer, stream: VideoStream) -> float:
    first = 0.0
    if stream.start_time is not None and stream.time_base is not None:
        first = stream.start_time * float(stream.time_base)
    if first < 0:
        return first
    if "mp4" in container.format.name or container.start_time is None:
        return 0.0
    return max(0.0, min(first, container.start_time * _MICROSECOND))


def display_turn(frame: av.VideoFrame) -> Turn:
    """How the file wants its frames turned: the display matrix (ISO/IEC 14496-12, "tkhd").

    A turn that is no multiple of a quarter is taken as the nearest quarter.
    """
    data = frame.side_data.get("DISPLAYMATRIX")
    if data is None:
        return UPRIGHT
    a, b, _, c, d = np.frombuffer(cast(memoryview, data), np.int32, count=5).astype(float)
    # The matrix takes (x, y) to (a x + c y, b x + d y), y down: without a mirror a = d = cos,
    # b = sin of the clockwise angle; a mirror in front of the turn changes the sign of (a, b).
    mirrored = a * d - b * c < 0
    if mirrored:
        a, b = -a, -b
    return Turn(bool(mirrored), round(float(np.degrees(np.arctan2(b, a))) / 90) % 4)


def _prepare(stream: VideoStream) -> None:
    stream.thread_type = "AUTO"
    if stream.codec_context.name in _PHOTOGRAPHIC:
        # Each frame stands alone there, so a damaged one can be refused without harm to others.
        stream.codec_context.options = {"err_detect": "explode"}


def _reader(codec: str, turn: Turn) -> SampleReader:
    return SampleReader(turn, centred=codec in _CENTRED, photographic=codec in _PHOTOGRAPHIC)


def _open_container(path: str | os.PathLike[str]) -> InputContainer:
    try:
        # An absolute name cannot be taken for a network address; nor may a play list inside the
        # file lead anywhere else.
        container = av.open(os.path.abspath(path), options={"protocol_whitelist": "file"})
    except FFmpegError:
        if kind_of(path) == "video":
            raise MediaError(path, "is cut off or damaged", _COPY_AGAIN) from None
        raise MediaError(path, "is not a video that can be read", _NAME_ANOTHER) from None
    except OSError as error:
        raise MediaError(
            path, f"cannot be opened ({error.strerror})", "check that you may read it"
        ) from None
    if container.format.name in _PLAY_LISTS:
        container.close()
        raise MediaError(path, "is a play list, not a video", "name the videos in it")
    return container


def _video_stream(path: str | os.PathLike[str], container: InputContainer) -> VideoStream:
    for stream in container.streams.video:
        # A cover picture of a sound file is a video stream with a mark.
        if not stream.disposition & Disposition.attached_pic:
            if stream.codec_context is None:
                raise MediaError(
                    path, "is coded in a way that FFmpeg cannot decode", "convert it to H.264"
                )
            return stream
    what = "holds sound but no picture" if container.streams.audio else "holds no picture"
    raise MediaError(path, what, _NAME_ANOTHER)


def _enter(container: InputContainer, stream: VideoStream, at_s: float) -> None:
    """Go to the last key frame before a time; stay at the start if the file cannot do that."""
    try:
        container.seek(int(at_s / float(stream.time_base or 1)), stream=stream)
    except FFmpegError:
        container.seek(0)
