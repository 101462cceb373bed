"""``mastread book``: study sheets, and broken files each told in one clear line."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from mastread.decoder.rulebook import list_books, load_book
from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli

#: Ten ways to break the invented layout's book: text, replaced by, and what must be named: the
#: row, what is wrong with it, and the cure.
BROKEN = [
    ("schema = 1", "schema = 2", ["top", "must be schema = 1"]),
    ("[book]", "[book", ["not valid TOML", "at line 6", "correct it there"]),
    ('show = "green"', 'show = "grene"', ["aspect 1", '"grene"', 'did you mean "green"']),
    ('show = "yellow"', 'show = "green"', ["already means", '"green"']),
    ('here = "line"', 'here = "lime"', ["indication 1", '"lime"', 'did you mean "line"']),
    ('grade = "own"', 'grade = "sure"', ['grade "sure"', "use one of"]),
    ('kind = "layout"', 'kind = "lay out"', ["[book]", 'did you mean "layout"']),
    ("[[speed]]", "[[sped]]", ['"sped"', 'did you mean "speed"']),
    ('grade = "own"', 'grade = "single"', ["names no source", "add"]),
    ('meaning = "', 'meening = "', ['"meening"', 'did you mean "meaning"']),
]


def run(*args: str) -> Result:
    return CliRunner().invoke(cli, ["book", *args], catch_exceptions=False)


def test_ten_broken_files_give_ten_clear_errors(tmp_path: Path) -> None:
    good = files("mastread.decoder").joinpath("book_layout.toml").read_text("utf-8")
    assert len(BROKEN) == 10
    said = set()
    for n, (old, new, names) in enumerate(BROKEN):
        assert old in good
        path = tmp_path / f"broken-{n}.toml"
        path.write_text(good.replace(old, new, 1), encoding="utf-8")
        result = run("check", str(path))
        assert result.exit_code == 1
        assert result.stdout == ""
        assert result.stderr.count("\n") == 1, result.stderr
        assert f"{path}: " in result.stderr
        for name in names:
            assert name in result.stderr, (old, new, result.stderr)
        said.add(result.stderr.replace(path.name, ""))
    assert len(said) == 10


def test_check_runs_the_checks_of_the_whole_book(tmp_path: Path) -> None:
    """Not only the form: an unsafe aspect, and one that the grammar denies."""
    text = files("mastread.decoder").joinpath("book_cror.toml").read_text("utf-8")
    path = tmp_path / "mine.toml"
    path.write_text(text.replace('show = "red over yellow over red"', 'show = "blue over red"', 1))
    result = run("check", str(path))
    assert result.exit_code == 1
    assert "the grammar does not reach it" in result.stderr
    assert all(line.startswith(str(path)) for line in result.stderr.splitlines())


@pytest.mark.parametrize("name", list_books())
def test_a_study_sheet_of_every_book(name: str, tmp_path: Path) -> None:
    path = tmp_path / "sheets" / f"{name}.html"
    result = run("sheet", name, "--out", str(path))
    assert result.exit_code == 0
    assert result.stdout == ""
    assert "1 output written" in result.stderr
    page = path.read_text("utf-8")
    assert page == run("sheet", name).stdout
    assert page.startswith("<!doctype html>")
    assert page.count("<svg") == sum(1 for _ in load_book(name).entries())
    assert page.count(NOTICE) == 2
    assert "In the pictures a letter stands on each lit lens" in page
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_a_study_sheet_lists_what_is_not_fail_safe() -> None:
    page = run("sheet", "cror").stdout
    assert "Aspects that one failure can make less restrictive" in page
    assert "Red with A plate: without its plate the red reads as stop and proceed" in page


def test_a_sheet_that_cannot_be_made_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for args, words in (
        (("sheet", "crro"), 'did you mean "cror"'),
        (("sheet", "cror", "--out", str(tmp_path / "file" / "x.html")), "file"),
    ):
        result = run(*args)
        assert result.exit_code == 1
        assert result.stdout == ""
        assert result.stderr.count("\n") == 1
        assert words in result.stderr
