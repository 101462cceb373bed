"""Judges what a lamp and a mast were said to mean: exact, withheld, wrong, or wrong-side."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, cast

from mastread.decoder.aspect import DARK, MAX_HEADS, Arrangement, Aspect, HeadShown
from mastread.decoder.decode import Decision, decode, decode_aspect
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.decoder.words import COLOURS, Behaviour, Colour
from mastread.tools.scenes.truth import TrueHead, TrueMast
from mastread.tools.score_rows import Outcome, figures
from mastread.tools.score_truth import is_lit

_ANY_COLOUR: Final[Mapping[Colour, float]] = {colour: 1.0 / len(COLOURS) for colour in COLOURS}
_LIT: Final[Mapping[Behaviour, float]] = {"steady": 0.5, "flashing": 0.5}
_UNLIT: Final[Mapping[Behaviour, float]] = {"dark": 0.5, "flashing": 0.5}


def lamp_wrong_side(head: TrueHead, claimed_lit: bool, colour: str, behaviour: str) -> str:
    """Why a claim is less restrictive than what the head showed, or an empty string.

    Parameters
    ----------
    claimed_lit : whether the claim is of a lit lamp
    colour, behaviour : the words claimed, ``unknown`` where withheld
    """
    if not claimed_lit:
        return ""
    if not is_lit(head):
        return "a dark head claimed as lit"
    true = str(head.colour)
    rank = figures()["rank"]
    if colour in rank and rank[colour] < rank[true]:
        return f"{true} claimed as {colour}"
    higher = colour in rank and rank[colour] > rank[true]
    if behaviour == "flashing" and head.behaviour == "steady" and not higher:
        return f"steady {true} claimed as flashing"
    return ""


def expected_decision(
    mast: TrueMast,
    heads: Sequence[TrueHead],
    colour_told: Sequence[bool],
    behaviour_told: Sequence[bool],
    book: Rulebook,
) -> Decision:
    """What the decoder answers to all that the medium can show.

    The number of heads, and whether the mast is a dwarf or staggered, can be seen; plates are
    not read. A photo shows no flashing; a lamp that nobody could read has any colour.

    Parameters
    ----------
    colour_told, behaviour_told : per head, whether a careful person could tell it
    """
    evidence = []
    for head, colour, behaviour in zip(heads, colour_told, behaviour_told, strict=True):
        if not is_lit(head):
            fresh = _UNLIT if head.lit_now is not None or not behaviour else {"dark": 1.0}
            evidence.append(HeadEvidence(_ANY_COLOUR, cast("Mapping[Behaviour, float]", fresh)))
            continue
        known = colour and head.colour is not None
        evidence.append(
            HeadEvidence(
                {cast("Colour", head.colour): 1.0} if known else _ANY_COLOUR,
                {head.behaviour: 1.0} if behaviour and head.lit_now is None else _LIT,
            )
        )
    return decode(
        MastEvidence(
            heads=tuple(evidence),
            dwarf=float(mast.kind == "dwarf"),
            staggered=float(mast.arrangement == "staggered"),
        ),
        book,
    )


def true_decision(mast: TrueMast, heads: Sequence[TrueHead], book: Rulebook) -> Decision | None:
    """What the mast truly said, all known; None where it has more heads than any book."""
    if not 1 <= len(heads) <= MAX_HEADS:
        return None
    shown = tuple(
        DARK if head.colour is None else HeadShown(head.colour, head.behaviour) for head in heads
    )
    arrangement: Arrangement = "staggered" if mast.arrangement == "staggered" else "in line"
    return decode_aspect(
        Aspect(shown, frozenset(mast.plates), mast.kind == "dwarf", arrangement), book
    )


def judge(
    said: Mapping[str, Any], expected: Decision, true: Decision | None, book: Rulebook
) -> Outcome:
    """Judge the ``indication`` object of a reading.

    * ``exact``: what is expected: the same indication, or the same ones left open;
    * ``wider``: rightly withheld, but more was left open than the picture leaves;
    * ``withheld``: not read although it can be read;
    * ``unproven``: true as it happens, but more than the picture can show;
    * ``wrong``: another indication, or the true one excluded, on the safe side;
    * ``wrong_side``: less restrictive than the truth, or neither more nor less; of a reading that
      withholds, its fail-safe answer is meant. Where the truth is an aspect of no rule (a dark
      head, an unlisted combination), it counts as the most restrictive that it leaves open, or
      that the medium leaves open.
    """
    told = true is not None and true.status == "read"
    floors = [_answer(true, book)] if told else [_answer(true, book), _answer(expected, book)]
    if said["status"] == "read":
        read = _find(said["rule"], said["name"], book)
        if not _safe(read, floors):
            return "wrong_side"
        if expected.status == "read":
            same = (said["rule"], said["name"]) == (expected.rule, expected.name)
            return "exact" if same else "wrong"
        return "unproven" if told and read is floors[0] else "wrong"
    left_open = {(entry["rule"], entry["name"]) for entry in said["possible"]}
    safest = _find(said["most_restrictive"]["rule"], said["most_restrictive"]["name"], book)
    # Where the true indication is among those left open, nothing false was said. No single one
    # need be at least as restrictive as all the others, since the order is a partial one.
    if not told or true is None or (true.rule, true.name) not in left_open:
        if not _safe(safest, floors):
            return "wrong_side"
        if told and left_open:
            return "wrong"
    if expected.status == "read":
        return "withheld"
    needed = {(rule, name) for rule, name, _ in expected.possible}
    if left_open == needed and said["status"] == expected.status:
        return "exact"
    if said["status"] == "unreadable" or needed <= left_open:
        return "wider"
    return "unproven"


def describe(decision: Decision | Mapping[str, Any] | None) -> str:
    """An answer in a few words: its status, or what was read."""
    if decision is None:
        return "more heads than the book knows"
    page = decision.as_json() if isinstance(decision, Decision) else decision
    if page["status"] == "read":
        return " ".join(str(part) for part in (page["rule"], page["name"]) if part)
    names = ", ".join(entry["name"] for entry in page["possible"][:4])
    return f"{page['status']}: {names}" if names else str(page["status"])


def _safe(said: Indication | None, floors: Sequence[Indication | None]) -> bool:
    """Whether obeying what was said obeys one of the answers; None asks for nothing."""
    return any(
        floor is None or (said is not None and said.at_least_as_restrictive_as(floor))
        for floor in floors
    )


def _answer(decision: Decision | None, book: Rulebook) -> Indication | None:
    """What a decision tells a driver to obey: what was read, else its fail-safe answer."""
    if decision is None:
        return None
    if decision.status == "read" and decision.name is not None:
        return _find(decision.rule, decision.name, book)
    return _find(*decision.most_restrictive, book)


def _find(rule: str | None, name: str, book: Rulebook) -> Indication | None:
    for indication in book.indications:
        if (indication.rule, indication.name) == (rule, name):
            return indication
    return None
