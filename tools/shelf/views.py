"""Views: what a span showed, first by the machine, then as people changed it.

A view is a plain dict that goes into the database as JSON. People's statements are turned into
one by the same decoder that reads for the machine, so that an indication never rests on
anything but a rulebook.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, Literal, TypedDict, cast

from mastread.decoder.aspect import Arrangement, Aspect, HeadShown
from mastread.decoder.decode import decode_aspect
from mastread.decoder.rulebook import Rulebook
from mastread.decoder.words import BEHAVIOURS, COLOURS, Behaviour, Colour
from mastread.tools.reading import HeadDoc, IndicationDoc, MastDoc, SpanDoc
from mastread.tools.sentences import aspect_words
from mastread.tools.texts import speaking

Verdict = Literal["confirmed", "corrected", "withheld"]

#: What a change of a person sets as a whole, so that a later reading cannot alter it.
CONTENT: Final = (
    "start_s",
    "end_s",
    "heads",
    "plates",
    "dwarf",
    "arrangement",
    "indication",
    "aspect",
)

#: Said among the reasons of an indication that rests on a person's statement.
STATED: Final = "The heads are as a person stated them."
WITHHELD: Final = "A person looked at it and said that it cannot be told."


class View(TypedDict):
    """What one mast showed over one span, and the files that show it.

    Attributes
    ----------
    mast : number of the mast in its file, from 1
    start_s, end_s : times in the source; None in a photo
    box : [x0, y0, x1, y1] of the mast, upright pixels of the source, at `poster_s`
    shift : [dx, dy] from where the heads stand in `heads` (the middle of the span) to where
        they stand at `poster_s`
    heads : as in a reading document, top to bottom
    plates : names, [] for none, None where nobody told
    dwarf, arrangement : as in `mastread.decoder.aspect.Aspect`
    indication : as in a reading document
    aspect : the heads in words
    light : day, night or unknown; see `light`
    clip : file that shows the span (for a photo the photo), relative to the shelf, or None
    clip_start_s, clip_end_s : where in the source the clip begins and ends; None in a photo
    clip_coded : picture of the clip made anew (True) or copied from the source (False)
    poster : full-size JPEG of one moment of the span, relative to the shelf
    poster_s : that moment, in the source
    crops : a close picture of each of the machine's heads, top to bottom
    verdict, who, at : what a person said of it last, who that was, and when
    note, tags : a person's own words
    hidden : removed, joined into another, or not begun to exist
    """

    mast: int
    start_s: float | None
    end_s: float | None
    box: list[float]
    shift: list[float]
    heads: list[HeadDoc]
    plates: list[str] | None
    dwarf: bool
    arrangement: Arrangement | None
    indication: IndicationDoc
    aspect: str
    light: str
    clip: str | None
    clip_start_s: float | None
    clip_end_s: float | None
    clip_coded: bool
    poster: str
    poster_s: float | None
    crops: list[str]
    verdict: Verdict | None
    who: str | None
    at: str | None
    note: str
    tags: list[str]
    hidden: bool


def machine_view(
    mast: MastDoc, span: SpanDoc, made: Mapping[str, Any], plates: Sequence[str] | None, kind: str
) -> View:
    """Return the view of a span as the machine read it.

    `made` holds what `mastread.tools.shelf.record` says of the span's files: the fields from
    `light` to `crops`, and ``box``, the mast's box at `poster_s`.
    """
    view = {
        "mast": mast["mast"],
        "start_s": span["start_s"],
        "end_s": span["end_s"],
        "heads": span["heads"],
        "plates": None if plates is None else list(plates),
        "dwarf": False,
        "arrangement": None,
        "indication": span["indication"],
        "aspect": in_words(span["heads"], photo=kind == "photo"),
        "verdict": None,
        "who": None,
        "at": None,
        "note": "",
        "tags": [],
        "hidden": False,
        **made,
    }
    return cast("View", view)


def in_words(heads: Sequence[HeadDoc], *, photo: bool) -> str:
    """Return the heads in words; in English whatever is spoken, for a shelf has one language."""
    with speaking("en"):
        return aspect_words(heads, photo=photo)


def content_of(view: View) -> dict[str, Any]:
    """Return what a person vouches for when they confirm `view`."""
    return {key: view[key] for key in CONTENT}


def stated(
    view: View, aspect: Aspect, book: Rulebook, places: Sequence[Mapping[str, float]] | None = None
) -> dict[str, Any]:
    """Return the content of `view` with the heads as a person states them.

    Parameters
    ----------
    view : what is corrected
    aspect : the statement; it is decoded by `book`
    places : ``x``, ``y`` and ``radius`` of each head; None keeps those of `view`, adding or
        leaving off places at the lower end
    """
    old = view["heads"]
    found = places if places is not None else _places(old, len(aspect.heads))
    heads = [
        _head(n, shown, place, old[n - 1] if n <= len(old) and places is None else None)
        for n, (shown, place) in enumerate(zip(aspect.heads, found, strict=True), start=1)
    ]
    indication = cast("IndicationDoc", decode_aspect(aspect, book).as_json())
    indication["reasons"] = [STATED, *indication["reasons"]]
    return {
        **content_of(view),
        "heads": heads,
        "plates": None if aspect.plates is None else sorted(aspect.plates),
        "dwarf": aspect.dwarf,
        "arrangement": aspect.arrangement,
        "indication": indication,
        "aspect": in_words(heads, photo=False),
    }


def withheld(view: View, book: Rulebook) -> dict[str, Any]:
    """Return the content of `view` for which a person said that it cannot be told."""
    safest = book.most_restrictive()
    indication: IndicationDoc = {
        "status": "unreadable",
        "rule": None,
        "name": None,
        "meaning": None,
        "possible": [],
        "most_restrictive": {"rule": safest.rule, "name": safest.name},
        "reasons": [WITHHELD],
    }
    return {**content_of(view), "indication": indication}


def aspect_of(view: View) -> Aspect:
    """Return the heads of a view as an aspect; doubt becomes ``unknown``."""
    return Aspect(
        tuple(shown_of(head) for head in view["heads"]),
        None if view["plates"] is None else frozenset(view["plates"]),
        view["dwarf"],
        view["arrangement"] if len(view["heads"]) > 1 else None,
    )


def shown_of(head: HeadDoc) -> HeadShown:
    """Return what one head of a document shows."""
    if head["behaviour"] == "dark":
        return HeadShown(None, "dark")
    colour = cast("Colour | Literal['unknown']", head["colour"])
    return HeadShown(colour, cast("Behaviour | Literal['unknown']", head["behaviour"]))


def sureness(view: View) -> float:
    """Return the odds of the name that was read; 1 where a person vouches for it, 0 if none."""
    indication = view["indication"]
    if indication["status"] != "read":
        return 0.0
    if view["verdict"] in ("confirmed", "corrected"):
        return 1.0
    named = (indication["rule"], indication["name"])
    return max(
        (item["odds"] for item in indication["possible"] if (item["rule"], item["name"]) == named),
        default=0.0,
    )


def rates(view: View) -> list[float]:
    """Return the flash rates of a view, hertz."""
    return [head["rate_hz"] for head in view["heads"] if head["rate_hz"] is not None]


def plates_word(view: View) -> str:
    """Return the plates as one word for the database."""
    if view["plates"] is None:
        return "unknown"
    return " ".join(view["plates"]) or "none"


def _head(
    number: int, shown: HeadShown, place: Mapping[str, float], before: HeadDoc | None
) -> HeadDoc:
    """A head as stated: certain, with the rate that was measured if it flashes as it did."""
    dark = shown.behaviour == "dark"
    known = not dark and shown.colour != "unknown"
    colours: dict[str, float] = (
        {c: float(c == shown.colour) for c in COLOURS}
        if known
        else {c: round(1 / len(COLOURS), 4) for c in COLOURS}
    )
    if shown.behaviour == "unknown":
        behaviours = {"steady": 0.5, "flashing": 0.5, "dark": 0.0}
    else:
        behaviours = {b: float(b == shown.behaviour) for b in BEHAVIOURS}
    same = before is not None and before["behaviour"] == shown.behaviour == "flashing"
    return {
        "head": number,
        "colour": "none" if dark else str(shown.colour),
        "behaviour": shown.behaviour,
        "confidence": 1.0 if (known or dark) and shown.behaviour != "unknown" else 0.0,
        "colour_odds": colours,
        "behaviour_odds": behaviours,
        "rate_hz": before["rate_hz"] if same and before else None,
        "rate_sd_hz": before["rate_sd_hz"] if same and before else None,
        "duty": before["duty"] if same and before else None,
        "x": round(float(place["x"]), 1),
        "y": round(float(place["y"]), 1),
        "radius": round(float(place["radius"]), 1),
    }


#: Distance of heads on one mast where only one of them was seen, in radii of its lens.
_APART: Final = 12.0


def _places(heads: Sequence[HeadDoc], count: int) -> list[Mapping[str, float]]:
    """Places for `count` heads: those that are known, then further ones below at even steps."""
    known: list[Mapping[str, float]] = [
        {"x": h["x"], "y": h["y"], "radius": h["radius"]} for h in heads
    ]
    if not known:
        known = [{"x": 0.0, "y": 0.0, "radius": 1.0}]
    last = known[-1]
    step = last["y"] - known[-2]["y"] if len(known) > 1 else _APART * last["radius"]
    while len(known) < count:
        known.append({**known[-1], "y": known[-1]["y"] + step})
    return known[:count]
