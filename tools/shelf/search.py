"""Finding spans by words and by fields."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

#: Verdicts that a query may ask for; ``none`` is a span that nobody looked at.
VERDICTS: Final = ("confirmed", "corrected", "withheld", "none")
STATUSES: Final = ("read", "ambiguous", "unreadable")
LIGHTS: Final = ("day", "night", "unknown")


@dataclass(frozen=True, slots=True)
class Query:
    """What is looked for; None leaves a field open, and all that is given must hold.

    Attributes
    ----------
    words : each a word or a phrase that stands in the span's words: aspect, indication, rule,
        plates, light, verdict, note, tags, file name
    aspect : the heads in words, exactly
    indication : rule number or name
    heads : how many
    light : one of `LIGHTS`
    sure : least odds of the indication
    rate_hz : (least, most) of some flashing head
    status : one of `STATUSES`
    verdict : one of `VERDICTS`
    who : whose verdict
    plate : a plate that was told
    kind : photo or video
    file : part of the path of the media file
    """

    words: tuple[str, ...] = ()
    aspect: str | None = None
    indication: str | None = None
    heads: int | None = None
    light: str | None = None
    sure: float | None = None
    rate_hz: tuple[float, float] | None = None
    status: str | None = None
    verdict: str | None = None
    who: str | None = None
    plate: str | None = None
    kind: str | None = None
    file: str | None = None


@dataclass(frozen=True, slots=True)
class Hit:
    """One span that matches; fields as in the table `span`, `path` that of its media file."""

    id: str
    row: int
    media: int
    path: str
    mast: int
    start_s: float | None
    end_s: float | None
    aspect: str
    heads: int
    plates: str
    status: str
    rule: str | None
    name: str | None
    safest: str
    sure: float
    light: str
    verdict: str | None
    who: str | None
    clip: str | None


#: Words that this many spans hold are common.
_MANY: Final = 2000

_COLUMNS: Final = (
    "s.id, s.row, s.media, (SELECT min(path) FROM place WHERE media = s.media) AS path, s.mast, "
    "s.start_s, s.end_s, s.aspect, s.heads, s.plates, s.status, s.rule, s.name, s.safest, s.sure, "
    "s.light, s.verdict, s.who, s.clip"
)


def find(
    database: sqlite3.Connection, query: Query, limit: int | None = None, offset: int = 0
) -> list[Hit]:
    """Return the spans that match, surest first, then in the order in which they came."""
    where, values = _where(query)
    source = _source(database, query)
    # The few that are shown are picked first; only then is anything else of them looked up.
    text = (
        f"SELECT {_COLUMNS} FROM span s WHERE s.row IN (SELECT s.row FROM {source} WHERE {where} "
        "ORDER BY s.sure DESC, s.row LIMIT ? OFFSET ?) ORDER BY s.sure DESC, s.row"
    )
    rows = database.execute(text, [*values, -1 if limit is None else limit, offset])
    return [Hit(**dict(row)) for row in rows]


def look(
    database: sqlite3.Connection, query: Query, limit: int, offset: int = 0
) -> tuple[list[Hit], int]:
    """Return a page of the spans that match and how many there are in all, with the least work."""
    if query == Query(words=query.words):
        return find(database, query, limit, offset), count(database, query)
    # Fields must be looked at span by span in any case: once for both answers.
    where, values = _where(query)
    picky = bool(query.words or query.file)
    source = "span s" if picky else _source(database, query)
    text = f"SELECT s.row FROM {source} WHERE {where} ORDER BY s.sure DESC, s.row"
    cursor = database.cursor()
    # Mere tuples: there may be many.
    cursor.row_factory = None
    rows = [row for (row,) in cursor.execute(text, values)]
    page = rows[offset : offset + limit]
    marks = ", ".join("?" * len(page))
    text = f"SELECT {_COLUMNS} FROM span s WHERE s.row IN ({marks}) ORDER BY s.sure DESC, s.row"
    return [Hit(**dict(row)) for row in database.execute(text, page)], len(rows)


def count(database: sqlite3.Connection, query: Query) -> int:
    """Return how many spans match."""
    where, values = _where(query)
    if query.words and query == Query(words=query.words):
        # Hidden spans have no words.
        text, values = "SELECT count(*) FROM words WHERE words MATCH ?", [_match(query)]
    else:
        # Here nothing can be left out: with words each match is looked up, else all fields.
        source = "span s" if query.words else _source(database, query)
        text = f"SELECT count(*) FROM {source} WHERE {where}"
    return int(database.execute(text, values).fetchone()[0])


def _source(database: sqlite3.Connection, query: Query) -> str:
    """Where to look: through the index of all fields in order, or as SQLite would have it.

    For what many spans have in common, walking that index and stopping once enough are found
    beats looking up each match; for what few have, it does not, and SQLite cannot know how
    common words are.
    """
    fields = (query.indication, query.aspect, query.who, query.rate_hz)
    rare = any(fields) or query.verdict not in (None, "none")
    if not rare and query.words:
        text = "SELECT count(*) FROM (SELECT 1 FROM words WHERE words MATCH ? LIMIT ?)"
        values = (_match(query), _MANY)
        rare = database.execute(text, values).fetchone()[0] < _MANY
    return "span s" if rare else "span s INDEXED BY span_fields"


def _match(query: Query) -> str:
    """The words of a query as FTS5 takes them."""
    return " AND ".join(phrase(words) for words in query.words)


def phrase(words: str) -> str:
    """Return words as one phrase of an FTS5 query, whatever signs they hold."""
    return '"' + words.replace('"', '""') + '"'


def _where(query: Query) -> tuple[str, Sequence[Any]]:
    """The condition in SQL and its values."""
    parts: list[tuple[str, Sequence[Any]]] = [("s.hidden = 0", ())]
    if query.words:
        inner = "s.row IN (SELECT rowid FROM words WHERE words MATCH ?)"
        parts.append((inner, (_match(query),)))
    for column, value in (
        ("aspect", query.aspect),
        ("heads", query.heads),
        ("light", query.light),
        ("status", query.status),
        ("who", query.who),
    ):
        if value is not None:
            parts.append((f"s.{column} = ?", (value,)))
    if query.indication is not None:
        parts.append(("(s.name = ? OR s.rule = ?)", (query.indication,) * 2))
    if query.sure is not None:
        parts.append(("s.sure >= ?", (query.sure,)))
    if query.rate_hz is not None:
        inner = "s.row IN (SELECT span FROM flash WHERE hz BETWEEN ? AND ?)"
        parts.append((inner, query.rate_hz))
    if query.verdict == "none":
        parts.append(("s.verdict IS NULL", ()))
    elif query.verdict is not None:
        parts.append(("s.verdict = ?", (query.verdict,)))
    if query.plate is not None:
        parts.append(("' ' || s.plates || ' ' LIKE ?", (f"% {query.plate} %",)))
    if query.kind is not None:
        parts.append(("s.media IN (SELECT id FROM media WHERE kind = ?)", (query.kind,)))
    if query.file is not None:
        inner = "s.media IN (SELECT media FROM place WHERE instr(lower(path), lower(?)))"
        parts.append((inner, (query.file,)))
    return " AND ".join(text for text, _ in parts), [v for _, values in parts for v in values]
