"""An aspect explained to a learner, in short sentences made from the book's data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from mastread.decoder.aspect import Aspect, HeadShown
from mastread.decoder.decode import Decision, decode_aspect, evidence_of
from mastread.decoder.faults import single_faults
from mastread.decoder.language import say_aspect, say_head
from mastread.decoder.reasons import place, say_grade
from mastread.decoder.rulebook import NOTHING, SHAKY, Entry, Indication, Rulebook
from mastread.decoder.weigh import weigh
from mastread.decoder.words import NOTICE


@dataclass(frozen=True, slots=True)
class Explanation:
    """What an aspect says, and why.

    Attributes
    ----------
    aspect : str
        The aspect in words.
    book : str
        Title and edition.
    decision : Decision
    here, ahead : str
        What is ordered at this signal, and what is promised beyond it; empty unless read.
    heads : tuple of str
        What each head contributes, top to bottom.
    standing : str
        Grade and sources of the row that the reading rests on.
    uncertain : tuple of str
        What remains open, and why.
    failures : tuple of str
        What one failure would show, and what would then be read.
    notice : str
    """

    aspect: str
    book: str
    decision: Decision
    here: str
    ahead: str
    heads: tuple[str, ...]
    standing: str
    uncertain: tuple[str, ...]
    failures: tuple[str, ...]
    notice: str = NOTICE

    def text(self) -> str:
        """Return the whole explanation for a terminal."""
        lines = [f"{self.aspect[:1].upper()}{self.aspect[1:]} ({self.book})"]
        d = self.decision
        if d.status == "read":
            rule = f"rule {d.rule}, " if d.rule else ""
            lines += [f"  {rule}{d.name}: {d.meaning}", "", f"Here: {self.here}"]
            lines.append(f"Ahead: {self.ahead}")
        elif d.possible:
            lines.append(f"  {d.status}: not one indication.")
            lines += [f"  {odds:5.1%}  {_label(rule, name)}" for rule, name, odds in d.possible]
            lines.append(f"  Fail-safe answer: {_label(*d.most_restrictive)}")
        else:
            lines.append(f"  {d.status}; it counts as {_label(*d.most_restrictive)}.")
        if self.heads:
            lines += ["", *self.heads]
        if self.standing:
            lines += ["", f"Standing: {self.standing}"]
        if self.uncertain:
            lines += ["", "What remains open:", *(f"  {s}" for s in self.uncertain)]
        if self.failures:
            lines += ["", "If one thing failed:", *(f"  {s}" for s in self.failures)]
        return "\n".join([*lines, "", self.notice])

    def as_json(self) -> dict[str, Any]:
        """Return the explanation as plain data."""
        return {
            "aspect": self.aspect,
            "rulebook": self.book,
            "indication": self.decision.as_json(),
            "here": self.here,
            "ahead": self.ahead,
            "heads": list(self.heads),
            "standing": self.standing,
            "uncertain": list(self.uncertain),
            "failures": list(self.failures),
            "notice": self.notice,
        }


def explain(aspect: Aspect, book: Rulebook) -> Explanation:
    """Explain an aspect, taken at its word, by the rules of one book."""
    decision = decode_aspect(aspect, book)
    entry = governing_row(aspect, book) if decision.status == "read" else None
    row = entry.row if entry else None
    standing = say_grade(row) if row else ""
    if row and row.note:
        standing += f". Note: {row.note}"
    if row and row.grade in SHAKY:
        standing += ". Check it against the rulebook itself."
    listed = {} if row is None else {f"listed as {entry.indication.label}" if entry else ""}
    return Explanation(
        aspect=say_aspect(aspect),
        book=book.label,
        decision=decision,
        here=say_here(entry.indication, book) if entry else "",
        ahead=say_ahead(entry.indication, book) if entry else "",
        heads=tuple(say_heads(aspect, book, entry)),
        standing=standing,
        uncertain=(
            *(r for r in decision.reasons if not any(x in r for x in listed)),
            *_other_plates(aspect, book, entry),
        ),
        failures=tuple(say_failures(aspect, entry, book)) if entry else (),
    )


def _other_plates(aspect: Aspect, book: Rulebook, entry: Entry | None) -> Iterator[str]:
    """Say what a plate would change, where the aspect was stated without one."""
    if entry is None or aspect.plates:
        return
    for other in book.by_heads[entry.row.aspect.heads]:
        shown = other.row.aspect
        where = (entry.row.aspect.arrangement, shown.arrangement)
        if shown.plates and shown.dwarf == aspect.dwarf and (None in where or len({*where}) == 1):
            plates = " and ".join(sorted(shown.plates))
            yield (
                f"Taken at its word it carries no plate; with {plates} plate it would be "
                f"{other.indication.label}."
            )


def governing_row(aspect: Aspect, book: Rulebook) -> Entry | None:
    """Return the row that a stated aspect falls under, the most fitting first."""
    weighed = weigh(evidence_of(aspect), book)
    rows = sorted(weighed.open, key=lambda e: (-weighed.open[e], say_aspect(e.row.aspect)))
    return rows[0] if rows else None


def say_here(indication: Indication, book: Rulebook) -> str:
    """Say what is in force at this signal."""
    speed = book.speed(indication.here)
    words = f"{speed.name} speed, {speed.text}" if speed.mph else speed.text
    if indication.reduce:
        limit = book.speed(indication.reduce)
        number = f" ({limit.mph} mph)" if limit.mph else ""
        words += f"; a train above {limit.name} speed{number} begins to reduce to it at once"
    return f"{words}."


def say_ahead(indication: Indication, book: Rulebook) -> str:
    """Say what is promised at the next signal and at the one after it."""
    top = book.speeds[-1].name
    if indication.at_next == NOTHING:
        return "nothing is promised; be ready for anything."
    if indication.at_second and indication.at_next == top:
        return (
            f"the next signal asks for nothing less than {top} speed; "
            f"{_promise(indication.at_second, book)} at the one after it."
        )
    if indication.at_next == top:
        return "nothing restrictive is announced for the next signal."
    tail = f", then {_promise(indication.at_second, book)}" if indication.at_second else ""
    return f"{_promise(indication.at_next, book)} at the next signal{tail}."


def _promise(word: str, book: Rulebook) -> str:
    speed = book.speed(word)
    if speed.mph == 0:
        return "be ready to stop"
    number = f" ({speed.mph} mph)" if speed.mph else ""
    return f"expect {speed.name} speed{number}"


def say_failures(aspect: Aspect, entry: Entry, book: Rulebook) -> Iterator[str]:
    """Say what each single failure would show and mean."""
    for fault in single_faults(aspect, entry.indication, book):
        if fault.status == "read":
            result = f"reads as {fault.read_as.label}"
        elif fault.status == "ambiguous":
            result = f"imperfect or ambiguous, at worst {fault.read_as.label}"
        else:
            result = f"no aspect of the book, so it counts as {fault.read_as.label}"
        verdict = "as restrictive or more" if fault.safe else "NOT as restrictive"
        yield f"{_cap(fault.what)}: {say_aspect(fault.shows)}; {result} ({verdict})."
    for listed in book.not_fail_safe:
        if listed.show == say_aspect(entry.row.aspect):
            yield f"The book names this aspect as not fail-safe: {listed.reason}."


def say_heads(aspect: Aspect, book: Rulebook, entry: Entry | None) -> Iterator[str]:
    """Say what each head contributes, by the reading principles of speed signalling."""
    count = len(aspect.heads)
    if book.grammar != "speed" or entry is None or aspect.dwarf:
        for i, head in enumerate(aspect.heads):
            yield f"{_cap(place(i, count))} shows {say_head(head)}."
        return
    governs = next((i for i, h in enumerate(aspect.heads) if h.colour != "red"), None)
    flashing_red = any(h.colour == "red" and h.behaviour == "flashing" for h in aspect.heads)
    for i, head in enumerate(aspect.heads):
        yield f"{_cap(place(i, count))}, {say_head(head)}: " + _contributes(
            i, governs, aspect.heads, entry.indication, flashing_red
        )


def _contributes(
    i: int,
    governs: int | None,
    heads: tuple[HeadShown, ...],
    indication: Indication,
    flashing_red: bool,
) -> str:
    head = heads[i]
    if governs is None:
        if head.behaviour == "flashing":
            return "the flashing red makes the difference from a plain all-red signal."
        if flashing_red:
            return "red; the flashing head below it governs."
        return "all heads are red, so the signal orders a stop unless a plate eases it."
    if i < governs:
        return (
            "a placeholder: its red says only that the speed of this head is not given. It is "
            "lit so that a failed lamp is noticed and the heads can be counted from the top."
        )
    if i == governs:
        speed = (
            "the topmost head gives the highest speed"
            if i == 0
            else f"the reds above rule out higher speeds, leaving {indication.here} speed"
        )
        lift = (
            " Flashing lifts what the steady colour would say."
            if head.behaviour == "flashing"
            else ""
        )
        return f"it governs; {speed}, and its colour tells of the next signal.{lift}"
    if head.colour == "red":
        return "a placeholder: a red below the governing head carries no meaning of its own."
    return "it qualifies the head above: together they say what speed to expect ahead."


def _label(rule: str | None, name: str) -> str:
    return f"{rule} {name}" if rule else name


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]
