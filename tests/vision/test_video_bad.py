"""Videos that are broken: what is whole is handed on, and what is wrong is said in one line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision.errors import MediaError
from mastread.vision.video import open_video

MakeClip = Callable[..., Path]
KINDS: dict[str, dict[str, Any]] = {
    "a.mp4": {"container_options": {"movflags": "faststart"}},
    "a.mkv": {},
    "a.ts": {},
    "a.webm": {"codec": "libvpx-vp9"},
    "a.avi": {"codec": "mjpeg", "pix_fmt": "yuvj420p"},
}
COUNT = 60


def refused(path: Path, capfd: pytest.CaptureFixture[str]) -> str:
    """The message; nothing may have been printed by any library on the way."""
    capfd.readouterr()
    with pytest.raises(MediaError) as caught:
        list(open_video(path))
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "\n" not in message
    assert caught.value.cure
    assert capfd.readouterr() == ("", "")
    return message


def long_clip(folder: Path, make_clip: MakeClip, name: str) -> Path:
    return make_clip(folder / name, count=COUNT, options={"g": "15"}, **KINDS[name])


def lumas(path: Path) -> tuple[dict[float, NDArray[np.uint8]], list[str]]:
    with open_video(path) as video:
        return {round(f.time_s, 4): f.planes().y.copy() for f in video}, video.warnings


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("a.mp4", b"", "empty"),
        ("a.mp4", b"this is text and no video\n", "not a video"),
        ("a.mkv", np.random.default_rng(3).bytes(5000), "damaged"),
        ("a.mp4", b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom", "damaged"),
        ("a.mp4", b"#EXTM3U\n#EXTINF:1,\nhttp://example.invalid/a.ts\n", "not a video"),
        ("a.mkv", b"ffconcat version 1.0\nfile 'other.mp4'\n", "video"),
    ],
)
def test_other_content_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, content: bytes, what: str
) -> None:
    (tmp_path / name).write_bytes(content)
    assert what in refused(tmp_path / name, capfd)


def test_play_list_does_not_lead_to_other_files(
    tmp_path: Path, make_clip: MakeClip, capfd: pytest.CaptureFixture[str]
) -> None:
    make_clip(tmp_path / "other.mp4", count=3)
    listed = tmp_path / "a.mkv"
    listed.write_text("ffconcat version 1.0\nfile 'other.mp4'\n")
    assert "play list" in refused(listed, capfd)


def test_missing_file_and_folder(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert "no such file" in refused(tmp_path / "none.mp4", capfd)
    assert "folder" in refused(tmp_path, capfd)


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.m4a"])
def test_sound_alone_is_refused(
    tmp_path: Path,
    make_sound: Callable[[Path], Path],
    capfd: pytest.CaptureFixture[str],
    name: str,
) -> None:
    assert "sound but no picture" in refused(make_sound(tmp_path / name), capfd)


def test_cover_picture_of_a_sound_file_is_no_video(
    tmp_path: Path, make_clip: MakeClip, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as container:
        sound: Any = container.add_stream("aac", rate=48000)
        sound.layout = "mono"
        cover: Any = container.add_stream("mjpeg", rate=1)
        cover.width, cover.height, cover.pix_fmt = 32, 32, "yuvj420p"
        cover.disposition = av.stream.Disposition.attached_pic
        for block in range(5):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            frame.sample_rate, frame.pts = 48000, block * 1024
            container.mux(sound.encode(frame))
        container.mux(sound.encode(None))
        picture = av.VideoFrame.from_ndarray(np.zeros((32, 32, 3), np.uint8), "rgb24")
        container.mux(cover.encode(picture.reformat(format="yuvj420p")))
        container.mux(cover.encode(None))
    assert "sound but no picture" in refused(path, capfd)


@pytest.mark.parametrize("name", KINDS)
def test_cut_off_video_gives_its_beginning(
    tmp_path: Path, make_clip: MakeClip, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    path = long_clip(tmp_path, make_clip, name)
    whole, warnings = lumas(path)
    assert (len(whole), warnings) == (COUNT, [])
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 6 // 10])
    rest, warnings = lumas(path)
    assert 5 < len(rest) < COUNT
    for time_s, luma in rest.items():
        np.testing.assert_array_equal(luma, whole[time_s])
    # A transport stream nowhere states how long it is meant to last.
    assert bool(warnings) or name == "a.ts"
    assert capfd.readouterr() == ("", "")


def test_cut_off_before_its_index(
    tmp_path: Path, make_clip: MakeClip, capfd: pytest.CaptureFixture[str]
) -> None:
    path = make_clip(tmp_path / "a.mp4", count=COUNT)
    path.write_bytes(path.read_bytes()[:-2000])
    assert "cut off" in refused(path, capfd)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.ts", "a.webm"])
def test_no_half_frame_after_damage(
    tmp_path: Path, make_clip: MakeClip, capfd: pytest.CaptureFixture[str], name: str, seed: int
) -> None:
    """Every frame that is handed on is exactly the frame that it would have been."""
    path = long_clip(tmp_path, make_clip, name)
    whole, _ = lumas(path)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 600] = np.random.default_rng(seed).bytes(600)
    path.write_bytes(data)
    rest, warnings = lumas(path)
    assert 5 < len(rest) < COUNT
    assert warnings
    for time_s, luma in rest.items():
        np.testing.assert_array_equal(luma, whole[time_s])
    assert capfd.readouterr() == ("", "")


def test_size_that_changes_ends_the_video(tmp_path: Path, make_clip: MakeClip) -> None:
    first = make_clip(tmp_path / "a.ts", count=10)
    second = make_clip(tmp_path / "b.ts", count=10, size=(192, 128))
    first.write_bytes(first.read_bytes() + second.read_bytes())
    with open_video(first) as video:
        frames = list(video)
        # Where the two files meet a frame or two are taken for damaged.
        assert 5 <= len(frames) <= 10
        assert any("changes its size" in sentence for sentence in video.warnings)


def test_times_never_stand_still_or_go_back(tmp_path: Path, make_clip: MakeClip) -> None:
    """Two recordings one behind the other start again at the same time stamps."""
    path = make_clip(tmp_path / "a.ts", count=10)
    path.write_bytes(path.read_bytes() * 2)
    with open_video(path) as video:
        times = [frame.time_s for frame in video]
        assert len(times) > 10
        assert (np.diff(times) > 0).all()


def test_remarks_in_an_old_alphabet(tmp_path: Path, make_clip: MakeClip) -> None:
    path = make_clip(tmp_path / "a.avi", codec="mjpeg", pix_fmt="yuvj420p")
    data = path.read_bytes()
    writer = data.index(b"ISFT") + 8
    path.write_bytes(data[:writer] + b"\xe9\xff" + data[writer + 2 :])
    with open_video(path) as video:
        assert len(list(video)) == 12
        assert video.warnings == []


def test_closing_early_gives_the_file_back(tmp_path: Path, make_clip: MakeClip) -> None:
    path = make_clip(tmp_path / "a.mp4")
    video = open_video(path)
    video.close()
    video = open_video(path)
    frames = iter(video)
    next(frames)
    video.close()
    assert list(frames) == []
    path.unlink()


@settings(
    deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=st.sampled_from(sorted(KINDS)),
    places=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=20),
    early=st.booleans(),
)
def test_garbage_anywhere_is_read_or_refused(
    tmp_path: Path,
    make_clip: MakeClip,
    name: str,
    places: list[tuple[float, int]],
    early: bool,
) -> None:
    source = tmp_path / name
    if not source.exists():
        make_clip(source, count=6, **KINDS[name])
    data = bytearray(source.read_bytes())
    reach = min(len(data), 600) if early else len(data)
    for at, value in places:
        data[min(int(at * reach), len(data) - 1)] = value
    path = tmp_path / f"broken_{name}"
    path.write_bytes(data)
    try:
        with open_video(path) as video:
            for frame in video:
                assert frame.planes().y.shape == (frame.height, frame.width)
                assert np.isfinite(frame.time_s)
    except MediaError:
        return
