"""Going to a time in a film, also in films that have no index to go by."""

from __future__ import annotations

from collections.abc import Generator
from typing import Final

from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mastread.vision.video import Video, VideoFrame

#: Streams without an index: a search by position may end behind the key frame that is wanted.
_NO_INDEX: Final = frozenset({"mpegts", "mpeg"})
#: How much earlier to begin there, seconds: more than key frames lie apart in broadcasts.
_EARLIER_S: Final = 5.0


def enter(container: InputContainer, stream: VideoStream, at_s: float) -> bool:
    """Go to a key frame at or before a time of the film's own stamps; False where it cannot be."""
    if at_s <= 0 or stream.time_base is None:
        return True
    if container.format.name in _NO_INDEX:
        at_s = max(0.0, at_s - _EARLIER_S)
    try:
        container.seek(int(at_s / float(stream.time_base)), stream=stream)
    except FFmpegError:
        return False
    return True


def frames_between(video: Video, start_s: float, end_s: float) -> Generator[VideoFrame]:
    """The frames with ``start_s <= time_s < end_s``, the first of them surely among them."""
    for begin in sorted({start_s, max(0.0, start_s - _EARLIER_S), 0.0}, reverse=True):
        frames = video.frames(begin, end_s)
        first = next(frames, None)
        if begin > 0 and (first is None or first.time_s > start_s + 1.5 / video.rate_hz):
            # The search ended too late, or there is a gap: beginning earlier tells.
            frames.close()
            continue
        if first is not None and first.time_s >= start_s:
            yield first
        yield from (frame for frame in frames if frame.time_s >= start_s)
        return
