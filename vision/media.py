"""Which files are photos or videos, told by what they hold."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from mastread.vision.errors import MediaError
from mastread.vision.limits import limits
from mastread.vision.types import Kind

#: First bytes of still pictures.
_PHOTO_STARTS = (
    b"\xff\xd8\xff",  # JPEG
    b"\x89PNG\r\n\x1a\n",
    b"II*\x00",  # TIFF, little end first
    b"MM\x00*",
    b"II+\x00",  # BigTIFF
    b"MM\x00+",
    b"\x00\x00\x00\x0cjP  ",  # JPEG 2000
    b"P5\n",  # the portable maps
    b"P6\n",
)
#: ISO base media brands (ISO/IEC 14496-12 "ftyp") of still pictures and of sound alone.
_PHOTO_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"mif1", b"avif"}
_SOUND_BRANDS = {b"M4A ", b"M4B ", b"M4P "}
#: First bytes of films.
_VIDEO_STARTS = (
    b"\x1a\x45\xdf\xa3",  # Matroska, WebM
    b"\x00\x00\x01\xba",  # MPEG program stream
    b"\x00\x00\x01\xb3",  # MPEG-1/2 video
    b"\x30\x26\xb2\x75\x8e\x66\xcf\x11",  # ASF
    b"FLV\x01",
    b"OggS",
    b"YUV4MPEG2 ",
    b"DKIF",
    b"\x06\x0e\x2b\x34",  # MXF
)
_QUICKTIME_ATOMS = {b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot"}
#: Endings of the kinds of file that have no sure first bytes; FFmpeg will tell.
_VIDEO_SUFFIXES = {
    ".3gp", ".avi", ".dv", ".h264", ".hevc", ".m2ts", ".m4v", ".mjpeg", ".mjpg", ".mkv",
    ".mov", ".mp4", ".mpeg", ".mpg", ".mts", ".mxf", ".ogv", ".ts", ".vob", ".webm", ".wmv",
}  # fmt: skip
_PHOTO_SUFFIXES = {
    ".avif", ".bmp", ".gif", ".heic", ".heif", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp",
}  # fmt: skip


def media_limits() -> dict[str, Any]:
    """The section `media` of limits.toml."""
    return limits("media")


def kind_of(path: str | os.PathLike[str]) -> Kind | None:
    """Whether a file is a photo or a video; None when it is neither.

    The content decides. The ending of the name decides only where the content says nothing,
    so that a damaged film is still taken for a film and its damage named.

    Raises
    ------
    MediaError : the file does not exist or cannot be read
    """
    head = read_head(path)
    kind = kind_of_head(head)
    if kind is not None or _is_known_other(head):
        return kind
    suffix = Path(path).suffix.lower()
    if suffix in _VIDEO_SUFFIXES:
        return "video"
    return "photo" if suffix in _PHOTO_SUFFIXES else None


def read_head(path: str | os.PathLike[str]) -> bytes:
    """The first bytes of a file; MediaError in plain words when there are none to be had."""
    try:
        with open(path, "rb") as file:
            head = file.read(media_limits()["sniff_bytes"])
    except FileNotFoundError:
        raise MediaError(path, "there is no such file", "check the name and the folder") from None
    except IsADirectoryError:
        raise MediaError(path, "is a folder, not a picture", "name a file in it") from None
    except OSError as error:
        raise MediaError(
            path, f"cannot be opened ({error.strerror})", "check that you may read it"
        ) from None
    if not head:
        raise MediaError(path, "is empty (0 bytes)", "copy it again from the camera")
    return head


def kind_of_head(head: bytes) -> Kind | None:
    """What the first bytes of a file say it is; None when they say nothing."""
    if head.startswith(_PHOTO_STARTS):
        return "photo"
    if head.startswith(_VIDEO_STARTS):
        return "video"
    if head.startswith((b"GIF87a", b"GIF89a")):
        # The looping extension is what makes a GIF a film.
        return "video" if b"NETSCAPE2.0" in head or b"ANIMEXTS1.0" in head else "photo"
    if head.startswith(b"RIFF"):
        return {b"WEBP": "photo", b"AVI ": "video"}.get(head[8:12])  # type: ignore[return-value]
    if head.startswith(b"BM") and head[6:10] == b"\0\0\0\0":
        return "photo"
    if head[4:8] == b"ftyp":
        if head[8:12] in _PHOTO_BRANDS:
            return "photo"
        return None if head[8:12] in _SOUND_BRANDS else "video"
    if head[4:8] in _QUICKTIME_ATOMS:
        return "video"
    # MPEG transport streams repeat a sync byte every 188 bytes (192 with time stamps before).
    for start, step in ((0, 188), (4, 192)):
        marks = head[start::step]
        if len(marks) >= 5 and set(marks[:5]) == {0x47}:
            return "video"
    return None


def _is_known_other(head: bytes) -> bool:
    """Whether the file is surely something else, whatever its name says."""
    if head[4:8] == b"ftyp":
        return True
    if head.startswith((b"ID3", b"%PDF", b"PK\x03\x04", b"fLaC", b"RIFF")):
        return True
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return len(text) > 8 and all(c.isprintable() or c.isspace() for c in text)


def find_media(paths: Iterable[str | os.PathLike[str]]) -> list[Path | MediaError]:
    """The media files that the paths stand for, in the order given, each once.

    A file stands for itself, whatever it is (opening it says what is wrong with it). A folder
    stands for the photos and videos in it and in its sub-folders, sorted; other and hidden
    files in it are passed over. A name that does not exist but holds ``*``, ``?`` or ``[`` is
    taken as a pattern.

    Returns
    -------
    Paths, and in place of what cannot be found or holds no media the MediaError that says so,
    so that a batch can report it and go on
    """
    found: list[Path | MediaError] = []
    seen: set[Path] = set()
    for given in paths:
        for item in _expand(Path(given)):
            if isinstance(item, Path):
                key = item.resolve()
                if key in seen:
                    continue
                seen.add(key)
            found.append(item)
    return found


def _expand(path: Path) -> Iterator[Path | MediaError]:
    if path.is_dir():
        yield from _folder(path)
    elif not path.exists() and glob.has_magic(str(path)):
        matches = sorted(Path(p) for p in glob.glob(str(path), recursive=True))
        if not matches:
            yield MediaError(path, "no file matches this pattern", "check the pattern")
        for match in matches:
            yield from _expand(match)
    else:
        yield path


def _folder(folder: Path) -> Iterator[Path | MediaError]:
    files: list[Path] = []
    trouble: list[MediaError] = []

    def note(error: OSError) -> None:
        reason = f"cannot be listed ({error.strerror})"
        trouble.append(MediaError(error.filename or folder, reason, "check that you may read it"))

    for root, folders, names in os.walk(folder, onerror=note):
        folders[:] = [name for name in folders if not name.startswith(".")]
        files += [Path(root) / name for name in names if not name.startswith(".")]
    count = 0
    for file in sorted(files):
        try:
            if file.is_file() and kind_of(file) is not None:
                count += 1
                yield file
        except MediaError as error:
            # An empty or locked file is worth a word only if its name says that it is media.
            if file.suffix.lower() in _PHOTO_SUFFIXES | _VIDEO_SUFFIXES:
                count += 1
                yield error
    yield from trouble
    if not count and not trouble:
        yield MediaError(
            folder, "the folder holds no photo and no video", "name a folder or a file with media"
        )
