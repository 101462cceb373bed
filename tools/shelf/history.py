"""What people did on the shelf, in order: only ever added to, undone by adding.

A change is one act of one person; it holds a patch for each span that it touches. A view is the
machine's view with the patches of all changes *in force* laid over it, oldest first. Undoing
adds a change that takes another one out of force, redoing adds one that takes the undoing out
of force; nothing is ever lost.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, cast

from mastread.tools.shelf.views import View

UNDO: Final = "undo"
REDO: Final = "redo"


@dataclass(frozen=True, slots=True)
class Change:
    """One act of one person.

    Attributes
    ----------
    id : its number; later changes have higher ones
    who, at : name, and time (UTC, ISO 8601)
    act : confirm, correct, withhold, remove, split, join, note, undo, redo
    undoes : the change that it takes out of force, or None
    in_force : whether no later change has taken it out of force
    patches : what it says of each span, by the span's name
    """

    id: int
    who: str
    at: str
    act: str
    undoes: int | None
    in_force: bool
    patches: Mapping[str, Mapping[str, Any]]


def now() -> str:
    """Return the time as it is stored, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def add_change(
    database: sqlite3.Connection,
    who: str,
    act: str,
    patches: Mapping[int, Mapping[str, Any]],
    undoes: int | None = None,
) -> int:
    """Write a change with its patches by row of the span; return its number."""
    found = database.execute(
        "INSERT INTO change (who, at, act, undoes) VALUES (?, ?, ?, ?)", (who, now(), act, undoes)
    )
    number = cast("int", found.lastrowid)
    for row, patch in patches.items():
        text = json.dumps(patch, ensure_ascii=False, allow_nan=False)
        database.execute("INSERT INTO patch VALUES (?, ?, ?)", (number, row, text))
    return number


def out_of_force(database: sqlite3.Connection) -> set[int]:
    """Return the numbers of the changes that are undone."""
    undone: set[int] = set()
    query = "SELECT id, undoes FROM change WHERE undoes IS NOT NULL ORDER BY id DESC"
    for number, undoes in database.execute(query):
        # Newest first: whatever could undo this one has been seen already.
        if number not in undone:
            undone.add(undoes)
    return undone


def folded(database: sqlite3.Connection, row: int, base: View, undone: set[int]) -> View:
    """Return `base` with all patches in force laid over it, oldest first."""
    view = dict(base)
    query = (
        "SELECT p.change, p.patch, c.who, c.at FROM patch p JOIN change c ON c.id = p.change "
        "WHERE p.span = ? ORDER BY p.change"
    )
    for number, text, who, at in database.execute(query, (row,)):
        if number in undone:
            continue
        patch = json.loads(text)
        view.update(patch)
        if "verdict" in patch:
            view.update(who=who, at=at)
    return cast("View", view)


def last_undoable(database: sqlite3.Connection, who: str | None) -> int | None:
    """Return the newest change in force that did something, of `who` or of anybody."""
    undone = out_of_force(database)
    query = "SELECT id, who FROM change WHERE undoes IS NULL ORDER BY id DESC"
    for number, name in database.execute(query):
        if number not in undone and who in (None, name):
            return int(number)
    return None


def last_redoable(database: sqlite3.Connection, who: str | None) -> int | None:
    """Return the newest undoing in force that nothing was done after, of `who` or of anybody."""
    undone = out_of_force(database)
    query = "SELECT id, who, act FROM change ORDER BY id DESC"
    for number, name, act in database.execute(query):
        if who not in (None, name) or number in undone or act == REDO:
            continue
        return int(number) if act == UNDO else None
    return None


def history(database: sqlite3.Connection, row: int | None = None) -> list[Change]:
    """Return all changes, or those that touch one span, oldest first.

    Undoings and redoings of a change that touches the span are among them.
    """
    undone = out_of_force(database)
    names = "SELECT p.patch, s.id FROM patch p JOIN span s ON s.row = p.span WHERE p.change = ?"
    if row is None:
        rows = database.execute("SELECT * FROM change ORDER BY id").fetchall()
    else:
        rows = database.execute(_OF_SPAN, (row,)).fetchall()
    return [
        Change(
            entry["id"],
            entry["who"],
            entry["at"],
            entry["act"],
            entry["undoes"],
            entry["id"] not in undone,
            {name: json.loads(text) for text, name in database.execute(names, (entry["id"],))},
        )
        for entry in rows
    ]


#: Changes of one span, with what undoes them, what undoes that, and so on.
_OF_SPAN: Final = """
WITH RECURSIVE touched (id) AS (
  SELECT change FROM patch WHERE span = ?
  UNION
  SELECT c.id FROM change c JOIN touched t ON c.undoes = t.id
)
SELECT c.* FROM change c JOIN touched t ON t.id = c.id ORDER BY c.id
"""
