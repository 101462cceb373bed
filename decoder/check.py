"""Checks of a whole book beyond its form: does it say what it means to say?"""

from __future__ import annotations

from mastread.decoder.decode import decode_aspect
from mastread.decoder.faults import row_faults
from mastread.decoder.grammar import Said, say_by_grammar
from mastread.decoder.language import say_aspect
from mastread.decoder.rulebook import Rulebook


def check_book(book: Rulebook) -> tuple[str, ...]:
    """Return complaints about a loaded book, one line each; empty if there are none.

    Every row must decode to itself (a disputed one must stay undecided); where the grammar of
    speed signalling reaches, it must lead to the same indication, or the row is listed under
    ``not_by_grammar``; every single failure must show something as restrictive, or the row is
    listed under ``not_fail_safe``. A listed row that needs no listing is a complaint, too.
    """
    return (*_rows(book), *_grammar(book), *_faults(book))


def _rows(book: Rulebook) -> list[str]:
    found = []
    for entry in book.entries():
        decision = decode_aspect(entry.row.aspect, book)
        words = say_aspect(entry.row.aspect)
        if entry.row.disputed:
            if decision.status == "read":
                found.append(f'"{words}" is disputed and yet reads as {decision.name}')
        elif (decision.rule, decision.name) != (entry.indication.rule, entry.indication.name):
            found.append(
                f'"{words}" is listed as {entry.indication.label} but comes out {decision.status}'
                + (f" as {decision.name}" if decision.name else "")
            )
    return found


def _grammar(book: Rulebook) -> list[str]:
    if book.grammar == "none":
        return []
    found = []
    listed = {e.show for e in book.not_by_grammar}
    for entry in book.entries():
        words = say_aspect(entry.row.aspect)
        table = Said(entry.indication.here, entry.indication.at_next, entry.indication.at_second)
        said = say_by_grammar(entry.row.aspect, book)
        if said == table and words in listed:
            found.append(f'"{words}" follows the grammar; take it off not_by_grammar')
        elif said != table and words not in listed:
            reason = "does not reach it" if said is None else f"says {said.here} speed here"
            found.append(
                f'"{words}" is {entry.indication.label}, but the grammar {reason}; correct the '
                "row, or list it under not_by_grammar with the reason"
            )
    return found


def _faults(book: Rulebook) -> list[str]:
    found = []
    listed = {e.show for e in book.not_fail_safe}
    unsafe = set()
    for entry in book.entries():
        words = say_aspect(entry.row.aspect)
        for fault in row_faults(entry, book):
            if fault.safe:
                continue
            unsafe.add(words)
            if words not in listed:
                found.append(
                    f'"{words}" ({entry.indication.label}) is not fail-safe: when {fault.what} '
                    f'it shows "{say_aspect(fault.shows)}", {fault.read_as.label}; correct the '
                    "row, or list it under not_fail_safe with the reason"
                )
    found += [f'"{words}" is fail-safe; take it off not_fail_safe' for words in listed - unsafe]
    return found
