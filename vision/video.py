"""Videos: upright frames with their true presentation times, one after the other.

Times count from the start of the file's presentation, the zero of its captions:

* MP4 and MOV carry their own zero, so their times are taken as they are;
* in other files the earliest time of any stream is the zero, as players show it;
* times below zero (a file cut before its first key frame) move the zero down to the first.

Memory does not grow with the length of the file: a frame lives as long as the caller holds it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator
from copy import copy
from types import TracebackType
from typing import Any, Self

import av
import numpy as np
from av.error import FFmpegError
from numpy.typing import NDArray

from mastread.vision.errors import MediaError
from mastread.vision.fields import FieldOrder, is_combed, part
from mastread.vision.frame import Planes
from mastread.vision.media import read_head
from mastread.vision.media_film import (
    COPY_AGAIN,
    PHOTOGRAPHIC,
    FilmFacts,
    film_facts,
    open_film,
)
from mastread.vision.media_frames import WholeFrames
from mastread.vision.media_raster import RgbRaster, YccRaster
from mastread.vision.media_samples import SampleReader

#: Codecs whose colour-difference samples lie midway between luma samples.
CENTRED = PHOTOGRAPHIC | {"mpeg1video"}
_INTERLACED = "the video is interlaced: where its two fields differ they are read one by one"
_SECRETLY_INTERLACED = (
    "the frames are woven of two moments, though the file does not say so: where these differ "
    "they are read one by one"
)
#: Every so many frames are looked at for fields that the file does not tell of, and so many must
#: show them.
_LOOK_EVERY = 8
_SURELY_COMBED = 3
_STOPPED_THERE = "nothing was read from there on"
#: The picture may end this much before the sound or the stated end without a word.
_EARLY_END_S = 0.5


class VideoFrame:
    """One frame of a video as a `mastread.vision.frame.Frame`; nothing is converted until asked."""

    __slots__ = ("_decoded", "_raster", "_reader", "height", "index", "time_s", "width", "woven")

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
        #: The file says that the frame is made of two fields.
        self.woven = bool(decoded.interlaced_frame)

    def field(self, lower: bool, index: int, time_s: float) -> VideoFrame:
        """One of the two fields of a woven frame as a frame of its own."""
        out = copy(self)
        out._raster = part(self.raster, lower)
        out.index, out.time_s, out.woven = index, time_s, False
        return out

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


def _luma_of(raster: YccRaster | RgbRaster) -> NDArray[Any]:
    """The stored samples in which fields show, (rows, columns)."""
    if isinstance(raster, YccRaster):
        return raster.y
    return raster.samples if raster.samples.ndim == 2 else raster.samples[..., 1]


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
    coded : how many frames `moments` has taken from the file so far
    warnings : sentences about damage and oddities met so far
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        """Open a file; see `open_video`."""
        self.path = os.fspath(path)
        self.warnings: list[str] = []
        self._begun: list[Generator[VideoFrame, None, None]] = []
        # The pass that the first frame was taken from waits for the first caller, so that a
        # file is not opened twice.
        self._first: _Pass | None = _Pass(self.path, self._warn)
        facts = self._facts = self._first.facts()
        self.width, self.height = facts.width, facts.height
        self.duration_s = facts.duration_s
        self.frames_hint = facts.frames_hint
        self.rate_hz = facts.rate_hz
        self.interlaced = facts.interlaced
        self.has_sound = facts.has_sound
        self.origin_s = facts.origin_s
        if facts.interlaced:
            self._warn(_INTERLACED)
        self.coded = 0

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
        for frames in self._begun:
            frames.close()
        self._begun.clear()
        if self._first is not None:
            self._first.close()
            self._first = None

    def __iter__(self) -> Generator[VideoFrame, None, None]:
        return self.frames()

    def frames(
        self, from_s: float = 0.0, to_s: float | None = None
    ) -> Generator[VideoFrame, None, None]:
        """The frames with ``from_s <= time_s < to_s``; all by default.

        `VideoFrame.index` counts from the first frame of the file, or, where `from_s` is above 0
        and the file could be entered in the middle, from the first frame yielded.
        """
        frames = self._frames(from_s, to_s)
        self._begun.append(frames)
        return frames

    def moments(self) -> Generator[VideoFrame, None, None]:
        """All frames; those woven of two moments that differ are parted into two.

        `VideoFrame.index` counts moments, `coded` the frames of the file.
        """
        order, combs, index, last_s = FieldOrder(), 0, 0, 0.0
        for frame in self.frames():
            looked = frame.woven or combs > 0 or self.coded % _LOOK_EVERY == 0
            self.coded += 1
            luma = _luma_of(frame.raster) if looked else None
            combed = luma is not None and is_combed(luma)
            combs += combed
            if luma is not None and (frame.woven or combs):
                order.see(luma)
            if combed and (frame.woven or combs >= _SURELY_COMBED):
                if not frame.woven:
                    self._warn(_SECRETLY_INTERLACED)
                half_s = 0.5 / self.rate_hz
                if frame.time_s > last_s > 0:
                    half_s = min(half_s, 0.5 * (frame.time_s - last_s))
                last_s = frame.time_s
                for k, lower in enumerate((not order.upper_first, order.upper_first)):
                    yield frame.field(lower, index, frame.time_s + k * half_s)
                    index += 1
                continue
            last_s = frame.time_s
            frame.index = index
            index += 1
            yield frame

    def _warn(self, sentence: str) -> None:
        if sentence not in self.warnings:
            self.warnings.append(sentence)

    def _frames(self, from_s: float, to_s: float | None) -> Generator[VideoFrame, None, None]:
        facts = self._facts
        size = (self.width, self.height)
        reader = SampleReader(
            facts.turn,
            centred=facts.codec in CENTRED,
            photographic=facts.codec in PHOTOGRAPHIC,
        )
        index = 0
        if from_s > 0 or self._first is None:
            decoding = _Pass(self.path, self._warn)
        else:
            decoding, self._first = self._first, None
        try:
            if from_s > 0:
                decoding.enter(from_s + self.origin_s)
            clock = _Clock(self._warn, decoding.unit_s, facts.origin_s, facts.rate_hz)
            for decoded, stamp in decoding:
                time_s = clock.time_of(stamp)
                if to_s is not None and time_s >= to_s:
                    return
                if facts.turn.upright_size(decoded.width, decoded.height) != size:
                    self._warn(f"the picture changes its size at {time_s:.2f} s; {_STOPPED_THERE}")
                    return
                if time_s >= from_s or from_s <= 0:
                    yield VideoFrame(decoded, reader, size, index, time_s)
                    index += 1
        finally:
            decoding.close()
        self._check_end(clock.end_s)

    def _check_end(self, end_s: float) -> None:
        if self.duration_s is not None and end_s < self.duration_s - _EARLY_END_S:
            self._warn(
                f"the picture ends at {end_s:.2f} s, though the file says that it lasts "
                f"{self.duration_s:.2f} s: the rest is missing or damaged"
            )


class _Pass:
    """One run through the frames of a file; the first frame can be looked at beforehand."""

    def __init__(self, path: str, warn: Callable[[str], None]) -> None:
        self._path = path
        self._container, self._stream = open_film(path)
        self.unit_s = float(self._stream.time_base or 0)
        self._frames = iter(WholeFrames(self._container, self._stream, warn))
        self._ahead: tuple[av.VideoFrame, int | None] | None = None

    def facts(self) -> FilmFacts:
        """What the file says; MediaError if it holds no frame."""
        try:
            self._ahead = next(self._frames, None)
            if self._ahead is None:
                raise MediaError(self._path, "no frame of it can be decoded", COPY_AGAIN)
            return film_facts(self._path, self._container, self._stream, *self._ahead)
        except MediaError:
            self.close()
            raise

    def enter(self, at_s: float) -> None:
        """Go to the last key frame before a time; stay at the start if the file cannot do that."""
        try:
            self._container.seek(int(at_s / (self.unit_s or 1)), stream=self._stream)
        except FFmpegError:
            self._container.seek(0)

    def __iter__(self) -> Iterator[tuple[av.VideoFrame, int | None]]:
        if self._ahead is not None:
            ahead, self._ahead = self._ahead, None
            yield ahead
        yield from self._frames

    def close(self) -> None:
        """Close the file."""
        self._ahead = None
        self._container.close()


class _Clock:
    """Presentation times that never stand still or go back."""

    def __init__(
        self, warn: Callable[[str], None], unit_s: float, origin_s: float, rate_hz: float
    ) -> None:
        self._warn = warn
        self._unit = unit_s
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
    MediaError : missing, empty, damaged before its first frame, no picture in it, too large
    """
    read_head(path)
    return Video(path)
