"""Books as data: the bundled ones say what they say, and a broken one is told what is wrong."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mastread.decoder.bookfile import parse_book
from mastread.decoder.booktext import say_book
from mastread.decoder.check import check_book
from mastread.decoder.faults import row_faults
from mastread.decoder.grammar import Said, say_by_grammar
from mastread.decoder.language import parse_aspect, say_aspect
from mastread.decoder.rulebook import BookError, list_books, load_book

SNAPSHOTS = Path(__file__).parent / "snapshots"

BOOK = """
schema = 1
[book]
name = "test"
title = "Test book"
edition = "first"
kind = "layout"
grammar = "none"
[imperfect]
text = "As the worst it could mean."
grade = "own"
[[source]]
id = "HANDBOOK"
what = "A handbook"
[[speed]]
name = "stop"
mph = 0
text = "stop"
grade = "own"
[[speed]]
name = "line"
text = "the line's speed"
grade = "own"
[[plate]]
name = "A"
text = "absolute"
prior = 0.5
grade = "own"
[[indication]]
rule = "1"
name = "Go"
meaning = "Go."
here = "line"
next = "line"
grade = "own"
[[indication.aspect]]
show = "green"
grade = "single"
sources = ["HANDBOOK"]
[[indication]]
rule = "2"
name = "Halt"
meaning = "Stop."
here = "stop"
next = "nothing"
grade = "own"
[[indication.aspect]]
show = "red"
grade = "own"
"""

#: What is broken (text, replaced by), and what the complaint must name.
BROKEN = [
    ("schema = 1", "schema = 7", ("schema = 1",)),
    ('title = "Test book"', "title = ", ("TOML", "line 5")),
    ('title = "Test book"\n', "", ("[book]", '"title" is missing')),
    ('kind = "layout"', 'kind = "laiout"', ("[book]", 'did you mean "layout"')),
    ('show = "green"', 'show = "gren"', ('indication 1 ("Go"), aspect 1', 'did you mean "green"')),
    ('show = "red"', 'show = "green"', ('"Halt"', '"green"', 'already means "Go"')),
    ('sources = ["HANDBOOK"]\n', "", ('("Go"), aspect 1', "names no source")),
    ('["HANDBOOK"]', '["HANDBUCH"]', ('"HANDBUCH"', 'did you mean "HANDBOOK"')),
    ('grade = "single"', 'grade = "sure"', ('("Go"), aspect 1', 'grade "sure"', "use one of")),
    ('grade = "single"\n', "", ('("Go"), aspect 1', '"grade" is missing')),
    ('grade = "single"', 'grade = "verified"', ('("Go"), aspect 1', "how many sources")),
    ('here = "line"', 'here = "lien"', ('("Go")', 'did you mean "line"')),
    ('next = "line"', 'next = "stop"\nsecond = "line"', ('("Go")', "bad order")),
    ('next = "line"', 'next = "line"\nsecond = "nothing"', ('"Go"', "no speed of this book")),
    ('kind = "layout"', 'kind = "layout"\nrow_lamps = 4', ("[book]", "2 or 3")),
    ('show = "red"', 'show = "red with R plate"', ('("Halt"), aspect 1', "no [[plate]] row")),
    ('show = "red"', 'show = "red, plates unknown"', ('("Halt"), aspect 1', "nothing unknown")),
    ('rule = "2"\nname = "Halt"', 'rule = "1"\nname = "Go"', ("indication 2", "stands twice")),
    ("prior = 0.5", "prior = 1.5", ("plate 1", "between 0 and 1")),
    ('name = "line"', 'name = "stop"', ("speed 2", "stands twice")),
    ('meaning = "Go."', 'meaning = "Go."\ncolour = "green"', ('("Go")', 'unknown field "colour"')),
    ('meaning = "Go."', "meaning = 5", ('("Go")', "text in quotes")),
    ('show = "red"', 'show = "red"\ndisputed = "yes"', ('("Halt"), aspect 1', "true or false")),
    ('meaning = "Stop."', 'meaning = ""', ('("Halt")', "is empty")),
    (
        "[[speed]]\n",
        '[[not_fail_safe]]\nshow = "lunar"\nreason = "x"\n[[speed]]\n',
        ("not_fail_safe 1", "no aspect of this book"),
    ),
]


def test_the_test_book_is_good() -> None:
    book = parse_book(BOOK.encode(), "test.toml")
    assert check_book(book) == ()
    assert [i.name for i in book.indications] == ["Go", "Halt"]


@pytest.mark.parametrize(
    "broken", BROKEN, ids=lambda b: f"{b[0][:30]} to {b[1][:30]}".replace("\n", " ")
)
def test_a_broken_book_gets_one_clear_line(broken: tuple[str, str, tuple[str, ...]]) -> None:
    old, new, tells = broken
    text = BOOK.replace(old, new, 1)
    assert text != BOOK
    with pytest.raises(BookError) as caught:
        parse_book(text.encode(), "mine.toml")
    message = str(caught.value)
    assert message.startswith("mine.toml: ")
    assert "\n" not in message
    for part in tells:
        assert part in message


VALUES = ['""', '"red"', "7", "-1", "true", "[]", '["x"]', "[[1]]", "{}", "{ x = 1 }", "nan"]


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_any_damage_is_told_in_one_line_or_does_no_harm(data: st.DataObject) -> None:
    lines = BOOK.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        change = data.draw(st.sampled_from(["drop", "double", "value", "swap"]))
        if change == "drop" and len(lines) > 1:
            del lines[at]
        elif change == "double":
            lines.insert(at, lines[at])
        elif change == "value" and "=" in lines[at]:
            lines[at] = lines[at].split("=")[0] + "= " + data.draw(st.sampled_from(VALUES))
        else:
            lines.append(lines.pop(at))
    complaint = "mine.toml: none"
    try:
        parse_book("\n".join(lines).encode(), "mine.toml")
    except BookError as error:
        complaint = str(error)
    assert complaint.startswith("mine.toml: ")
    assert "\n" not in complaint


def test_a_file_that_is_no_text_or_not_there(tmp_path: Path) -> None:
    with pytest.raises(BookError, match="not UTF-8"):
        parse_book(b"\xff\xfe", "mine.toml")
    with pytest.raises(BookError, match="cannot be read"):
        load_book(tmp_path / "none.toml")
    with pytest.raises(BookError, match="is no file name"):
        load_book("a\0b.toml")
    with pytest.raises(BookError, match='did you mean "cror"'):
        load_book("crro")


def test_a_book_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(BOOK, encoding="utf-8")
    book = load_book(str(path))
    assert book.label == load_book(path).label == "Test book, first"
    assert book.find("halt") is book.find("2") is book.find("2 HALT") is book.indications[1]
    assert book.find("nothing of the kind") is None


def test_bundled_books() -> None:
    assert set(list_books()) == {
        "colour_position_light",
        "coloured_position_light",
        "cror",
        "layout",
        "norac",
        "position_light",
        "semaphore",
    }
    assert load_book("CROR") is load_book("cror")


@pytest.mark.parametrize("name", list_books())
def test_a_bundled_book_passes_its_checks(name: str) -> None:
    assert check_book(load_book(name)) == ()


@pytest.mark.parametrize("name", list_books())
def test_every_row_of_a_bundled_book_is_as_recorded(name: str) -> None:
    """Any change of any row shows here, and as a plain difference of text in review.

    After a change that is meant: `python tests/decoder/record_books.py`.
    """
    recorded = (SNAPSHOTS / f"{name}.txt").read_text(encoding="utf-8")
    assert say_book(load_book(name)) == recorded


@pytest.mark.parametrize("name", list_books())
def test_aspects_print_back(name: str) -> None:
    for entry in load_book(name).entries():
        words = say_aspect(entry.row.aspect)
        assert parse_aspect(words) == entry.row.aspect


@pytest.mark.parametrize("name", [n for n in list_books() if load_book(n).grammar == "speed"])
def test_the_two_roads_agree_or_the_book_says_why(name: str) -> None:
    book = load_book(name)
    listed = {e.show: e.reason for e in book.not_by_grammar}
    assert all(len(reason) > 20 for reason in listed.values())
    agreeing = 0
    for entry in book.entries():
        i = entry.indication
        said = say_by_grammar(entry.row.aspect, book)
        if said == Said(i.here, i.at_next, i.at_second):
            agreeing += 1
            assert say_aspect(entry.row.aspect) not in listed
        else:
            assert say_aspect(entry.row.aspect) in listed
    assert agreeing >= 20


@pytest.mark.parametrize("name", list_books())
def test_every_single_fault_is_safe_or_listed(name: str) -> None:
    book = load_book(name)
    listed = {e.show for e in book.not_fail_safe}
    unsafe = {
        say_aspect(entry.row.aspect)
        for entry in book.entries()
        for fault in row_faults(entry, book)
        if not fault.safe
    }
    assert unsafe == listed


def test_no_fault_ever_raises_the_speed_here_except_as_listed() -> None:
    """A lost promise is bad; more speed at this signal would be worse. The book names both."""
    book = load_book("cror")
    raised = {
        say_aspect(entry.row.aspect)
        for entry in book.entries()
        for fault in row_faults(entry, book)
        if fault.read_as.orders.here > entry.indication.orders.here
    }
    assert raised == {"red with A plate", "red over flashing yellow over green"}


def test_a_check_finds_a_row_that_breaks_the_grammar_and_a_needless_exemption() -> None:
    text = files("mastread.decoder").joinpath("book_cror.toml").read_text("utf-8")
    swapped = text.replace(
        'show = "red over yellow over red"', 'show = "red over yellow over yellow"', 1
    )
    complaints = check_book(parse_book(swapped.encode(), "mine.toml"))
    assert any("the grammar says" in c for c in complaints)
    needless = text + '\n[[not_by_grammar]]\nshow = "green"\nreason = "none"\n'
    complaints = check_book(parse_book(needless.encode(), "mine.toml"))
    assert any("take it off not_by_grammar" in c for c in complaints)


def test_an_unsafe_row_is_found() -> None:
    text = BOOK.replace('show = "red"', 'show = "red with A plate"').replace(
        'show = "green"', 'show = "red"'
    )
    complaints = check_book(parse_book(text.encode(), "mine.toml"))
    assert any("not fail-safe" in c and "the A plate is lost" in c for c in complaints)


def _changed(show: str) -> str:
    """Another aspect: green and yellow trade places, else a red turns yellow."""
    if "green" in show or "yellow" in show:
        return show.replace("green", "@").replace("yellow", "green").replace("@", "yellow")
    return show.replace("red", "yellow", 1)


def test_changing_any_row_is_noticed_by_the_checks_themselves() -> None:
    """Not only the record: grammar, faults, doubles and listed exceptions catch each change."""
    text = files("mastread.decoder").joinpath("book_cror.toml").read_text("utf-8")
    rows = text.split("[[not_by_grammar]]")[0]
    shown = list(re.finditer(r'^show = "(.*)"$', rows, re.MULTILINE))
    assert len(shown) == sum(1 for _ in load_book("cror").entries())
    unnoticed = []
    for found in shown:
        line = f'show = "{_changed(found[1])}"'
        changed = text[: found.start()] + line + text[found.end() :]
        try:
            complaints = check_book(parse_book(changed.encode(), "mine.toml"))
        except BookError as error:
            complaints = (str(error),)
        if not complaints:
            unnoticed.append(found[1])
    assert unnoticed == []
