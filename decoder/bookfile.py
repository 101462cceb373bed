"""Reading and checking a rulebook file. Each complaint is one line: file, row, cure."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from mastread.decoder.aspect import PLATES, HeadShown
from mastread.decoder.bookschema import (
    ASPECT,
    BOOK,
    EXEMPT,
    GRADE_WORDS,
    GRAMMARS,
    IMPERFECT,
    INDICATION,
    KINDS,
    PLATE,
    SCHEMA,
    SOURCE,
    SPEED,
    TOP,
    TYPE_WORDS,
)
from mastread.decoder.language import AspectError, nearest, parse_aspect, say_aspect
from mastread.decoder.order import Orders
from mastread.decoder.rulebook import (
    GRADES,
    NOTHING,
    AspectRow,
    BookError,
    Entry,
    Exemption,
    Imperfect,
    Indication,
    Plate,
    Rulebook,
    Source,
    Speed,
)


@cache
def bundled() -> dict[str, str]:
    """Bundled books: name to file name. A book's file is called ``book_NAME.toml``."""
    names = (p.name for p in resources.files("mastread.decoder").iterdir())
    return {n[5:-5]: n for n in sorted(names) if n.startswith("book_") and n.endswith(".toml")}


def read_book(name: str | Path) -> Rulebook:
    """Load a book by bundled name or by path; see `mastread.decoder.rulebook.load_book`."""
    if isinstance(name, str) and name.lower() in bundled():
        return _bundled(name.lower())
    path = Path(name)
    if path.suffix != ".toml":
        known = tuple(sorted(bundled()))
        raise BookError(
            f'no rulebook is called "{name}"{nearest(str(name), known)}; bundled are '
            f"{', '.join(known)}, and a path that ends in .toml names a file of your own"
        )
    try:
        data = path.read_bytes()
    except OSError as error:
        raise BookError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    except ValueError:
        raise BookError(f"{str(path)!r}: is no file name; check the path") from None
    return parse_book(data, str(path))


@cache
def _bundled(name: str) -> Rulebook:
    file = bundled()[name]
    return parse_book(resources.files("mastread.decoder").joinpath(file).read_bytes(), file)


def parse_book(data: bytes, path: str) -> Rulebook:
    """Build a book from the bytes of its file; `path` is named in every complaint."""
    try:
        top = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError:
        raise BookError(f"{path}: is not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise BookError(f"{path}: is not valid TOML: {error}; correct it there") from None
    return build_book(top, path)


def build_book(top: dict[str, Any], path: str) -> Rulebook:
    """Build a book from what its TOML holds; raises BookError as `parse_book` does."""
    return _Reader(path).book(top)


class _Reader:
    """Checks one file and builds its book, remembering what later rows refer to."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.sources: dict[str, Source] = {}
        self.levels: dict[str, int] = {}
        self.plates: tuple[Plate, ...] = ()
        self.own_book = False

    def fail(self, row: str, text: str) -> BookError:
        return BookError(f"{self.path}: {row}: {text}")

    def book(self, top: dict[str, Any]) -> Rulebook:
        if top.get("schema") != SCHEMA:
            raise self.fail("top", f"the first line must be schema = {SCHEMA}")
        self.fields("top", top, TOP)
        head = top["book"]
        self.fields("[book]", head, BOOK)
        self.one_of("[book]", "kind", head["kind"], KINDS)
        self.one_of("[book]", "grammar", head["grammar"], GRAMMARS)
        for i, raw in enumerate(self.rows("source", top)):
            row = f"source {i + 1}"
            self.fields(row, raw, SOURCE)
            if raw["id"] in self.sources:
                raise self.fail(row, f'"{raw["id"]}" stands twice; keep one')
            self.sources[raw["id"]] = Source(raw["id"], raw["what"], raw.get("address", ""))
        speeds = tuple(self.speed(i, raw) for i, raw in enumerate(self.rows("speed", top)))
        if head.get("row_lamps", 3) not in (2, 3):
            raise self.fail("[book]", "row_lamps is the number of lamps in a row: 2 or 3")
        lower = head.get("lower_of_two", "")
        if lower:
            self.level("[book]", "lower_of_two", lower)
        self.plates = tuple(self.plate(i, raw) for i, raw in enumerate(self.rows("plate", top)))
        if sum(p.prior for p in self.plates) >= 1.0:
            raise self.fail("plates", "the priors sum to 1 or more; leave room for no plate")
        self.fields("[imperfect]", top["imperfect"], IMPERFECT)
        grade, agreeing, sources = self.graded("[imperfect]", top["imperfect"])
        raw = top["imperfect"]
        imperfect = Imperfect(
            raw.get("rule"), raw["text"], grade, agreeing, sources, raw.get("arm_alone", False)
        )
        indications = tuple(
            self.indication(i, raw) for i, raw in enumerate(self.rows("indication", top))
        )
        self.unique(indications)
        by_heads = self.overlaps(indications)
        shown = {say_aspect(row.aspect) for ind in indications for row in ind.aspects}
        return Rulebook(
            name=head["name"],
            title=head["title"],
            edition=head["edition"],
            kind=head["kind"],
            note=head.get("note", ""),
            speeds=speeds,
            plates=self.plates,
            sources=self.sources,
            indications=indications,
            imperfect=imperfect,
            grammar=head["grammar"],
            lower_of_two=lower,
            not_by_grammar=self.exemptions("not_by_grammar", top, shown),
            not_fail_safe=self.exemptions("not_fail_safe", top, shown),
            path=self.path,
            row_lamps=head.get("row_lamps", 3),
            by_heads=by_heads,
        )

    def rows(self, name: str, top: dict[str, Any]) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = top.get(name, [])
        for row in rows:
            if not isinstance(row, dict):
                raise self.fail(name, f"must be written as [[{name}]] tables")
        if name in ("speed", "indication") and not rows:
            raise self.fail("top", f"the book has no [[{name}]]; add at least one")
        return rows

    def fields(self, row: str, raw: dict[str, Any], known: Mapping[str, tuple[type, bool]]) -> None:
        for key, value in raw.items():
            if key not in known:
                raise self.fail(
                    row,
                    f'unknown field "{key}"{nearest(key, tuple(known))}; '
                    f"known are {', '.join(known)}",
                )
            want = known[key][0]
            if want is float and isinstance(value, int) and not isinstance(value, bool):
                continue
            if not isinstance(value, want) or (want is int and isinstance(value, bool)):
                raise self.fail(row, f'"{key}" must be {TYPE_WORDS[want]}')
            if (
                isinstance(value, str)
                and key not in ("note", "address", "second")
                and not value.strip()
            ):
                raise self.fail(row, f'"{key}" is empty; fill it in')
        for key, (_, required) in known.items():
            if required and key not in raw:
                raise self.fail(row, f'"{key}" is missing; add it')

    def one_of(self, row: str, key: str, value: str, known: tuple[str, ...]) -> None:
        if value not in known:
            raise self.fail(
                row,
                f'{key} "{value}" is not known{nearest(value, known)}; use {", ".join(known)}',
            )

    def graded(self, row: str, raw: dict[str, Any]) -> tuple[str, int, tuple[str, ...]]:
        """Return grade, number of agreeing sources, and source ids of a row."""
        word, _, number = raw["grade"].partition(" ")
        if word == "verified":
            if not number.isdigit() or int(number) < 2:
                raise self.fail(row, 'say how many sources agree, as in grade = "verified 2"')
            grade, agreeing = word, int(number)
        else:
            grade, agreeing = raw["grade"], 0
        if grade not in GRADES:
            raise self.fail(
                row,
                f'grade "{raw["grade"]}" is not known{nearest(raw["grade"], GRADE_WORDS)}; '
                f"use one of {', '.join(GRADES)}",
            )
        sources = tuple(raw.get("sources", ()))
        for source in sources:
            if not isinstance(source, str) or source not in self.sources:
                raise self.fail(
                    row,
                    f'source "{source}" is not among the [[source]] rows'
                    f"{nearest(str(source), tuple(self.sources))}; add it there",
                )
        if grade in ("verified", "official", "single", "weak") and not sources:
            raise self.fail(row, f'graded "{raw["grade"]}" but names no source; add sources = [..]')
        return grade, agreeing, sources

    def speed(self, i: int, raw: dict[str, Any]) -> Speed:
        row = f"speed {i + 1}"
        self.fields(row, raw, SPEED)
        if raw["name"] in self.levels:
            raise self.fail(row, f'"{raw["name"]}" stands twice; keep one')
        self.levels[raw["name"]] = i
        grade, agreeing, sources = self.graded(row, raw)
        return Speed(raw["name"], raw.get("mph"), raw["text"], grade, agreeing, sources)

    def plate(self, i: int, raw: dict[str, Any]) -> Plate:
        row = f"plate {i + 1}"
        self.fields(row, raw, PLATE)
        self.one_of(row, "plate", raw["name"], PLATES)
        if not 0.0 < raw["prior"] < 1.0:
            raise self.fail(row, f"prior is {raw['prior']}; it must lie between 0 and 1")
        grade, agreeing, sources = self.graded(row, raw)
        return Plate(raw["name"], raw["text"], float(raw["prior"]), grade, agreeing, sources)

    def level(self, row: str, key: str, word: str) -> int:
        if word == NOTHING and key == "next":
            return 0
        if word not in self.levels:
            known = tuple(self.levels)
            raise self.fail(
                row,
                f'{key} "{word}" is no speed of this book{nearest(word, known)}; '
                f"known are {', '.join(known)}",
            )
        return self.levels[word]

    def indication(self, i: int, raw: dict[str, Any]) -> Indication:
        row = f'indication {i + 1} ("{raw.get("name", "no name")}")'
        self.fields(row, raw, INDICATION)
        here = self.level(row, "here", raw["here"])
        at_next = self.level(row, "next", raw["next"])
        second = raw.get("second", "")
        at_second = self.level(row, "second", second) if second else at_next
        if second and at_second > at_next:
            raise self.fail(
                row,
                f'bad order: the second signal ("{second}") is promised more than the next '
                f'("{raw["next"]}"); swap them or leave second out',
            )
        if raw.get("reduce"):
            self.level(row, "reduce", raw["reduce"])
        grade, agreeing, sources = self.graded(row, raw)
        aspects = tuple(
            self.aspect(f"{row}, aspect {j + 1}", a) for j, a in enumerate(self.rows("aspect", raw))
        )
        return Indication(
            rule=raw.get("rule"),
            name=raw["name"],
            meaning=raw["meaning"],
            here=raw["here"],
            at_next=raw["next"],
            at_second=second,
            orders=Orders(here, at_next, at_second),
            grade=grade,
            agreeing=agreeing,
            sources=sources,
            note=raw.get("note", ""),
            number_note=raw.get("number", ""),
            aspects=aspects,
            tie=raw.get("tie", 0),
            reduce=raw.get("reduce", ""),
        )

    def aspect(self, row: str, raw: dict[str, Any]) -> AspectRow:
        self.fields(row, raw, ASPECT)
        try:
            aspect = parse_aspect(raw["show"])
        except AspectError as error:
            raise self.fail(row, str(error)) from None
        if aspect.plates is None or any("unknown" in (h.colour, h.behaviour) for h in aspect.heads):
            raise self.fail(row, "an aspect of a book leaves nothing unknown; say what it shows")
        for plate in aspect.plates:
            if plate not in {p.name for p in self.plates}:
                raise self.fail(row, f'"{plate}" has no [[plate]] row in this book; add one')
        grade, agreeing, sources = self.graded(row, raw)
        return AspectRow(
            aspect,
            grade,
            agreeing,
            sources,
            raw.get("note", ""),
            raw.get("disputed", False),
            raw.get("common_practice", False),
        )

    def unique(self, indications: tuple[Indication, ...]) -> None:
        seen: set[tuple[str | None, str]] = set()
        for i, indication in enumerate(indications):
            key = (indication.rule, indication.name)
            if key in seen:
                raise self.fail(
                    f'indication {i + 1} ("{indication.name}")',
                    "stands twice with the same rule number and name; join the two",
                )
            seen.add(key)

    def overlaps(
        self, indications: tuple[Indication, ...]
    ) -> dict[tuple[HeadShown, ...], tuple[Entry, ...]]:
        """Group the rows by what the heads show; complain where one aspect has two meanings."""
        groups: dict[tuple[HeadShown, ...], list[Entry]] = {}
        for indication in indications:
            for row in indication.aspects:
                group = groups.setdefault(row.aspect.heads, [])
                for other in group:
                    self.compare(Entry(indication, row), other)
                group.append(Entry(indication, row))
        return {heads: tuple(group) for heads, group in groups.items()}

    def compare(self, new: Entry, old: Entry) -> None:
        a, b = new.row.aspect, old.row.aspect
        same_place = (
            a.plates == b.plates
            and a.dwarf == b.dwarf
            and (a.arrangement is None or b.arrangement is None or a.arrangement == b.arrangement)
        )
        if not same_place:
            return
        if new.indication is old.indication:
            raise self.fail(
                f'indication "{new.indication.name}"',
                f'the aspect "{say_aspect(a)}" is covered twice; keep one row',
            )
        if not (new.row.disputed and old.row.disputed):
            raise self.fail(
                f'indication "{new.indication.name}"',
                f'the aspect "{say_aspect(a)}" already means "{old.indication.name}"; keep one, '
                "or mark both rows disputed = true if the sources contradict each other",
            )

    def exemptions(self, name: str, top: dict[str, Any], shown: set[str]) -> tuple[Exemption, ...]:
        found = []
        for i, raw in enumerate(self.rows(name, top)):
            row = f"{name} {i + 1}"
            self.fields(row, raw, EXEMPT)
            try:
                words = say_aspect(parse_aspect(raw["show"]))
            except AspectError as error:
                raise self.fail(row, str(error)) from None
            if words not in shown:
                raise self.fail(row, f'"{words}" is no aspect of this book; correct or drop it')
            found.append(Exemption(words, raw["reason"]))
        return tuple(found)
