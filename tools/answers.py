"""The answers of ``mastread explain``: each as text for people, as plain data, and to be drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from mastread.decoder.aspect import Aspect
from mastread.decoder.booktext import say_indication, say_standing
from mastread.decoder.decode import Decision, decode_aspect, evidence_of
from mastread.decoder.explain import explain, say_ahead, say_here
from mastread.decoder.faults import say_faults, single_faults
from mastread.decoder.language import nearest, say_aspect
from mastread.decoder.progression import row_as_json, say_row
from mastread.decoder.reasons import say_grade
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.decoder.weigh import weigh
from mastread.decoder.words import NOTICE
from mastread.tools.texts import say, wrap_lines


class NoAnswerError(ValueError):
    """The question has no answer in this book; the message is one line and says why."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer.

    Attributes
    ----------
    text : str
        For people, ending with the notice. Lines may be longer than a terminal is wide, except
        where a width was asked for.
    data : dict
        The same as plain data, ready for JSON.
    aspects : tuple of Aspect
        What is worth a picture, each once.
    """

    text: str
    data: dict[str, Any]
    aspects: tuple[Aspect, ...]


def answer_aspect(aspect: Aspect, book: Rulebook) -> Answer:
    """What an aspect means, and why."""
    told = explain(aspect, book)
    return Answer(told.text(), told.as_json(), (aspect,))


def answer_faults(aspect: Aspect, book: Rulebook, width: int) -> Answer:
    """What every single failure of an aspect would show, as a table at most `width` wide.

    Where the aspect leaves several rows of the book open, plates that are not known among them,
    there is a table for each.
    """
    meant = _meant(aspect, book)
    if not meant:
        raise NoAnswerError(say("error.faults", aspect=say_aspect(aspect), book=book.label))
    listed = {row.show: row.reason for row in book.not_fail_safe}
    parts = [say("faults.title", aspect=_cap(say_aspect(aspect)), book=book.label)]
    tables = []
    drawn = [aspect]
    for shown, indication in meant:
        faults = single_faults(shown, indication, book)
        unsafe = sum(not fault.safe for fault in faults)
        drawn += [shown, *(fault.shows for fault in faults)]
        parts += [
            say("faults.meant", aspect=say_aspect(shown), indication=indication.label),
            say_faults(shown, indication, book, width),
            say("faults.unsafe" if unsafe else "faults.all_safe", unsafe=unsafe, count=len(faults)),
        ]
        if unsafe and say_aspect(shown) in listed:
            parts.append(say("faults.listed", reason=listed[say_aspect(shown)]))
        tables.append(
            {
                "aspect": say_aspect(shown),
                "meant": {"rule": indication.rule, "name": indication.name},
                "faults": [fault.as_json() for fault in faults],
            }
        )
    data = {
        "aspect": say_aspect(aspect),
        "rulebook": book.label,
        "tables": tables,
        "notice": NOTICE,
    }
    text = "\n\n".join(wrap_lines(part, width) for part in (*parts, NOTICE))
    return Answer(text, data, tuple(dict.fromkeys(drawn)))


def answer_row(aspects: Sequence[Aspect], book: Rulebook) -> Answer:
    """Whether successive signals keep each other's promises."""
    data = row_as_json(aspects, book)
    return Answer(say_row(aspects, book), data, tuple(dict.fromkeys(aspects)))


def answer_indication(words: str, book: Rulebook) -> Answer:
    """Every aspect that shows an indication, named by its rule number or name."""
    found = book.find(words)
    if found is None:
        names = tuple(i.name for i in book.indications)
        raise NoAnswerError(
            say(
                "error.indication",
                text=words,
                book=book.name,
                hint=nearest(words, names),
            )
        )
    data = {
        "rulebook": book.label,
        "rule": found.rule,
        "name": found.name,
        "meaning": found.meaning,
        "here": say_here(found, book),
        "ahead": say_ahead(found, book),
        "standing": say_standing(found),
        "aspects": [
            {
                "aspect": say_aspect(row.aspect),
                "standing": say_grade(row),
                "disputed": row.disputed,
                "note": row.note,
            }
            for row in found.aspects
        ],
        "notice": NOTICE,
    }
    return Answer(say_indication(found, book), data, tuple(row.aspect for row in found.aspects))


def _meant(aspect: Aspect, book: Rulebook) -> list[tuple[Aspect, Indication]]:
    """What an aspect may be meant as: itself where it is read, else each row it leaves open."""
    decision = decode_aspect(aspect, book)
    if decision.status == "read":
        return [(aspect, i) for i in book.indications if i.label == _label(decision)]
    still_open = weigh(evidence_of(aspect), book).open
    rows = sorted(
        still_open, key=lambda e: (e.indication.restrictiveness(), say_aspect(e.row.aspect))
    )
    return [(entry.row.aspect, entry.indication) for entry in rows]


def _label(decision: Decision) -> str:
    return f"{decision.rule} {decision.name}" if decision.rule else str(decision.name)


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]
