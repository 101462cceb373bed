"""What one failure would show, and whether it is as safe as what was meant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any, Final

from mastread.decoder.aspect import DARK, Aspect, HeadShown
from mastread.decoder.decode import decode_aspect
from mastread.decoder.language import say_aspect
from mastread.decoder.reasons import place
from mastread.decoder.rulebook import Entry, Indication, Rulebook

#: No column of the table gets narrower than this, in letters.
_NARROWEST: Final = 12


@dataclass(frozen=True, slots=True)
class Fault:
    """One failure of one aspect.

    Attributes
    ----------
    what : str
        The failure in words ("the flasher of the top head sticks, its lamp stays lit").
    shows : Aspect
        What the mast then shows.
    status : str
        How that decodes.
    read_as : Indication
        The indication read, or the most restrictive of those that stay open.
    safe : bool
        Whether a crew that obeys what is then read, or everything that stays open where
        nothing is read, obeys what was meant, too.
    """

    what: str
    shows: Aspect
    status: str
    read_as: Indication
    safe: bool

    def as_json(self) -> dict[str, Any]:
        """Return the fault as plain data."""
        return {
            "fault": self.what,
            "shows": say_aspect(self.shows),
            "status": self.status,
            "read_as": {"rule": self.read_as.rule, "name": self.read_as.name},
            "fail_safe": self.safe,
        }


def single_faults(aspect: Aspect, meant: Indication, book: Rulebook) -> tuple[Fault, ...]:
    """Every single failure of an aspect that was meant to give the indication `meant`.

    Each lit head goes dark; each flasher sticks with its lamp lit; each colour falls to red
    (as a searchlight does without power; a flasher goes on working); each plate is lost.
    """
    found = []
    for what, shows in _failed(aspect, book):
        decision = decode_aspect(shows, book)
        rule, name = (
            (decision.rule, decision.name)
            if decision.status == "read"
            else decision.most_restrictive
        )
        read_as = next(i for i in book.indications if (i.rule, i.name) == (rule, name))
        if decision.status == "read":
            safe = read_as.at_least_as_restrictive_as(meant)
        else:
            safe = decision.obey_all.at_least_as_restrictive_as(meant.orders)
        found.append(Fault(what, shows, decision.status, read_as, safe))
    return tuple(found)


def say_faults(aspect: Aspect, meant: Indication, book: Rulebook, width: int = 0) -> str:
    """Return the single failures of an aspect as a table in plain text.

    With a `width` above 0 long cells are broken so that no line is longer than that, as far
    as the words allow.
    """
    rows = [("if", "it shows", "which reads as", "fail-safe")]
    for fault in single_faults(aspect, meant, book):
        reads = fault.read_as.label
        if fault.status != "read":
            reads = f"{fault.status}; at worst {reads}"
        rows.append((fault.what, say_aspect(fault.shows), reads, "yes" if fault.safe else "NO"))
    widths = _widths([max(len(row[i]) for row in rows) for i in range(4)], width)
    lines = [line for row in rows for line in _cells(row, widths)]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(lines)


def _widths(wanted: list[int], width: int) -> list[int]:
    """Narrow the widest columns in turn until all fit beside each other, two blanks apart."""
    found = list(wanted)
    while width and sum(found) + 2 * (len(found) - 1) > width and max(found) > _NARROWEST:
        found[found.index(max(found))] -= 1
    return found


def _cells(row: tuple[str, ...], widths: list[int]) -> Iterator[str]:
    # Imported here: only this table needs it, and it loads regular expressions.
    from textwrap import wrap

    parts = [
        wrap(cell, w, break_long_words=False, break_on_hyphens=False)
        for cell, w in zip(row, widths, strict=True)
    ]
    for line in zip_longest(*parts, fillvalue=""):
        yield "  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip()


def row_faults(entry: Entry, book: Rulebook) -> tuple[Fault, ...]:
    """`single_faults` of one row of the book."""
    return single_faults(entry.row.aspect, entry.indication, book)


def _failed(aspect: Aspect, book: Rulebook) -> Iterator[tuple[str, Aspect]]:
    count = len(aspect.heads)
    for i, head in enumerate(aspect.heads):
        which = place(i, count)
        if head.behaviour == "dark":
            continue
        dark = DARK if head.form == "lamp" else HeadShown(None, "dark", head.form)
        if not head.form.startswith("arm"):
            yield f"{which} goes dark", _with_head(aspect, i, dark)
        if head.behaviour == "flashing":
            steady = HeadShown(head.colour, "steady", head.form)
            yield (
                f"the flasher of {which} sticks and its lamp stays lit",
                _with_head(aspect, i, steady),
            )
        if head.form == "lamp" and head.colour != "red":
            red = HeadShown("red", head.behaviour, head.form)
            yield f"the colour of {which} falls to red", _with_head(aspect, i, red)
        if head.form.startswith("arm") and head.form != "arm 0":
            fallen = HeadShown("red", head.behaviour, "arm 0")
            yield f"the arm of {which} falls to horizontal", _with_head(aspect, i, fallen)
    for plate in sorted(aspect.plates or ()):
        left = frozenset(aspect.plates or ()) - {plate}
        yield f"the {plate} plate is lost", replace(aspect, plates=left)


def _with_head(aspect: Aspect, index: int, head: HeadShown) -> Aspect:
    heads = tuple(head if i == index else h for i, h in enumerate(aspect.heads))
    return replace(aspect, heads=heads)
