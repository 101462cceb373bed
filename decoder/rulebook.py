"""Rulebooks: what each aspect means on one railway, as data with a source on every row."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from mastread.decoder.aspect import Aspect, HeadShown
from mastread.decoder.order import Orders

#: How sure a row is, surest first, in words for people.
GRADES: Final[dict[str, str]] = {
    "verified": "several independent sources agree",
    "official": "an official body reproduces the regulation",
    "single": "one source",
    "weak": "weak sources only",
    "common practice": "common practice, no source",
    "derived": "follows from sourced statements, not stated outright",
    "uncertain": "uncertain",
    "memory": "recalled, not found in a source",
    "own": "invented for this book",
}

#: Stands for a promise that is not made; it ranks with stop, since anything may come.
NOTHING: Final = "nothing"

#: Grades on which a reading may not rest without saying so.
SHAKY: Final = frozenset({"weak", "derived", "uncertain", "memory"})


class BookError(ValueError):
    """A rulebook cannot be used; the message is one line with file, row and cure."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a fact comes from."""

    id: str
    what: str
    address: str


@dataclass(frozen=True, slots=True)
class Speed:
    """A speed word of the book; `mph` is None where the word is no number.

    `grade`, `agreeing` and `sources` are as in `AspectRow`, here and in the rows below.
    """

    name: str
    mph: int | None
    text: str
    grade: str
    agreeing: int
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate that changes meanings.

    `prior` is the share of masts, among those whose heads let the plate matter, that are
    assumed to carry it when nobody can tell.
    """

    name: str
    text: str
    prior: float
    grade: str
    agreeing: int
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class AspectRow:
    """One aspect of an indication. Equal by identity, as rows of one book are.

    Attributes
    ----------
    aspect : Aspect
    grade : str
        A key of `GRADES`.
    agreeing : int
        Number of independent sources that agree, where graded ``verified``; else 0.
    sources : tuple of str
        Ids of the book's sources.
    note : str
    disputed : bool
        The sources contradict each other about this aspect: it is shown, never read.
    common_practice : bool
        Known as common practice in the trade besides, without a source.
    """

    aspect: Aspect
    grade: str
    agreeing: int
    sources: tuple[str, ...]
    note: str = ""
    disputed: bool = False
    common_practice: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Indication:
    """One indication of a book. Equal by identity, as rows of one book are.

    Attributes
    ----------
    rule : str or None
        Rule number; None where no source gives it.
    name : str
    meaning : str
        What it orders, in our own words.
    here, at_next, at_second : str
        Speed words of the book: in force here, announced for the next signal, and for the
        second next (empty: nothing is said of it).
    orders : Orders
        The same as ranks.
    grade, agreeing, sources, note
        As in `AspectRow`, of the indication itself.
    number_note : str
        How sure the rule number is.
    aspects : tuple of AspectRow
        Empty where no aspect is known: "aspect not sourced".
    tie : int
        Settles indications of equal orders: the lower is the more restrictive.
    reduce : str
        Speed to which a faster train begins to reduce at once; empty if none.
    """

    rule: str | None
    name: str
    meaning: str
    here: str
    at_next: str
    at_second: str
    orders: Orders
    grade: str
    agreeing: int
    sources: tuple[str, ...]
    note: str
    number_note: str
    aspects: tuple[AspectRow, ...]
    tie: int = 0
    reduce: str = ""

    @property
    def label(self) -> str:
        """Rule number and name as one phrase."""
        return f"{self.rule} {self.name}" if self.rule else self.name

    def at_least_as_restrictive_as(self, other: Indication) -> bool:
        """Whether whoever obeys this one obeys `other` too (the book's `tie` settles equals)."""
        if self.orders == other.orders:
            return self.tie <= other.tie
        return self.orders.at_least_as_restrictive_as(other.orders)

    def restrictiveness(self) -> tuple[int, int, int, int]:
        """Sort key, most restrictive first; the book's own `tie` settles equals."""
        return (*self.orders.rank(), self.tie)


@dataclass(frozen=True, slots=True)
class Imperfect:
    """The book's rule on imperfectly displayed signals.

    `arm_alone` grants an exception: a semaphore arm that can be seen gives its indication by
    its angle, lamp lit or not.
    """

    rule: str | None
    text: str
    grade: str
    agreeing: int
    sources: tuple[str, ...]
    arm_alone: bool = False


@dataclass(frozen=True, slots=True)
class Exemption:
    """A row that a check may leave aside, with its reason."""

    show: str
    reason: str


@dataclass(frozen=True, slots=True)
class Entry:
    """An aspect row together with the indication that it gives."""

    indication: Indication
    row: AspectRow


@dataclass(frozen=True, repr=False, eq=False)
class Rulebook:
    """A whole book. Equal by identity: a book is loaded once and shared.

    `grammar` is ``"speed"`` where the heads follow the grammar of speed signalling (see
    `mastread.decoder.grammar`), else ``"none"``; `lower_of_two` is the speed that the lower
    of two heads stands for, empty where that is not settled. `row_lamps` is the number of lamps
    of a position-light row, 2 or 3.
    """

    name: str
    title: str
    edition: str
    kind: str
    note: str
    speeds: tuple[Speed, ...]
    plates: tuple[Plate, ...]
    sources: dict[str, Source]
    indications: tuple[Indication, ...]
    imperfect: Imperfect
    grammar: str
    lower_of_two: str
    not_by_grammar: tuple[Exemption, ...]
    not_fail_safe: tuple[Exemption, ...]
    path: str
    row_lamps: int
    #: Entries by what the heads show, filled once on loading.
    by_heads: dict[tuple[HeadShown, ...], tuple[Entry, ...]] = field(repr=False)
    #: Decisions on point evidence, filled as they are asked for.
    memo: dict[Aspect, object] = field(default_factory=dict, repr=False, compare=False)

    def __repr__(self) -> str:
        return f"<Rulebook {self.name}: {len(self.indications)} indications>"

    @property
    def label(self) -> str:
        """Title with edition, as it stands on outputs."""
        return f"{self.title}, {self.edition}"

    @property
    def source(self) -> str:
        """Where the book's rows come from, in one phrase."""
        return f"{len(self.sources)} sources, named row by row"

    def entries(self) -> Iterator[Entry]:
        """Every aspect row of the book, in the order of the file."""
        for indication in self.indications:
            for row in indication.aspects:
                yield Entry(indication, row)

    def most_restrictive(self) -> Indication:
        """The indication that nothing in the book is more restrictive than."""
        return min(self.indications, key=Indication.restrictiveness)

    def find(self, words: str) -> Indication | None:
        """Look an indication up by rule number or name, whatever the case."""
        key = " ".join(words.split()).lower()
        for indication in self.indications:
            if key in (indication.rule, indication.name.lower(), indication.label.lower()):
                return indication
        return None

    def speed(self, name: str) -> Speed:
        """Return the speed of that name (KeyError if the book has none)."""
        for speed in self.speeds:
            if speed.name == name:
                return speed
        raise KeyError(name)


def list_books() -> tuple[str, ...]:
    """Names of the bundled books, sorted."""
    from mastread.decoder.bookfile import bundled

    return tuple(sorted(bundled()))


def load_book(name: str | Path) -> Rulebook:
    """Load a bundled book by its name, or a book from a TOML file.

    Parameters
    ----------
    name : str or Path
        A name that `list_books` gives, or the path of a ``.toml`` file.

    Raises
    ------
    BookError
        One line: unknown name with the nearest one, or file, row and cure.
    """
    from mastread.decoder.bookfile import read_book

    return read_book(name)
