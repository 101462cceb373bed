"""The queue: spans that most need eyes come first.

Withheld ones come first, then those that break a promise of the signal before, then those that
disagree with their neighbours, each group by falling doubt; then all others by falling doubt. What
a person has looked at comes last.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from mastread.tools.shelf.check import hints
from mastread.tools.shelf.database import transaction
from mastread.tools.shelf.search import phrase
from mastread.tools.shelf.store import Shelf

SHOWS: Final = ("open", "done", "all")


@dataclass(frozen=True, slots=True)
class Line:
    """One span of the queue; fields as in the table `span`, `why` one of `WHY`."""

    id: str
    file: str
    mast: int
    start_s: float | None
    end_s: float | None
    aspect: str
    name: str | None
    safest: str
    sure: float
    status: str
    verdict: str | None
    who: str | None
    why: str


#: Why a span stands where it does, by the rank that the query gives it.
WHY: Final = ("odds", "neighbours", "progression", "withheld")

_RANK: Final = """
  CASE WHEN s.status <> 'read' THEN 3 ELSE coalesce((SELECT max(CASE f.kind
    WHEN 'progression' THEN 2 WHEN 'neighbours' THEN 1 ELSE 0 END)
    FROM finding f WHERE f.span = s.row), 0) END
"""


def queue(
    shelf: Shelf, show: str = "open", words: str = "", limit: int = 60, offset: int = 0
) -> tuple[list[Line], dict[str, int]]:
    """Return a page of the queue, and how many spans there are of each kind of `SHOWS`."""
    where, values = ["s.hidden = 0"], list[object]()
    if words.strip():
        where.append("s.row IN (SELECT rowid FROM words WHERE words MATCH ?)")
        values.append(" AND ".join(phrase(word) for word in words.split()))
    shown = {"open": ["s.verdict IS NULL"], "done": ["s.verdict IS NOT NULL"]}.get(show, [])
    condition = " AND ".join([*where, *shown])
    text = (
        f"SELECT s.row, {_RANK} AS rank FROM span s WHERE {condition} "
        "ORDER BY s.verdict IS NOT NULL, rank DESC, s.sure, s.row LIMIT ? OFFSET ?"
    )
    lines = []
    for row, rank in shelf.database.execute(text, [*values, limit, offset]).fetchall():
        found = shelf.database.execute(_LINE, (row,)).fetchone()
        place = str(found["path"] or "").rpartition("/")[2]
        told = {key: found[key] for key in found.keys() if key != "path"}  # noqa: SIM118
        lines.append(Line(file=place, why=WHY[rank], **told))
    count = (
        "SELECT count(*), count(*) FILTER (WHERE s.verdict IS NULL) FROM span s "
        f"WHERE {' AND '.join(where)}"
    )
    total, left = shelf.database.execute(count, values).fetchone()
    return lines, {"all": total, "open": left, "done": total - left}


_LINE: Final = (
    "SELECT s.id, s.mast, s.start_s, s.end_s, s.aspect, s.name, s.safest, s.sure, s.status, "
    "s.verdict, s.who, (SELECT min(path) FROM place WHERE media = s.media) AS path "
    "FROM span s WHERE s.row = ?"
)


def note_hints(shelf: Shelf, media: int) -> None:
    """Note in the shelf what is odd about the spans of one file, instead of what was noted."""
    kinds = "('neighbours', 'progression')"
    found = [
        (None if one.span is None else shelf.span(one.span).row, one.media, one.kind, one.words)
        for one in hints(shelf, media)
    ]
    noted = shelf.database.execute(
        f"SELECT span, media, kind, words FROM finding WHERE media = ? AND kind IN {kinds}",
        (media,),
    ).fetchall()
    # Each transaction waits for the disk: a shelf of thousands of files has few to write.
    if sorted(map(repr, found)) == sorted(repr(tuple(row)) for row in noted):
        return
    with transaction(shelf.database) as database:
        database.execute(f"DELETE FROM finding WHERE media = ? AND kind IN {kinds}", (media,))
        database.executemany("INSERT INTO finding VALUES (?, ?, ?, ?)", found)
