"""Checking a shelf: are the files as they were, and do readings agree with what is round them?

What is found about readings is a hint for people, never a correction: trains may pass a signal
that changes, and a mast may really show an aspect for a moment.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from pathlib import Path
from typing import Literal

from mastread.decoder.progression import check_progression
from mastread.decoder.rulebook import BookError, Indication, Rulebook
from mastread.tools.shelf.database import transaction
from mastread.tools.shelf.figures import figures
from mastread.tools.shelf.record import read_record
from mastread.tools.shelf.shelve import digest_of
from mastread.tools.shelf.store import Shelf, Span
from mastread.tools.shelf.texts import say
from mastread.tools.texts import clock
from mastread.vision.errors import MediaError

Kind = Literal["missing", "changed", "torn", "neighbours", "progression"]
Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something worth a look.

    Attributes
    ----------
    kind : ``missing`` and ``changed``: a file of the footage; ``torn``: a file of the shelf;
        ``neighbours``: a span against those before and after it; ``progression``: a signal
        against the promise of the one before it
    media : key of the file
    span : name of the span, or None where the whole file is meant
    words : one sentence
    """

    kind: Kind
    media: int
    span: str | None
    words: str


def check(
    shelf: Shelf, line: Sequence[str] = (), report: Progress = lambda share: None
) -> list[Finding]:
    """Look through the whole shelf, note the findings in it, and return them.

    Parameters
    ----------
    line : names of spans that a train meets one after the other, in that order
    """
    media = [row["id"] for row in shelf.database.execute("SELECT id FROM media ORDER BY id")]
    found: list[Finding] = []
    for done, one in enumerate(media, start=1):
        found += [*_footage(shelf, one), *_kept(shelf, one)]
        found += hints(shelf, one)
        report(done / len(media))
    if line:
        found += _row(shelf, [shelf.span(name) for name in line])
    _note(shelf, found)
    return found


def hints(shelf: Shelf, media: int) -> list[Finding]:
    """Return what is odd about the spans of one file beside one another; no file is opened."""
    spans = shelf.spans_of(media)
    return [*_neighbours(spans), *_ride(shelf, spans)]


def _footage(shelf: Shelf, media: int) -> Iterator[Finding]:
    """Footage that is gone from its place, or no longer what was read."""
    query = (
        "SELECT p.path, m.sha256 FROM place p JOIN media m ON m.id = p.media "
        "WHERE m.id = ? ORDER BY p.path"
    )
    for path, sha256 in shelf.database.execute(query, (media,)).fetchall():
        where = shelf.folder / path
        try:
            same = digest_of(where) == sha256
        except MediaError:
            yield Finding("missing", media, None, say("check.missing", path=path))
            continue
        if not same:
            yield Finding("changed", media, None, say("check.changed", path=path))


def _kept(shelf: Shelf, media: int) -> Iterator[Finding]:
    """Files of the shelf itself that are gone or no longer what was written."""
    folders = {
        (span.view["clip"] or span.view["poster"]).rpartition("/")[0]
        for span in shelf.spans_of(media)
    }
    for folder in sorted(folders):
        record = read_record(shelf.folder / folder)
        if record is None:
            yield Finding("torn", media, None, say("check.folder", path=folder))
            continue
        for name, file in record["files"].items():
            if not _is_whole(shelf.folder / folder / name, file["bytes"], file["sha256"]):
                path = f"{folder}/{name}"
                yield Finding("torn", media, None, say("check.torn", path=path))


def _is_whole(path: Path, size: int, sha256: str) -> bool:
    try:
        return path.stat().st_size == size and digest_of(path) == sha256
    except (OSError, MediaError):
        return False


def _neighbours(spans: Sequence[Span]) -> Iterator[Finding]:
    """Spans that do not fit those before and after them on the same mast."""
    shortest = figures("check")["shortest_span_s"]
    for _, group in groupby(spans, key=lambda span: span.view["mast"]):
        row = list(group)
        for one, other in pairwise(row):
            if len(one.view["heads"]) != len(other.view["heads"]):
                words = say(
                    "check.heads",
                    count=len(other.view["heads"]),
                    before=len(one.view["heads"]),
                )
                yield Finding("neighbours", other.media, other.id, words)
        for before, middle, after in zip(row, row[1:], row[2:], strict=False):
            start, end = middle.view["start_s"] or 0.0, middle.view["end_s"] or 0.0
            same = before.view["aspect"] == after.view["aspect"] != middle.view["aspect"]
            if same and end - start < shortest:
                words = say(
                    "check.brief",
                    aspect=middle.view["aspect"],
                    length=end - start,
                    around=before.view["aspect"],
                )
                yield Finding("neighbours", middle.media, middle.id, words)


def _ride(shelf: Shelf, spans: Sequence[Span]) -> Iterator[Finding]:
    """Where a camera rides along, masts come one after the other: do they keep their promises?

    What counts of each mast is what it showed last, before the train came by.
    """
    last = [list(group)[-1] for _, group in groupby(spans, key=lambda span: span.view["mast"])]
    first = [next(group) for _, group in groupby(spans, key=lambda span: span.view["mast"])]
    if len(last) < 2 or any(span.view["start_s"] is None for span in spans):
        return
    times = [
        (a.view["start_s"] or 0.0, b.view["end_s"] or 0.0) for a, b in zip(first, last, strict=True)
    ]
    order = sorted(range(len(last)), key=lambda k: times[k])
    if any(times[k][0] < times[i][1] for i, k in pairwise(order)):
        # Masts that stand in view together need not be passed one after the other.
        return
    yield from _row(shelf, [last[k] for k in order])


def _row(shelf: Shelf, spans: Sequence[Span]) -> Iterator[Finding]:
    """Promises that successive signals break; spans of different books are not compared."""
    try:
        book = shelf.book(spans[0].reading)
        others = {shelf.book(span.reading).label for span in spans}
    except BookError:
        return
    if others != {book.label}:
        return
    signals = [_indication(span, book) for span in spans]
    for step in check_progression(signals, book):
        if not step.kept:
            span = spans[step.at - 1]
            yield Finding("progression", span.media, span.id, _with_time(span, step.text))


def _with_time(span: Span, text: str) -> str:
    start = span.view["start_s"]
    return text if start is None else say("check.at", time=clock(start), text=text)


def _indication(span: Span, book: Rulebook) -> Indication | None:
    told = span.view["indication"]
    if told["status"] != "read":
        return None
    named = (told["rule"], told["name"])
    return next((i for i in book.indications if (i.rule, i.name) == named), None)


def _note(shelf: Shelf, found: Sequence[Finding]) -> None:
    """Note the findings in the shelf instead of those of the last time."""
    with transaction(shelf.database) as database:
        database.execute("DELETE FROM finding")
        for one in found:
            row = None if one.span is None else shelf.span(one.span).row
            values = (row, one.media, one.kind, one.words)
            database.execute("INSERT INTO finding VALUES (?, ?, ?, ?)", values)
