"""Every English sentence of the shelf, keyed as in `mastread.tools.texts`."""

from __future__ import annotations

from typing import Final

ENGLISH: Final[dict[str, str]] = {
    "shelf.none": "{path}: there is no shelf; make one with `mastread shelf add PATH...`",
    "shelf.cannot": "{path}: the shelf cannot be opened ({what}); name another folder",
    "shelf.damaged": (
        "{path}: the shelf's database cannot be read ({what}); put a copy of it back, or move it "
        "away and add the footage again"
    ),
    "shelf.foreign": "{path}: is not a shelf of this program; name another folder",
    "shelf.newer": (
        "{path}: made by a newer program (schema {found}, this one knows {known}); update mastread"
    ),
    "span.none": "no span of this shelf is called {text!r}; `mastread shelf find` lists them",
    "span.several": "{text!r} begins the names of several spans; give more letters of it",
    "who.none": "a correction needs the name of whoever makes it; give --who NAME",
    "split.where": (
        "{id} lasts from {start} to {end} s, so it cannot be split at {at} s; name a time inside"
    ),
    "split.photo": "{id} is of a photo, which has no times to split at",
    "join.few": "joining takes two spans or more of one mast",
    "join.apart": "{first} and {second} are not of the same mast of one video; nothing was joined",
    "join.between": (
        "{id} lies between the spans to be joined; join it with them or remove it first"
    ),
    "undo.none": "there is nothing to undo",
    "redo.none": "there is nothing to redo",
    "heads.bad": "heads of {id}: {what}",
}


def say(key: str, /, **values: object) -> str:
    """Return the sentence `key` with `values` filled in (KeyError if one is missing)."""
    return ENGLISH[key].format(**values)
