"""Videos of every kind: the right pictures, upright, in the right colours, one at a time."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.vision import light
from mastread.vision.video import VideoFrame, open_video

MakeClip = Callable[..., Path]
ReadNumber = Callable[[NDArray[np.uint8]], int]

#: A lossy codec, and colour difference at half size, keep a flat part to within this.
CODES = 12
QUIET = {"x265-params": "log-level=none"}
KINDS: dict[str, dict[str, Any]] = {
    "h264.mp4": {},
    "h264.mov": {},
    "h264.mkv": {},
    "h264.ts": {},
    "b_frames.avi": {"options": {"bf": "2"}},
    "b_frames.mp4": {"options": {"bf": "3"}},
    "hevc.mp4": {"codec": "libx265", "options": QUIET},
    "hevc10.mkv": {"codec": "libx265", "pix_fmt": "yuv420p10le", "options": QUIET},
    "hevc422.mov": {"codec": "libx265", "pix_fmt": "yuv422p10le", "options": QUIET},
    "vp9.webm": {"codec": "libvpx-vp9"},
    "vp9_444.webm": {"codec": "libvpx-vp9", "pix_fmt": "yuv444p"},
    "mjpeg.avi": {"codec": "mjpeg", "pix_fmt": "yuvj420p"},
    "mjpeg.mov": {"codec": "mjpeg", "pix_fmt": "yuvj422p"},
    "mpeg2.mpg": {"codec": "mpeg2video", "rate": 25},
    "mpeg4.avi": {"codec": "mpeg4"},
    "prores.mov": {"codec": "prores_ks", "pix_fmt": "yuv422p10le"},
    "ffv1.mkv": {"codec": "ffv1", "pix_fmt": "bgr0"},
    "raw.avi": {"codec": "rawvideo", "pix_fmt": "yuyv422"},
    "png.mov": {"codec": "png", "pix_fmt": "rgb24"},
    "a.gif": {"codec": "gif", "pix_fmt": "rgb8"},
}


def colour_at(frame: VideoFrame, where: str) -> NDArray[np.float64]:
    """Mean colour in codes near a corner."""
    x = 8 if "left" in where else frame.width - 14
    y = 8 if "top" in where else frame.height - 14
    return frame.coded(x, y, x + 6, y + 6).mean(axis=(0, 1)).astype(np.float64) * 255


CORNERS = {"top left": (220, 30, 30), "top right": (30, 200, 60), "bottom left": (40, 60, 220)}


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_of_video(
    tmp_path: Path, make_clip: MakeClip, read_number: ReadNumber, name: str
) -> None:
    path = make_clip(tmp_path / name, **KINDS[name])
    rate = KINDS[name].get("rate", 30)
    with open_video(path) as video:
        assert (video.width, video.height) == (160, 96)
        assert video.path == str(path)
        frames = list(video)
        assert video.warnings == []
        assert video.rate_hz == pytest.approx(rate, rel=0.12)
    assert [frame.index for frame in frames] == list(range(12))
    assert [read_number(frame.planes().y) for frame in frames] == list(range(12))
    # GIF counts hundredths, Matroska thousandths of a second.
    tick = {".gif": 0.01, ".mkv": 0.001, ".webm": 0.001}.get(path.suffix, 1e-6)
    np.testing.assert_allclose(
        [frame.time_s for frame in frames], np.arange(12) / rate, atol=tick, rtol=0
    )
    codes = 45 if name == "a.gif" else CODES
    for where, colour in CORNERS.items():
        assert np.abs(colour_at(frames[5], where) - colour).max() <= codes, where


@pytest.mark.parametrize("size", [(160, 96), (161, 97)])
def test_odd_sizes(tmp_path: Path, make_clip: MakeClip, size: tuple[int, int]) -> None:
    for name, asked in (
        ("a.webm", {"codec": "libvpx-vp9"}),
        ("a.mp4", {"pix_fmt": "yuv444p"}),
        ("a.avi", {"codec": "mjpeg", "pix_fmt": "yuvj420p"}),
    ):
        path = make_clip(tmp_path / name, size=size, count=2, **asked)
        with open_video(path) as video:
            frame = next(iter(video))
            assert frame.planes().y.shape == (size[1], size[0])
            assert frame.linear(0, 0, *size).shape == (size[1], size[0], 3)


#: Degrees counter-clockwise in the file's display matrix; where the frame's corners go.
@pytest.mark.parametrize(
    ("rotation", "size", "red", "green"),
    [
        (0, (160, 96), "top left", "top right"),
        (-90, (96, 160), "top right", "bottom right"),
        (90, (96, 160), "bottom left", "top left"),
        (180, (160, 96), "bottom right", "bottom left"),
    ],
)
def test_rotation_flag(
    tmp_path: Path,
    make_clip: MakeClip,
    rotation: float,
    size: tuple[int, int],
    red: str,
    green: str,
) -> None:
    path = make_clip(tmp_path / "a.mp4", rotation=rotation, count=3)
    with open_video(path) as video:
        assert (video.width, video.height) == size
        frame = list(video)[1]
    assert (frame.width, frame.height) == size
    assert frame.planes().y.shape == size[::-1]
    assert np.abs(colour_at(frame, red) - CORNERS["top left"]).max() <= CODES
    assert np.abs(colour_at(frame, green) - CORNERS["top right"]).max() <= CODES


@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize(
    ("matrix", "code", "depth"),
    [
        (light.Matrix.BT601, 5, 8),
        (light.Matrix.BT709, 1, 8),
        (light.Matrix.BT2020, 9, 10),
        (light.Matrix.BT709, 1, 10),
    ],
)
def test_matrix_and_range_tags(
    tmp_path: Path, matrix: light.Matrix, code: int, depth: int, full_range: bool
) -> None:
    """Losslessly stored codes of known colours, tagged; the colours must come back."""
    colours = np.array([[0.9, 0.1, 0.05], [0.1, 0.8, 0.4], [0.95, 0.7, 0.1], [0.5, 0.5, 0.5]])
    scale = light.ycc_scale(matrix, full_range, depth)
    codes = np.round(light.rgb_to_ycc(colours, scale, matrix))
    path = tmp_path / "a.mkv"
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("ffv1", rate=25)
        stream.width, stream.height = 64, 16
        stream.pix_fmt = "yuv444p" if depth == 8 else "yuv444p10le"
        stream.codec_context.colorspace = code
        stream.codec_context.color_range = 2 if full_range else 1
        frame: Any = av.VideoFrame(64, 16, stream.pix_fmt)
        frame.colorspace, frame.color_range = code, 2 if full_range else 1
        dtype = np.uint8 if depth == 8 else np.uint16
        for plane, values in zip(frame.planes, codes.T, strict=True):
            row = values.astype(dtype).repeat(16)
            padded = np.zeros((16, plane.line_size // row.itemsize), dtype)
            padded[:, :64] = row
            plane.update(padded.tobytes())
        frame.pts = 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with open_video(path) as video:
        got = next(iter(video)).coded(0, 0, 64, 16)
    # Half a code of luma and half a code of colour difference, which counts up to 1.9-fold.
    tolerance = (0.5 + 0.95) / 219 / (1 if depth == 8 else 4)
    np.testing.assert_allclose(got[8, 8::16], colours, atol=tolerance)


@pytest.mark.parametrize(
    ("code", "transfer"),
    [(1, "bt709"), (13, "srgb"), (16, "pq"), (18, "hlg"), (8, "linear"), (4, "gamma22")],
)
def test_transfer_tags(tmp_path: Path, code: int, transfer: str) -> None:
    path = tmp_path / "a.mkv"
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 32, 16, "yuv420p10le"
        stream.codec_context.color_trc = code
        stream.codec_context.color_range = 1
        frame: Any = av.VideoFrame(32, 16, "yuv420p10le")
        frame.color_trc, frame.color_range = code, 1
        for plane, value in zip(frame.planes, (700, 512, 512), strict=True):
            plane.update(np.full(plane.buffer_size // 2, value, np.uint16).tobytes())
        frame.pts = 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with open_video(path) as video:
        got = next(iter(video)).linear(4, 4, 8, 8)
    expected = light.decode(np.array([(700 - 64) / 876]), light.Transfer(transfer))[0]
    np.testing.assert_allclose(got, expected, rtol=2e-3)


def test_a_video_can_be_read_again(
    tmp_path: Path, make_clip: MakeClip, read_number: ReadNumber
) -> None:
    path = make_clip(tmp_path / "a.mp4")
    with open_video(path) as video:
        for _ in range(3):
            assert [read_number(f.planes().y) for f in video] == list(range(12))
        begun = iter(video)
        assert read_number(next(begun).planes().y) == 0
        # A second reader does not disturb the first.
        assert len(list(video)) == 12
        assert read_number(next(begun).planes().y) == 1


@pytest.mark.parametrize("name", ["a.mp4", "a.mkv", "a.webm", "a.avi"])
def test_a_part_of_a_video(
    tmp_path: Path, make_clip: MakeClip, read_number: ReadNumber, name: str
) -> None:
    asked: dict[str, Any] = {
        "a.webm": {"codec": "libvpx-vp9"},
        "a.avi": {"codec": "mjpeg", "pix_fmt": "yuvj420p"},
    }.get(name, {})
    path = make_clip(tmp_path / name, count=60, rate=30, options={"g": "10"}, **asked)
    with open_video(path) as video:
        part = [(read_number(f.planes().y), f.time_s) for f in video.frames(0.99, 1.49)]
        assert [number for number, _ in part] == list(range(30, 45))
        assert all(0.99 <= time_s < 1.49 for _, time_s in part)
        assert [f.index for f in video.frames(1.0, 1.1)] == list(range(3))
        assert len(list(video.frames(to_s=0.5))) == 15
        assert list(video.frames(from_s=100.0)) == []


def test_planes_are_the_decoders_own_memory(tmp_path: Path, make_clip: MakeClip) -> None:
    path = make_clip(tmp_path / "a.mp4")
    with open_video(path) as video:
        planes = next(iter(video)).planes()
    assert planes.y.base is not None
    assert not planes.y.flags.writeable
    assert not planes.y.flags.owndata


def test_frames_do_not_pile_up(tmp_path: Path, make_clip: MakeClip) -> None:
    """Memory does not grow with length because nothing keeps a frame that its user let go."""
    path = make_clip(tmp_path / "a.mp4", count=60)
    alive: list[weakref.ref[Any]] = []
    most = 0
    with open_video(path) as video:
        for frame in video:
            alive.append(weakref.ref(frame.planes().y))
            del frame
            gc.collect(0)
            most = max(most, sum(ref() is not None for ref in alive))
    assert len(alive) == 60
    assert most <= 2


def test_frames_outlive_their_video(
    tmp_path: Path, make_clip: MakeClip, read_number: ReadNumber
) -> None:
    path = make_clip(tmp_path / "a.mp4", count=40)
    with open_video(path) as video:
        frames = list(video)
    del video
    gc.collect()
    assert [read_number(frame.planes().y) for frame in frames] == list(range(40))


def test_facts_of_a_file(tmp_path: Path, make_clip: MakeClip) -> None:
    path = make_clip(tmp_path / "a.mp4", count=15, rate=30, sound=True)
    with open_video(path) as video:
        assert video.duration_s == pytest.approx(0.5, abs=1e-3)
        assert video.frames_hint == 15
        assert video.rate_hz == pytest.approx(30)
        assert video.has_sound
        assert not video.interlaced
        assert video.origin_s == 0
    late = make_clip(tmp_path / "a.mkv", stamps_ms=[3000, 3040, 3080, 3120])
    with open_video(late) as video:
        assert video.origin_s == pytest.approx(3.0)
        assert video.duration_s == pytest.approx(0.16, abs=0.05)
        assert not video.has_sound


def test_interlaced_video_is_flagged(tmp_path: Path, make_clip: MakeClip) -> None:
    options = {"flags": "+ildct+ilme", "x264-params": "tff=1"}
    path = make_clip(tmp_path / "a.mp4", options=options)
    with open_video(path) as video:
        assert video.interlaced
        assert len(video.warnings) == 1
        assert "interlaced" in video.warnings[0]


def test_bare_stream_without_time_stamps(
    tmp_path: Path, make_clip: MakeClip, read_number: ReadNumber
) -> None:
    path = make_clip(tmp_path / "a.h264", rate=30)
    with open_video(path) as video:
        frames = list(video)
        assert video.warnings == ["frames have no time stamps; the nominal rate was used"]
    np.testing.assert_allclose([f.time_s for f in frames], np.arange(12) / 30, atol=1e-9)
    assert [read_number(f.planes().y) for f in frames] == list(range(12))
