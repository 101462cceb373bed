"""Annotated video: H.264 in MP4 with the source's own frame times and sound.

Every frame keeps its presentation time, so a clip of variable frame rate stays one. The masts'
spans become chapters.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Final

import av
import cv2
import numpy as np
from av.codec.context import Flags
from av.container import InputContainer, OutputContainer
from av.video.reformatter import ColorRange, Colorspace
from av.video.stream import VideoStream
from numpy.typing import NDArray

from mastread.decoder.rulebook import Rulebook
from mastread.tools.annotate import Canvas, enlargement, make_canvas
from mastread.tools.chapters import chapters
from mastread.tools.moments import Interval, Moment, moment_at
from mastread.tools.quiet import MotionMap, map_motion
from mastread.tools.reading import Reading
from mastread.tools.sound_track import SoundTrack
from mastread.tools.wishes import Style
from mastread.vision.frame import Frame
from mastread.vision.video import Video, open_video

#: Constant quality of the picture (x264's scale); 20 looks like the source to most eyes.
QUALITY: Final = "20"
#: Trade of speed for size; the next slower one gains 4 % in size at half the speed here.
PRESET: Final = "veryfast"

#: Ticks a second where the source has none that suit: the customary clock of MPEG systems.
FALLBACK_TICKS: Final = 90_000

#: ITU-R BT.709 in the numbers of ITU-T H.273: primaries, transfer, and matrix.
BT709: Final = 1


def annotate_video(
    source: Path,
    reading: Reading,
    paths: Sequence[NDArray[np.float64]],
    target: Path,
    progress: Callable[[float], None] | None = None,
    *,
    book: Rulebook,
    style: Style = "full",
    hidden: Sequence[Sequence[Interval]] = (),
    watch: Callable[[Frame], None] | None = None,
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
    book : the rulebook of the reading
    style : how much is told
    hidden : for each mast the intervals in which it is out of sight
    watch : shown every frame of the source, for whatever else is made of them

    Raises
    ------
    MediaError
        If the source cannot be read.
    OSError
        If the target cannot be written.
    """
    video = open_video(source)
    grow = enlargement(video.width)
    motion = _motion(source, reading, paths)
    canvas = make_canvas(
        reading,
        video.width * grow,
        video.height * grow,
        float(grow),
        book=book,
        style=style,
        sway=[sway_of(path) for path in paths],
        free=None if motion is None else lambda rects: motion.free(rects, float(grow)),
        may_hide=any(hidden),
    )
    bare = [
        motion.busy_times(place.ground, float(grow)) if motion is not None and place else []
        for place in canvas.places
    ]
    with (
        av.open(str(source)) as original,
        av.open(str(target), "w", format="mp4", options={"movflags": "+faststart"}) as out,
        video,
    ):
        ticks = _ticks(original)
        picture = _picture_stream(out, video, canvas, ticks)
        sound = SoundTrack(original, out, video.origin_s)
        out.set_chapters(chapters(reading, style))
        frames = max(1, video.frames_hint or 1)
        for shown, pts, duration in _timed(video, ticks):
            sound.write_until(shown.time_s)
            if watch is not None:
                watch(shown)
            moment = moment_at(reading, shown.time_s, style, hidden, bare)
            image = _draw(shown, canvas, moment, paths, grow)
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


def _motion(
    source: Path,
    reading: Reading,
    paths: Sequence[NDArray[np.float64]],
) -> MotionMap | None:
    """Find out where something moves; there is no need to where no tag will be shown."""
    if not reading["masts"]:
        return None
    with open_video(source) as video:
        found = map_motion(video, paths[0] if paths else np.zeros((0, 3)), video.duration_s)
    if found is None:
        return None
    return found.without([(b[0], b[1], b[2], b[3]) for b in (m["box"] for m in reading["masts"])])


def offset_at(path: NDArray[np.float64], time_s: float) -> tuple[float, float]:
    """Return how far a mast stood from its place at `time_s`, pixels, from its (N, 3) path."""
    if len(path) == 0:
        return 0.0, 0.0
    dx = float(np.interp(time_s, path[:, 0], path[:, 1]))
    dy = float(np.interp(time_s, path[:, 0], path[:, 2]))
    return dx, dy


def sway_of(path: NDArray[np.float64]) -> tuple[float, float, float, float]:
    """Return how far a mast goes from its place, pixels (left, up, right, down), from its path."""
    if len(path) == 0:
        return 0.0, 0.0, 0.0, 0.0
    (x0, y0), (x1, y1) = path[:, 1:].min(axis=0), path[:, 1:].max(axis=0)
    return min(0.0, float(x0)), min(0.0, float(y0)), max(0.0, float(x1)), max(0.0, float(y1))


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
    moment: Moment,
    paths: Sequence[NDArray[np.float64]],
    grow: int,
) -> NDArray[np.uint8]:
    coded = frame.coded(0, 0, frame.width, frame.height)
    picture = np.asarray(cv2.convertScaleAbs(coded, alpha=255.0), np.uint8)
    if grow > 1:
        size = (canvas.width, canvas.height)
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC), np.uint8)
    offsets = [offset_at(path, frame.time_s) for path in paths]
    image = canvas.draw(picture, moment, offsets)
    if image.shape[1] % 2:
        # H.264 wants an even width: the last column twice.
        image = np.concatenate([image, image[:, -1:]], axis=1)
    return image
