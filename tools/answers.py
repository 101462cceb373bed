"""The answers of ``mastread explain``: each as text for people, as plain data, and to be drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from mastread.decoder.aspect import Aspect
from mastread.decoder.booktext import say_indication, say_standing
from mastread.decoder.decode import decode_aspect
from mastread.decoder.explain import explain, say_ahead, say_here
from mastread.decoder.faults import say_faults, single_faults
from mastread.decoder.language import nearest, say_aspect
from mastread.decoder.progression import row_as_json, say_row
from mastread.decoder.reasons import say_grade
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.decoder.words import NOTICE
from mastread.tools.texts import say


class NoAnswerError(ValueError):
    """The question has no answer in this book; the message is one line and says why."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer.

    Attributes
    ----------
    text : str
        For people, ending with the notice. Lines may be longer than a terminal is wide.
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

    Where the aspect leaves several indications open there is a table for each.
    """
    meanings = _meanings(aspect, book)
    if not meanings:
        raise NoAnswerError(say("error.faults", aspect=say_aspect(aspect), book=book.label))
    lines = [say("faults.title", aspect=_cap(say_aspect(aspect)), book=book.label)]
    tables = []
    shown = [aspect]
    for meant in meanings:
        faults = single_faults(aspect, meant, book)
        shown += [fault.shows for fault in faults]
        lines += ["", say("faults.meant", indication=meant.label)]
        lines += ["", say_faults(aspect, meant, book, width)]
        unsafe = sum(not fault.safe for fault in faults)
        key = "faults.all_safe" if not unsafe else "faults.unsafe"
        lines += ["", say(key, unsafe=unsafe, count=len(faults))]
        lines += [
            say("faults.listed", reason=row.reason)
            for row in book.not_fail_safe
            if unsafe and row.show == say_aspect(aspect)
        ]
        tables.append(
            {
                "meant": {"rule": meant.rule, "name": meant.name},
                "faults": [fault.as_json() for fault in faults],
            }
        )
    data = {
        "aspect": say_aspect(aspect),
        "rulebook": book.label,
        "tables": tables,
        "notice": NOTICE,
    }
    return Answer("\n".join([*lines, "", NOTICE]), data, tuple(dict.fromkeys(shown)))


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


def _meanings(aspect: Aspect, book: Rulebook) -> list[Indication]:
    """The indication that an aspect gives, or each of those that it leaves open."""
    possible = decode_aspect(aspect, book).possible
    named = {(rule, name) for rule, name, _ in possible}
    return [i for i in book.indications if (i.rule, i.name) in named]


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]
