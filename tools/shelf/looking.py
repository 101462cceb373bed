"""Looking at a shelf: opening it, finding spans, readings, books, and what people did."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self, cast

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools.reading import Reading
from mastread.tools.shelf import history as past
from mastread.tools.shelf import search
from mastread.tools.shelf.database import connect
from mastread.tools.shelf.history import Change
from mastread.tools.shelf.search import Hit, Query
from mastread.tools.shelf.texts import say
from mastread.tools.shelf.views import View


class WrongCallError(ValueError):
    """A change cannot be made as asked; the message is one line and says why."""


@dataclass(frozen=True, slots=True)
class Span:
    """A span as it stands.

    Attributes
    ----------
    id : its name
    row, media, reading : keys of the database
    origin : ``"machine"``, or ``"person"`` where it came about by splitting
    view : with people's changes in force
    machine : the machine's view of it; of a span that a person made, of what it was made from
    """

    id: str
    row: int
    media: int
    reading: int
    origin: str
    view: View
    machine: View


class LookingShelf:
    """An open shelf that can be looked at; `mastread.tools.shelf.store.Shelf` is used."""

    def __init__(self, folder: Path, database: sqlite3.Connection) -> None:
        """Use `open` or `create`."""
        self.folder = folder
        self.database = database

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the shelf in `folder`.

        Raises
        ------
        ShelfError
            There is none, or it cannot be used; one line.
        """
        return cls(folder, connect(folder, create=False))

    @classmethod
    def create(cls, folder: Path) -> Self:
        """Open the shelf in `folder`, making it if there is none (ShelfError as in `open`)."""
        return cls(folder, connect(folder, create=True))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the database."""
        self.database.close()

    # --- looking ------------------------------------------------------------------------------

    def find(self, query: Query, limit: int | None = None, offset: int = 0) -> list[Hit]:
        """Return the spans that match, surest first; see `search`."""
        return search.find(self.database, query, limit, offset)

    def look(self, query: Query, limit: int, offset: int = 0) -> tuple[list[Hit], int]:
        """Return a page of the spans that match, and how many there are in all."""
        return search.look(self.database, query, limit, offset)

    def count(self, query: Query) -> int:
        """Return how many spans match."""
        return search.count(self.database, query)

    def span(self, name: str) -> Span:
        """Return the span whose name is, or alone begins with, `name`.

        Raises
        ------
        WrongCallError
            If none or several do.
        """
        text = name.strip().lower()
        rows = self.database.execute(
            f"{_SPANS} WHERE s.id >= ? AND s.id < ? ORDER BY s.id LIMIT 2", (text, text + "~")
        ).fetchall()
        if not rows or not text:
            raise WrongCallError(say("span.none", text=name))
        if len(rows) > 1 and rows[0]["id"] != text:
            raise WrongCallError(say("span.several", text=name))
        return _span(rows[0])

    def spans_of(self, media: int, *, hidden: bool = False) -> list[Span]:
        """Return the spans of one file by mast and time."""
        rows = self.database.execute(
            f"{_SPANS} WHERE s.media = ? AND s.hidden <= ? ORDER BY s.mast, s.start_s, s.row",
            (media, int(hidden)),
        )
        return [_span(row) for row in rows]

    def document(self, reading: int) -> Reading:
        """Return the machine's reading document (KeyError if there is no such reading)."""
        row = self.database.execute(
            "SELECT document FROM reading WHERE id = ?", (reading,)
        ).fetchone()
        if row is None:
            raise KeyError(reading)
        return cast("Reading", json.loads(row["document"]))

    def book(self, reading: int) -> Rulebook:
        """Return the rulebook that a reading was decoded by, from the shelf's own copy."""
        row = self.database.execute("SELECT book FROM reading WHERE id = ?", (reading,)).fetchone()
        if row is None:
            raise KeyError(reading)
        return load_book(self.folder / row["book"])

    def history(self, name: str | None = None) -> list[Change]:
        """Return what people did, oldest first: to one span, or to the whole shelf."""
        return past.history(self.database, None if name is None else self.span(name).row)


_SPANS: Final = (
    "SELECT s.id, s.row, s.media, s.reading, s.origin, v.view, v.base "
    "FROM span s JOIN seen v ON v.span = s.row"
)


def _span(row: sqlite3.Row) -> Span:
    return Span(
        row["id"],
        row["row"],
        row["media"],
        row["reading"],
        row["origin"],
        json.loads(row["view"]),
        json.loads(row["base"]),
    )
