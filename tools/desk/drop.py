"""Taking in a dropped file: only photos and videos, not too large, not too slowly, whole."""

from __future__ import annotations

import secrets
import shutil
import time
import unicodedata
from pathlib import Path
from typing import IO, Final, Protocol

from mastread.tools.desk.texts import say
from mastread.vision.media import kind_of_head

#: Folder of dropped files, below the shelf.
DROPPED: Final = "dropped"

#: Largest file that is taken over the page, bytes; larger ones are added where they lie.
MOST_BYTES: Final = 4 * 1024**3

#: Endings that are taken (footage as cameras and telephones write it).
ENDINGS: Final = frozenset(
    (
        *(".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".bmp"),
        *(".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".mts", ".m2ts", ".mpg", ".mpeg"),
        *(".ts", ".3gp"),
    )
)

#: A file comes from the same machine: slower than this over so long is no honest sender.
LEAST_PACE: Final = 64 * 1024
GRACE_S: Final = 10.0

#: Room that is left on the disk at least, bytes.
LEAST_ROOM: Final = 512 * 1024**2

_BLOCK: Final = 1 << 18
_HEAD: Final = 4096
_LONGEST_NAME: Final = 80


class DropError(Exception):
    """The file was not taken; one line for the page, and the HTTP status."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Clock(Protocol):
    """Tells seconds."""

    def __call__(self) -> float: ...


def safe_name(name: str) -> str:
    """Return a name that is one harmless part of a path on any system, as like as can be.

    Raises
    ------
    DropError
        If the ending is none of `ENDINGS`.
    """
    plain = unicodedata.normalize("NFC", name).replace("\\", "/").rpartition("/")[2]
    stem, dot, ending = plain.rpartition(".")
    if not dot or f".{ending.lower()}" not in ENDINGS:
        raise DropError(415, say("drop.name"))
    kept = "".join(c if c.isalnum() or c in " -_()" else "-" for c in stem)
    return f"{kept.strip(' -')[:_LONGEST_NAME] or 'footage'}.{ending.lower()}"


def take(
    stream: IO[bytes],
    name: str,
    length: int | None,
    shelf: Path,
    *,
    most: int = MOST_BYTES,
    clock: Clock = time.monotonic,
) -> Path:
    """Write what comes into a file below the shelf and return where it is.

    Parameters
    ----------
    length : how many bytes are said to come; None where that is not told

    Raises
    ------
    DropError
        If it is too large, too slow, no photo or video, or not whole; nothing is kept then.
    """
    kept = safe_name(name)
    if length is not None and length > most:
        raise DropError(413, say("drop.large", name=kept, limit=most // 1024**3 or 1))
    folder = shelf / DROPPED
    folder.mkdir(parents=True, exist_ok=True)
    if shutil.disk_usage(folder).free < (length or 0) + LEAST_ROOM:
        raise DropError(507, say("drop.room", name=kept))
    half = folder / f"{secrets.token_hex(8)}.part"
    try:
        with half.open("xb") as out:
            total = _pour(stream, out, kept, most, clock)
        if not total:
            raise DropError(400, say("drop.empty", name=kept))
        if length is not None and total != length:
            raise DropError(400, say("drop.cut", name=kept))
        # A folder of its own keeps the name as it is, whatever lies there already.
        own = folder / secrets.token_hex(6)
        own.mkdir()
        return half.rename(own / kept)
    finally:
        half.unlink(missing_ok=True)


def _pour(stream: IO[bytes], out: IO[bytes], name: str, most: int, clock: Clock) -> int:
    total, begin, head = 0, clock(), b""
    while True:
        try:
            block = stream.read(_BLOCK)
        except OSError:
            raise DropError(408, say("drop.slow", name=name)) from None
        if not block:
            break
        total += len(block)
        if total > most:
            raise DropError(413, say("drop.large", name=name, limit=most // 1024**3 or 1))
        spent = clock() - begin
        if spent > GRACE_S and total < LEAST_PACE * spent:
            raise DropError(408, say("drop.slow", name=name))
        if len(head) < _HEAD:
            head += block[: _HEAD - len(head)]
            if len(head) == _HEAD and kind_of_head(head) is None:
                raise DropError(415, say("drop.head", name=name))
        out.write(block)
    if total and len(head) < _HEAD and kind_of_head(head) is None:
        raise DropError(415, say("drop.head", name=name))
    return total
