"""Frame times against the time stamps in the files, read here from their bytes.

The readers below follow ISO/IEC 14496-12 (MP4 and MOV: time to sample, composition offset and
edit list boxes) and RFC 9559 with RFC 8794 (Matroska and WebM: clusters and blocks); no video
library takes part. Other containers are compared with FFmpeg's packet time stamps.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from mastread.vision.video import open_video

#: Times in MP4 and Matroska files of this test are whole ticks; float64 holds them well.
TOLERANCE_S = 1e-6
#: Phone-like: irregular, with a long pause and nearly equal neighbours.
UNEVEN_MS = [0, 33, 70, 100, 160, 500, 533, 540, 700, 1000, 1033, 1066]

MakeClip = Callable[..., Path]


def boxes(data: bytes, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Name, first byte and end of each box between two places."""
    while start + 8 <= end:
        size, name = struct.unpack_from(">I4s", data, start)
        body = start + 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, body)
            body += 8
        stop = end if size == 0 else start + size
        yield name, body, stop
        start = stop


def find(data: bytes, path: str, start: int = 0, end: int | None = None) -> tuple[int, int] | None:
    """First byte and end of the box at a path like ``moov/trak``."""
    end = len(data) if end is None else end
    for name in path.split("/"):
        inside = next(((b, e) for n, b, e in boxes(data, start, end) if n.decode() == name), None)
        if inside is None:
            return None
        start, end = inside
    return start, end


def picture_track(data: bytes) -> tuple[int, int]:
    moov = find(data, "moov")
    assert moov is not None
    for name, start, end in boxes(data, *moov):
        if name == b"trak":
            handler = find(data, "mdia/hdlr", start, end)
            assert handler is not None
            if data[handler[0] + 8 : handler[0] + 12] == b"vide":
                return start, end
    raise AssertionError("no picture track")


def runs(data: bytes, at: int, count_at: int) -> list[int]:
    """Expand a table of (how many, value) pairs."""
    (count,) = struct.unpack_from(">I", data, at + count_at)
    out: list[int] = []
    for i in range(count):
        many, value = struct.unpack_from(">Ii", data, at + count_at + 4 + 8 * i)
        out += [value] * many
    return out


def mp4_times(path: Path) -> list[float]:
    """Presentation times of the frames that the edit list shows, in order, seconds."""
    data = path.read_bytes()
    track = picture_track(data)
    header, movie = find(data, "mdia/mdhd", *track), find(data, "moov/mvhd")
    assert header is not None
    assert movie is not None
    scale_at = {0: 12, 1: 20}
    (scale,) = struct.unpack_from(">I", data, header[0] + scale_at[data[header[0]]])
    (movie_scale,) = struct.unpack_from(">I", data, movie[0] + scale_at[data[movie[0]]])
    table = "mdia/minf/stbl/"
    durations, offsets = find(data, table + "stts", *track), find(data, table + "ctts", *track)
    assert durations is not None
    lengths = runs(data, durations[0], 4)
    decoded = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    shown = decoded + (runs(data, offsets[0], 4) if offsets else 0)
    delay, begin = 0.0, 0
    edits = find(data, "edts/elst", *track)
    if edits is not None:
        wide = data[edits[0]] == 1
        (count,) = struct.unpack_from(">I", data, edits[0] + 4)
        for i in range(count):
            form, step = (">Qq", 20) if wide else (">Ii", 12)
            length, media_time = struct.unpack_from(form, data, edits[0] + 8 + step * i)
            if media_time == -1:
                delay += length / movie_scale
            else:
                begin = media_time
    return sorted(delay + (t - begin) / scale for t in shown.tolist() if t >= begin)


def variable(data: bytes, at: int, keep_mark: bool) -> tuple[int, int]:
    """An EBML number of variable length and the place behind it."""
    length = 9 - data[at].bit_length()
    value = int.from_bytes(data[at : at + length], "big")
    return (value if keep_mark else value & ((1 << 7 * length) - 1)), at + length


def elements(data: bytes, start: int, end: int) -> Iterator[tuple[int, int, int]]:
    """Identity, first byte and end of each EBML element."""
    while start < end:
        identity, at = variable(data, start, True)
        size, body = variable(data, at, False)
        yield identity, body, body + size
        start = body + size


SEGMENT, INFO, SCALE = 0x18538067, 0x1549A966, 0x2AD7B1
CLUSTER, CLUSTER_TIME, SIMPLE_BLOCK, BLOCK_GROUP, BLOCK = 0x1F43B675, 0xE7, 0xA3, 0xA0, 0xA1


def matroska_times(path: Path) -> list[float]:
    """Times of the blocks of track 1 (the picture), from the earliest of any track, seconds."""
    data = path.read_bytes()
    scale = 1_000_000
    stamps: list[tuple[int, int]] = []
    segment = next((b, e) for i, b, e in elements(data, 0, len(data)) if i == SEGMENT)
    for identity, body, end in elements(data, *segment):
        inside = list(elements(data, body, end)) if identity in (INFO, CLUSTER) else []
        if identity == INFO:
            scale = next(
                (int.from_bytes(data[b:e], "big") for i, b, e in inside if i == SCALE), scale
            )
        start = 0
        for i, b, e in inside:
            if i == CLUSTER_TIME:
                start = int.from_bytes(data[b:e], "big")
            elif i in (SIMPLE_BLOCK, BLOCK_GROUP):
                if i == BLOCK_GROUP:
                    b = next(inner for j, inner, _ in elements(data, b, e) if j == BLOCK)
                track, at = variable(data, b, False)
                stamps.append((track, start + struct.unpack_from(">h", data, at)[0]))
    origin = min(stamp for _, stamp in stamps)
    return sorted((stamp - origin) * scale / 1e9 for track, stamp in stamps if track == 1)


def packet_times(path: Path) -> list[float]:
    """FFmpeg's packet time stamps of the picture, from the earliest, seconds."""
    with av.open(str(path)) as container:
        stream: Any = container.streams.video[0]
        stamps = [packet.pts for packet in container.demux(stream) if packet.pts is not None]
        return [(stamp - min(stamps)) * float(stream.time_base) for stamp in sorted(stamps)]


def frame_times(path: Path) -> list[float]:
    with open_video(path) as video:
        times = [frame.time_s for frame in video]
        assert video.warnings == []
    return times


B_FRAMES = {"bf": "3", "g": "5"}


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("even.mp4", {"options": B_FRAMES}),
        ("even.mov", {"rate": 25}),
        ("drop.mp4", {"rate": 24, "count": 30, "options": {"bf": "0"}}),
        ("uneven.mp4", {"stamps_ms": UNEVEN_MS, "options": B_FRAMES}),
        ("uneven.mov", {"stamps_ms": UNEVEN_MS}),
        ("late.mp4", {"stamps_ms": [t + 5000 for t in UNEVEN_MS], "options": B_FRAMES}),
        ("hevc.mp4", {"stamps_ms": UNEVEN_MS, "codec": "libx265"}),
        ("sound.mp4", {"stamps_ms": UNEVEN_MS, "sound": True}),
    ],
)
def test_mp4_times(tmp_path: Path, make_clip: MakeClip, name: str, asked: dict[str, Any]) -> None:
    if asked.get("codec") == "libx265":
        asked = asked | {"options": {"x265-params": "log-level=none"}}
    path = make_clip(tmp_path / name, **asked)
    expected = mp4_times(path)
    assert len(expected) == asked.get("count", 12)
    np.testing.assert_allclose(frame_times(path), expected, atol=TOLERANCE_S)


def test_times_before_zero_are_not_shown(tmp_path: Path, make_clip: MakeClip) -> None:
    """The edit list of this file begins in the middle of its media, between two frames.

    There the frame before should stay until the next; FFmpeg, and so this reader, begins with
    the next one at zero. All times are early by what is left of that one frame, no more.
    """
    stamps = [t - 400 for t in UNEVEN_MS]
    path = make_clip(tmp_path / "cut.mp4", stamps_ms=stamps)
    expected = np.array(mp4_times(path))
    assert 0 < len(expected) < len(stamps)
    got = np.array(frame_times(path))
    np.testing.assert_allclose(np.diff(got), np.diff(expected), atol=TOLERANCE_S)
    last_before, first_after = max(t for t in stamps if t < 0), min(t for t in stamps if t >= 0)
    assert 0 <= expected[0] - got[0] < (first_after - last_before) / 1000


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("even.mkv", {"options": B_FRAMES}),
        ("uneven.mkv", {"stamps_ms": UNEVEN_MS, "options": B_FRAMES}),
        ("late.mkv", {"stamps_ms": [t + 5000 for t in UNEVEN_MS]}),
        ("uneven.webm", {"stamps_ms": UNEVEN_MS, "codec": "libvpx-vp9"}),
        ("sound.mkv", {"stamps_ms": [t + 40 for t in UNEVEN_MS], "sound": True}),
    ],
)
def test_matroska_times(
    tmp_path: Path, make_clip: MakeClip, name: str, asked: dict[str, Any]
) -> None:
    path = make_clip(tmp_path / name, **asked)
    expected = matroska_times(path)
    assert len(expected) == 12
    np.testing.assert_allclose(frame_times(path), expected, atol=TOLERANCE_S)


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("a.avi", {"codec": "mjpeg", "pix_fmt": "yuvj420p"}),
        ("a.ts", {"options": B_FRAMES}),
        ("late.ts", {"stamps_ms": [t + 5000 for t in UNEVEN_MS]}),
        ("a.mpg", {"codec": "mpeg2video", "rate": 25}),
    ],
)
def test_other_containers(
    tmp_path: Path, make_clip: MakeClip, name: str, asked: dict[str, Any]
) -> None:
    path = make_clip(tmp_path / name, **asked)
    np.testing.assert_allclose(frame_times(path), packet_times(path), atol=TOLERANCE_S)


def test_each_time_belongs_to_its_picture(
    tmp_path: Path, make_clip: MakeClip, read_number: Callable[..., int]
) -> None:
    """Frame number k was made to be shown at the k-th stamp."""
    for name, options in (("a.mp4", B_FRAMES), ("a.mkv", {}), ("a.ts", B_FRAMES)):
        path = make_clip(tmp_path / name, stamps_ms=UNEVEN_MS, options=options)
        with open_video(path) as video:
            got = [(read_number(f.planes().y), round(f.time_s * 1000)) for f in video]
        assert got == list(enumerate(UNEVEN_MS)), name
