"""Annotated video: the source's frame times and sound, to the tick and to the sample."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from av.codec.context import Flags
from numpy.typing import NDArray

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools import drawing
from mastread.tools.annotate import enlargement
from mastread.tools.annotate_video import annotate_video, offset_at
from mastread.tools.chapters import chapters
from mastread.tools.moments import hidden_times, moment_at
from mastread.tools.reading import Reading, build_reading
from mastread.vision.types import Seen

Make = Callable[..., Seen]
ClipMaker = Callable[..., Path]
#: The clips of the shared maker (tests/conftest.py), and the colours of their corners.
CLIP_SIZE = (160, 96)
CORNERS = {"top left": (220, 30, 30), "top right": (30, 200, 60), "bottom left": (40, 60, 220)}
BOOK = load_book("cror")
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
        if kind.startswith("s"):
            depth = np.int16 if kind.startswith("s16") else np.int32
            both = (both * 32767).astype(np.int16).astype(depth) << (0 if depth is np.int16 else 16)
            both = both if kind.endswith("p") else both.T.reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(both, format=kind, layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = RATE, at, Fraction(1, RATE)
        out.mux(tone.encode(frame))  # type: ignore[attr-defined]
    out.mux(tone.encode(None))  # type: ignore[attr-defined]


def _times(path: Path) -> list[float]:
    with av.open(str(path)) as clip:
        return [float(f.pts * f.time_base) for f in clip.decode(video=0)]


def _tone(path: Path) -> tuple[float, int, NDArray[np.float64]]:
    """Start in seconds, number of samples, and the left channel."""
    with av.open(str(path)) as clip:
        frames = list(clip.decode(audio=0))
    left = np.concatenate(
        [f.to_ndarray()[0] if f.format.is_planar else f.to_ndarray()[0, ::2] for f in frames]
    )
    if left.dtype.kind == "i":
        # Whole numbers become shares of full scale, as players have them.
        left = left / (1 << (8 * left.dtype.itemsize - 1))
    return float(frames[0].pts * frames[0].time_base), len(left), left.astype(np.float64)


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
    annotate_video(
        source, reading, [np.zeros((0, 3))], target, shares.append, book=load_book("cror")
    )
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
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
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


@pytest.mark.parametrize(
    ("codec", "container"),
    [
        ("pcm_s16le", "mkv"),
        ("pcm_s24le", "mkv"),
        ("alac", "mov"),
        ("ac3", "mkv"),
        ("mp2", "mkv"),
    ],
)
def test_sound_that_browsers_do_not_play_in_mp4_keeps_every_sample(
    tmp_path: Path, reading: Reading, codec: str, container: str
) -> None:
    source, target = tmp_path / f"in.{container}", tmp_path / "out.mp4"
    _write_clip(source, EVEN, codec)
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    with av.open(str(target)) as clip:
        assert clip.streams.audio[0].codec_context.name == "flac"
    (start, count, left), (start2, count2, left2) = _tone(source), _tone(target)
    assert count2 == count
    assert start2 == pytest.approx(start, abs=1 / RATE)
    # To the bit where the source has whole numbers; else to the 24 bits that FLAC holds.
    exact = codec.startswith("pcm") or codec == "alac"
    assert np.max(np.abs(left2 - left)) <= (0 if exact else 2.0**-23)


def test_a_late_start_keeps_sound_and_picture_together(tmp_path: Path, reading: Reading) -> None:
    source, target = tmp_path / "in.mkv", tmp_path / "out.mp4"
    _write_clip(source, EVEN, "pcm_s16le", start_ms=500)
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    apart = _times(source)[0] - _tone(source)[0]
    assert _times(target)[0] - _tone(target)[0] == pytest.approx(apart, abs=2e-3)
    assert np.diff(_times(target)) == pytest.approx(np.diff(_times(source)), abs=1e-9)


def test_no_sound(tmp_path: Path, reading: Reading) -> None:
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    times = _write_clip(source, UNEVEN, None)
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    with av.open(str(target)) as clip:
        assert not clip.streams.audio
    assert _times(target) == pytest.approx([float(t) for t in times], abs=1e-9)


def test_the_picture_itself_is_kept(tmp_path: Path, reading: Reading) -> None:
    """Away from tags and panel every frame looks as it did, in the right order."""
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    _write_clip(source, EVEN, None)
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    with av.open(str(target)) as clip:
        for n, frame in enumerate(clip.decode(video=0)):
            corner = frame.to_ndarray(format="rgb24")[660:700, 40:200]
            assert float(corner.mean()) == pytest.approx(40 + 5 * n, abs=3)


def test_offsets_are_interpolated() -> None:
    path = np.array([[0.0, 0.0, 0.0], [1.0, 10.0, -4.0]])
    assert offset_at(path, 0.25) == (2.5, -1.0)
    assert offset_at(path, 7.0) == (10.0, -4.0)
    assert offset_at(np.zeros((0, 3)), 1.0) == (0.0, 0.0)


@pytest.mark.parametrize("rotation", [90.0, 180.0, -90.0])
def test_a_clip_that_the_file_turns(
    tmp_path: Path, reading: Reading, make_clip: ClipMaker, rotation: float
) -> None:
    """The annotated clip stands upright by itself, with every frame at its time."""
    source = make_clip(tmp_path / "in.mp4", rotation=rotation, sound=True, corners=True)
    target = tmp_path / "out.mp4"
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    assert _times(target) == pytest.approx(_times(source), abs=1e-9)
    assert _packets(target) == _packets(source)
    with av.open(str(target)) as clip:
        frame = next(clip.decode(video=0))
        assert not frame.rotation
    wide = CLIP_SIZE[1] if rotation in (90.0, -90.0) else CLIP_SIZE[0]
    high = sum(CLIP_SIZE) - wide
    assert frame.width == wide * enlargement(wide)
    picture = frame.to_ndarray(format="rgb24")
    top_left = picture[4:40, 4:40].reshape(-1, 3).mean(axis=0)
    # set_display_rotation turns anticlockwise: what stands at the top left afterwards.
    stood = {90.0: "top right", 180.0: None, -90.0: "bottom left"}[rotation]
    if stood is not None:
        assert top_left == pytest.approx(CORNERS[stood], abs=25)
    assert frame.height > high * enlargement(wide)


@pytest.mark.parametrize("size", [(161, 97), (162, 95), (35, 35)])
def test_odd_sizes(
    tmp_path: Path, reading: Reading, make_clip: ClipMaker, size: tuple[int, int]
) -> None:
    source, target = tmp_path / "in.mkv", tmp_path / "out.mp4"
    make_clip(source, codec="ffv1", pix_fmt="yuv444p", size=size, count=4)
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    assert _times(target) == pytest.approx(_times(source), abs=1e-9)
    with av.open(str(target)) as clip:
        video = clip.streams.video[0]
        assert video.width % 2 == video.height % 2 == 0
        assert video.codec_context.pix_fmt == "yuv420p"


def test_ten_bits_become_eight(tmp_path: Path, reading: Reading, make_clip: ClipMaker) -> None:
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    make_clip(source, codec="libx265", pix_fmt="yuv420p10le", count=6, corners=True)
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    assert _times(target) == pytest.approx(_times(source), abs=1e-9)
    with av.open(str(target)) as clip:
        assert clip.streams.video[0].codec_context.pix_fmt == "yuv420p"
        picture = next(clip.decode(video=0)).to_ndarray(format="rgb24")
    assert picture[8:60, 8:60].reshape(-1, 3).mean(axis=0) == pytest.approx(
        CORNERS["top left"], abs=20
    )


def test_chapters_are_read_back(tmp_path: Path, reading: Reading) -> None:
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    _write_clip(source, EVEN, "aac")
    reading["source"] |= {"duration_s": 0.8}
    annotate_video(source, reading, [np.zeros((0, 3))], target, book=BOOK)
    with av.open(str(target)) as clip:
        found = [
            (float(c["start"] * c["time_base"]), c["metadata"]["title"]) for c in clip.chapters()
        ]
    names = [span["indication"]["name"] for span in reading["masts"][0]["spans"]]
    assert [start for start, _ in found] == [0.0, 0.4]
    assert [title for _, title in found] == [name or "Cannot be told" for name in names]


def test_chapters_do_not_give_the_answer_away(clip_seen: Make, book: Rulebook) -> None:
    seen = clip_seen([(0.0, 6.0, "green over red over red"), (6.0, 12.0, "red over red over red")])
    found = chapters(build_reading(seen, book), "question")
    assert [(c["start"], c["end"], c["metadata"]["title"]) for c in found] == [
        (0, 3000, "Question 1"),
        (3000, 6000, "Answer 1: Clear"),
        (6000, 9000, "Question 2"),
        (9000, 12000, "Answer 2: Stop"),
    ]
    assert chapters(build_reading(clip_seen(), book)) == []


def test_the_answer_comes_after_three_seconds(clip_seen: Make, book: Rulebook) -> None:
    seen = clip_seen([(0.0, 6.0, "green over red over red"), (6.0, 8.0, "red over red over red")])
    made = build_reading(seen, book)
    waits = {t: moment_at(made, t, "question").waits[0] for t in (0, 1.5, 2.96, 3.0, 5.9, 6.0, 7.3)}
    # The second span is too short for three seconds: it is answered after two thirds of it.
    assert waits == {0: 3, 1.5: 2, 2.96: 1, 3.0: 0, 5.9: 0, 6.0: 2, 7.3: 1}
    assert moment_at(made, 7.34, "question").waits == (0,)
    assert moment_at(made, 0.0).waits == (0,)


def test_while_a_question_is_open_nothing_is_told(
    tmp_path: Path, clip_seen: Make, book: Rulebook, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No word of the answer, no shape and no ink of the colour is drawn before its time."""
    source, target = tmp_path / "in.mp4", tmp_path / "out.mp4"
    _write_clip(source, (500,) * 8, None)
    seen = clip_seen([(0.0, 4.0, "green over red")], duration=4.0)
    made = build_reading(seen, book)
    drawn: list[tuple[float, str]] = []
    now = [0.0]
    real_write, real_shape = drawing.write, drawing.lens_shape

    def write(image: object, place: object, words: str, *more: object) -> None:
        drawn.append((now[0], words))
        real_write(image, place, words, *more)  # type: ignore[arg-type]

    def shape(image: object, centre: object, size: float, colour: str, **more: bool) -> None:
        drawn.append((now[0], f"shape of {colour}"))
        real_shape(image, centre, size, colour, **more)  # type: ignore[arg-type]

    def watch(frame: object) -> None:
        if not now[0]:
            # What was drawn so far only found out how much room is needed.
            drawn.clear()
        now[0] = frame.time_s + 1e-9  # type: ignore[attr-defined]

    monkeypatch.setattr(drawing, "write", write)
    monkeypatch.setattr(drawing, "lens_shape", shape)
    annotate_video(
        source, made, [np.zeros((0, 3))], target, book=book, style="question", watch=watch
    )
    answer = 4.0 * 2 / 3
    early = {words for at, words in drawn if at < answer}
    late = {words for at, words in drawn if at >= answer}
    assert "What does this signal tell?" in early
    assert "What does this signal tell?" not in late
    for words in ("green", "red", "shape of green", "shape of red"):
        assert words in late
        assert words not in early
    assert any("Clear" in words for words in late)
    assert not any("Clear" in words for words in early)


def test_out_of_sight(clip_seen: Make) -> None:
    (mast,) = clip_seen([(0.0, 12.0, "red over red")]).masts
    assert hidden_times(mast.curves) == []
    away = [
        replace(c, lit=np.where((c.time_s > 2) & (c.time_s < 5), np.nan, c.lit).astype(np.float32))
        for c in mast.curves
    ]
    ((start, end),) = hidden_times(away)
    assert (start, end) == pytest.approx((2.04, 5.0), abs=0.041)
    # A head that could never be measured tells nothing about the others.
    never = replace(mast.curves[0], lit=np.full(len(mast.curves[0].lit), np.nan, np.float32))
    assert hidden_times([never, mast.curves[1]]) == []
    assert hidden_times([never]) == hidden_times([]) == []
