"""The shelf: what was read in many files, and what people say of it, in one folder.

The folder
----------
::

    SHELF/shelf.sqlite             the database (schema-N.sql beside this module)
    SHELF/books/NAME-DIGEST.toml   every rulebook that was read with, so that a correction is
                                   decoded by the very book
    SHELF/clips/xx/HASH-RECIPE/    for each file: its clips, posters and crops, and
                                   ``record.json`` with the machine's reading (`record`)

Every path in the database is relative to the folder, also those of footage outside it as long
as it is on the same drive; so the folder moves with its files.

The tables
----------
``media``    a photo or video by the SHA-256 of its content; ``place``: where it lies.
``reading``  what the machine read in it, by which book and version; rows are never altered.
``span``     what one mast showed for one stretch of time, in short, to find by. In ``seen``, in
             full (`views.View`, JSON): ``base`` is the machine's view of it, ``view`` the one
             with people's changes in force, of which ``span`` repeats parts. ``hidden`` spans
             were removed, joined into another, or are no longer seen.
``change``   an act of a person: who, when, what. ``patch``: what it says of each span that it
             touches (keys of a `View`). Both only ever grow; triggers refuse anything else.
             Undoing and redoing are changes too (`history`).
``flash``, ``words``  rates and full text (FTS5) of the views. ``finding``: see `check`.

Using it
--------
>>> with Shelf.open(folder) as shelf:
...     hits = shelf.find(Query(words=("flashing yellow",)), limit=20)   # search.py
...     span = shelf.span(hits[0].id)          # or the first letters of its name
...     span.view, span.machine                # now; and as the machine had it
...     shelf.confirm(span.id, "Jo")           # the view as it stands is right
...     shelf.correct(span.id, "Jo", "flashing yellow over red with R plate")
...     shelf.correct_heads(span.id, "Jo", [{"colour": "red", "behaviour": "steady",
...                                          "x": 410.0, "y": 220.0, "radius": 7.0}])
...     shelf.withhold(span.id, "Jo")          # it cannot be told
...     shelf.retime(span.id, "Jo", 1.0, 4.5)
...     later = shelf.split(span.id, "Jo", 3.2)
...     shelf.join([span.id, later], "Jo")
...     shelf.remove(span.id, "Jo")            # no signal mast at all
...     shelf.note(span.id, "Jo", note="seen from the footbridge", tags=["snow"])
...     shelf.undo("Jo"), shelf.redo("Jo")     # the last change of Jo; None: of anybody
...     shelf.history(span.id)                 # all of it, undone or not

Each of these is one transaction on disk when the call returns: nothing is lost when the program
or the machine dies. A person's statement is decoded at once, by the decoder that reads for the
machine and by the book of the reading; its certainty is 1, whatever the machine's was. Several
processes may use a shelf; one `Shelf` belongs to one thread.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, cast

from mastread.decoder.aspect import DARK, Aspect, HeadShown
from mastread.decoder.language import parse_aspect
from mastread.tools.shelf import history as past
from mastread.tools.shelf.database import ShelfError, transaction
from mastread.tools.shelf.looking import LookingShelf, Span, WrongCallError
from mastread.tools.shelf.record import letters
from mastread.tools.shelf.rows import insert_span, write_view
from mastread.tools.shelf.search import Hit, Query
from mastread.tools.shelf.texts import say
from mastread.tools.shelf.views import View, content_of, stated, withheld


class Shelf(LookingShelf):
    """An open shelf; use it in a ``with`` statement, in one thread.

    Opening, finding and looking stand in `LookingShelf`.
    """

    # --- what people say ----------------------------------------------------------------------

    def confirm(self, name: str, who: str) -> int:
        """A person vouches for the view as it stands; return the number of the change."""
        with self._changing(who):
            span = self.span(name)
            patch = {**content_of(span.view), "verdict": "confirmed"}
            return self._change(who, "confirm", {span.row: patch})

    def correct(self, name: str, who: str, aspect: Aspect | str) -> int:
        """A person says what the mast showed, in words (AspectError if they are none).

        Words without a plate say that there is none; "plates unknown" leaves them open.
        """
        stated_aspect = parse_aspect(aspect) if isinstance(aspect, str) else aspect
        with self._changing(who):
            span = self.span(name)
            content = stated(span.view, stated_aspect, self.book(span.reading))
            return self._change(who, "correct", {span.row: {**content, "verdict": "corrected"}})

    def correct_heads(
        self,
        name: str,
        who: str,
        heads: Sequence[Mapping[str, Any]],
        *,
        plates: Sequence[str] | None = None,
        dwarf: bool = False,
    ) -> int:
        """A person says what each head showed and where it is.

        Parameters
        ----------
        heads : top to bottom, each with ``colour`` (a colour, ``"unknown"``, or ``"none"`` for
            a dark head), ``behaviour`` (``"unknown"`` too), ``x``, ``y``, ``radius``
        plates : names; None where nobody can tell

        Raises
        ------
        WrongCallError
            If the heads are none, too many, or not heads.
        """
        try:
            aspect = Aspect(
                tuple(_shown(head) for head in heads),
                None if plates is None else frozenset(plates),
                dwarf,
            )
            places = [{key: float(head[key]) for key in ("x", "y", "radius")} for head in heads]
        except (KeyError, TypeError, ValueError) as error:
            raise WrongCallError(say("heads.bad", id=name, what=error)) from None
        with self._changing(who):
            span = self.span(name)
            content = stated(span.view, aspect, self.book(span.reading), places)
            return self._change(who, "correct", {span.row: {**content, "verdict": "corrected"}})

    def withhold(self, name: str, who: str) -> int:
        """A person looked and says that it cannot be told."""
        with self._changing(who):
            span = self.span(name)
            patch = {**withheld(span.view, self.book(span.reading)), "verdict": "withheld"}
            return self._change(who, "withhold", {span.row: patch})

    def remove(self, name: str, who: str) -> int:
        """A person says that this is no signal mast; the span is hidden, not deleted."""
        with self._changing(who):
            return self._change(who, "remove", {self.span(name).row: {"hidden": True}})

    def note(
        self, name: str, who: str, *, note: str | None = None, tags: Sequence[str] | None = None
    ) -> int:
        """A person writes a note or tags beside a span; None leaves what was there."""
        patch: dict[str, Any] = {}
        if note is not None:
            patch["note"] = note
        if tags is not None:
            patch["tags"] = list(dict.fromkeys(tags))
        with self._changing(who):
            return self._change(who, "note", {self.span(name).row: patch})

    def retime(self, name: str, who: str, start_s: float, end_s: float) -> int:
        """A person moves the ends of a span of a video (WrongCallError if they cross)."""
        with self._changing(who):
            span = self.span(name)
            if span.view["start_s"] is None or not 0 <= start_s < end_s:
                raise WrongCallError(say("retime.where", id=span.id, start=start_s, end=end_s))
            patch = {"start_s": start_s, "end_s": end_s}
            return self._change(who, "retime", {span.row: patch})

    def split(self, name: str, who: str, at_s: float) -> str:
        """A person says that the mast changed at `at_s`; return the name of the later part."""
        with self._changing(who):
            span = self.span(name)
            start, end = span.view["start_s"], span.view["end_s"]
            if start is None or end is None or not start < at_s < end:
                raise WrongCallError(_cannot_split(span, at_s))
            count = self.database.execute("SELECT count(*) FROM span").fetchone()[0]
            later = letters(f"{span.id}/{at_s}/{count}")
            base = cast("View", {**span.view, "hidden": True, "start_s": at_s})
            row = insert_span(self.database, later, span.media, span.reading, "person", base)
            patches: dict[int, dict[str, Any]] = {
                span.row: {"end_s": at_s},
                row: {"hidden": False},
            }
            self._change(who, "split", patches)
            return later

    def join(self, names: Sequence[str], who: str) -> int:
        """A person says that spans of one mast are one; the first keeps its name and heads."""
        with self._changing(who):
            spans = sorted(
                {s.row: s for s in map(self.span, names)}.values(),
                key=lambda s: s.view["start_s"] or 0.0,
            )
            if len(spans) < 2:
                raise WrongCallError(say("join.few"))
            first = spans[0]
            for other in spans[1:]:
                same = (first.media, first.view["mast"]) == (other.media, other.view["mast"])
                if not same or other.view["start_s"] is None:
                    raise WrongCallError(say("join.apart", first=first.id, second=other.id))
            self._refuse_between(spans)
            end = max(s.view["end_s"] or 0.0 for s in spans)
            patches: dict[int, dict[str, Any]] = {s.row: {"hidden": True} for s in spans[1:]}
            return self._change(who, "join", {first.row: {"end_s": end}, **patches})

    def undo(self, who: str, *, anybody: bool = False) -> int:
        """Take the last change of `who` (or of anybody) out of force; return its number.

        Raises
        ------
        WrongCallError
            If there is none.
        """
        return self._turn_back(who, past.UNDO, None if anybody else who)

    def redo(self, who: str, *, anybody: bool = False) -> int:
        """Take back the last undoing, as long as nothing was done after it."""
        return self._turn_back(who, past.REDO, None if anybody else who)

    # --- inside -------------------------------------------------------------------------------

    @contextmanager
    def _changing(self, who: str) -> Iterator[None]:
        if not who.strip():
            raise WrongCallError(say("who.none"))
        with transaction(self.database):
            yield

    def _change(self, who: str, act: str, patches: Mapping[int, Mapping[str, Any]]) -> int:
        number = past.add_change(self.database, who.strip(), act, patches)
        self.refold(patches)
        return number

    def _turn_back(self, who: str, act: str, whose: str | None) -> int:
        with self._changing(who):
            last = past.last_undoable if act == past.UNDO else past.last_redoable
            number = last(self.database, None if whose is None else whose.strip())
            if number is None:
                raise WrongCallError(say(f"{act}.none"))
            past.add_change(self.database, who.strip(), act, {}, number)
            undone = number
            while act == past.REDO:
                # Redoing takes an undoing out of force; the spans are those of what it undid.
                row = self.database.execute(
                    "SELECT undoes FROM change WHERE id = ?", (undone,)
                ).fetchone()
                if row["undoes"] is None:
                    break
                undone = row["undoes"]
            rows = self.database.execute("SELECT span FROM patch WHERE change = ?", (undone,))
            self.refold([row["span"] for row in rows.fetchall()])
            return undone

    def refold(self, rows: Sequence[int] | Mapping[int, Any]) -> None:
        """Compute the views of spans anew from base and history; inside a transaction."""
        undone = past.out_of_force(self.database)
        for row in rows:
            query = "SELECT base FROM seen WHERE span = ?"
            text = self.database.execute(query, (row,)).fetchone()
            view = past.folded(self.database, row, json.loads(text["base"]), undone)
            write_view(self.database, row, view)

    def _refuse_between(self, spans: Sequence[Span]) -> None:
        rows = {s.row for s in spans}
        first, last = spans[0].view["start_s"] or 0.0, spans[-1].view["start_s"] or 0.0
        for other in self.spans_of(spans[0].media):
            same_mast = other.view["mast"] == spans[0].view["mast"]
            start = other.view["start_s"]
            if same_mast and other.row not in rows and start is not None and first < start < last:
                raise WrongCallError(say("join.between", id=other.id))


def _shown(head: Mapping[str, Any]) -> HeadShown:
    if head["behaviour"] == "dark" or head["colour"] == "none":
        return DARK
    return HeadShown(head["colour"], head["behaviour"])


def _cannot_split(span: Span, at_s: float) -> str:
    if span.view["start_s"] is None:
        return say("split.photo", id=span.id)
    return say(
        "split.where",
        id=span.id,
        start=span.view["start_s"],
        end=span.view["end_s"],
        at=at_s,
    )


__all__ = ["Hit", "Query", "Shelf", "ShelfError", "Span", "WrongCallError"]
