"""Which spans are asked: only those that are sure, spread over the indications."""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import dataclass, replace

from mastread.decoder.aspect import Aspect
from mastread.decoder.decode import decode_aspect
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.tools.shelf.search import Hit, Query
from mastread.tools.shelf.store import Shelf, Span
from mastread.tools.shelf.views import aspect_of

#: A machine's reading is asked from these odds on.
SURE_AT = 0.95


@dataclass(frozen=True, slots=True)
class Picked:
    """A span to ask about, and its answer.

    Attributes
    ----------
    aspect : what it shows
    several : whether other masts of its file are on the shelf for the same time
    """

    span: Span
    hit: Hit
    aspect: Aspect
    indication: Indication
    book: Rulebook
    several: bool


def pick(
    shelf: Shelf,
    query: Query,
    count: int,
    rng: random.Random,
    *,
    book: str | None = None,
    sure: float = SURE_AT,
) -> list[Picked]:
    """Return up to `count` spans, each indication in turn, so that no common one crowds in.

    Parameters
    ----------
    book : name of the rulebook that spans were read by; None for any
    sure : least odds of a machine's reading; what a person confirmed or corrected is asked
        whatever the machine thought of it
    """
    by_name: dict[str, list[Hit]] = defaultdict(list)
    for hit in shelf.find(query):
        vouched = hit.verdict in ("confirmed", "corrected")
        if hit.status == "read" and hit.name and (vouched or hit.sure >= sure):
            by_name[f"{hit.rule} {hit.name}"].append(hit)
    for name in sorted(by_name):
        by_name[name].sort(key=lambda hit: hit.id)
        rng.shuffle(by_name[name])
    turns = sorted(by_name)
    rng.shuffle(turns)
    found: list[Picked] = []
    while len(found) < count and any(by_name.values()):
        for name in turns:
            while by_name[name] and len(found) < count:
                picked = _picked(shelf, by_name[name].pop())
                if picked is not None and book in (None, picked.book.name):
                    found.append(picked)
                    break
    return found


def _picked(shelf: Shelf, hit: Hit) -> Picked | None:
    """The span with its answer; None where it makes no question that can be answered."""
    span = shelf.span(hit.id)
    view = span.view
    heads = view["heads"]
    if not 1 <= len(heads) <= 3 or any(head["colour"] == "unknown" for head in heads):
        return None
    book = shelf.book(span.reading)
    named = (view["indication"]["rule"], view["indication"]["name"])
    same = (i for i in book.indications if (i.rule, i.name) == named)
    indication = next(same, None)
    aspect = aspect_of(view)
    if any(head.behaviour == "unknown" for head in aspect.heads):
        aspect = _steady(aspect)
        if (told := decode_aspect(_plain(aspect), book)) and (told.rule, told.name) != named:
            return None
    # A photo cannot be asked where the answer flashes: nobody could see it.
    flashes = any(head.behaviour == "flashing" for head in aspect.heads)
    if indication is None or (flashes and view["start_s"] is None):
        return None
    others = {s.view["mast"] for s in shelf.spans_of(span.media)}
    return Picked(span, hit, aspect, indication, book, len(others) > 1)


def _steady(aspect: Aspect) -> Aspect:
    """The aspect with each head of which nobody can tell whether it flashes taken as steady.

    Where a photo was read, the indication is the same either way, or no such aspect flashes.
    """
    heads = tuple(
        replace(head, behaviour="steady") if head.behaviour == "unknown" else head
        for head in aspect.heads
    )
    return replace(aspect, heads=heads)


def _plain(aspect: Aspect) -> Aspect:
    return aspect if aspect.plates is not None else replace(aspect, plates=frozenset())
