"""The tables of a packed data set: each field with its type and what it holds."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

Row = Mapping[str, Any]

#: ``spans.csv``: one row a span. Types are those of Table Schema.
SPANS: Final[dict[str, tuple[str, str]]] = {
    "id": ("string", "Name of the span."),
    "part": ("string", "train, validation or test."),
    "clip": ("string", "The clip, or the photo itself."),
    "poster": ("string", "One moment of the span as a picture, full size."),
    "footage": ("string", "Name of the file that it was cut from."),
    "mast": ("integer", "Number of the mast in its file."),
    "start_s": ("number", "Begin of the span in the footage, seconds; empty in a photo."),
    "end_s": ("number", "End of the span in the footage, seconds; empty in a photo."),
    "clip_start_s": ("number", "Begin of the clip in the footage, seconds; empty in a photo."),
    "aspect": ("string", "The heads in words, top to bottom."),
    "heads": ("integer", "Number of heads."),
    "plates": ("string", "Plates that were told: names, none, or unknown."),
    "status": ("string", "read, ambiguous or unreadable."),
    "rule": ("string", "Rule number of the indication."),
    "indication": ("string", "Name of the indication; empty unless read."),
    "fail_safe": ("string", "The most restrictive of what is possible."),
    "odds": ("number", "Odds of the indication; 1 where a person vouches, 0 if none."),
    "machine_indication": ("string", "What the machine read, whatever a person said."),
    "verdict": ("string", "confirmed, corrected, withheld; empty if no person looked."),
    "said_by": ("string", "Who gave the verdict."),
    "said_at": ("datetime", "When, UTC."),
    "light": ("string", "day, night or unknown; dusk counts as day."),
    "licence": ("string", "Licence of the footage."),
    "credit": ("string", "Whom to name."),
}

#: ``heads.csv``: one row a head.
HEADS: Final[dict[str, tuple[str, str]]] = {
    "span": ("string", "Name of the span."),
    "head": ("integer", "Number of the head, from the top."),
    "colour": ("string", "Colour; none where dark, unknown where it cannot be told."),
    "behaviour": ("string", "steady, flashing, dark or unknown."),
    "confidence": ("number", "Odds of colour and behaviour together."),
    "rate_hz": ("number", "Flash rate, hertz; empty unless flashing."),
    "x": ("number", "Middle of the lens in the poster, pixels from the left."),
    "y": ("number", "Middle of the lens in the poster, pixels from the top."),
    "radius": ("number", "Radius of the lens, pixels."),
}


def schema_of(fields: Mapping[str, tuple[str, str]]) -> list[dict[str, str]]:
    """Return the fields as a Table Schema lists them."""
    return [
        {"name": name, "type": kind, "description": words} for name, (kind, words) in fields.items()
    ]
