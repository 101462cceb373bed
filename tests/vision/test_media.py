"""Finding media and telling their kinds."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from mastread.vision.errors import MediaError
from mastread.vision.media import find_media, kind_of


def picture(path: Path, format: str | None = None, **options: object) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.full((9, 12, 3), 80, np.uint8)).save(path, format, **options)
    return path


@pytest.mark.parametrize("format", ["JPEG", "PNG", "TIFF", "WEBP", "BMP", "AVIF", "GIF"])
def test_photos_are_told_by_their_content(tmp_path: Path, format: str) -> None:
    assert kind_of(picture(tmp_path / "no_ending", format)) == "photo"
    assert kind_of(picture(tmp_path / "false_ending.mp4", format)) == "photo"


@pytest.mark.parametrize(
    ("name", "codec", "pix_fmt"),
    [
        ("a.mp4", "libx264", "yuv420p"),
        ("a.mov", "libx264", "yuv420p"),
        ("a.mkv", "libx264", "yuv420p"),
        ("a.webm", "libvpx-vp9", "yuv420p"),
        ("a.avi", "mjpeg", "yuvj420p"),
        ("a.ts", "libx264", "yuv420p"),
        ("a.mpg", "mpeg2video", "yuv420p"),
        ("a.ogv", "ffv1", "yuv420p"),
    ],
)
def test_videos_are_told_by_their_content(
    tmp_path: Path, make_clip: Callable[..., Path], name: str, codec: str, pix_fmt: str
) -> None:
    if name == "a.ogv":
        made = tmp_path / name
        made.write_bytes(b"OggS" + bytes(60))
    else:
        made = make_clip(tmp_path / name, codec=codec, pix_fmt=pix_fmt, count=3)
    assert kind_of(made) == "video"
    plain = made.rename(tmp_path / "picture.jpg")
    assert kind_of(plain) == "video"


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("notes.txt", b"some text about a signal\n"),
        ("notes.jpg", b"some text that is no picture\n"),
        ("paper.pdf", b"%PDF-1.7 \x00\x01\x02\x03"),
        ("sound.wav", b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00\x00\x00"),
        ("sound.m4a", b"\x00\x00\x00\x1cftypM4A \x00\x00\x00\x00"),
        ("data.bin", bytes(range(200))),
    ],
)
def test_other_files_are_neither(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    assert kind_of(tmp_path / name) is None


def test_a_damaged_film_is_still_a_film(tmp_path: Path) -> None:
    (tmp_path / "clip.mp4").write_bytes(np.random.default_rng(1).bytes(3000))
    assert kind_of(tmp_path / "clip.mp4") == "video"


def test_moving_gif_is_a_video(tmp_path: Path) -> None:
    other = Image.fromarray(np.full((9, 12, 3), 200, np.uint8))
    moving = picture(tmp_path / "a.gif", save_all=True, append_images=[other], duration=100, loop=0)
    assert kind_of(moving) == "video"


@pytest.mark.parametrize(("make", "what"), [("missing", "no such file"), ("empty", "empty")])
def test_nothing_to_read_is_an_error_with_a_cure(tmp_path: Path, make: str, what: str) -> None:
    path = tmp_path / "a.jpg"
    if make == "empty":
        path.touch()
    with pytest.raises(MediaError, match=what) as caught:
        kind_of(path)
    assert str(caught.value).startswith(str(path))
    assert caught.value.cure
    assert "\n" not in str(caught.value)


def test_folder_gives_its_media_sorted_and_nothing_else(tmp_path: Path) -> None:
    b, a = picture(tmp_path / "b.png"), picture(tmp_path / "sub" / "a.jpg")
    c = picture(tmp_path / "c.bmp")
    (tmp_path / "notes.txt").write_text("not a picture at all")
    picture(tmp_path / ".hidden.png")
    picture(tmp_path / ".folder" / "d.png")
    assert find_media([tmp_path]) == [b, c, a]


def test_files_stand_for_themselves_in_order_and_once(tmp_path: Path) -> None:
    a, b = picture(tmp_path / "a.png"), picture(tmp_path / "b.png")
    text = tmp_path / "c.txt"
    text.write_text("words and nothing else")
    missing = tmp_path / "missing.jpg"
    assert find_media([b, text, a, b, tmp_path, missing]) == [b, text, a, missing]


def test_pattern_that_the_shell_left_alone(tmp_path: Path) -> None:
    a, b = picture(tmp_path / "a1.png"), picture(tmp_path / "a2.png")
    picture(tmp_path / "b.png")
    assert find_media([tmp_path / "a*.png"]) == [a, b]
    odd = picture(tmp_path / "[odd].png")
    assert find_media([odd]) == [odd]


def test_trouble_is_handed_on_and_the_batch_goes_on(tmp_path: Path) -> None:
    (tmp_path / "none").mkdir()
    (tmp_path / "none" / "notes.txt").write_text("nothing to see here")
    a = picture(tmp_path / "a.png")
    found = find_media([tmp_path / "none", tmp_path / "x*.png", a])
    assert [type(item) for item in found] == [MediaError, MediaError, type(a)]
    assert "no photo and no video" in str(found[0])
    assert "no file matches" in str(found[1])
    assert found[2] == a


def test_empty_picture_in_a_folder_is_reported(tmp_path: Path) -> None:
    picture(tmp_path / "a.png")
    (tmp_path / "b.png").touch()
    (tmp_path / "empty.txt").touch()
    found = find_media([tmp_path])
    assert found[0] == tmp_path / "a.png"
    assert isinstance(found[1], MediaError)
    assert len(found) == 2


def test_link_back_to_its_folder_ends(tmp_path: Path) -> None:
    a = picture(tmp_path / "a.png")
    os.symlink(tmp_path, tmp_path / "loop")
    assert find_media([tmp_path]) == [a]


def test_message_is_one_line_whatever_the_name() -> None:
    error = MediaError("two\nlines.png", "is  odd", "rename it")
    assert str(error) == "two lines.png: is odd; rename it"
    assert (error.path, error.what, error.cure) == ("two\nlines.png", "is  odd", "rename it")
