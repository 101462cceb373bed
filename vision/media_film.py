"""A film file opened with FFmpeg, and what it says about its picture."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import cast

import av
import numpy as np
from av.container import InputContainer
from av.error import FFmpegError
from av.stream import Disposition
from av.video.stream import VideoStream

from mastread.vision.errors import MediaError
from mastread.vision.media import kind_of, media_limits
from mastread.vision.media_raster import UPRIGHT, Turn

COPY_AGAIN = "copy it again from the camera or the backup"
_NAME_ANOTHER = "name a video or a photo"
#: FFmpeg's names of what only points to other files.
_PLAY_LISTS = {"concat", "dash", "hls", "imf"}
#: Codecs of single pictures: each frame stands alone, and untagged values are a photo's.
PHOTOGRAPHIC = {"mjpeg", "mjpegb", "ljpeg", "jpeg2000", "webp", "png", "gif"}
#: Frames per second where a file gives neither times nor a rate (common practice).
_FALLBACK_RATE = 25.0
#: A higher nominal rate is a mistake in the file: no camera for this purpose is so fast.
_FASTEST_RATE = 1000
_MICROSECOND = 1e-6


@dataclass(frozen=True, slots=True)
class FilmFacts:
    """What the container and the first frame tell.

    Attributes
    ----------
    width, height : upright size in pixels
    turn : how stored frames are brought upright
    interlaced : the first frame is made of two fields
    codec : FFmpeg's name of the decoder
    origin_s : the file's own time stamp at t = 0
    duration_s : from t = 0 to the end of the last frame as the file states it, or None
    frames_hint : number of frames as the file states it, or None
    rate_hz : nominal frame rate
    has_sound : there is a sound track
    """

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


_one_thread = False


def decode_with_one_thread() -> None:
    """From now on let this process decode with one thread, where others keep the cores busy."""
    global _one_thread
    _one_thread = True


def open_film(path: str | os.PathLike[str]) -> tuple[InputContainer, VideoStream]:
    """The container and its picture stream, ready to decode; close the container after use.

    Raises
    ------
    MediaError : it cannot be opened, is no film, or has no picture that can be decoded
    """
    container = _open_container(path)
    try:
        stream = picture_stream(path, container)
    except MediaError:
        container.close()
        raise
    if _one_thread:
        stream.codec_context.thread_count = 1
    else:
        stream.thread_type = "AUTO"
    if stream.codec_context.name in PHOTOGRAPHIC:
        # A damaged frame can be refused there without harm to others.
        stream.codec_context.options = {"err_detect": "explode"}
    return container, stream


def _open_container(path: str | os.PathLike[str]) -> InputContainer:
    try:
        # An absolute name cannot be taken for a network address; nor may a play list inside the
        # file lead anywhere else.
        container = av.open(
            os.path.abspath(path),
            options={"protocol_whitelist": "file"},
            # Titles and remarks are not needed, and old cameras write them in any alphabet.
            metadata_errors="replace",
        )
    except FFmpegError:
        if kind_of(path) == "video":
            raise MediaError(path, "is cut off or damaged", COPY_AGAIN) from None
        raise MediaError(path, "is not a video that can be read", _NAME_ANOTHER) from None
    except OSError as error:
        raise MediaError(
            path, f"cannot be opened ({error.strerror})", "check that you may read it"
        ) from None
    if container.format.name in _PLAY_LISTS:
        container.close()
        raise MediaError(path, "is a play list, not a video", "name the videos in it")
    return container


def picture_stream(path: str | os.PathLike[str], container: InputContainer) -> VideoStream:
    """The picture stream of a container; MediaError where there is none that can be decoded."""
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


def film_facts(
    path: str | os.PathLike[str],
    container: InputContainer,
    stream: VideoStream,
    frame: av.VideoFrame,
    stamp: int | None,
) -> FilmFacts:
    """See `FilmFacts`; MediaError if the frames are too large.

    frame, stamp : the first frame and its time stamp
    """
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
    return FilmFacts(
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
