"""Photos that cannot be read: one clear line, and never a traceback or half a picture."""

from __future__ import annotations

import io
import struct
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from mastread.vision.errors import MediaError
from mastread.vision.media import media_limits
from mastread.vision.media_jpeg import jpeg_end
from mastread.vision.photo import open_photo

NOISE = np.random.default_rng(5).integers(0, 256, (60, 80, 3), dtype=np.uint8)


def saved(format: str, **options: Any) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(NOISE).save(buffer, format, **options)
    return buffer.getvalue()


WHOLE = {
    "a.jpg": saved("JPEG", quality=90),
    "progressive.jpg": saved("JPEG", quality=90, progressive=True),
    "a.png": saved("PNG"),
    "a.tif": saved("TIFF"),
    "zip.tif": saved("TIFF", compression="tiff_deflate"),
    "a.webp": saved("WEBP", lossless=True),
    "a.bmp": saved("BMP"),
    "a.gif": saved("GIF"),
    "a.avif": saved("AVIF"),
    "deep.png": cv2.imencode(".png", NOISE.astype(np.uint16) * 257)[1].tobytes(),
    "float.tif": cv2.imencode(".tif", NOISE.astype(np.float32) / 255)[1].tobytes(),
    "deep.tif": cv2.imencode(".tif", NOISE.astype(np.uint16) * 257)[1].tobytes(),
}


def refused(path: Path, capfd: pytest.CaptureFixture[str]) -> str:
    """The message; nothing may have been printed by any library on the way."""
    with pytest.raises(MediaError) as caught:
        open_photo(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    assert "\n" not in message
    assert caught.value.cure
    printed = capfd.readouterr()
    assert printed.out == ""
    assert printed.err == ""
    return message


@pytest.mark.parametrize("share", [0.01, 0.3, 0.7, 0.97])
@pytest.mark.parametrize("name", WHOLE)
def test_cut_off_pictures_are_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, share: float
) -> None:
    data = WHOLE[name]
    path = tmp_path / name
    path.write_bytes(data)
    open_photo(path)
    path.write_bytes(data[: int(len(data) * share)])
    refused(path, capfd)


@pytest.mark.parametrize("name", ["a.png", "deep.png"])
def test_damage_in_the_middle_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str
) -> None:
    data = bytearray(WHOLE[name])
    middle = len(data) // 2
    data[middle : middle + 200] = np.random.default_rng(2).bytes(200)
    (tmp_path / name).write_bytes(data)
    assert "damaged" in refused(tmp_path / name, capfd)


def test_most_damage_in_a_jpeg_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """A JPEG has no check sums: what happens to make sense cannot be told from the picture."""
    tries, caught = 40, 0
    for seed in range(tries):
        data = bytearray(WHOLE["a.jpg"])
        middle = len(data) // 2
        data[middle : middle + 200] = np.random.default_rng(seed).bytes(200)
        (tmp_path / "a.jpg").write_bytes(data)
        try:
            open_photo(tmp_path / "a.jpg")
        except MediaError:
            caught += 1
    assert caught > tries / 2
    assert capfd.readouterr().err == ""


def test_jpeg_cut_off_and_closed_again_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    data = WHOLE["a.jpg"]
    (tmp_path / "a.jpg").write_bytes(data[: len(data) // 2] + b"\xff\xd9")
    assert "damaged" in refused(tmp_path / "a.jpg", capfd)


def test_end_mark_of_a_thumbnail_is_not_the_end() -> None:
    thumbnail = saved("JPEG", quality=20)
    data = WHOLE["a.jpg"]
    segment = b"\xff\xe1" + struct.pack(">H", len(thumbnail) + 2) + thumbnail
    with_thumbnail = data[:2] + segment + data[2:]
    assert jpeg_end(with_thumbnail) == len(with_thumbnail)
    assert jpeg_end(with_thumbnail[:-300]) is None
    assert jpeg_end(with_thumbnail + b"more \xff\xd9 behind") == len(with_thumbnail)


def test_bytes_behind_a_jpeg_do_no_harm(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(WHOLE["a.jpg"] + bytes(100) + b"a film may hang on here")
    assert open_photo(tmp_path / "a.jpg").width == 80


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "empty"),
        (b"this is text and no picture\n", "not a picture"),
        (np.random.default_rng(3).bytes(4000), "not a picture"),
        (b"\xff\xd8\xff\xe0", "damaged"),
        (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(99), "HEIF"),
    ],
)
def test_other_content_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], content: bytes, what: str
) -> None:
    (tmp_path / "a.jpg").write_bytes(content)
    assert what in refused(tmp_path / "a.jpg", capfd)


def test_missing_file_and_folder(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert "no such file" in refused(tmp_path / "none.jpg", capfd)
    assert "folder" in refused(tmp_path, capfd)


@pytest.mark.parametrize("size", [(20000, 10000), (60000, 60000)])
def test_too_large_pictures_are_refused_before_they_are_decoded(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], size: tuple[int, int]
) -> None:
    header = struct.pack(">II", *size) + WHOLE["a.png"][24:29]
    check = struct.pack(">I", zlib.crc32(b"IHDR" + header))
    data = WHOLE["a.png"][:16] + header + check + WHOLE["a.png"][33:]
    (tmp_path / "a.png").write_bytes(data)
    message = refused(tmp_path / "a.png", capfd)
    assert f"{size[0] * size[1] // 10**6} megapixels" in message
    assert str(media_limits()["max_megapixels"]) in message


def test_too_large_jpeg_and_odd_tiff(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    Image.new("L", (20000, 10000)).save(tmp_path / "a.jpg")
    assert "200 megapixels" in refused(tmp_path / "a.jpg", capfd)
    # Three floating-point channels, of which only the header is there.
    tags = {256: 20000, 257: 10000, 258: 32, 259: 1, 262: 2, 273: 8, 277: 3, 278: 1, 279: 1}
    tags[339] = 3
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags.items())
    head = b"II*\x00" + struct.pack("<I", 8) + struct.pack("<H", len(tags)) + entries + bytes(4)
    (tmp_path / "a.tif").write_bytes(head)
    assert "200 megapixels" in refused(tmp_path / "a.tif", capfd)


@settings(
    deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=st.sampled_from(sorted(WHOLE)),
    places=st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=20),
    early=st.booleans(),
)
def test_garbage_anywhere_is_read_or_refused(
    tmp_path: Path, name: str, places: list[tuple[float, int]], early: bool
) -> None:
    data = bytearray(WHOLE[name])
    reach = min(len(data), 400) if early else len(data)
    for at, value in places:
        data[min(int(at * reach), len(data) - 1)] = value
    path = tmp_path / name
    path.write_bytes(data)
    try:
        frame = open_photo(path)
    except MediaError:
        return
    x1, y1 = min(frame.width, 50), min(frame.height, 50)
    assert np.isfinite(frame.linear(0, 0, x1, y1)).all()
    assert frame.planes().y.shape == (frame.height, frame.width)
