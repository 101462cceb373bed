"""A whole book in plain text: every indication, every aspect, how sure it is."""

from __future__ import annotations

from collections.abc import Iterator

from mastread.decoder.explain import say_ahead, say_here
from mastread.decoder.language import say_aspect
from mastread.decoder.reasons import say_grade
from mastread.decoder.rulebook import GRADES, Indication, Rulebook
from mastread.decoder.words import NOTICE


def say_book(book: Rulebook) -> str:
    """Say everything that a book holds, for reading and for comparing editions."""
    return "\n".join(_lines(book)) + "\n"


def say_indication_grade(indication: Indication) -> str:
    """Say how sure an indication is: ``verified in 4 sources (A, B)``."""
    words = GRADES[indication.grade]
    if indication.grade == "verified":
        words = f"verified in {indication.agreeing} sources"
    return f"{words} ({', '.join(indication.sources)})" if indication.sources else words


def _lines(book: Rulebook) -> Iterator[str]:
    yield f"{book.title}"
    yield f"{book.edition}; {book.kind}; grammar: {book.grammar}"
    if book.note:
        yield book.note.strip()
    yield ""
    yield "Speeds, most restrictive first:"
    for speed in book.speeds:
        number = f" [{speed.mph} mph]" if speed.mph is not None else ""
        yield f"  {speed.name}{number}: {speed.text}"
    if book.plates:
        yield ""
        yield "Plates:"
        for plate in book.plates:
            yield f"  {plate.name}: {plate.text} (taken as {plate.prior:.0%} likely if not told)"
    yield ""
    rule = f" (rule {book.imperfect.rule})" if book.imperfect.rule else ""
    yield f"Imperfect signals{rule}: {book.imperfect.text}"
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


def _indication(indication: Indication, book: Rulebook) -> Iterator[str]:
    yield f"{indication.label}: {indication.meaning}"
    yield f"  here: {say_here(indication, book)}"
    yield f"  ahead: {say_ahead(indication, book)}"
    yield f"  {say_indication_grade(indication)}"
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
