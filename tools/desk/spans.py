"""What the page is told of one span."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, cast

import numpy as np

from mastread.decoder.decode import decode_aspect
from mastread.decoder.language import AspectError, say_aspect
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools.desk.drafts import Draft, aspect_of_draft, content_of_view, open_draft
from mastread.tools.desk.texts import say
from mastread.tools.reading import MastDoc, SpanDoc
from mastread.tools.report.light import light_curves
from mastread.tools.report.timeline import Places
from mastread.tools.shelf.measured import Measured, read_measured
from mastread.tools.shelf.store import Shelf, Span, WrongCallError
from mastread.tools.shelf.views import View, aspect_of
from mastread.tools.texts import clock
from mastread.vision.types import LightCurve

#: Most places of the mast that the page is told, over a whole clip.
_MOST_PLACES: Final = 2000


def span_told(shelf: Shelf, span: Span, who: str) -> dict[str, Any]:
    """Return all that the page shows of a span, with the draft that `who` has open."""
    view = span.view
    source = shelf.database.execute(
        "SELECT kind, width, height FROM media WHERE id = ?", (span.media,)
    ).fetchone()
    places = shelf.database.execute(
        "SELECT path FROM place WHERE media = ? ORDER BY path", (span.media,)
    ).fetchall()
    measured = None
    if view["clip"] is not None and source["kind"] == "video":
        measured = read_measured((shelf.folder / view["clip"]).parent, view["mast"])
    book = book_of(shelf, span.reading)
    draft = open_draft(shelf, span, who) if who.strip() else None
    spans = [other for other in shelf.spans_of(span.media) if other.view["mast"] == view["mast"]]
    return {
        "id": span.id,
        "kind": source["kind"],
        "width": source["width"],
        "height": source["height"],
        "file": str(places[0]["path"] if places else "").rpartition("/")[2],
        "times": _times(view),
        "view": _view(view),
        "machine": _view(span.machine),
        "book": book.label,
        "clip": view["clip"] is not None and source["kind"] == "video",
        "crops": len(view["crops"]),
        "frames": _frames(measured, view),
        "path": _path(measured, view),
        "curves": _curves(measured, view, source["kind"]),
        "draft": draft_told(draft, span, book),
        "findings": [
            row["words"]
            for row in shelf.database.execute(
                "SELECT words FROM finding WHERE span = ? ORDER BY rowid", (span.row,)
            )
        ],
        "row": [
            {"id": other.id, "times": _times(other.view), "aspect": other.view["aspect"]}
            for other in spans
        ],
        "history": [
            {"who": c.who, "at": c.at, "act": c.act, "in_force": c.in_force}
            for c in shelf.history(span.id)
        ],
    }


def draft_told(draft: Draft | None, span: Span, book: Rulebook) -> dict[str, Any]:
    """Return a draft with what it would mean; without one, the content to begin with."""
    content = content_of_view(span) if draft is None else draft.content
    told = {
        "open": draft is not None and draft.can_undo,
        "can_undo": draft is not None and draft.can_undo,
        "can_redo": draft is not None and draft.can_redo,
        "content": content,
    }
    return {**told, **means(content, book)} if told["open"] else told


def means(content: Mapping[str, Any], book: Rulebook) -> dict[str, Any]:
    """Return what a draft states in words and what the decoder makes of it, or what is wrong."""
    try:
        aspect = aspect_of_draft(content)
    except (AspectError, WrongCallError) as error:
        return {"trouble": str(error)}
    heads = [{"colour": h.colour or "none", "behaviour": h.behaviour} for h in aspect.heads]
    return {
        "aspect": say_aspect(aspect),
        "indication": decode_aspect(aspect, book).as_json(),
        "heads": heads,
    }


def book_of(shelf: Shelf, reading: int) -> Rulebook:
    """Return the book of a reading, loaded once."""
    row = shelf.database.execute("SELECT book FROM reading WHERE id = ?", (reading,)).fetchone()
    path = shelf.folder / row["book"]
    return _book(path, path.stat().st_mtime_ns)


@lru_cache(maxsize=16)
def _book(path: Path, mtime_ns: int) -> Rulebook:
    return load_book(path)


def _view(view: View) -> dict[str, Any]:
    keys = ("mast", "start_s", "end_s", "box", "shift", "heads", "plates", "dwarf", "arrangement")
    more = ("indication", "aspect", "light", "clip_start_s", "clip_end_s", "poster_s", "verdict")
    told = {key: cast("Mapping[str, Any]", view)[key] for key in (*keys, *more)}
    said = ""
    with contextlib.suppress(ValueError):
        said = say_aspect(aspect_of(view))
    return {
        **told,
        "who": view["who"],
        "at": view["at"],
        "note": view["note"],
        "hidden": view["hidden"],
        # What can be typed to say the same.
        "words": said,
    }


def _times(view: View) -> str:
    if view["start_s"] is None or view["end_s"] is None:
        return ""
    return f"{clock(view['start_s'])} – {clock(view['end_s'])}"


def _frames(measured: Measured | None, view: View) -> list[float]:
    """Times of the frames of the clip, from its beginning; empty where they are not known."""
    if measured is None or not measured.curves or view["clip_start_s"] is None:
        return []
    times = np.unique(np.concatenate([curve.time_s for curve in measured.curves]))
    start, end = view["clip_start_s"], view["clip_end_s"] or float("inf")
    within = times[(times >= start - 1e-4) & (times <= end + 1e-4)] - start
    return [round(float(time), 5) for time in within]


def _path(measured: Measured | None, view: View) -> list[list[float]]:
    """Where the mast stood against the places of its heads: time in the clip, right, down."""
    if measured is None or not len(measured.path) or view["clip_start_s"] is None:
        return []
    start, end = view["clip_start_s"], view["clip_end_s"] or float("inf")
    time = measured.path[:, 0]
    # Heads are told where they stand in the middle of the span.
    middle = ((view["start_s"] or 0.0) + (view["end_s"] or 0.0)) / 2
    rest = [float(np.interp(middle, time, measured.path[:, k])) for k in (1, 2)]
    within = measured.path[(time >= start - 1e-4) & (time <= end + 1e-4)]
    step = max(1, -(-len(within) // _MOST_PLACES))
    return [
        [round(float(t - start), 4), round(float(x - rest[0]), 1), round(float(y - rest[1]), 1)]
        for t, x, y in within[::step]
    ]


def _curves(measured: Measured | None, view: View, kind: str) -> str:
    """The light curves of the clip as SVG drawn by the report's own hand, or a sentence."""
    if kind == "photo":
        return say("curves.photo")
    start, end = view["clip_start_s"], view["clip_end_s"]
    if measured is None or start is None or end is None:
        return say("curves.none")
    curves = []
    for curve in measured.curves:
        within = (curve.time_s >= start - 1e-4) & (curve.time_s <= end + 1e-4)
        curves.append(
            LightCurve(
                curve.mast,
                curve.head,
                curve.time_s[within] - start,
                curve.flux[within],
                curve.lit[within],
            )
        )
    doc = cast(
        "MastDoc",
        {
            "mast": view["mast"],
            "box": view["box"],
            "spans": [
                cast(
                    "SpanDoc",
                    {
                        "start_s": (view["start_s"] or 0.0) - start,
                        "end_s": (view["end_s"] or 0.0) - start,
                        "heads": view["heads"],
                        "indication": view["indication"],
                    },
                )
            ],
        },
    )
    drawn = light_curves(tuple(curves), doc, Places("c", end - start))
    return say("curves.none") if drawn is None else str(drawn)
