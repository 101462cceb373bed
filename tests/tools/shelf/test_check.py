"""Checking: files that are gone or changed, and readings that others speak against."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from shelves import make_record, make_shelf

from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli
from mastread.tools.shelf.add import add, local
from mastread.tools.shelf.check import Finding, check
from mastread.tools.shelf.store import Shelf
from mastread.tools.shelf.trial import make_clips
from mastread.vision.types import Hints, Seen

Clips = Callable[..., Seen]


def about_readings(shelf: Shelf, *line: str) -> list[Finding]:
    return [one for one in check(shelf, line) if one.kind in ("neighbours", "progression")]


@pytest.fixture(scope="module")
def footage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("real")
    make_clips(folder / "footage", 2)
    add(
        folder / "s",
        [str(folder / "footage")],
        book="cror",
        hints=Hints(),
        runner=local(1, lambda share: None),
        tell=print,
    )
    return folder


def test_files_that_are_missing_changed_or_torn_are_found(footage: Path, tmp_path: Path) -> None:
    shutil.copytree(footage, tmp_path / "here")
    here = tmp_path / "here"
    call = ["shelf", "check", "--shelf", str(here / "s")]
    answer = CliRunner().invoke(cli, call)
    # Footage and shelf have moved together, so all is well.
    assert answer.exit_code == 0, answer.output
    assert NOTICE in answer.output
    first, second = sorted((here / "footage").glob("*.mp4"))
    first.unlink()
    second.write_bytes(second.read_bytes()[:-1] + b"?")
    clip = next((here / "s" / "clips").rglob("*.mp4"))
    clip.write_bytes(clip.read_bytes()[:-1])
    next((here / "s" / "clips").rglob("*h1.jpg")).unlink()
    with Shelf.open(here / "s") as shelf:
        kinds = sorted(one.kind for one in check(shelf))
        assert kinds == ["changed", "missing", "torn", "torn"]
        noted = shelf.database.execute("SELECT kind FROM finding ORDER BY kind").fetchall()
        assert [row["kind"] for row in noted] == kinds
        check(shelf)
        assert len(shelf.database.execute("SELECT * FROM finding").fetchall()) == 4
    answer = CliRunner().invoke(cli, call)
    assert answer.exit_code == 1
    assert first.name in answer.output


def test_a_brief_flip_and_another_number_of_heads_are_worth_a_look(
    tmp_path: Path, clip_seen: Clips
) -> None:
    seen = clip_seen(
        [(0, 4, "red over red"), (4, 5, "green over red"), (5, 12, "red over red")],
        [(0, 6, "green over red"), (6, 12, "green over red over red")],
        [(0, 4, "red over red"), (4, 7, "green over red"), (7, 12, "red over red")],
    )
    with make_shelf(tmp_path / "s", [make_record(seen)]) as shelf:
        spans = shelf.spans_of(1)
        found = about_readings(shelf)
        assert [(f.kind, f.span) for f in found] == [
            ("neighbours", spans[1].id),
            ("neighbours", spans[4].id),
        ]
        # As a person corrects it, the finding goes.
        shelf.correct(spans[1].id, "Jo", "red over red")
        assert [f.span for f in about_readings(shelf)] == [spans[4].id]


def test_signals_along_a_line_are_held_against_each_others_promises(
    tmp_path: Path, clip_seen: Clips
) -> None:
    # Clear to Stop announces a stop at the next signal; Clear announces nothing restrictive.
    # Rules 405, 411 and 439 of the bundled book, sources beside the rows there.
    kept = clip_seen([(0, 4, "yellow over red over red")], [(5, 12, "red over red over red")])
    broken = clip_seen([(0, 4, "green over red over red")], [(5, 12, "red over red over red")])
    at_once = clip_seen([(0, 12, "green over red over red")], [(5, 12, "red over red over red")])
    records = [
        make_record(seen, name) for seen, name in ((kept, "a"), (broken, "b"), (at_once, "c"))
    ]
    with make_shelf(tmp_path / "s", records) as shelf:
        found = about_readings(shelf)
        first, second = shelf.spans_of(2)
        assert [(f.kind, f.span) for f in found] == [("progression", second.id)]
        assert "promise is broken" in found[0].words
        # The masts of the third video stand in view together; a person can say they are a line.
        a, b = shelf.spans_of(3)
        assert about_readings(shelf, a.id, b.id)[-1].span == b.id
        assert about_readings(shelf, b.id, a.id) == found
        shelf.withhold(first.id, "Jo")
        assert about_readings(shelf) == []
