"""The record of one file: all that the machine made of it, beside its clips in one folder.

A worker makes the folder aside and gives it its place by one rename, the record in it; only
then is it entered into the database. So whatever kills the program leaves either nothing or a
whole folder that the next run enters without reading the file again.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any, Final, TypedDict, cast

from mastread.tools.reading import MastDoc, Reading, SpanDoc

#: Name of the record in the folder of a file.
NAME: Final = "record.json"
FORMAT: Final = "mastread-shelf-record"
VERSION: Final = 1

#: Folder of all these folders, below the shelf.
CLIPS: Final = "clips"

#: Letters of a span's name: no vowels, so no words, and nothing that looks like another.
_LETTERS: Final = "bcdfghjkmnpqrstvwxz23456789"
_LENGTH: Final = 12


class Made(TypedDict):
    """The files made of one span; see `mastread.tools.shelf.views.View` for the fields."""

    box: list[float]
    shift: list[float]
    light: str
    clip: str | None
    clip_start_s: float | None
    clip_end_s: float | None
    clip_coded: bool
    poster: str
    poster_s: float | None
    crops: list[str]


class FileDoc(TypedDict):
    """A file of the folder as it was written."""

    bytes: int
    sha256: str


class Record(TypedDict):
    """What ``record.json`` holds.

    Attributes
    ----------
    sha256, bytes : of the media file
    recipe : digest of everything besides the file that the outcome depends on
    reader, book, book_title, hints : see the table `reading`
    made_at : time
    reading : the reading document; its path is the file's name alone
    made : for each mast and span of the document the files that show it, their names relative
        to the record's folder
    files : all files of the folder besides the record
    """

    format: str
    version: int
    sha256: str
    bytes: int
    recipe: str
    reader: str
    book: str
    book_title: str
    hints: dict[str, Any]
    made_at: str
    reading: Reading
    made: list[list[Made]]
    files: dict[str, FileDoc]


def folder_of(sha256: str, recipe: str) -> str:
    """Return the place of a file's folder, relative to the shelf."""
    return f"{CLIPS}/{sha256[:2]}/{sha256[:20]}-{recipe[:8]}"


def span_id(sha256: str, recipe: str, mast: int, number: int) -> str:
    """Return the name of a span: the same whenever and wherever its file is read this way."""
    return letters(f"{sha256}/{recipe}/{mast}/{number}")


def letters(text: str) -> str:
    """Return twelve letters and digits that stand for `text`."""
    value = int.from_bytes(hashlib.sha256(text.encode()).digest()[:16], "big")
    found = ""
    for _ in range(_LENGTH):
        value, at = divmod(value, len(_LETTERS))
        found += _LETTERS[at]
    return found


def read_record(folder: Path) -> Record | None:
    """Return the record in a folder; None where there is none, or not a whole one."""
    try:
        found = json.loads((folder / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        return None
    return cast("Record", found) if found.get("version") == VERSION else None


def write_record(folder: Path, record: Record) -> None:
    """Write the record; the last thing that is done in a folder."""
    text = json.dumps(record, ensure_ascii=False, allow_nan=False)
    with (folder / NAME).open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        # What bears its final name must be whole even if the power fails next.
        os.fsync(file.fileno())


def spans_of(record: Record) -> list[tuple[MastDoc, int, SpanDoc, Made]]:
    """Return mast, number of the span (from 1), span and its files, in order."""
    return [
        (mast, number, span, made)
        for mast, all_made in zip(record["reading"]["masts"], record["made"], strict=True)
        for number, (span, made) in enumerate(zip(mast["spans"], all_made, strict=True), start=1)
    ]
