"""A whole book in plain text: every indication, every aspect, how sure it is."""

from __future__ import annotations

from collections.abc import Iterator

from mastread.decoder.explain import say_ahead, say_here
from mastread.decoder.language import say_aspect
from mastread.decoder.reasons import say_grade
from mastread.decoder.rulebook import GRADES, Imperfect, Indication, Plate, Rulebook, Speed
from mastread.decoder.words import NOTICE


def say_book(book: Rulebook) -> str:
    """Say everything that a book holds, for reading and for comparing editions."""
    return "\n".join(_lines(book)) + "\n"


def say_standing(row: Indication | Speed | Plate | Imperfect) -> str:
    """Say how sure a row is: ``verified in 4 sources (A, B)``."""
    words = GRADES[row.grade]
    if row.grade == "verified":
        words = f"verified in {row.agreeing} sources"
    return f"{words} ({', '.join(row.sources)})" if row.sources else words


def _lines(book: Rulebook) -> Iterator[str]:
    yield f"{book.title}"
    yield f"{book.edition}; {book.kind}; grammar: {book.grammar}; called {book.name}"
    if book.lower_of_two:
        yield f"The lower of two heads stands for {book.lower_of_two} speed."
    if book.row_lamps != 3:
        yield f"A row has {book.row_lamps} lamps."
    if book.note:
        yield book.note.strip()
    yield ""
    yield "Speeds, most restrictive first:"
    for speed in book.speeds:
        number = f" [{speed.mph} mph]" if speed.mph is not None else ""
        yield f"  {speed.name}{number}: {speed.text} [{say_standing(speed)}]"
    if book.plates:
        yield ""
        yield "Plates:"
        for plate in book.plates:
            likely = f"taken as {100 * plate.prior:.4g}% likely if not told"
            yield f"  {plate.name}: {plate.text} ({likely}) [{say_standing(plate)}]"
    yield ""
    rule = f" (rule {book.imperfect.rule})" if book.imperfect.rule else ""
    yield f"Imperfect signals{rule}: {book.imperfect.text} [{say_standing(book.imperfect)}]"
    if book.imperfect.arm_alone:
        yield "An arm that can be seen counts by its angle, lamp lit or not."
    for indication in book.indications:
        yield ""
        yield from _indication(indication, book)
    for title, exemptions in (
        ("Outside the grammar of speed signalling:", book.not_by_grammar),
        ("Not fail-safe under every single failure:", book.not_fail_safe),
    ):
        if exemptions:
            yield ""
            yield title
            for exemption in exemptions:
                yield f"  {exemption.show}: {exemption.reason}"
    yield ""
    yield "Sources:"
    for source in book.sources.values():
        yield f"  {source.id}: {source.what}" + (f" <{source.address}>" if source.address else "")
    yield ""
    yield NOTICE


def say_indication(indication: Indication, book: Rulebook) -> str:
    """Say one indication with every aspect that shows it, ending with the notice."""
    return "\n".join([*_indication(indication, book), "", NOTICE])


def _words(indication: Indication) -> Iterator[str]:
    yield f"here {indication.here}"
    yield f"next {indication.at_next}"
    if indication.at_second:
        yield f"second {indication.at_second}"
    if indication.reduce:
        yield f"reduce to {indication.reduce}"


def _indication(indication: Indication, book: Rulebook) -> Iterator[str]:
    yield f"{indication.label}: {indication.meaning}"
    yield f"  here: {say_here(indication, book)}"
    yield f"  ahead: {say_ahead(indication, book)}"
    yield f"  in the book's words: {', '.join(_words(indication))}"
    yield f"  {say_standing(indication)}"
    if indication.tie:
        yield f"  rank among indications of the same orders: {indication.tie}"
    if indication.number_note:
        yield f"  rule number: {indication.number_note}"
    if indication.note:
        yield f"  note: {indication.note}"
    if not indication.aspects:
        yield "  aspect not sourced"
    for row in indication.aspects:
        disputed = " DISPUTED" if row.disputed else ""
        yield f"  - {say_aspect(row.aspect)}{disputed} [{say_grade(row)}]"
        if row.note:
            yield f"      {row.note}"
