"""What an indication orders at its signal and promises beyond it, in the language spoken.

Made from the rulebook's own speeds. In English the words are those of
`mastread.decoder.explain`; in another language the book's phrases are looked up among that
language's, and stay as the book has them where there are none.
"""

from __future__ import annotations

from mastread.decoder.rulebook import NOTHING, Indication, Rulebook
from mastread.tools.reading import IndicationDoc, NamedDoc
from mastread.tools.texts import say, translate


def indication_of(doc: IndicationDoc | NamedDoc, book: Rulebook) -> Indication | None:
    """Return the book's indication that a reading names; None where it names none."""
    for indication in book.indications:
        if doc["name"] is not None and (indication.rule, indication.name) == (
            doc["rule"],
            doc["name"],
        ):
            return indication
    return None


def words_here(indication: Indication, book: Rulebook) -> str:
    """Say what is in force at this signal, without a full stop."""
    speed = book.speed(indication.here)
    text = translate(speed.text)
    words = say("orders.speed", name=translate(speed.name), text=text) if speed.mph else text
    if indication.reduce:
        limit = book.speed(indication.reduce)
        number = say("orders.mph", mph=limit.mph) if limit.mph else ""
        words += say("orders.reduce", name=translate(limit.name), number=number)
    return words


def words_ahead(indication: Indication, book: Rulebook) -> str:
    """Say what is promised at the next signal and at the one after it, without a full stop."""
    top = book.speeds[-1].name
    if indication.at_next == NOTHING:
        return say("orders.nothing")
    if indication.at_second and indication.at_next == top:
        promise = _promise(indication.at_second, book)
        return say("orders.second", top=translate(top), promise=promise)
    if indication.at_next == top:
        return say("orders.free")
    promise = _promise(indication.at_next, book)
    if indication.at_second:
        second = _promise(indication.at_second, book)
        return say("orders.both", promise=promise, second=second)
    return say("orders.next", promise=promise)


def promises_nothing(indication: Indication) -> bool:
    """Whether an indication says nothing of the signals beyond."""
    return indication.at_next == NOTHING


def _promise(word: str, book: Rulebook) -> str:
    speed = book.speed(word)
    if speed.mph == 0:
        return say("orders.stop")
    number = say("orders.mph", mph=speed.mph) if speed.mph else ""
    return say("orders.expect", name=translate(speed.name), number=number)
