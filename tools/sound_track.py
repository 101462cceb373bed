"""The sound of an annotated clip: every sample of the source, at its own time.

It is copied packet by packet where browsers play its coding in MP4. Anything else becomes FLAC,
which browsers play there, too, and which keeps every sample: the sound must be neither shorter,
nor later, nor worse than that of the source.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any, Final

import numpy as np
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.stream import Stream

#: Codings of sound that browsers play in an MP4 file.
COPIED: Final = frozenset({"aac", "mp3", "opus", "flac"})

#: Sample formats of 16 bits or less; all others are kept with 24 bits, as many as FLAC has here.
SHALLOW: Final = frozenset({"u8", "u8p", "s16", "s16p"})

#: FLAC holds no more channels.
MOST_CHANNELS: Final = 8

#: A gap in the times of sound that is longer than this is filled with silence: shorter than
#: ears notice against the picture (ITU-R BT.1359: 45 ms), longer than rounding in containers.
LEAST_GAP_S: Final = 0.03


class SoundTrack:
    """The sound track, handed over up to the time that the picture has reached."""

    def __init__(self, original: InputContainer, out: OutputContainer, origin_s: float) -> None:
        self._out = out
        self._origin_s = origin_s
        self._packets: Iterator[Packet[Any]] = iter(())
        self._held: Packet[Any] | None = None
        self._coder: AudioStream | None = None
        self._resampler: AudioResampler | None = None
        #: Samples coded so far, counted from time 0.
        self._coded: int | None = None
        if not original.streams.audio:
            return
        source = original.streams.audio[0]
        if source.codec_context is None:
            return
        self._packets = _packets(original, source)
        if source.codec_context.codec.canonical_name in COPIED:
            self._copy: Stream | None = out.add_stream_from_template(source)
        else:
            self._copy = None
            context = source.codec_context
            layout = context.layout.name if context.channels <= MOST_CHANNELS else "stereo"
            shape = "s16" if context.format.name in SHALLOW else "s32"
            self._coder = out.add_stream("flac", rate=context.sample_rate, layout=layout)
            self._coder.codec_context.format = shape
            self._resampler = AudioResampler(format=shape, layout=layout, rate=context.sample_rate)
        self._held = next(self._packets, None)

    def write_until(self, time_s: float) -> None:
        """Hand over what starts before `time_s`."""
        while self._held is not None:
            packet = self._held
            stamp = packet.pts if packet.pts is not None else packet.dts
            start = float((stamp or 0) * (packet.time_base or 0)) - self._origin_s
            if start > time_s:
                return
            self._write(packet)
            self._held = next(self._packets, None)

    def finish(self) -> None:
        """Hand over the rest and close the track."""
        self.write_until(float("inf"))
        if self._coder is not None and self._resampler is not None:
            if self._coded is not None:
                for piece in self._resampler.resample(None):
                    self._encode(piece)
            self._out.mux(self._coder.encode(None))

    def _write(self, packet: Packet[Any]) -> None:
        shift = round(self._origin_s / float(packet.time_base or 1))
        if self._coder is None or self._resampler is None:
            assert self._copy is not None
            packet.pts = None if packet.pts is None else packet.pts - shift
            packet.dts = None if packet.dts is None else packet.dts - shift
            packet.stream = self._copy
            self._out.mux(packet)
            return
        try:
            frames = packet.decode()
        except FFmpegError:
            # A damaged packet of sound is a short silence, no reason to lose the video.
            return
        for frame in frames:
            if isinstance(frame, AudioFrame):
                self._code(frame)

    def _code(self, frame: AudioFrame) -> None:
        """Code samples; a gap in their times is filled with silence, so that nothing drifts."""
        assert self._coder is not None
        assert self._resampler is not None
        rate = self._coder.rate
        start = float((frame.pts or 0) * (frame.time_base or 0)) - self._origin_s
        frame.pts = None
        if self._coded is None:
            self._coded = round(start * rate)
        missing = round(start * rate) - self._coded
        if missing > rate * LEAST_GAP_S:
            self._encode(self._silence(missing))
        for piece in self._resampler.resample(frame):
            self._encode(piece)

    def _encode(self, piece: AudioFrame) -> None:
        assert self._coder is not None
        assert self._coded is not None
        piece.pts = self._coded
        piece.time_base = Fraction(1, self._coder.rate)
        self._coded += piece.samples
        self._out.mux(self._coder.encode(piece))

    def _silence(self, samples: int) -> AudioFrame:
        assert self._coder is not None
        shape = self._coder.codec_context.format.name
        kind = np.int16 if shape == "s16" else np.int32
        blank = np.zeros((1, samples * self._coder.channels), kind)
        frame = AudioFrame.from_ndarray(blank, format=shape, layout=self._coder.layout.name)
        frame.sample_rate = self._coder.rate
        return frame


def _packets(original: InputContainer, source: AudioStream) -> Iterator[Packet[Any]]:
    """The packets of the sound track, up to damage."""
    try:
        for packet in original.demux(source):
            if packet.dts is not None or packet.pts is not None:
                yield packet
    except FFmpegError:
        return
