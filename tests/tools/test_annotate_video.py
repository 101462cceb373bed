"""Annotated video: the source's frame times and sound, to the tick and to the sample."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.codec.context import Flags
from numpy.typing import NDArray

from mastread.decoder.rulebook import Rulebook
from mastread.tools.annotate_video import annotate_video, offset_at
from mastread.tools.reading import Reading, build_reading
from mastread.vision.types import Seen

Make = Callable[..., Seen]
RATE = 48_000
WIDTH, HEIGHT = 320, 240

#: Lengths of frames in milliseconds: a phone that slows down in the dark.
UNEVEN = (33, 33, 34, 40, 66, 67, 33, 100, 33, 34, 250, 33, 33, 40, 40, 34, 33, 66, 33, 33)
EVEN = (40,) * 20


def _write_clip(
    path: Path, steps: tuple[int, ...], sound: str | None, start_ms: int = 0, codec: str = "libx264"
) -> list[Fraction]:
    """Write a clip whose frames stand at exact times; a tone as its sound; return the times."""
    times: list[Fraction] = []
    with av.open(str(path), "w") as out:
        picture = out.add_stream(codec, rate=25)
        picture.width, picture.height, picture.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        picture.time_base = picture.codec_context.time_base = Fraction(1, 1000)
        picture.codec_context.flags |= Flags.frame_duration
        tone = out.add_stream(sound, rate=RATE, layout="stereo") if sound else None
        now = start_ms
        for n, step in enumerate(steps):
            image = np.full((HEIGHT, WIDTH, 3), 40 + 5 * n, np.uint8)
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts, frame.time_base, frame.duration = now, Fraction(1, 1000), step
            times.append(Fraction(now, 1000))
            out.mux(picture.encode(frame))
            now += step
        out.mux(picture.encode(None))
        if tone is not None:
            _write_tone(out, tone, start_ms, now)
    return times


def _write_tone(out: object, tone: object, start_ms: int, end_ms: int) -> None:
    kind = tone.codec_context.format.name  # type: ignore[attr-defined]
    for at in range(start_ms * RATE // 1000, end_ms * RATE // 1000, 960):
        wave = 0.3 * np.sin(2 * np.pi * 440 * (np.arange(960) + at) / RATE)
        both = np.stack([wave, wave]).astype(np.float32)
        if kind == "s16":
            both = (both * 32767).astype(np.int16).T.reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(both, format=kind, layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = RATE, at, Fraction(1, RATE)
        out.mux(tone.encode(frame))  # type: ignore[attr-defined]
    out.mux(tone.encode(None))  # type: ignore[attr-defined]


def _times(path: Path) -> list[float]:
    with av.open(str(path)) as clip:
        return [float(f.pts * f.time_base) for f in clip.decode(video=0)]


def _tone(path: Path) -> tuple[float, int, NDArray[np.float32]]:
    """Start in seconds, number of samples, and the left channel."""
    with av.open(str(path)) as clip:
        frames = list(clip.decode(audio=0))
    left = np.concatenate(
        [f.to_ndarray()[0] if f.format.is_planar else f.to_ndarray()[0, ::2] for f in frames]
    )
    return float(frames[0].pts * frames[0].time_base), len(left), left.astype(np.float32)


def _packets(path: Path) -> list[bytes]:
    with av.open(str(path)) as clip:
        return [bytes(p) for p in clip.demux(audio=0) if p.size]


@pytest.fixture
def reading(clip_seen: Make, book: Rulebook) -> Reading:
    seen = clip_seen([(0.0, 0.4, "flashing yellow over red"), (0.4, 9.0, "red over red")])
    return build_reading(seen, book)


@pytest.mark.parametrize("steps", [EVEN, UNEVEN], ids=["even", "uneven"])
@pytest.mark.parametrize("container", ["mp4", "mkv"])
def test_frame_times_and_copied_sound(
    tmp_path: Path, reading: Reading, steps: tuple[int, ...], container: str
) -> None:
    source, target = tmp_path / f"in.{container}", tmp_path / "out.mp4"
    times = _write_clip(source, steps, "aac")
    shares: list[float] = []
    annotate_video(source, reading, [np.zeros((0, 3))], target, shares.append)
    assert _times(source) == [float(t) for t in times]
    assert _times(target) == pytest.approx([float(t) for t in times], abs=1e-9)
    assert _packets(target) == _packets(source)
    assert _tone(target)[1] == _tone(source)[1]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_what_players_need(tmp_path: Path, reading: Reading) -> None:
    """H.264, 8 bit 4:2:0, even sides, marked BT.709, index in front of the data."""
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    _write_clip(source, UNEVEN, "aac")
    annotate_video(source, reading, [np.zeros((0, 3))], target)
    with av.open(str(target)) as clip:
        video = clip.streams.video[0]
        assert video.codec_context.name == "h264"
        assert video.codec_context.pix_fmt == "yuv420p"
        assert video.width % 2 == video.height % 2 == 0
        assert (video.width, video.height > 720) == (960, True)
        assert video.codec_context.colorspace == 1
        assert clip.streams.audio[0].codec_context.name == "aac"
        # The last frame keeps its own length (33 ms) instead of its neighbour's.
        length = float(video.duration * video.time_base)
        assert length == pytest.approx(sum(UNEVEN) / 1000, abs=1e-3)
    head = target.read_bytes()
    assert head.index(b"moov") < head.index(b"mdat")


def test_sound_that_mp4_cannot_hold_is_coded_anew(tmp_path: Path, reading: Reading) -> None:
    source, target = tmp_path / "in.mkv", tmp_path / "out.mp4"
    _write_clip(source, EVEN, "pcm_s16le")
    annotate_video(source, reading, [np.zeros((0, 3))], target)
    start, count, left = _tone(target)
    assert start == 0.0
    # AAC comes in whole blocks of 1024 samples.
    assert 0 <= count - 20 * 40 * RATE // 1000 < 1024
    middle = left[RATE // 10 : RATE // 2]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(len(middle))))
    assert np.argmax(spectrum) * RATE / len(middle) == pytest.approx(440, abs=3)


def test_a_late_start_keeps_sound_and_picture_together(tmp_path: Path, reading: Reading) -> None:
    source, target = tmp_path / "in.mkv", tmp_path / "out.mp4"
    _write_clip(source, EVEN, "pcm_s16le", start_ms=500)
    annotate_video(source, reading, [np.zeros((0, 3))], target)
    apart = _times(source)[0] - _tone(source)[0]
    assert _times(target)[0] - _tone(target)[0] == pytest.approx(apart, abs=2e-3)
    assert np.diff(_times(target)) == pytest.approx(np.diff(_times(source)), abs=1e-9)


def test_no_sound(tmp_path: Path, reading: Reading) -> None:
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    times = _write_clip(source, UNEVEN, None)
    annotate_video(source, reading, [np.zeros((0, 3))], target)
    with av.open(str(target)) as clip:
        assert not clip.streams.audio
    assert _times(target) == pytest.approx([float(t) for t in times], abs=1e-9)


def test_the_picture_itself_is_kept(tmp_path: Path, reading: Reading) -> None:
    """Away from tags and panel every frame looks as it did, in the right order."""
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    _write_clip(source, EVEN, None)
    annotate_video(source, reading, [np.zeros((0, 3))], target)
    with av.open(str(target)) as clip:
        for n, frame in enumerate(clip.decode(video=0)):
            corner = frame.to_ndarray(format="rgb24")[660:700, 40:200]
            assert float(corner.mean()) == pytest.approx(40 + 5 * n, abs=3)


def test_offsets_are_interpolated() -> None:
    path = np.array([[0.0, 0.0, 0.0], [1.0, 10.0, -4.0]])
    assert offset_at(path, 0.25) == (2.5, -1.0)
    assert offset_at(path, 7.0) == (10.0, -4.0)
    assert offset_at(np.zeros((0, 3)), 1.0) == (0.0, 0.0)
