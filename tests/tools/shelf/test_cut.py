"""Clips: copied where they can be, coded anew where they must be, the same times and sound."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest
from films import FILM_RATE, TONE_HZ, make_film
from numpy.typing import NDArray

from mastread.decoder.words import NOTICE
from mastread.tools.shelf.cut import Cut, cut_clip
from mastread.tools.shelf.h264 import is_refresh
from mastread.vision.video import open_video


def pictures(path: Path) -> tuple[list[float], list[int]]:
    """Times and grey values of all frames."""
    with open_video(path) as video:
        frames = [(f.time_s, float(f.coded(0, 0, f.width, f.height).mean()) * 255) for f in video]
    return [t for t, _ in frames], [round(g) for _, g in frames]


def heard(path: Path) -> tuple[NDArray[np.float64], int, float]:
    """All samples of the sound, their rate, and the time of the first one."""
    with av.open(str(path)) as film:
        blocks = [(f.pts, f.time_base, f.to_ndarray().ravel()) for f in film.decode(audio=0)]
        rate = film.streams.audio[0].rate
    samples = np.concatenate([data for _, _, data in blocks]).astype(np.float64)
    return samples, rate, float(blocks[0][0] * blocks[0][1])


def cut(source: Path, start: float, end: float, target: Path) -> Cut:
    with open_video(source) as video:
        return cut_clip(video, start, end, target)


def assert_same(source: Path, clip: Path, done: Cut) -> None:
    """The clip's frames are the source's of that stretch, at the same times from its start."""
    times, greys = pictures(source)
    kept = [(t, g) for t, g in zip(times, greys, strict=True) if done.start_s - 1e-3 <= t]
    kept = [(t, g) for t, g in kept if t < done.end_s - 1e-3]
    clip_times, clip_greys = pictures(clip)
    assert len(clip_times) == len(kept)
    np.testing.assert_allclose(clip_times, [t - done.start_s for t, _ in kept], atol=2e-3)
    assert max(abs(a - g) for a, (_, g) in zip(clip_greys, kept, strict=True)) <= 2


def test_a_clip_begins_at_a_key_frame_and_its_packets_are_the_sources_own(tmp_path: Path) -> None:
    source = make_film(tmp_path / "a.mp4")
    done = cut(source, 4.5, 7.0, tmp_path / "c.mp4")
    # Wanted from 3.5 s; the last key frame before that is at 3 s.
    assert (done.start_s, done.coded) == (3.0, False)
    assert done.end_s == pytest.approx(8.0, abs=0.15)
    assert_same(source, tmp_path / "c.mp4", done)

    def packets(path: Path, start: float) -> list[bytes]:
        with av.open(str(path)) as film:
            return [
                bytes(p)
                for p in film.demux(film.streams.video[0])
                if p.pts is not None and p.time_base and float(p.pts * p.time_base) >= start
            ]

    clip = packets(tmp_path / "c.mp4", 0.0)
    assert clip == packets(source, 3.0)[: len(clip)]


@pytest.mark.parametrize("gop", [25, 300])
def test_a_clip_carries_the_notice(tmp_path: Path, gop: int) -> None:
    source = make_film(tmp_path / "a.mp4", gop=gop, seconds=8)
    cut(source, 5.0, 6.0, tmp_path / "c.mp4")
    with av.open(str(tmp_path / "c.mp4")) as clip:
        assert clip.metadata["comment"] == NOTICE


def test_a_key_frame_a_little_late_will_do(tmp_path: Path) -> None:
    source = make_film(tmp_path / "a.mp4", gop=150)
    done = cut(source, 6.6, 8.0, tmp_path / "c.mp4")
    assert (done.start_s, done.coded) == (6.0, False)
    assert_same(source, tmp_path / "c.mp4", done)


def test_without_a_key_frame_near_the_picture_of_the_span_alone_is_coded(tmp_path: Path) -> None:
    source = make_film(tmp_path / "a.mp4", gop=300)
    done = cut(source, 6.0, 8.0, tmp_path / "c.mp4")
    assert done.coded
    assert (done.start_s, done.end_s) == (pytest.approx(5.0), pytest.approx(9.0))
    assert_same(source, tmp_path / "c.mp4", done)


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts"])
@pytest.mark.parametrize("open_groups", [False, True])
def test_frames_that_are_stored_out_of_order_are_kept_whole(
    tmp_path: Path, name: str, open_groups: bool
) -> None:
    options = {"bf": "3", **({"x264-params": "open-gop=1"} if open_groups else {})}
    source = make_film(tmp_path / name, options=options, gop=30)
    done = cut(source, 4.5, 7.1, tmp_path / "c.mp4")
    # A key frame of an open group is no place to begin for browsers.
    assert done.coded == open_groups
    assert_same(source, tmp_path / "c.mp4", done)
    times, _ = pictures(tmp_path / "c.mp4")
    assert max(b - a for a, b in pairwise(times)) == pytest.approx(1 / FILM_RATE, abs=1e-3)


def test_what_a_refresh_is() -> None:
    # Units by hand: 7 parameters, 5 slice of a refresh, 1 slice of another picture (H.264,
    # table 7-1); bits above the lower five are the unit's importance.
    avcc = bytes([1, 100, 0, 31, 0xFF])

    def by_length(*kinds: int) -> bytes:
        return b"".join(b"\0\0\0\2" + bytes([0x60 | kind, 0xAA]) for kind in kinds)

    def by_code(*kinds: int) -> bytes:
        return b"".join(b"\0\0\1" + bytes([0x60 | kind, 0xAA]) for kind in kinds)

    for kinds, refresh in (((7, 8, 5), True), ((6, 1), False), ((5,), True), ((), False)):
        assert is_refresh(by_length(*kinds), avcc) == refresh
        assert is_refresh(by_code(*kinds), None) == refresh
        assert is_refresh(by_code(*kinds), b"\0\0\0\1\x67") == refresh
    assert not is_refresh(b"\0\0", avcc)


@pytest.mark.parametrize(("name", "codec"), [("a.mkv", "mpeg4"), ("a.avi", "mpeg4")])
def test_what_browsers_do_not_play_is_coded(tmp_path: Path, name: str, codec: str) -> None:
    source = make_film(tmp_path / name, codec=codec, sound=None)
    done = cut(source, 4.5, 7.0, tmp_path / "c.mp4")
    assert done.coded
    with av.open(str(tmp_path / "c.mp4")) as clip:
        context = clip.streams.video[0].codec_context
        assert (context.name, context.pix_fmt) == ("h264", "yuv420p")
    assert_same(source, tmp_path / "c.mp4", done)


@pytest.mark.parametrize(
    ("name", "sound", "gop"),
    [("a.mp4", "aac", 25), ("a.mp4", "aac", 300), ("a.mov", "pcm_s16le", 25), ("a.ts", "aac", 25)],
)
def test_sound_stays_with_its_picture(tmp_path: Path, name: str, sound: str, gop: int) -> None:
    source = make_film(tmp_path / name, sound=sound, gop=gop)
    done = cut(source, 5.0, 8.0, tmp_path / "c.mp4")
    assert done.coded == (gop == 300)
    assert_same(source, tmp_path / "c.mp4", done)
    samples, rate, first_s = heard(tmp_path / "c.mp4")
    assert len(samples) / rate + first_s == pytest.approx(done.end_s - done.start_s, abs=0.3)
    for second in (5, 6, 7):
        # The middle of each second of the source has the pitch of that second.
        at = round((second + 0.25 - done.start_s - first_s) * rate)
        piece = samples[at : at + rate // 2]
        spectrum = np.abs(np.fft.rfft(piece * np.hanning(len(piece))))
        pitch = float(np.fft.rfftfreq(len(piece), 1 / rate)[np.argmax(spectrum)])
        assert pitch == pytest.approx(TONE_HZ * (1 + second), abs=4)


@pytest.mark.parametrize("gop", [20, 400])
def test_uneven_times_stay_uneven(tmp_path: Path, gop: int) -> None:
    rng = np.random.default_rng(1)
    stamps = np.cumsum(rng.integers(20, 70, 250)).tolist()
    source = make_film(tmp_path / "a.mp4", stamps=stamps, sound=None, gop=gop)
    done = cut(source, 5.0, 7.0, tmp_path / "c.mp4")
    assert done.coded == (gop == 400)
    assert_same(source, tmp_path / "c.mp4", done)


@pytest.mark.parametrize("gop", [25, 400])
def test_a_clip_of_an_upright_film_is_upright(tmp_path: Path, gop: int) -> None:
    source = make_film(tmp_path / "a.mp4", rotation=90, gop=gop, sound=None)
    done = cut(source, 5.0, 7.0, tmp_path / "c.mp4")
    with open_video(source) as film, open_video(tmp_path / "c.mp4") as clip:
        assert (clip.width, clip.height) == (film.width, film.height) == (48, 64)
    assert done.coded == (gop == 400)
    assert_same(source, tmp_path / "c.mp4", done)


def test_a_span_of_the_whole_film_gives_the_whole_film(tmp_path: Path) -> None:
    source = make_film(tmp_path / "a.mp4", seconds=4)
    done = cut(source, 0.0, 4.0, tmp_path / "c.mp4")
    assert (done.start_s, done.coded) == (0.0, False)
    assert_same(source, tmp_path / "c.mp4", done)
    assert len(pictures(tmp_path / "c.mp4")[0]) == 100


def test_a_long_span_is_cut_to_its_beginning(tmp_path: Path) -> None:
    source = make_film(tmp_path / "a.mp4", seconds=140, sound=None)
    done = cut(source, 5.0, 139.0, tmp_path / "c.mp4")
    assert done.end_s - done.start_s == pytest.approx(122, abs=1)
