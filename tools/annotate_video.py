"""Annotated video: H.264 in MP4 with the source's own frame times and sound.

Every frame keeps its presentation time, so a clip of variable frame rate stays one. Sound is
copied packet by packet where MP4 can hold its coding, else coded as AAC.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import av
import cv2
import numpy as np
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.audio.stream import AudioStream
from av.codec.context import Flags
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.stream import Stream
from av.video.reformatter import ColorRange, Colorspace
from av.video.stream import VideoStream
from numpy.typing import NDArray

from mastread.tools.annotate import Canvas, enlargement, make_canvas, spans_at
from mastread.tools.reading import Reading
from mastread.vision.frame import Frame
from mastread.vision.video import Video, open_video

#: Codings of sound that an MP4 file can carry and that players accept there.
COPIED_SOUND: Final = frozenset({"aac", "mp3", "ac3", "eac3", "alac", "opus", "flac"})

#: Constant quality of the picture (x264's scale); 20 looks like the source to most eyes.
QUALITY: Final = "20"
#: Trade of speed for size; the next slower one gains 4 % in size at half the speed here.
PRESET: Final = "veryfast"

#: Ticks a second where the source has none that suit: the customary clock of MPEG systems.
FALLBACK_TICKS: Final = 90_000

#: A gap in the times of sound that is longer than this is filled with silence: shorter than
#: ears notice against the picture (ITU-R BT.1359: 45 ms), longer than rounding in containers.
LEAST_GAP_S: Final = 0.03

#: ITU-R BT.709 in the numbers of ITU-T H.273: primaries, transfer, and matrix.
BT709: Final = 1


def annotate_video(
    source: Path,
    reading: Reading,
    paths: Sequence[NDArray[np.float64]],
    target: Path,
    progress: Callable[[float], None] | None = None,
) -> None:
    """Write the annotated form of the video `source` at `target`.

    Parameters
    ----------
    source : the video that was read
    reading : its document
    paths : for each mast (N, 3) time_s, dx, dy: where it stood against its place in the
        document; empty where it did not move
    target : the MP4 file to write
    progress : told the share that is done, 0..1

    Raises
    ------
    MediaError
        If the source cannot be read.
    OSError
        If the target cannot be written.
    """
    video = open_video(source)
    grow = enlargement(video.width)
    canvas = make_canvas(reading, video.width * grow, video.height * grow, float(grow))
    with (
        av.open(str(source)) as original,
        av.open(str(target), "w", format="mp4", options={"movflags": "+faststart"}) as out,
        video,
    ):
        ticks = _ticks(original)
        picture = _picture_stream(out, video, canvas, ticks)
        sound = _Sound(original, out, video.origin_s)
        frames = max(1, video.frames_hint or 1)
        for shown, pts, duration in _timed(video, ticks):
            sound.write_until(shown.time_s)
            image = _draw(shown, canvas, reading, paths, grow)
            frame = av.VideoFrame.from_ndarray(image, format="rgb24").reformat(
                format="yuv420p",
                dst_colorspace=Colorspace.ITU709,
                dst_color_range=ColorRange.MPEG,
            )
            frame.pts = pts
            frame.time_base = ticks
            frame.duration = duration
            for packet in picture.encode(frame):
                out.mux(packet)
            if progress is not None:
                progress(min(1.0, (shown.index + 1) / frames))
        for packet in picture.encode(None):
            out.mux(packet)
        sound.finish()
    if progress is not None:
        progress(1.0)


def offset_at(path: NDArray[np.float64], time_s: float) -> tuple[float, float]:
    """Return how far a mast stood from its place at `time_s`, pixels, from its (N, 3) path."""
    if len(path) == 0:
        return 0.0, 0.0
    dx = float(np.interp(time_s, path[:, 0], path[:, 1]))
    dy = float(np.interp(time_s, path[:, 0], path[:, 2]))
    return dx, dy


def _ticks(original: InputContainer) -> Fraction:
    """The source's unit of time, so that its frame times can be kept to the tick."""
    base = original.streams.video[0].time_base
    if base is None or base <= 0 or base.numerator > base.denominator:
        return Fraction(1, FALLBACK_TICKS)
    return base


def _picture_stream(
    out: OutputContainer, video: Video, canvas: Canvas, ticks: Fraction
) -> VideoStream:
    rate = Fraction(video.rate_hz).limit_denominator(1001)
    # Frames are stored in the order in which they are shown (no B-frames): only then can MP4
    # tell how long the last one lasts.
    options = {"crf": QUALITY, "preset": PRESET, "bf": "0"}
    stream = out.add_stream("libx264", rate=rate, options=options)
    stream.width = canvas.width + canvas.width % 2
    stream.height = canvas.height + canvas.panel_height
    stream.pix_fmt = "yuv420p"
    stream.time_base = ticks
    context = stream.codec_context
    context.time_base = ticks
    context.color_primaries = BT709
    context.color_trc = BT709
    context.colorspace = BT709
    context.color_range = ColorRange.MPEG
    context.flags |= Flags.frame_duration
    return stream


def _timed(video: Video, ticks: Fraction) -> Iterator[tuple[Frame, int, int]]:
    """Frames with presentation time and length in ticks.

    A frame lasts until the next; the last one until the end that the file states.
    """
    waiting: Frame | None = None
    last_length = max(1, round(1 / video.rate_hz / ticks))
    for frame in video:
        if waiting is not None:
            pts = _tick(waiting.time_s, ticks)
            last_length = max(1, _tick(frame.time_s, ticks) - pts)
            yield waiting, pts, last_length
        waiting = frame
    if waiting is not None:
        pts = _tick(waiting.time_s, ticks)
        if video.duration_s is not None and video.duration_s > waiting.time_s:
            last_length = max(1, _tick(video.duration_s, ticks) - pts)
        yield waiting, pts, last_length


def _tick(time_s: float, ticks: Fraction) -> int:
    return round(time_s / float(ticks))


def _draw(
    frame: Frame,
    canvas: Canvas,
    reading: Reading,
    paths: Sequence[NDArray[np.float64]],
    grow: int,
) -> NDArray[np.uint8]:
    coded = frame.coded(0, 0, frame.width, frame.height)
    picture = np.asarray(cv2.convertScaleAbs(coded, alpha=255.0), np.uint8)
    if grow > 1:
        size = (canvas.width, canvas.height)
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC), np.uint8)
    offsets = [offset_at(path, frame.time_s) for path in paths]
    image = canvas.draw(picture, spans_at(reading, frame.time_s), offsets)
    if image.shape[1] % 2:
        # H.264 wants an even width: the last column twice.
        image = np.concatenate([image, image[:, -1:]], axis=1)
    return image


class _Sound:
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
        if source.codec_context.codec.canonical_name in COPIED_SOUND:
            self._copy: Stream | None = out.add_stream_from_template(source)
        else:
            self._copy = None
            rate = source.codec_context.sample_rate
            layout = "mono" if source.codec_context.channels == 1 else "stereo"
            self._coder = out.add_stream("aac", rate=rate, layout=layout)
            self._coder.bit_rate = 96_000 * (1 if layout == "mono" else 2)
            self._resampler = AudioResampler(format="fltp", layout=layout, rate=rate)
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
        channels = self._coder.channels
        blank = np.zeros((channels, samples), np.float32)
        frame = AudioFrame.from_ndarray(blank, format="fltp", layout=self._coder.layout.name)
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
