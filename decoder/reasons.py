"""Why a decision came out as it did, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from mastread.decoder.aspect import PLATES, HeadShown
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.language import say_aspect, say_head
from mastread.decoder.policy import load_policy
from mastread.decoder.rulebook import GRADES, SHAKY, AspectRow, Entry, Indication, Rulebook
from mastread.decoder.weigh import Weighed
from mastread.decoder.words import BEHAVIOURS, COLOURS, FORMS, Colour

_PLACES: Final = {
    1: ("the head",),
    2: ("the upper head", "the lower head"),
    3: ("the top head", "the middle head", "the bottom head"),
}
#: Shares below this are not worth a sentence.
_WORTH: Final = 0.01


def place(index: int, count: int) -> str:
    """Say which head is meant: ``the top head``."""
    return _PLACES[count][index] if count in _PLACES else f"head {index + 1}"


def say_grade(row: AspectRow) -> str:
    """Say how sure a row is: ``verified in 3 sources (A, B, C)``."""
    words = GRADES[row.grade]
    if row.grade == "verified":
        words = f"verified in {row.agreeing} sources"
    if row.sources:
        words += f" ({', '.join(row.sources)})"
    if row.common_practice and row.grade != "common practice":
        words += "; also common practice, no source"
    return words


def say_reasons(
    evidence: MastEvidence,
    book: Rulebook,
    weighed: Weighed,
    status: str,
    possible: Sequence[Indication],
    safest: Indication,
) -> tuple[str, ...]:
    """Put the reasons of one decision into sentences, the observer's own first."""
    found = [
        *evidence.notes,
        *_dark(evidence, book, weighed, possible, safest),
        *_unseen(evidence, weighed),
        *_flashing(evidence, weighed),
        *_colours(evidence),
        *_plates(evidence, weighed, book),
        *_mast_kind(evidence, weighed),
        *_disputed(weighed),
        *_unlisted(evidence, weighed, book),
        *_grades(weighed, status, possible),
        *_verdict(weighed, status, possible, safest),
    ]
    return tuple(dict.fromkeys(found))


def _dark(
    evidence: MastEvidence,
    book: Rulebook,
    weighed: Weighed,
    possible: Sequence[Indication],
    safest: Indication,
) -> Iterator[str]:
    count = len(evidence.heads)
    dark = [i for i, h in enumerate(evidence.heads) if h.behaviour.get("dark", 0.0) >= _WORTH]
    if book.imperfect.arm_alone:
        unlit = [i for i in dark if any(f.startswith("arm") for f in evidence.heads[i].form or ())]
        for i in unlit:
            yield (
                f"The lamp of {place(i, count)} is not lit, but its arm can be seen; this book "
                "lets the arm alone count."
            )
        dark = [i for i in dark if i not in unlit]
    if not dark or any(h.behaviour == "dark" for e in weighed.open for h in e.row.aspect.heads):
        return
    if len(dark) == count and all(evidence.heads[i].behaviour["dark"] >= 0.5 for i in dark):
        yield (
            "No head is lit: the mast may have failed, or be lit only when a train comes near, "
            "or have been caught between two flashes."
        )
    else:
        for i in dark:
            odds = evidence.heads[i].behaviour
            if odds["dark"] < 0.5:
                seen = "may be dark"
            elif odds.get("flashing", 0.0) >= _WORTH:
                seen = "shows no light: it is dark, or was caught between two flashes"
            else:
                seen = "is dark"
            yield f"{_cap(place(i, count))} {seen}."
    rule = f"rule {book.imperfect.rule}" if book.imperfect.rule else "the book's own rule"
    here = f" (here {safest.label})" if possible else ""
    yield (
        f"A dark head is an imperfectly displayed signal: by {rule} it counts as the most "
        f"restrictive indication that the rest of it allows{here}, and is never read as anything "
        "better."
    )


def _unseen(evidence: MastEvidence, weighed: Weighed) -> Iterator[str]:
    if evidence.unseen_head >= _WORTH and len(evidence.heads) < 3:
        names = sorted({e.indication.label for e in weighed.hidden_rows})
        tail = f"; then it could be {_or(names)}" if names else ""
        yield (
            f"The mast may have a further head that shows no light "
            f"({evidence.unseen_head:.0%}){tail}. Telling how many heads it has settles this."
        )


def _flashing(evidence: MastEvidence, weighed: Weighed) -> Iterator[str]:
    """Name heads whose steady or flashing light would change the indication."""
    count = len(evidence.heads)
    for i, head in enumerate(evidence.heads):
        doubt = min(head.behaviour.get("steady", 0.0), head.behaviour.get("flashing", 0.0))
        if doubt < _WORTH:
            continue
        by: dict[str, set[str]] = {"steady": set(), "flashing": set()}
        for entry in weighed.open:
            heads = entry.row.aspect.heads
            if len(heads) == count and heads[i].behaviour in by:
                by[heads[i].behaviour].add(entry.indication.label)
        if by["flashing"] and by["steady"] and by["flashing"] != by["steady"]:
            yield (
                f"Whether {place(i, count)} is steady or flashing cannot be told, and it matters: "
                f"steady gives {_or(sorted(by['steady']))}, "
                f"flashing gives {_or(sorted(by['flashing']))}."
            )


def _colours(evidence: MastEvidence) -> Iterator[str]:
    count = len(evidence.heads)
    for i, head in enumerate(evidence.heads):
        if head.behaviour.get("dark", 0.0) >= 0.5:
            continue
        ranked = sorted(head.colour.items(), key=lambda c: (-c[1], c[0]))
        if len(ranked) > 1 and ranked[1][1] >= 0.05:
            if ranked[0][1] <= 1.5 / 6:
                yield f"The colour of {place(i, count)} is unknown."
            else:
                yield (
                    f"The colour of {place(i, count)} is not certain: {ranked[0][0]} "
                    f"({ranked[0][1]:.0%}) or {ranked[1][0]} ({ranked[1][1]:.0%})."
                )


def _plates(evidence: MastEvidence, weighed: Weighed, book: Rulebook) -> Iterator[str]:
    by_plate: dict[str, set[str]] = {}
    plain: set[str] = set()
    for entry in weighed.open:
        plates = entry.row.aspect.plates or frozenset()
        if not plates:
            plain.add(entry.indication.label)
        for plate in plates:
            by_plate.setdefault(plate, set()).add(entry.indication.label)
    if evidence.plates is None:
        for plate in (p for p in PLATES if p in by_plate):
            prior = next(p.prior for p in book.plates if p.name == plate)
            yield (
                f"Which plates the mast carries is not known: with {_plate(plate)} it would be "
                f"{_or(sorted(by_plate[plate]))} (taken as {prior:.0%} likely)."
            )
        return
    named = {p for e in book.entries() for p in e.row.aspect.plates or ()}
    for plate in sorted(evidence.plates):
        if plate in by_plate:
            continue
        if plate in named:
            yield f"No row of the book says what {_plate(plate)} changes here; it is left aside."
        else:
            yield f"This book gives {_plate(plate)} no meaning; it is left aside."


def _plate(name: str) -> str:
    if name == "number":
        return "a number plate"
    return f"{'an' if name[0] in 'AREL' else 'a'} {name} plate"


def _mast_kind(evidence: MastEvidence, weighed: Weighed) -> Iterator[str]:
    staggered = evidence.staggered
    if len(evidence.heads) > 1 and (staggered is None or 0.01 <= staggered <= 0.99):
        by: dict[str | None, set[str]] = {}
        for entry in weighed.open:
            by.setdefault(entry.row.aspect.arrangement, set()).add(entry.indication.label)
        one, other = by.get("in line", set()), by.get("staggered", set())
        if (one or other) and one != other:
            gives = [f"in line gives {_or(sorted(one))}"] if one else []
            gives += [f"staggered gives {_or(sorted(other))}"] if other else []
            yield (
                "Whether the heads stand in line or staggered is not known, and it matters: "
                f"{', '.join(gives)}."
            )
    dwarf = evidence.dwarf
    if dwarf is None or 0.01 <= dwarf <= 0.99:
        low = {e.indication.label for e in weighed.open if e.row.aspect.dwarf}
        high = {e.indication.label for e in weighed.open if not e.row.aspect.dwarf}
        if low and low != high:
            yield f"Whether this is a dwarf is not known; a dwarf would show {_or(sorted(low))}."


def _disputed(weighed: Weighed) -> Iterator[str]:
    shown: dict[str, set[str]] = {}
    for entry in weighed.open:
        if entry.row.disputed and weighed.odds.get(entry.indication, 0.0) >= _WORTH:
            heads = " over ".join(say_head(h) for h in entry.row.aspect.heads)
            shown.setdefault(heads, set()).add(entry.indication.label)
    for heads, names in shown.items():
        if len(names) > 1:
            yield (
                f"The sources contradict each other on {heads}: {_or(sorted(names))}. "
                "It is not decided here."
            )
        else:
            yield f"The one source on {heads} ({_or(sorted(names))}) is disputed; it is not read."


def _unlisted(evidence: MastEvidence, weighed: Weighed, book: Rulebook) -> Iterator[str]:
    odds = f"{weighed.unlisted:.0%}" if weighed.unlisted >= _WORTH else "under 1%"
    if weighed.unlisted >= 0.5:
        yield (
            f"What the mast seems to show is not an aspect of this book ({odds}): "
            "a defective signal, another railway's, or one that the book lacks. It counts as "
            f"{book.most_restrictive().label}."
        )
    elif weighed.likeliest < 1.0 - 1e-9:
        heads = tuple(_likeliest(head) for head in evidence.heads)
        words = " over ".join(say_head(head) for head in heads)
        why = "no aspect of this book"
        if heads in book.by_heads:
            why = "listed for another kind of mast only (dwarf, staggered, with a plate)"
        yield (
            f"Head by head the likeliest sight is {words}, which is {why}; while that is not "
            f"ruled out it counts as {book.most_restrictive().label}."
        )
    elif weighed.unlisted_open:
        yield f"It may show an aspect that this book does not list ({odds})."


def _likeliest(head: HeadEvidence) -> HeadShown:
    """What one head shows most likely, by each of its odds on their own."""
    # In the order of the vocabulary, so that equal odds always name the same word.
    behaviour = max(BEHAVIOURS, key=lambda b: head.behaviour.get(b, 0.0))
    form = max(FORMS, key=lambda f: (head.form or {"lamp": 1.0}).get(f, 0.0))
    if behaviour == "dark":
        return HeadShown(None, "dark", form)
    colour: Colour = max(COLOURS, key=lambda c: head.colour.get(c, 0.0))
    return HeadShown(colour, behaviour, form)


def _grades(weighed: Weighed, status: str, possible: Sequence[Indication]) -> Iterator[str]:
    """Say what the reading rests on, and which open rows are shaky."""
    if status == "unreadable":
        return
    for indication in possible:
        rows = sorted(
            (e for e in weighed.open if e.indication is indication),
            key=lambda e: (-weighed.open[e], say_aspect(e.row.aspect)),
        )
        if not rows or weighed.odds.get(indication, 0.0) < _WORTH:
            continue
        if status == "read" and indication is possible[0]:
            yield from _rests_on(rows[0])
        else:
            yield from (
                f"{indication.label} rests here on a row of low standing: {say_grade(e.row)}."
                for e in rows[:1]
                if e.row.grade in SHAKY and not e.row.disputed
            )


def _rests_on(entry: Entry) -> Iterator[str]:
    row = entry.row
    yield f"{_cap(say_aspect(row.aspect))} is listed as {entry.indication.label}: {say_grade(row)}."
    if row.grade in SHAKY:
        yield "That row is not sourced outright; check it against the rulebook itself."


def _verdict(
    weighed: Weighed, status: str, possible: Sequence[Indication], safest: Indication
) -> Iterator[str]:
    policy = load_policy()
    if status == "ambiguous" and len(possible) > 1:
        yield (
            f"{len(possible)} indications are still open; one is read only if the odds of naming "
            f"something less restrictive than the truth are below "
            f"{policy.withhold / policy.wrong_side:.1%}."
        )
    incomparable = [i for i in possible if not safest.at_least_as_restrictive_as(i)]
    if status != "read" and incomparable:
        yield (
            f"No one of these covers all the others: {safest.label} asks for the lowest speed "
            f"here, but {_or(sorted(i.label for i in incomparable))} promises less ahead. "
            "Obeying all of them is the safe answer."
        )


def _or(names: Sequence[str]) -> str:
    if len(names) <= 1:
        return "".join(names)
    if len(names) > 6:
        return f"one of {len(names)} indications"
    return f"{', '.join(names[:-1])} or {names[-1]}"


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]
