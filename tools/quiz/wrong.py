"""Wrong answers that teach: indications whose aspect differs by one lamp or one flash."""

from __future__ import annotations

import random
from dataclasses import dataclass

from mastread.decoder.aspect import Aspect, HeadShown
from mastread.decoder.language import say_aspect, say_head
from mastread.decoder.reasons import place
from mastread.decoder.rulebook import Entry, Indication, Rulebook
from mastread.tools.quiz.texts import say

#: How many wrong answers stand beside the right one.
WRONG = 3


@dataclass(frozen=True, slots=True)
class Choice:
    """One answer to choose.

    Attributes
    ----------
    name : of the indication, with its rule number
    right : whether it is the answer
    why : a sentence that goes on after the name: how it would look against what is shown; of
        the right one a sentence of its own
    """

    name: str
    right: bool
    why: str


def wrong_answers(
    aspect: Aspect, right: Indication, book: Rulebook, rng: random.Random, count: int = WRONG
) -> list[Choice]:
    """Return indications that are easily taken for the right one, nearest aspects first.

    Every other indication of the book is ranked by its aspect that is nearest to what is shown:
    one lamp or one flash apart before two, the same number of heads before another. Those that
    are equally near are shuffled. Disputed rows are left out.
    """
    nearest: dict[Indication, tuple[tuple[int, int], Entry]] = {}
    for entry in book.entries():
        if entry.row.disputed or entry.indication.label == right.label:
            continue
        far = distance(aspect, entry.row.aspect)
        known = nearest.get(entry.indication)
        if known is None or far < known[0]:
            nearest[entry.indication] = far, entry
    ranked = sorted(nearest.values(), key=lambda item: (item[0], item[1].indication.label))
    # Equally near ones change places, so that another seed asks otherwise.
    shuffled = sorted(((far, rng.random(), entry) for far, entry in ranked), key=lambda x: x[:2])
    chosen: list[Choice] = []
    names = {right.label}
    for _, _, entry in shuffled:
        if len(chosen) < count and entry.indication.label not in names:
            names.add(entry.indication.label)
            why = instead(aspect, entry)
            chosen.append(Choice(entry.indication.label, right=False, why=why))
    return chosen


def distance(one: Aspect, other: Aspect) -> tuple[int, int]:
    """How far two aspects lie apart: heads more or fewer and plates, then colours and flashes."""
    count = abs(len(one.heads) - len(other.heads))
    plates = len((one.plates or frozenset()) ^ (other.plates or frozenset()))
    kind = int(one.dwarf != other.dwarf)
    apart = 0
    for a, b in zip(one.heads, other.heads, strict=False):
        apart += int(a.colour != b.colour) + int(a.behaviour != b.behaviour)
        apart += 2 * int(a.form != b.form)
    return 2 * count + plates + kind + apart, count + kind


def instead(shown: Aspect, entry: Entry) -> str:
    """Say what the signal would have to show to mean this; goes on after the name of it."""
    aspect = entry.row.aspect
    words = say_aspect(aspect)
    told = differences(shown, aspect)
    if not told:
        return say("instead.plain", aspect=words)
    return say("instead", aspect=words, differences="; ".join(told))


def differences(shown: Aspect, other: Aspect) -> list[str]:
    """Say head by head in what `other` differs from what is shown; empty if heads do not match."""
    count = len(shown.heads)
    if count != len(other.heads):
        return []
    return [
        _difference(place(i, count), a, b)
        for i, (a, b) in enumerate(zip(shown.heads, other.heads, strict=True))
        if a != b
    ]


def _difference(where: str, shown: HeadShown, other: HeadShown) -> str:
    if shown.colour == other.colour and shown.form == other.form:
        if other.behaviour == "flashing":
            return say("difference.flash", place=where)
        if other.behaviour == "steady" and shown.behaviour == "flashing":
            return say("difference.steady", place=where)
    if shown.behaviour == other.behaviour == "steady" and shown.form == other.form:
        return say("difference.colour", place=where, colour=other.colour, other=shown.colour)
    return say("difference.both", place=where, head=say_head(other), other=say_head(shown))
