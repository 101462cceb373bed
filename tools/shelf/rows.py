"""Writing spans: the view as JSON, the columns to find by, the rates and the words."""

from __future__ import annotations

import json
import sqlite3
from pathlib import PurePosixPath
from typing import Any, cast

from mastread.tools.shelf.views import View, plates_word, rates, sureness


def insert_span(
    database: sqlite3.Connection, name: str, media: int, reading: int, origin: str, base: View
) -> int:
    """Write a new span whose view is its base; return its row."""
    text = json.dumps(base, ensure_ascii=False, allow_nan=False)
    columns = {
        "id": name,
        "media": media,
        "reading": reading,
        "origin": origin,
        **_columns(base),
    }
    marks = ", ".join(f":{key}" for key in columns)
    query = f"INSERT INTO span ({', '.join(columns)}) VALUES ({marks})"
    row = cast("int", database.execute(query, columns).lastrowid)
    database.execute("INSERT INTO seen VALUES (?, ?, ?)", (row, text, text))
    _index(database, row, media, name, base)
    return row


def write_view(database: sqlite3.Connection, row: int, view: View) -> None:
    """Write a span's view and everything that follows from it."""
    text = json.dumps(view, ensure_ascii=False, allow_nan=False)
    database.execute("UPDATE seen SET view = ? WHERE span = ?", (text, row))
    columns = _columns(view)
    sets = ", ".join(f"{key} = :{key}" for key in columns)
    database.execute(f"UPDATE span SET {sets} WHERE row = :row", {**columns, "row": row})
    media, name = database.execute("SELECT media, id FROM span WHERE row = ?", (row,)).fetchone()
    database.execute("DELETE FROM flash WHERE span = ?", (row,))
    database.execute("DELETE FROM words WHERE rowid = ?", (row,))
    _index(database, row, media, name, view)


def _columns(view: View) -> dict[str, Any]:
    indication = view["indication"]
    return {
        "hidden": int(view["hidden"]),
        "mast": view["mast"],
        "start_s": view["start_s"],
        "end_s": view["end_s"],
        "aspect": view["aspect"],
        "heads": len(view["heads"]),
        "plates": plates_word(view),
        "status": indication["status"],
        "rule": indication["rule"],
        "name": indication["name"],
        "safest": indication["most_restrictive"]["name"],
        "sure": sureness(view),
        "light": view["light"],
        "verdict": view["verdict"],
        "who": view["who"],
        "clip": view["clip"],
    }


def _index(database: sqlite3.Connection, row: int, media: int, name: str, view: View) -> None:
    if view["hidden"]:
        return
    for hz in rates(view):
        database.execute("INSERT INTO flash VALUES (?, ?)", (row, hz))
    database.execute(
        "INSERT INTO words (rowid, body) VALUES (?, ?)",
        (row, _body(database, media, name, view)),
    )


def _body(database: sqlite3.Connection, media: int, name: str, view: View) -> str:
    """Everything by whose words a span may be looked for."""
    indication = view["indication"]
    places = database.execute(
        "SELECT path FROM place WHERE media = ? ORDER BY path", (media,)
    ).fetchall()
    plates = [f"{plate} plate" for plate in view["plates"] or ()]
    parts = [
        view["aspect"],
        indication["name"] or "",
        f"rule {indication['rule']}" if indication["rule"] else "",
        indication["status"],
        *plates,
        "dwarf" if view["dwarf"] else "",
        view["light"],
        view["verdict"] or "",
        view["who"] or "",
        view["note"],
        *view["tags"],
        *(PurePosixPath(place["path"]).stem for place in places),
        name,
    ]
    # A full stop and a line end between parts would not keep a phrase from running across
    # them; a word that nobody types does.
    return " xqx ".join(part for part in parts if part)
