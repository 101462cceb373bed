"""Every English sentence of the desk's server, keyed as in `mastread.tools.texts`."""

from __future__ import annotations

from typing import Final

ENGLISH: Final[dict[str, str]] = {
    "extra": "the desk needs Flask; install it with `pip install mastread[desk]`",
    "open": "The desk is open at {address}",
    "stop": "Ctrl-C closes it; nothing is lost.",
    "port": "port {port} is taken or not allowed ({what}); leave --port out and one is found",
    "refused.host": "this address is not the desk's own; open the address that mastread printed",
    "refused.origin": "another page asked for this; the desk answers only its own",
    "refused.key": "not found; open the address that mastread printed when it started",
    "refused.json": "the desk did not understand that; load the page again",
    "gone": "that file is not on the shelf any more",
    "who.none": "write your name first; every statement bears one",
    "draft.none": "nothing has been changed yet, so there is nothing to keep",
    "draft.bad": "that is no list of heads: {what}",
    "draft.end": "there is nothing to {what} in this draft",
    "drop.name": "this kind of file is not read; drop a photo or a video",
    "drop.large": "{name} is larger than {limit} GB; add it with `mastread shelf add` instead",
    "drop.head": "{name} holds neither a photo nor a video that can be read; it was not kept",
    "drop.slow": "{name} came too slowly and was given up; drop it again",
    "drop.cut": "{name} ended before it was whole; drop it again",
    "drop.empty": "{name} is empty; drop it again when it is whole",
    "drop.room": "there is no room for {name} on this disk; make some and drop it again",
    "work.waiting": "{name} waits to be read",
    "work.reading": "{name} is being read",
    "work.done.one": "{name} is read: one span is new",
    "work.done": "{name} is read: {count} spans are new",
    "work.known": "{name} was on the shelf already",
    "work.crash": "{name} ended the program that read it; add it alone, or report it",
    "work.cannot": "{name} cannot be put on the shelf ({what}); try again",
    "overruled.title": "How often people overruled the machine",
    "overruled.none": "Nobody has confirmed or corrected anything yet.",
    "curves.none": "No light curve is kept for this clip; add its footage again to have one.",
    "curves.photo": "A photo has no light curve.",
}


def say(key: str, /, **values: object) -> str:
    """Return the sentence `key` with `values` filled in (KeyError if one is missing)."""
    return ENGLISH[key].format(**values)
