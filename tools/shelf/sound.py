"""The sound of a stretch of a film, copied where MP4 can carry its coding, else coded as AAC."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, Final

from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet

#: Codings of sound that an MP4 file can carry and that players accept there.
_COPIED: Final = frozenset({"aac", "mp3", "ac3", "eac3", "alac", "opus", "flac"})
#: Bits a second for each channel that is coded anew.
_BIT_RATE: Final = 96_000


class Sound:
    """Takes the packets of a sound track one by one and writes those of a stretch.

    Parameters
    ----------
    original : the film; its first sound track is taken
    out : the file to write to; the track is added to it at once
    """

    def __init__(self, original: InputContainer, out: OutputContainer) -> None:
        self.stream: AudioStream | None = None
        self._out = out
        self._coder: AudioStream | None = None
        self._written: int | None = None
        self._begun = False
        if not original.streams.audio:
            return
        stream = original.streams.audio[0]
        context = stream.codec_context
        if context is None:
            return
        self.stream = stream
        if context.codec.canonical_name in _COPIED:
            self._copy = out.add_stream_from_template(stream)
            return
        layout = "mono" if context.channels == 1 else "stereo"
        self._coder = out.add_stream("aac", rate=context.sample_rate, layout=layout)
        self._coder.bit_rate = _BIT_RATE * (1 if layout == "mono" else 2)
        self._resampler = AudioResampler(format="fltp", layout=layout, rate=context.sample_rate)

    def add(self, packet: Packet[Any], start_s: float, end_s: float) -> bool:
        """Write a packet if it lies in the stretch; whether the stretch goes on after it.

        `start_s` and `end_s` are in the film's own time stamps; `start_s` becomes 0.
        """
        stamp = packet.pts if packet.pts is not None else packet.dts
        if stamp is None or packet.time_base is None:
            return True
        time_s = float(stamp * packet.time_base)
        if time_s >= end_s:
            # The first packet of a transport stream may bear a time from before its zero, which
            # wraps round to a day later.
            return not self._begun
        self._begun = True
        if self._coder is not None:
            self._code(packet, start_s, end_s)
        elif time_s >= start_s:
            shift = round(start_s / float(packet.time_base))
            packet.pts = stamp - shift
            packet.dts = packet.pts if packet.dts is None else packet.dts - shift
            packet.stream = self._copy
            self._out.mux(packet)
        return True

    def finish(self) -> None:
        """Write what the coder still holds."""
        if self._coder is not None:
            self._out.mux(self._coder.encode(None))

    def _code(self, packet: Packet[Any], start_s: float, end_s: float) -> None:
        assert self._coder is not None
        try:
            frames = packet.decode()
        except FFmpegError:
            # A damaged packet of sound is a short silence, no reason to lose the clip.
            return
        for frame in frames:
            if not isinstance(frame, AudioFrame) or frame.pts is None or frame.time_base is None:
                continue
            time_s = float(frame.pts * frame.time_base)
            if not start_s <= time_s < end_s:
                continue
            if self._written is None:
                self._written = round((time_s - start_s) * self._coder.rate)
            frame.pts = None
            for piece in self._resampler.resample(frame):
                piece.pts = self._written
                piece.time_base = Fraction(1, self._coder.rate)
                self._written += piece.samples
                self._out.mux(self._coder.encode(piece))
