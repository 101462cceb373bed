"""Entering records into the database: each file in one transaction, and each once."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import cast

from mastread.tools.shelf.database import transaction
from mastread.tools.shelf.matching import match
from mastread.tools.shelf.record import (
    CLIPS,
    Made,
    Record,
    folder_of,
    read_record,
    span_id,
    spans_of,
)
from mastread.tools.shelf.rows import insert_span
from mastread.tools.shelf.store import Shelf, Span
from mastread.tools.shelf.views import View, machine_view


def enter(shelf: Shelf, record: Record, place: tuple[str, int, int] | None = None) -> int:
    """Enter what a worker made of one file; return the key of the media.

    Does nothing but note the place where the very reading is on the shelf already. Spans that
    an older reading of the file knows keep their names, and with them what people said;
    spans that are no longer seen are hidden unless a person vouched for them.

    Parameters
    ----------
    place : path, bytes and mtime_ns of the file, as in the table `place`
    """
    with transaction(shelf.database) as database:
        media = _media(database, record)
        if place is not None:
            note_place(shelf, media, place)
        if not known_reading(database, record["sha256"], record["recipe"]):
            old = [s for s in shelf.spans_of(media, hidden=True) if s.origin == "machine"]
            reading = _reading(database, media, record)
            _spans(shelf, media, reading, record, old)
    return media


def note_place(shelf: Shelf, media: int, place: tuple[str, int, int]) -> None:
    """Note where a file lies; inside a transaction. Its spans can then be found by its name."""
    path, size, mtime_ns = place
    database = shelf.database
    query = "SELECT media FROM place WHERE path = ?"
    before = database.execute(query, (path,)).fetchone()
    database.execute(
        "INSERT INTO place VALUES (?, ?, ?, ?) ON CONFLICT (path) DO UPDATE SET "
        "media = excluded.media, bytes = excluded.bytes, mtime_ns = excluded.mtime_ns",
        (path, media, size, mtime_ns),
    )
    if before is None or before["media"] != media:
        of_media = "SELECT row FROM span WHERE media IN (?, ?)"
        others = (media, media if before is None else before["media"])
        shelf.refold([row["row"] for row in database.execute(of_media, others).fetchall()])


def known_reading(database: sqlite3.Connection, sha256: str, recipe: str) -> bool:
    """Whether the shelf holds the reading of that content by that recipe."""
    query = (
        "SELECT 1 FROM reading r JOIN media m ON m.id = r.media WHERE m.sha256 = ? AND r.recipe = ?"
    )
    return database.execute(query, (sha256, recipe)).fetchone() is not None


def adopt(shelf: Shelf) -> int:
    """Enter whole folders that a run which was killed left behind; return how many."""
    known = {row["folder"] for row in shelf.database.execute("SELECT folder FROM reading")}
    count = 0
    for folder in sorted(_folders(shelf.folder)):
        name = folder.relative_to(shelf.folder).as_posix()
        if name in known:
            continue
        record = read_record(folder)
        if record is None or folder_of(record["sha256"], record["recipe"]) != name:
            shutil.rmtree(folder, ignore_errors=True)
            continue
        enter(shelf, record)
        count += 1
    return count


def sweep(shelf: Shelf) -> int:
    """Remove folders whose clips no span shows any more; return how many."""
    database = shelf.database
    clips = database.execute("SELECT DISTINCT clip FROM span WHERE clip IS NOT NULL")
    used = {row["clip"].rpartition("/")[0] for row in clips}
    latest = "SELECT folder FROM reading GROUP BY media HAVING id = max(id)"
    used |= {row["folder"] for row in database.execute(latest)}
    removed = 0
    for folder in _folders(shelf.folder):
        if folder.relative_to(shelf.folder).as_posix() not in used:
            shutil.rmtree(folder, ignore_errors=True)
            removed += 1
    return removed


def _folders(shelf: Path) -> Iterator[Path]:
    return (path for path in (shelf / CLIPS).glob("*/*") if path.is_dir())


def _media(database: sqlite3.Connection, record: Record) -> int:
    source = record["reading"]["source"]
    database.execute(
        "INSERT INTO media (sha256, bytes, kind, width, height, duration_s, frames) "
        "VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (sha256) DO NOTHING",
        (
            record["sha256"],
            record["bytes"],
            source["kind"],
            source["width"],
            source["height"],
            source.get("duration_s"),
            source.get("frames"),
        ),
    )
    query = "SELECT id FROM media WHERE sha256 = ?"
    return int(database.execute(query, (record["sha256"],)).fetchone()["id"])


def _reading(database: sqlite3.Connection, media: int, record: Record) -> int:
    found = database.execute(
        "INSERT INTO reading (media, recipe, reader, book, book_title, hints, folder, document, "
        "made_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            media,
            record["recipe"],
            record["reader"],
            record["book"],
            record["book_title"],
            json.dumps(record["hints"]),
            folder_of(record["sha256"], record["recipe"]),
            json.dumps(record["reading"], ensure_ascii=False, allow_nan=False),
            record["made_at"],
        ),
    )
    return cast("int", found.lastrowid)


def _spans(shelf: Shelf, media: int, reading: int, record: Record, old: list[Span]) -> None:
    database = shelf.database
    folder = folder_of(record["sha256"], record["recipe"])
    kind = str(record["reading"]["source"]["kind"])
    plates = record["hints"].get("plates")
    found = spans_of(record)
    views = [
        machine_view(mast, span, _at(made, folder), plates, kind) for mast, _, span, made in found
    ]
    same = match([span.machine for span in old], views)
    touched: list[int] = []
    for i, (mast, number, _, _) in enumerate(found):
        if i in same:
            row = old[same[i]].row
            _rebase(database, row, reading, views[i])
            touched.append(row)
        else:
            name = span_id(record["sha256"], record["recipe"], mast["mast"], number)
            insert_span(database, name, media, reading, "machine", views[i])
    for k, span in enumerate(old):
        if k not in same.values() and span.view["verdict"] is None:
            _rebase(database, span.row, span.reading, {**span.machine, "hidden": True})
            touched.append(span.row)
    shelf.refold(touched)


def _rebase(database: sqlite3.Connection, row: int, reading: int, base: View) -> None:
    text = json.dumps(base, ensure_ascii=False, allow_nan=False)
    database.execute("UPDATE seen SET base = ? WHERE span = ?", (text, row))
    database.execute("UPDATE span SET reading = ? WHERE row = ?", (reading, row))


def _at(made: Made, folder: str) -> Made:
    """Names of files relative to the shelf instead of the record's folder."""

    def name(file: str) -> str:
        return f"{folder}/{file}"

    return {
        **made,
        "clip": None if made["clip"] is None else name(made["clip"]),
        "poster": name(made["poster"]),
        "crops": [name(crop) for crop in made["crops"]],
    }
