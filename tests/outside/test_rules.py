"""The bundled books against published sources, row by row.

`rule_rows.toml` names the sources of each row. What stands below it is common practice in the
trade, without a source that could be cited.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from mastread.decoder.decode import decode_aspect
from mastread.decoder.faults import row_faults
from mastread.decoder.language import parse_aspect, say_aspect
from mastread.decoder.rulebook import Entry, Rulebook, load_book

ROWS = tomllib.loads((Path(__file__).parent / "rule_rows.toml").read_text("utf-8"))["row"]

#: Common practice, no source: aspect, name, speed here (mph, None = track), next, second.
COMMON_PRACTICE = [
    ("green over red over red", "Clear", None, "track", ""),
    ("red over green over red", "Medium to Clear", 30, "track", ""),
    ("red over red over green", "Slow to Clear", 15, "track", ""),
    ("red over red over red", "Stop", 0, "nothing", ""),
    ("yellow over red over red", "Clear to Stop", None, "stop", ""),
    ("red over yellow over red", "Medium to Stop", 30, "stop", ""),
    ("red over red over flashing yellow", "Slow to Stop", 15, "stop", ""),
    ("red over red over yellow", "Restricting", 15, "nothing", ""),
    ("flashing yellow over red over red", "Advance Clear to Stop", None, "track", "stop"),
]


def _row(book: Rulebook, show: str) -> Entry:
    aspect = parse_aspect(show)
    return next(e for e in book.by_heads[aspect.heads] if e.row.aspect == aspect)


def test_the_rows_are_there() -> None:
    assert len(ROWS) == 33
    assert all(row["sources"] for row in ROWS)


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['book']}: {r['show']}")
def test_sourced_row(row: dict[str, object]) -> None:
    book = load_book(str(row["book"]))
    decision = decode_aspect(parse_aspect(str(row["show"])), book)
    assert decision.status == "read"
    assert (decision.rule, decision.name) == (row.get("rule"), row["name"])
    indication = book.find(str(decision.name)) if book.name != "colour_position_light" else None
    if indication and "mph" in row:
        assert book.speed(indication.here).mph == row["mph"]


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['book']}: {r['show']}")
def test_sourced_row_keeps_grade_and_sources(row: dict[str, object]) -> None:
    book = load_book(str(row["book"]))
    entry = _row(book, str(row["show"]))
    assert entry.indication.name == row["name"]
    grade = f"verified {entry.row.agreeing}" if entry.row.agreeing else entry.row.grade
    assert grade == row["grade"]
    sources = row["sources"]
    assert isinstance(sources, list)
    assert list(entry.row.sources) == [str(s).split(":")[0] for s in sources]
    assert all(book.sources[s].what for s in entry.row.sources)


@pytest.mark.parametrize("shown", COMMON_PRACTICE, ids=lambda c: c[0])
def test_common_practice(shown: tuple[str, str, int | None, str, str]) -> None:
    show, name, mph, at_next, second = shown
    book = load_book("cror")
    decision = decode_aspect(parse_aspect(show), book)
    assert (decision.status, decision.name) == ("read", name)
    indication = book.find(name)
    assert indication is not None
    assert book.speed(indication.here).mph == mph
    assert (indication.at_next, indication.at_second) == (at_next, second)
    assert _row(book, show).row.common_practice


def test_speeds() -> None:
    """Limited 45, medium 30, diverging 25, slow 15 mph: WP-CROR, ZEAL, GEEK, NOTE, TSB-VID."""
    book = load_book("cror")
    mph = {s.name: s.mph for s in book.speeds}
    assert mph == {
        "stop": 0,
        "stop, then restricted": 0,
        "restricted": 15,
        "slow": 15,
        "diverging": 25,
        "medium": 30,
        "limited": 45,
        "track": None,
    }
    assert "half the distance seen" in book.speed("restricted").text


@pytest.mark.parametrize(
    ("show", "becomes"),
    [
        ("red over red over flashing yellow", "Restricting"),
        ("flashing yellow over red over red", "Clear to Stop"),
    ],
)
def test_a_stuck_flasher(show: str, becomes: str) -> None:
    """Common practice, no source: a flasher that sticks falls to the safe side."""
    book = load_book("cror")
    stuck = [f for f in row_faults(_row(book, show), book) if "flasher" in f.what]
    assert [f.read_as.name for f in stuck] == [becomes]
    assert stuck[0].safe
    assert "flashing" not in say_aspect(stuck[0].shows)


def test_plates() -> None:
    """A: absolute; R: no stop; L: limited for medium; DV: diverging for slow (WP-CROR)."""
    book = load_book("cror")
    read = {
        show: decode_aspect(parse_aspect(show), book).name
        for show in (
            "red",
            "red with A plate",
            "red with R plate",
            "red over green over red with L plate",
            "red over red over green with DV plate",
        )
    }
    assert list(read.values()) == [
        "Stop and Proceed",
        "Stop",
        "Restricting",
        "Limited to Clear",
        "Diverging to Clear",
    ]


def test_two_heads_with_red_on_top_are_not_decided() -> None:
    """WP-CROR drops trailing reds, QT-DEF reads the lower head as the slow one."""
    book = load_book("cror")
    for lower in ("green", "yellow", "flashing yellow", "flashing green"):
        for where in ("", ", in line", ", staggered"):
            decision = decode_aspect(parse_aspect(f"red over {lower}{where}"), book)
            assert decision.status == "ambiguous"
            assert any("disputed" in r or "contradict" in r for r in decision.reasons)


def test_indications_without_a_sourced_aspect_stay_listed() -> None:
    book = load_book("cror")
    bare = {i.label for i in book.indications if not i.aspects}
    assert bare == {
        "410 Clear to Restricting",
        "419 Limited to Slow",
        "420 Limited to Restricting",
        "425 Medium to Slow",
        "426 Medium to Restricting",
        "Slow to Medium",
        "Slow to Slow",
    }
