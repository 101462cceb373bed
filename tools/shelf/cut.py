"""Cutting a clip out of a film: copied where it can begin at a key frame, else coded anew.

A copy has the very pictures of the source and takes next to no time. It must begin at a key
frame that needs nothing before it, so the lead-in is allowed to be longer or shorter
(``shelf.toml``). Where no such frame is near enough, or browsers do not play the source's coding
from MP4, the picture of this stretch alone is coded anew as H.264. A splice of both (new
pictures up to the next key frame, copied ones from there) would need two sets of decoding
parameters in one track, which players treat differently; that is not worth the seconds it would
save. Sound is copied either way.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import av
import cv2
import numpy as np
from av.codec.context import Flags
from av.container import InputContainer, OutputContainer
from av.error import FFmpegError
from av.packet import Packet
from av.video.reformatter import ColorRange, Colorspace
from av.video.stream import VideoStream

from mastread.decoder.words import NOTICE
from mastread.tools.shelf.entering import enter, frames_between
from mastread.tools.shelf.figures import figures
from mastread.tools.shelf.h264 import is_refresh
from mastread.tools.shelf.sound import Sound
from mastread.vision.media_film import open_film
from mastread.vision.video import Video

#: Frames may be stored this many places before they are shown (H.264 allows 16).
_LOOK_AHEAD: Final = 32
#: What browsers play from an MP4 file wherever they run.
_PLAYED: Final = (("h264", "yuv420p"), ("h264", "yuvj420p"))
#: ITU-R BT.709 in the numbers of ITU-T H.273: primaries, transfer, and matrix.
_BT709: Final = 1
#: Ticks a second where the source has none that suit: the customary clock of MPEG systems.
_TICKS: Final = 90_000
#: Times are compared with this tolerance, seconds: less than a tick of any usual clock.
_CLOSE_S: Final = 1e-5


@dataclass(frozen=True, slots=True)
class Cut:
    """What was cut.

    Attributes
    ----------
    start_s, end_s : first frame and end of the last one, in the time of the source
    coded : whether the picture was coded anew
    """

    start_s: float
    end_s: float
    coded: bool


def cut_clip(video: Video, start_s: float, end_s: float, target: Path) -> Cut:
    """Write the stretch of `video` around a span as an MP4 file at `target`.

    Parameters
    ----------
    video : the open source
    start_s, end_s : of the span, without lead-in and lead-out

    Raises
    ------
    MediaError
        If the source cannot be read.
    OSError
        If the target cannot be written.
    """
    figs = figures("clip")
    end_s = min(end_s, start_s + figs["longest_s"]) + figs["lead_out_s"]
    if video.duration_s is not None:
        end_s = min(end_s, video.duration_s)
    wanted = max(0.0, start_s - figs["lead_in_s"])
    earliest = max(0.0, start_s - figs["longest_lead_in_s"])
    latest = max(wanted, start_s - figs["shortest_lead_in_s"])
    begin = _key_frame(video, earliest, wanted, latest)
    if begin is not None:
        last = _copy(video, begin, end_s, target)
        if last is not None:
            return Cut(begin, last, coded=False)
    return _code(video, wanted, end_s, target)


def _key_frame(video: Video, earliest: float, wanted: float, latest: float) -> float | None:
    """The key frame to begin at: the last one until `wanted`, else the first one after it."""
    container, stream = open_film(video.path)
    with container:
        context = stream.codec_context
        if (context.name, context.pix_fmt) not in _PLAYED or video.interlaced:
            return None
        if not enter(container, stream, wanted + video.origin_s):
            return None
        found: float | None = None
        for packet in container.demux(stream):
            if packet.pts is None or packet.time_base is None:
                # The end, or a file whose frames carry no times.
                break
            time_s = float(packet.pts * packet.time_base) - video.origin_s
            usable = packet.is_keyframe and is_refresh(bytes(packet), context.extradata)
            if usable and time_s >= earliest - _CLOSE_S:
                if time_s <= wanted + _CLOSE_S:
                    found = max(0.0, time_s)
                    continue
                if found is None and time_s <= latest:
                    return time_s
            stored = packet.pts if packet.dts is None else packet.dts
            if float(stored * packet.time_base) - video.origin_s > latest:
                break
        return found


def _copy(video: Video, start_s: float, end_s: float, target: Path) -> float | None:
    """Copy packets from the key frame at `start_s`; return the end, or None if it cannot be."""
    container, stream = open_film(video.path)
    with container, _writer(target) as out:
        if not enter(container, stream, start_s + video.origin_s):
            return None
        try:
            return _copy_into(out, container, stream, video.origin_s, start_s, end_s)
        except (FFmpegError, ValueError):
            # The muxer refuses these packets as they are; the picture can still be coded anew.
            return None


def _copy_into(
    out: OutputContainer,
    container: InputContainer,
    stream: VideoStream,
    origin_s: float,
    start_s: float,
    end_s: float,
) -> float | None:
    unit = float(stream.time_base or 0)
    if not unit:
        return None
    first, stop = round((start_s + origin_s) / unit), round((end_s + origin_s) / unit)
    picture = out.add_stream_from_template(stream)
    sound = Sound(container, out)
    streams = [s for s in (stream, sound.stream) if s is not None]
    ahead: deque[Packet[Any]] = deque()
    begun, seen_all, hears_more = False, False, sound.stream is not None
    highest, last = first - 1, first

    def write_one() -> bool:
        """Write the packet that waited longest; False once all frames before the end are in."""
        nonlocal highest, last
        lowest = min(p.pts for p in ahead if p.pts is not None)
        if lowest >= stop and lowest > highest:
            last = lowest
            return False
        _fill_times(ahead)
        packet = ahead.popleft()
        pts, dts = packet.pts, packet.dts
        assert pts is not None
        if dts is None:
            raise ValueError("frames carry no times of decoding")
        highest = max(highest, pts)
        last = max(last, pts + (packet.duration or 1))
        packet.pts, packet.dts, packet.stream = pts - first, dts - first, picture
        out.mux(packet)
        return True

    for packet in container.demux(*streams):
        if packet.stream is not stream:
            if hears_more and not sound.add(packet, start_s + origin_s, end_s + origin_s):
                hears_more = False
        elif packet.size and not seen_all:
            # The flushing packet at the end is empty and has no times; no other may lack them.
            if packet.pts is None:
                return None
            begun = begun or (packet.is_keyframe and packet.pts == first)
            # Frames that are shown before the key frame need what lies before it.
            if begun and packet.pts >= first:
                ahead.append(packet)
                if len(ahead) > _LOOK_AHEAD:
                    seen_all = not write_one()
        if seen_all and not hears_more:
            break
    while ahead and not seen_all:
        seen_all = not write_one()
    sound.finish()
    return last * unit - origin_s if begun else None


def _fill_times(ahead: deque[Packet[Any]]) -> None:
    """Give the first packets their times of decoding, just before the first one that is known.

    Containers that store only times of showing (Matroska) leave them open behind a jump.
    """
    known = next((n for n, packet in enumerate(ahead) if packet.dts is not None), None)
    if known:
        first = ahead[known].dts
        assert first is not None
        for n in range(known):
            ahead[n].dts = first - known + n


def _code(video: Video, start_s: float, end_s: float, target: Path) -> Cut:
    """Code the picture from `start_s` anew; its sound goes along."""
    figs = figures("clip")
    container, source = open_film(video.path)
    with container, _writer(target) as out:
        base = source.time_base
        slow = base is None or base <= 0 or base.numerator > base.denominator
        ticks = Fraction(1, _TICKS) if slow or base is None else base
        rate = Fraction(video.rate_hz).limit_denominator(1001)
        # Frames are stored in the order in which they are shown (no B-frames): only then can
        # MP4 tell how long the last one lasts.
        options = {"crf": figs["quality"], "preset": figs["preset"], "bf": "0"}
        picture = out.add_stream("libx264", rate=rate, options=options)
        picture.width = video.width + video.width % 2
        picture.height = video.height + video.height % 2
        picture.pix_fmt = "yuv420p"
        picture.time_base = ticks
        context = picture.codec_context
        context.time_base = ticks
        # x264's output depends on its number of threads; a shelf shall not on the machine.
        context.thread_count = 1
        context.color_primaries = context.color_trc = context.colorspace = _BT709
        context.color_range = ColorRange.MPEG
        context.flags |= Flags.frame_duration
        sound = Sound(container, out)
        begin = last = start_s
        first = True
        for image, time_s, length_s in _frames(video, start_s, end_s):
            if first:
                begin, first = time_s, False
                _hear(container, source, sound, video.origin_s, begin, end_s)
            frame = av.VideoFrame.from_ndarray(image, format="rgb24").reformat(
                format="yuv420p",
                dst_colorspace=Colorspace.ITU709,
                dst_color_range=ColorRange.MPEG,
            )
            frame.pts = round((time_s - begin) / float(ticks))
            frame.time_base = ticks
            frame.duration = max(1, round(length_s / float(ticks)))
            last = time_s + length_s
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        sound.finish()
    return Cut(begin, last, coded=True)


def _hear(
    container: InputContainer,
    picture: VideoStream,
    sound: Sound,
    origin_s: float,
    start_s: float,
    end_s: float,
) -> None:
    """Write all the sound of a stretch; the muxer puts it in order with the picture."""
    if sound.stream is None:
        return
    enter(container, picture, start_s + origin_s)
    try:
        for packet in container.demux(sound.stream):
            if not sound.add(packet, start_s + origin_s, end_s + origin_s):
                return
    except FFmpegError:
        return


def _frames(
    video: Video, start_s: float, end_s: float
) -> Iterator[tuple[np.ndarray[Any, np.dtype[np.uint8]], float, float]]:
    """Pictures of even size with their time and length, seconds; the last one ends the stretch."""
    waiting: tuple[np.ndarray[Any, np.dtype[np.uint8]], float] | None = None
    for frame in frames_between(video, start_s, end_s):
        if waiting is not None:
            yield *waiting, frame.time_s - waiting[1]
        coded = frame.coded(0, 0, frame.width, frame.height)
        image = np.asarray(cv2.convertScaleAbs(coded, alpha=255.0), np.uint8)
        odd = ((0, frame.height % 2), (0, frame.width % 2), (0, 0))
        waiting = np.pad(image, odd, mode="edge"), frame.time_s
    if waiting is not None:
        yield *waiting, min(1 / video.rate_hz, max(end_s - waiting[1], _CLOSE_S))


def _writer(target: Path) -> OutputContainer:
    out = av.open(str(target), "w", format="mp4", options={"movflags": "+faststart"})
    # Not what it shows: a person may find that to be otherwise later.
    out.metadata["comment"] = NOTICE
    return out
