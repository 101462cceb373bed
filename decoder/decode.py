"""From evidence to an answer: read, ambiguous or unreadable, with every reason said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Any, Final, Literal, cast

from mastread.decoder.aspect import Aspect, HeadShown
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.order import Orders
from mastread.decoder.policy import load_policy
from mastread.decoder.reasons import say_reasons
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.decoder.weigh import Weighed, weigh
from mastread.decoder.words import COLOURS, Behaviour, Colour

Status = Literal["read", "ambiguous", "unreadable"]

#: Above this share of dark heads, or of unlisted combinations, there is nothing to choose among.
_HALF: Final = 0.5
_STOP: Final = Orders(0, 0, 0)


@dataclass(frozen=True, slots=True)
class Decision:
    """What a mast told, as far as the evidence carries.

    Attributes
    ----------
    status : ``"read"``, ``"ambiguous"`` or ``"unreadable"``
    rule, name, meaning : str or None
        Of the indication that was read; None unless `status` is ``"read"`` (the rule also
        where no source gives its number).
    possible : tuple of (rule, name, odds)
        Every indication that the evidence leaves open, likeliest first. What the odds lack
        to 1 belongs to showing no aspect of the book, or to what is no longer open.
    most_restrictive : (rule, name)
        The fail-safe answer among what is open.
    reasons : tuple of str
        Plain sentences.
    unlisted : float
        Odds of showing no aspect of this book.
    obey_all : Orders
        The orders that obey everything that is open: what is left where no single indication
        covers the others (slow here, and ready to stop at the next signal).
    """

    status: Status
    rule: str | None
    name: str | None
    meaning: str | None
    possible: tuple[tuple[str | None, str, float], ...]
    most_restrictive: tuple[str | None, str]
    reasons: tuple[str, ...]
    unlisted: float = 0.0
    obey_all: Orders = _STOP

    def as_json(self) -> dict[str, Any]:
        """Return the ``indication`` object of a reading."""
        return {
            "status": self.status,
            "rule": self.rule,
            "name": self.name,
            "meaning": self.meaning,
            "possible": [
                {"rule": rule, "name": name, "odds": round(odds, 4)}
                for rule, name, odds in self.possible
            ],
            "most_restrictive": {
                "rule": self.most_restrictive[0],
                "name": self.most_restrictive[1],
            },
            "reasons": list(self.reasons),
        }


def decode(evidence: MastEvidence, book: Rulebook) -> Decision:
    """Decide what the evidence tells by the rules of one book.

    Reading costs the expected harm of being wrong, a wrong-side error several times as much
    as any other; withholding has its price, too. See policy.toml for the figures.
    """
    if not evidence.heads:
        return _nothing(evidence, book)
    weighed = weigh(evidence, book)
    open_indications = {entry.indication for entry in weighed.open}
    possible = sorted(
        open_indications,
        key=lambda i: (-round(weighed.odds.get(i, 0.0), 12), i.restrictiveness(), i.name),
    )
    safest = book.most_restrictive()
    if possible and not weighed.unlisted_open:
        safest = min(possible, key=Indication.restrictiveness)
    status: Status
    if _unknown(evidence, book) or weighed.unlisted >= _HALF or not possible:
        status = "unreadable"
    elif may_read(possible[0], weighed, safest) and _colours_sure(evidence):
        status = "read"
    else:
        status = "ambiguous"
    best = possible[0] if possible and status == "read" else None
    return Decision(
        status=status,
        rule=best.rule if best else None,
        name=best.name if best else None,
        meaning=best.meaning if best else None,
        possible=tuple((i.rule, i.name, min(1.0, weighed.odds.get(i, 0.0))) for i in possible),
        most_restrictive=(safest.rule, safest.name),
        reasons=say_reasons(evidence, book, weighed, status, possible, safest),
        unlisted=weighed.unlisted,
        obey_all=reduce(Orders.meet, (i.orders for i in possible), safest.orders),
    )


def decode_aspect(aspect: Aspect, book: Rulebook) -> Decision:
    """Decode an aspect that somebody states in words, taken at its word.

    Answers are kept, so asking again is a look-up.
    """
    known = book.memo.get(aspect)
    if known is None:
        known = book.memo[aspect] = decode(evidence_of(aspect), book)
    return cast("Decision", known)


def may_read(best: Indication, weighed: Weighed, safest: Indication) -> bool:
    """Whether naming `best` costs less, by expectation, than withholding."""
    policy = load_policy()
    if not best.at_least_as_restrictive_as(safest):
        return False
    if weighed.unlisted_open or weighed.fit.get(best, 0.0) < policy.fit_share:
        return False
    # A head that may be dark makes the signal imperfect: whatever rests on that, and on rows
    # that the sources dispute, counts as if it were wrong on the wrong side.
    odds = weighed.odds.get(best, 0.0)
    wrong_side = weighed.unlisted + odds - weighed.clean.get(best, 0.0)
    wrong_side += weighed.disputed.get(best, 0.0)
    safe_side = untold = 0.0
    for other, p in weighed.odds.items():
        if other is best:
            continue
        if best.at_least_as_restrictive_as(other):
            plated = weighed.plated.get(other, 0.0)
            safe_side += p - plated
            untold += plated
        else:
            wrong_side += p
    cost = policy.wrong_side * wrong_side + policy.wrong_safe_side * safe_side
    cost += policy.plate_untold * untold
    return cost < policy.withhold


def _colours_sure(evidence: MastEvidence) -> bool:
    """Whether every head that may be lit has a colour that is well above the others."""
    sure = load_policy().sure_colour
    return all(
        max(head.colour.values()) >= sure or head.behaviour.get("dark", 0.0) >= _HALF
        for head in evidence.heads
    )


def evidence_of(aspect: Aspect) -> MastEvidence:
    """Turn a stated aspect into evidence; what it leaves unknown gets equal odds."""
    staggered = None if aspect.arrangement is None else float(aspect.arrangement == "staggered")
    return MastEvidence(
        heads=tuple(_head_evidence(head) for head in aspect.heads),
        plates=aspect.plates,
        dwarf=float(aspect.dwarf),
        staggered=staggered,
    )


def _head_evidence(head: HeadShown) -> HeadEvidence:
    colour: Mapping[Colour, float]
    if head.colour is None or head.colour == "unknown":
        colour = {c: 1.0 / len(COLOURS) for c in COLOURS}
    else:
        colour = {head.colour: 1.0}
    behaviour: Mapping[Behaviour, float]
    if head.behaviour != "unknown":
        behaviour = {head.behaviour: 1.0}
    elif head.colour == "unknown":
        behaviour = {"steady": 1 / 3, "flashing": 1 / 3, "dark": 1 / 3}
    else:
        behaviour = {"steady": 0.5, "flashing": 0.5}
    return HeadEvidence(colour, behaviour, None if head.form == "lamp" else {head.form: 1.0})


def _unknown(evidence: MastEvidence, book: Rulebook) -> bool:
    """Whether no head shows anything that could be told: all dark, or no colour known."""
    equal = 1.5 / len(COLOURS)
    if book.imperfect.arm_alone and any(
        form.startswith("arm") for head in evidence.heads for form in head.form or ()
    ):
        return False
    return all(
        head.behaviour.get("dark", 0.0) >= _HALF or max(head.colour.values()) <= equal
        for head in evidence.heads
    )


def _nothing(evidence: MastEvidence, book: Rulebook) -> Decision:
    safest = book.most_restrictive()
    return Decision(
        "unreadable",
        None,
        None,
        None,
        (),
        (safest.rule, safest.name),
        (*evidence.notes, "No head was seen, so nothing can be read."),
        1.0,
    )
