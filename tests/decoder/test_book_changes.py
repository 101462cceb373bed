"""Every single change of every row of every bundled book is noticed.

What notices is what the other tests look at: the checks on loading, and the record of what each
book says (`test_books.py` compares it).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from copy import deepcopy
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from mastread.decoder.bookfile import build_book
from mastread.decoder.booktext import say_book
from mastread.decoder.rulebook import GRADES, BookError, list_books

SNAPSHOTS = Path(__file__).parent / "snapshots"
COLOURS = ("red", "yellow", "green", "lunar")


def others(key: str, value: Any, speeds: list[str]) -> Iterator[Any]:
    """Other values that a field could hold, most of them valid."""
    if isinstance(value, bool):
        yield not value
    elif isinstance(value, int):
        yield value + 1
    elif isinstance(value, float):
        yield value / 2
    elif isinstance(value, list):
        yield value[:-1]
        yield [*value[1:], *value[:1]] if len(value) > 1 else []
    elif key == "show":
        for old, new in zip(COLOURS, (*COLOURS[1:], COLOURS[0]), strict=True):
            if old in value:
                yield value.replace(old, new, 1)
        yield f"flashing {value}".replace("flashing flashing ", "")
    elif key in ("here", "next", "second", "reduce", "lower_of_two"):
        at = speeds.index(value) if value in speeds else 0
        yield from (speeds[at - 1], speeds[(at + 1) % len(speeds)], "nothing")
    elif key == "grade":
        grades = [*GRADES]
        at = grades.index(value) if value in grades else 0
        yield from (grades[at - 1], "verified 4")
    else:
        yield f"{value}?"


def tables(top: dict[str, Any]) -> Iterator[tuple[list[str | int], dict[str, Any]]]:
    """Every table of a book with the way to it."""
    for key, value in top.items():
        if isinstance(value, dict):
            yield [key], value
        elif isinstance(value, list):
            for n, row in enumerate(value):
                yield [key, n], row
                for m, inner in enumerate(row.get("aspect", ())):
                    yield [key, n, "aspect", m], inner


def changed_books(top: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The book with one field of one row changed or left out, or one row left out."""
    speeds = [speed["name"] for speed in top["speed"]]
    for way, table in tables(top):
        for key, value in table.items():
            if key == "aspect":
                continue
            for new in others(key, value, speeds):
                if new != value:
                    yield f"{way} {key} = {new!r}", _with(top, way, key, new)
            yield f"{way} without {key}", _with(top, way, key, None)
        if isinstance(way[-1], int):
            copy = deepcopy(top)
            _at(copy, way[:-1]).pop(way[-1])
            yield f"without {way}", copy


def _with(top: dict[str, Any], way: list[str | int], key: str, value: Any) -> dict[str, Any]:
    copy = deepcopy(top)
    if value is None:
        del _at(copy, way)[key]
    else:
        _at(copy, way)[key] = value
    return copy


def _at(top: Any, way: list[str | int]) -> Any:
    for step in way:
        top = top[step]
    return top


@pytest.mark.parametrize("name", list_books())
def test_any_change_of_any_row_is_noticed(name: str) -> None:
    text = files("mastread.decoder").joinpath(f"book_{name}.toml").read_text("utf-8")
    recorded = (SNAPSHOTS / f"{name}.txt").read_text(encoding="utf-8")
    assert say_book(build_book(tomllib.loads(text), "same.toml")) == recorded
    unnoticed = []
    count = 0
    for what, top in changed_books(tomllib.loads(text)):
        count += 1
        try:
            if say_book(build_book(top, "changed.toml")) == recorded:
                unnoticed.append(what)
        except BookError:
            continue
    assert unnoticed == []
    assert count > 10 * len(list(tables(tomllib.loads(text)))) / 2
