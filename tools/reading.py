"""The reading document: what the camera saw, joined with what it means.

One document per media file, the public contract that every output is made from (captions,
pictures, somebody's own script). `reading.schema.json` beside this module describes it;
`schema` returns that. Numbers are rounded to what they can carry, and are always finite.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from importlib.resources import files
from typing import Any, Final, Literal, NotRequired, TypedDict, cast

from mastread.decoder.decode import decode
from mastread.decoder.rulebook import Rulebook
from mastread.decoder.words import BEHAVIOURS, COLOURS, NOTICE
from mastread.vision.label import STATE_AT, HeadLabel, label_head
from mastread.vision.types import HeadSeen, MastSeen, Seen, SourceInfo, SpanSeen

FORMAT: Final = "mastread-reading"
VERSION: Final = 1


class SourceDoc(TypedDict):
    """The media file; sizes null where it could not be read."""

    path: str
    kind: str | None
    width: int | None
    height: int | None
    duration_s: NotRequired[float | None]
    frames: NotRequired[int | None]


class BookDoc(TypedDict):
    """The rulebook used: its name on the command line, its title and its edition."""

    name: str
    title: str
    edition: str


class NamedDoc(TypedDict):
    """An indication by rule number (null where no source gives it) and name."""

    rule: str | None
    name: str


class PossibleDoc(NamedDoc):
    """One indication that the evidence leaves open."""

    odds: float


class IndicationDoc(TypedDict):
    """What the mast said, or why that cannot be told."""

    status: Literal["read", "ambiguous", "unreadable"]
    rule: str | None
    name: str | None
    meaning: str | None
    possible: list[PossibleDoc]
    most_restrictive: NamedDoc
    reasons: list[str]


class HeadDoc(TypedDict):
    """One head over one span."""

    head: int
    colour: str
    behaviour: str
    confidence: float
    colour_odds: dict[str, float]
    behaviour_odds: dict[str, float]
    rate_hz: float | None
    rate_sd_hz: float | None
    duty: float | None
    x: float
    y: float
    radius: float


class SpanDoc(TypedDict):
    """A stretch of time in which the mast showed one aspect."""

    start_s: float | None
    end_s: float | None
    heads: list[HeadDoc]
    indication: IndicationDoc


class MastDoc(TypedDict):
    """One mast."""

    mast: int
    box: list[float]
    spans: list[SpanDoc]


class Reading(TypedDict):
    """The whole document."""

    format: str
    version: int
    notice: str
    source: SourceDoc
    rulebook: BookDoc
    masts: list[MastDoc]
    error: NotRequired[str]


def build_reading(seen: Seen, book: Rulebook) -> Reading:
    """Return the document for what was seen in one media file, decoded by `book`."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "notice": NOTICE,
        "source": _source(seen.source),
        "rulebook": _rulebook(book),
        "masts": [_mast(mast, seen.source, book) for mast in seen.masts],
    }


def error_reading(path: str, message: str, book: Rulebook, kind: str | None = None) -> Reading:
    """Return the document for a file that could not be read: an error and no masts."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "notice": NOTICE,
        "source": {"path": path, "kind": kind, "width": None, "height": None},
        "rulebook": _rulebook(book),
        "masts": [],
        "error": message,
    }


def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the document."""
    text = files("mastread.tools").joinpath("reading.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def to_json(document: object, *, indent: int | None = None) -> str:
    """Return `document` as JSON, on one line unless `indent` is given.

    Raises
    ------
    ValueError
        If it holds a number that JSON has no word for (NaN, infinity).
    """
    return json.dumps(document, ensure_ascii=False, allow_nan=False, indent=indent)


def _source(source: SourceInfo) -> SourceDoc:
    doc: SourceDoc = {
        "path": source.path,
        "kind": source.kind,
        "width": source.width,
        "height": source.height,
    }
    if source.kind == "video":
        doc["duration_s"] = _number(source.duration_s, 3)
        doc["frames"] = source.frames
    return doc


def _rulebook(book: Rulebook) -> BookDoc:
    return {"name": book.name, "title": book.title, "edition": book.edition}


def _mast(mast: MastSeen, source: SourceInfo, book: Rulebook) -> MastDoc:
    return {
        "mast": mast.mast,
        "box": [round(float(value), 1) for value in mast.box],
        "spans": [_span(span, source, book) for span in mast.spans],
    }


def _span(span: SpanSeen, source: SourceInfo, book: Rulebook) -> SpanDoc:
    return {
        "start_s": _number(span.start_s, 3),
        "end_s": _number(span.end_s, 3),
        "heads": [_head(i, head, source) for i, head in enumerate(span.heads, start=1)],
        "indication": cast("IndicationDoc", decode(span.evidence, book).as_json()),
    }


def _head(number: int, head: HeadSeen, source: SourceInfo) -> HeadDoc:
    label = label_head(head) if source.kind == "video" else _label_in_photo(head)
    behaviour = label.behaviour
    flashing = behaviour == "flashing"
    return {
        "head": number,
        "colour": "none" if behaviour == "dark" else label.colour,
        "behaviour": behaviour,
        "confidence": round(label.confidence, 4),
        "colour_odds": _odds(head.colour_odds, COLOURS),
        "behaviour_odds": _odds(head.behaviour_odds, BEHAVIOURS),
        "rate_hz": _number(head.rate_hz, 4) if flashing else None,
        "rate_sd_hz": _number(head.rate_sd_hz, 4) if flashing else None,
        "duty": _number(head.duty, 3) if flashing else None,
        "x": round(float(head.x), 1),
        "y": round(float(head.y), 1),
        "radius": round(float(head.radius), 1),
    }


def _label_in_photo(head: HeadSeen) -> HeadLabel:
    """Words for a head at one instant: lit (nobody knows whether it flashes), or without light.

    A head without light is called dark even though it may be a flashing lamp between two
    flashes: that is what the photo shows, and the odds keep the doubt.
    """
    lit = head.behaviour_odds.get("steady", 0.0)
    if lit <= 1.0 - STATE_AT and head.behaviour_odds.get("dark", 0.0) > 1.0 - STATE_AT:
        return HeadLabel("none", "dark", 1.0 - lit)
    label = label_head(head)
    return label if label.behaviour == "dark" else replace(label, behaviour="unknown")


def _odds(odds: Mapping[Any, float], words: tuple[str, ...]) -> dict[str, float]:
    return {word: round(float(odds.get(word, 0.0)), 4) for word in words}


def _number(value: float | None, digits: int) -> float | None:
    """Round; a number that is not finite says nothing and becomes null."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)
