"""Scores a reading against the truth, file by file. Pure: no pictures, no files.

How it is scored
----------------
* **Matching.** A head of the reading belongs to the nearest true head within 1.5 radii of its
  lens (at least 3 px), one to one; see `mastread.tools.score_match`. In a clip the claimed place
  is compared where the truth stood at that time, and each true span is judged by the reading's
  span that shares the most time with it.
* **Lamps.** A lamp that was to be seen lit (in a photo: at that moment) is *found* if it is
  claimed as lit. Its colour is right, wrong, or withheld (``unknown``); in a clip its behaviour
  too. A dark head is found if it is claimed as dark. *Invented* is every lit lamp claimed where
  there is none, a dark head claimed as lit included.
* **Readable.** Whether a careful person could tell: by lens size, by how far the lamp lifts the
  picture, and by how long it could be seen (accuracy.toml). Found and withheld are counted over
  readable lamps and apart over the others; wrong claims are counted over all lamps.
* **Masts.** Grouped and ordered right: all its readable lit heads stand on one mast of the
  reading, top to bottom, nothing else stands there, and masts follow from left to right. Whether
  its dark heads are there as well is counted apart.
* **Readings.** Judged against the decoder's answer to all that the medium can show; see
  `mastread.tools.score_meaning`.
* **Wrong-side.** A lamp claimed in a colour less restrictive than its own (green, then yellow
  and lunar, then red, then dark), flashing where it is steady, or lit where it is dark; a
  reading less restrictive than the truth, or neither more nor less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, cast

from mastread.decoder.rulebook import Rulebook
from mastread.tools.scenes.truth import TrueHead, TrueMast, TrueSpan, Truth
from mastread.tools.score_match import Claim, Pairs, Slot, pair, slots_of, span_claims, time_in_view
from mastread.tools.score_meaning import (
    describe,
    expected_decision,
    judge,
    lamp_wrong_side,
    true_decision,
)
from mastread.tools.score_rows import (
    Case,
    ChangeRow,
    InventedRow,
    LampRow,
    MastRow,
    Odds,
    ReadingRow,
    Verdict,
    figures,
)
from mastread.tools.score_truth import (
    Stage,
    is_lit,
    readable,
    readable_behaviour,
    stage_of,
    times_of,
    traits_of,
)
from mastread.tools.sentences import is_hidden


def score_case(truth: Truth, reading: Mapping[str, Any], book: Rulebook) -> Case:
    """Score one reading document against the truth of its file.

    Parameters
    ----------
    truth : see `mastread.tools.scenes.truth`
    reading : see `mastread.tools.reading`; one with an error counts as one that found nothing
    book : the rulebook that the reading was decoded by
    """
    stage = stage_of(truth)
    slots = slots_of(reading) if "error" not in reading else []
    pairs = pair(truth, stage, slots)
    lamps: list[LampRow] = []
    readings: list[ReadingRow] = []
    changes: list[ChangeRow] = []
    extra = 0
    for mast in truth.masts:
        for index in range(len(mast.spans)):
            rows = _lamp_rows(truth, stage, mast, index, pairs)
            lamps += rows
            readings.append(_reading_row(reading, mast, index, rows, pairs, book))
        if truth.kind == "video":
            told, more = _change_rows(stage, mast, reading, pairs)
            changes += told
            extra += more
    return Case(
        name=truth.file,
        kind=truth.kind,
        seed=truth.seed,
        traits=traits_of(truth),
        lamps=tuple(lamps),
        invented=tuple(_invented(truth, stage, slot, pairs) for slot in pairs.free),
        masts=tuple(_mast_row(truth, stage, mast, lamps, slots, pairs) for mast in truth.masts),
        readings=tuple(readings),
        changes=tuple(changes),
        extra_changes=extra,
        error=str(reading.get("error", "")),
    )


# --- lamps ------------------------------------------------------------------------------------


def _lamp_rows(
    truth: Truth, stage: Stage, mast: TrueMast, index: int, pairs: Pairs
) -> list[LampRow]:
    span = mast.spans[index]
    types = {place.head: place.type for place in mast.heads}
    return [
        _lamp_row(truth, stage, mast, span, index, types[head.head], head, claim)
        for head, _, claim in span_claims(pairs, mast, index)
    ]


def _lamp_row(
    truth: Truth,
    stage: Stage,
    mast: TrueMast,
    span: TrueSpan,
    index: int,
    type_: str,
    head: TrueHead,
    claim: Claim | None,
) -> LampRow:
    start, end = times_of(span)
    zoom = stage.at(head.x, head.y, 0.5 * (start + end), seen=True)[2]
    diameter = 2.0 * head.radius * zoom
    visible = stage.visible_s(head.x, head.y, span, mast)
    lit = is_lit(head)
    clip = truth.kind == "video"
    told: dict[str, Any] = {}
    if claim is not None:
        told = _verdicts(head, claim, clip)
    return LampRow(
        mast=mast.mast,
        head=head.head,
        span=index,
        true_colour=str(head.colour) if lit else "none",
        true_behaviour=head.behaviour,
        diameter_px=diameter,
        type=type_,
        contrast=head.contrast or 0.0,
        lit=lit,
        readable=readable(head, diameter, visible) if lit else True,
        readable_behaviour=clip and readable_behaviour(head, visible),
        found=claim is not None and claim.claims == ("lit" if lit else "dark"),
        claim="none" if claim is None else claim.claims,
        **told,
    )


def _verdicts(head: TrueHead, claim: Claim, clip: bool) -> dict[str, Any]:
    """The part of a lamp's row that judges what was claimed of it."""
    doc = claim.doc
    lit = is_lit(head)
    told: dict[str, Any] = {
        "said_colour": doc["colour"],
        "said_behaviour": doc["behaviour"],
        "wrong_side": lamp_wrong_side(head, claim.claims == "lit", doc["colour"], doc["behaviour"]),
    }
    verdicts: list[Verdict] = []
    if lit and claim.claims == "lit":
        told["colour"] = _verdict(doc["colour"], str(head.colour))
        told["colour_odds"] = _best(doc["colour_odds"], str(head.colour))
        verdicts.append(told["colour"])
    if clip:
        told["behaviour_odds"] = _best(doc["behaviour_odds"], head.behaviour)
        if lit:
            told["behaviour"] = _verdict(doc["behaviour"], head.behaviour)
            verdicts.append(told["behaviour"])
        if doc["rate_hz"] is not None and head.rate_hz and head.behaviour == "flashing":
            told["rate_error"] = (doc["rate_hz"] - head.rate_hz) / head.rate_hz
            if doc["rate_sd_hz"] is not None:
                told["rate_sd"] = doc["rate_sd_hz"] / head.rate_hz
    if told.get("colour") in ("right", "wrong"):
        told["stated"] = Odds(float(doc["confidence"]), "wrong" not in verdicts)
    return told


def _verdict(said: str, true: str) -> Verdict:
    if said == "unknown":
        return "withheld"
    return "right" if said == true else "wrong"


def _best(odds: Mapping[str, float], true: str) -> Odds:
    word = max(sorted(odds), key=lambda key: odds[key])
    return Odds(float(odds[word]), word == true)


def _invented(truth: Truth, stage: Stage, slot: Slot, pairs: Pairs) -> InventedRow:
    lit = [claim for claim in slot.claims if claim.claims == "lit"]
    claim = max(lit or slot.claims, key=lambda c: c.length_s)
    x, y, radius = (float(claim.doc[name]) for name in ("x", "y", "radius"))
    what = "nothing"
    if (slot.mast, slot.head) in pairs.doubled:
        what = "a lamp twice"
    else:
        near = []
        for thing in truth.distractors:
            there_x, there_y, _ = stage.at(thing.x, thing.y, claim.middle_s)
            near.append((math.hypot(there_x - x, there_y - y), thing.what))
        if near and min(near)[0] <= 3.0 * radius + 8.0:
            what = min(near)[1]
    return InventedRow(bool(lit), 2.0 * radius, str(claim.doc["colour"]), what, x, y)


# --- masts ------------------------------------------------------------------------------------


def _mast_row(
    truth: Truth,
    stage: Stage,
    mast: TrueMast,
    lamps: Sequence[LampRow],
    slots: Sequence[Slot],
    pairs: Pairs,
) -> MastRow:
    own = [row for row in lamps if row.mast == mast.mast]
    needed = {row.head for row in own if row.lit and row.readable}
    held = {head: pairs.slots.get((mast.mast, head.head), []) for head in mast.heads}
    found = {head.head for head, of_head in held.items() if any(slot.lit for slot in of_head)}
    masts = sorted({slot.mast for of_head in held.values() for slot in of_head})
    faults = []
    if needed - found:
        faults.append("a lamp missed")
    if len(masts) > 1:
        faults.append("split")
    order: list[int] = []
    for number in masts:
        for slot in sorted((s for s in slots if s.mast == number), key=lambda s: s.head):
            true = pairs.heads.get((slot.mast, slot.head))
            if true is None:
                faults.append("a head too many")
            elif true[0] != mast.mast:
                faults.append("two masts as one")
            elif number == masts[0]:
                order.append(true[1])
    if len(set(order)) < len(order):
        faults.append("a head too many")
    if order != sorted(order):
        faults.append("heads out of order")
    if masts and _out_of_turn(truth, mast, masts[0], pairs):
        faults.append("masts out of order")
    return MastRow(
        mast=mast.mast,
        heads=len(mast.heads),
        diameter_px=own[0].diameter_px if own else 0.0,
        readable=bool(needed),
        faults=tuple(dict.fromkeys(faults)),
        complete=not faults and all(held.values()),
    )


def _out_of_turn(truth: Truth, mast: TrueMast, claimed: int, pairs: Pairs) -> bool:
    """Whether the next true mast to the left stands further right in the reading."""
    for other in truth.masts:
        if other.mast >= mast.mast:
            continue
        numbers = [
            slot.mast
            for (number, _), of_head in pairs.slots.items()
            if number == other.mast
            for slot in of_head
        ]
        if numbers and min(numbers) > claimed:
            return True
    return False


# --- readings ---------------------------------------------------------------------------------


def _reading_row(
    reading: Mapping[str, Any],
    mast: TrueMast,
    index: int,
    rows: Sequence[LampRow],
    pairs: Pairs,
    book: Rulebook,
) -> ReadingRow:
    heads = mast.spans[index].heads
    expected = expected_decision(
        mast,
        heads,
        [row.readable for row in rows],
        [row.readable_behaviour for row in rows],
        book,
    )
    said = _indication(reading, mast, index, pairs)
    outcome = (
        "missed" if said is None else judge(said, expected, true_decision(mast, heads, book), book)
    )
    return ReadingRow(
        mast=mast.mast,
        span=index,
        diameter_px=rows[0].diameter_px if rows else 0.0,
        readable=any(row.lit and row.readable for row in rows),
        outcome=outcome,
        expected=describe(expected),
        said="" if said is None else describe(said),
    )


def _indication(
    reading: Mapping[str, Any], mast: TrueMast, index: int, pairs: Pairs
) -> Mapping[str, Any] | None:
    """What the reading says of a true mast over a true span: of the mast with most of its heads."""
    votes: dict[int, int] = {}
    for _, slot, _ in span_claims(pairs, mast, index):
        if slot is not None:
            votes[slot.mast] = votes.get(slot.mast, 0) + 1
    if not votes:
        return None
    number = max(votes, key=lambda n: (votes[n], -n))
    spans = next(m for m in reading["masts"] if m["mast"] == number)["spans"]
    if len(spans) == 1:
        return cast("Mapping[str, Any]", spans[0]["indication"])
    stretch = times_of(mast.spans[index])
    best = max(spans, key=lambda s: time_in_view(s["start_s"], s["end_s"], stretch, mast.hidden))
    return cast("Mapping[str, Any]", best["indication"])


def _change_rows(
    stage: Stage, mast: TrueMast, reading: Mapping[str, Any], pairs: Pairs
) -> tuple[list[ChangeRow], int]:
    """True changes of aspect against those that the reading tells; also how many it made up."""
    numbers = {
        slot.mast
        for (number, _), of_head in pairs.slots.items()
        if number == mast.mast
        for slot in of_head
    }
    if not numbers:
        return [], 0
    claimed = [
        start_s for m in reading["masts"] if m["mast"] in numbers for start_s in _turns(m["spans"])
    ]
    true = [times_of(span)[0] for span in mast.spans[1:]]
    limit = figures()["match"]["change_s"]
    options = sorted(
        (abs(there - here), n, k)
        for n, here in enumerate(true)
        for k, there in enumerate(claimed)
        if abs(there - here) <= limit
    )
    told: dict[int, int] = {}
    for _, n, k in options:
        if n not in told and k not in told.values():
            told[n] = k
    frame = float((stage.end - stage.start).mean())
    rows = [
        ChangeRow(mast.mast, claimed[told[n]] - here if n in told else None, frame)
        for n, here in enumerate(true)
    ]
    return rows, len(claimed) - len(told)


def _turns(spans: Sequence[Mapping[str, Any]]) -> list[float]:
    """When a mast of a reading went from one thing to another; hidden in between is no change."""
    out: list[float] = []
    before: list[tuple[str, str]] | None = None
    ended = 0.0
    part_hidden = False
    for span in spans:
        if all(is_hidden(head) for head in span["heads"]):
            continue
        shows = [(head["colour"], head["behaviour"]) for head in span["heads"]]
        partly = [is_hidden(head) for head in span["heads"]]
        if before is not None and len(before) == len(shows) and (any(partly) or part_hidden):
            # Nothing is said of a head that is hidden: what it showed before goes on.
            shows = [
                old if gone else new for old, new, gone in zip(before, shows, partly, strict=True)
            ]
            if shows == before:
                ended, part_hidden = span["end_s"], any(partly)
                continue
        part_hidden = any(partly)
        if before is not None and (shows != before or span["start_s"] == ended):
            out.append(float(span["start_s"]))
        before, ended = shows, span["end_s"]
    return out
