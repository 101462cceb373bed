"""A live camera or network stream: frames as they come, in bounded memory.

A thread takes the pictures off the wire, so that none is lost while one is being looked at. They
wait in a short queue; if that is full because this machine is too slow, the oldest is dropped and
counted. A source that runs ahead of the clock (a recording served over HTTP) is made to wait
instead.
"""

from __future__ import annotations

import os
import stat
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from types import TracebackType
from typing import Final, Self

import av
from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mastread.vision.errors import MediaError
from mastread.vision.media_film import PHOTOGRAPHIC, FilmFacts, film_facts, picture_stream
from mastread.vision.media_frames import WholeFrames
from mastread.vision.media_samples import SampleReader
from mastread.vision.video import CENTRED, VideoFrame

#: Seconds without an answer or a picture after which a stream counts as gone.
PATIENCE_S: Final = 10.0
#: Frames that wait at the most.
_QUEUE: Final = 12
#: A stream this far ahead of the clock is a recording, which can wait.
_AHEAD_S: Final = 0.5
#: Time stamps that leap against the clock by more than this begin anew.
_LEAP_S: Final = 5.0

#: FFmpeg's way to the cameras of each system (its documentation of input devices).
_DEVICES: Final = {"linux": "v4l2", "darwin": "avfoundation", "win32": "dshow"}


class Stream:
    """An open stream: iterate over it once for its frames, until it ends or `stop` is called.

    Attributes
    ----------
    name : as given
    width, height : upright size in pixels
    rate_hz : nominal frame rate
    received, dropped : frames that came, and those of them that nobody could look at
    end : why the stream ended, a clause; None while it runs or after `stop`
    failed : it ended by a fault, not because the sender was done
    warnings : sentences about damage and oddities met so far
    """

    def __init__(self, name: str) -> None:
        """Connect, and look at the first frame; see `open_stream`."""
        self.name = name
        self.warnings: list[str] = []
        self.received = self.dropped = 0
        self.end: str | None = None
        self.failed = False
        self._stopped = False
        self._broke: str | None = None
        self._container, self._stream = _connect(name)
        self._unit_s = float(self._stream.time_base or 0)
        self._whole = iter(WholeFrames(self._container, self._stream, self._warn))
        first = self._first()
        self.facts: FilmFacts = film_facts(name, self._container, self._stream, *first)
        self.width, self.height = self.facts.width, self.facts.height
        self.rate_hz = self.facts.rate_hz
        self._reader = SampleReader(
            self.facts.turn,
            centred=self.facts.codec in CENTRED,
            photographic=self.facts.codec in PHOTOGRAPHIC,
        )
        self._clock = _LiveClock(self._unit_s, self.rate_hz)
        self._waiting: deque[VideoFrame] = deque()
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._receive, args=(first,), daemon=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __iter__(self) -> Iterator[VideoFrame]:
        self._thread.start()
        while True:
            with self._changed:
                while not self._waiting and self.end is None and not self._stopped:
                    # Woken now and then, so that Ctrl-C is heard at once on every system.
                    self._changed.wait(0.2)
                if self._stopped or not self._waiting:
                    return
                frame = self._waiting.popleft()
                self._changed.notify_all()
            yield frame

    def stop(self) -> None:
        """End the iteration; frames that wait are not looked at any more."""
        with self._changed:
            self._stopped = True
            self._waiting.clear()
            self._changed.notify_all()

    def close(self) -> None:
        """Disconnect."""
        self.stop()
        if self._thread.is_alive():
            # The thread holds the connection until its next picture comes or its patience ends.
            self._thread.join(1.0)
        if not self._thread.is_alive():
            self._container.close()

    def _first(self) -> tuple[av.VideoFrame, int | None]:
        first = next(self._whole, None)
        if first is None:
            self._container.close()
            raise MediaError(
                self.name,
                "no picture came that can be decoded",
                "check that it sends video, and try again",
            )
        return first

    def _warn(self, sentence: str) -> None:
        if sentence.startswith("the file breaks off"):
            self._broke = "the connection broke off, or nothing came for a while"
        elif sentence.startswith("the file is damaged"):
            self._add_warning(sentence.replace("the file is damaged", "the stream was damaged"))
        else:
            self._add_warning(sentence)

    def _add_warning(self, sentence: str) -> None:
        if sentence not in self.warnings and len(self.warnings) < 20:
            self.warnings.append(sentence)

    def _receive(self, first: tuple[av.VideoFrame, int | None]) -> None:
        """Take frames off the wire until the end; runs in a thread of its own."""
        why, failed = "the stream ended", False
        began = time.monotonic()
        decoded: av.VideoFrame | None
        decoded, stamp = first
        while decoded is not None and not self._stopped:
            size = self.facts.turn.upright_size(decoded.width, decoded.height)
            if size != (self.width, self.height):
                why, failed = "the picture changed its size", True
                break
            time_s = self._clock.time_of(stamp, time.monotonic())
            self._put(VideoFrame(decoded, self._reader, size, self.received, time_s), time_s, began)
            decoded, stamp = next(self._whole, (None, None))
        if self._broke is not None:
            why, failed = self._broke, True
        with self._changed:
            if not self._stopped:
                self.failed, self.end = failed, why
            self._changed.notify_all()

    def _put(self, frame: VideoFrame, time_s: float, began: float) -> None:
        with self._changed:
            self.received += 1
            while len(self._waiting) >= _QUEUE and not self._stopped:
                if time_s <= time.monotonic() - began + _AHEAD_S:
                    self._waiting.popleft()
                    self.dropped += 1
                else:
                    self._changed.wait(0.1)
            self._waiting.append(frame)
            self._changed.notify_all()


class _LiveClock:
    """Seconds since the first frame; leaps of the sender's time stamps are not believed."""

    def __init__(self, unit_s: float, rate_hz: float) -> None:
        self._unit_s = unit_s
        self._step_s = 1.0 / rate_hz
        self._offset_s: float | None = None
        self._last: tuple[float, float] | None = None

    def time_of(self, stamp: int | None, arrived_s: float) -> float:
        """Time of a frame, given its stamp and when it arrived (of any steady clock)."""
        if self._last is None:
            self._offset_s = None if stamp is None else stamp * self._unit_s
            self._last = 0.0, arrived_s
            return 0.0
        last_s, before_s = self._last
        if stamp is None or self._offset_s is None:
            time_s = last_s + self._step_s
        else:
            time_s = stamp * self._unit_s - self._offset_s
            gone_s = arrived_s - before_s
            if time_s <= last_s or time_s - last_s > gone_s + _LEAP_S:
                time_s = last_s + max(min(gone_s, _LEAP_S), self._step_s)
                self._offset_s = stamp * self._unit_s - time_s
        self._last = time_s, arrived_s
        return time_s


def open_stream(name: str) -> Stream:
    """Connect to a camera (``/dev/video0``, or its number) or to the address of a stream.

    Raises
    ------
    MediaError : it cannot be opened, sends no picture, or is a file; the message names the cure
    """
    return Stream(name)


def _connect(name: str) -> tuple[InputContainer, VideoStream]:
    source, form = _source(name)
    # Not FFmpeg's `nobuffer`: that throws away what was read to find out what the stream holds.
    options = {"analyzeduration": "2000000"} if form is None else {}
    try:
        container = av.open(
            source,
            format=form,
            options=options,
            timeout=(PATIENCE_S, PATIENCE_S),
            metadata_errors="replace",
        )
    except FFmpegError as error:
        why = error.strerror or "no answer that makes sense"
        if isinstance(error, av.error.ExitError):
            why = f"no answer within {PATIENCE_S:.0f} s"
        raise MediaError(
            name,
            f"cannot be opened ({why})",
            "check the address, and that the camera or sender is on",
        ) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise MediaError(
            name, f"cannot be opened ({why})", "check the address, and that you may use it"
        ) from None
    try:
        stream = picture_stream(name, container)
    except MediaError:
        container.close()
        raise
    # Threads that decode whole frames side by side would hold each back by some frames.
    stream.thread_type = "SLICE"
    return container, stream


def _source(name: str) -> tuple[str, str | None]:
    """What FFmpeg opens, and by which format; MediaError for what is no live source."""
    form = _DEVICES.get(sys.platform)
    if name.isdigit():
        return (f"/dev/video{name}", form) if form == "v4l2" else (name, form)
    if "://" in name or name.startswith(("video=", "udp:", "tcp:")):
        return name, form if name.startswith("video=") else None
    try:
        kind = os.stat(name).st_mode
    except OSError as error:
        raise MediaError(
            name,
            f"cannot be opened ({error.strerror})",
            "give a camera such as /dev/video0, or an address such as rtsp://camera.local/video",
        ) from None
    if stat.S_ISCHR(kind):
        return name, form
    if stat.S_ISFIFO(kind):
        return name, None
    raise MediaError(name, "is a file and no live source", "leave out --live to read it")
