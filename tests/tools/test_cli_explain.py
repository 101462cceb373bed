"""``mastread explain`` with its questions, and what it writes for handouts."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from mastread.decoder.language import say_aspect
from mastread.decoder.rulebook import load_book
from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli
from mastread.tools.picture_files import file_stem, write_whole


def run(*args: str) -> Result:
    return CliRunner().invoke(cli, ["explain", *args], catch_exceptions=False)


def flat(text: str) -> str:
    return " ".join(text.split())


def data(*args: str) -> dict[str, object]:
    result = run(*args, "--format", "json")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert isinstance(found, dict)
    assert found["notice"] == NOTICE
    return found


def test_an_explanation_as_json() -> None:
    told = data("red over red over flashing yellow")
    assert told["aspect"] == "red over red over flashing yellow"
    assert told["here"] == "slow speed, at most 15 mph."
    indication = told["indication"]
    assert isinstance(indication, dict)
    assert (indication["status"], indication["name"]) == ("read", "Slow to Stop")


def test_faults_as_a_table() -> None:
    """Common practice, no source: slow to stop with its flasher stuck is restricting, and
    advance clear to stop with its flasher stuck is clear to stop."""
    for aspect, becomes in (
        ("red over red over flashing yellow", "Restricting"),
        ("flashing yellow over red over red", "411 Clear to Stop"),
    ):
        result = run("--faults", aspect)
        assert result.exit_code == 0
        lines = result.stdout.splitlines()
        assert max(map(len, lines[1:-1])) <= 96
        head = next(line for line in lines if line.startswith("if "))
        columns = [head.index(word) for word in ("it shows", "which reads as", "fail-safe")]
        at = next(n for n, line in enumerate(lines) if line.startswith("the flasher"))
        cell = " ".join(line[columns[1] : columns[2]].strip() for line in lines[at : at + 3])
        assert becomes in cell
        assert lines[at][columns[2] :] == "yes"
        assert "fail-safe." in result.stdout
        assert flat(result.stdout).endswith(NOTICE)


def test_a_row_that_is_not_fail_safe_is_said_with_the_reason() -> None:
    words = flat(run("--faults", "red", "--plate", "A").stdout)
    assert "1 of these 2 failures would be read as less restrictive." in words
    assert "a lost plate cannot be noticed from the lamps alone" in words


def test_faults_of_what_may_mean_several_things() -> None:
    """A table for each meaning, so that nothing is chosen in silence."""
    told = data("--faults", "red over green")
    tables = told["tables"]
    assert isinstance(tables, list)
    assert {t["meant"]["name"] for t in tables} == {"Medium to Clear", "Slow to Clear"}
    assert all(set(f) >= {"fault", "shows", "read_as", "fail_safe"} for f in tables[0]["faults"])


def test_a_row_of_signals() -> None:
    kept = run("--then", "flashing yellow over red", "yellow over red", "red with A plate")
    assert kept.exit_code == 0
    assert "BROKEN" not in kept.stdout
    assert kept.stdout.count("Kept: ") >= 3
    broken = run("--then", "green over red", "red with A plate")
    assert broken.exit_code == 0
    words = flat(broken.stdout)
    assert "BROKEN: 405 Clear at signal 1 promised track speed at the next signal" in words
    assert "expected was an indication that orders track speed or better here" in words
    told = data("--then", "green over red", "red with A plate", "lunar over lunar")
    signals, promises = told["signals"], told["promises"]
    assert isinstance(signals, list)
    assert isinstance(promises, list)
    assert [s["indication"] and s["indication"]["name"] for s in signals] == ["Clear", "Stop", None]
    assert [p["kept"] for p in promises] == [False]


def test_every_aspect_of_an_indication_with_pictures(tmp_path: Path) -> None:
    result = run("--indication", "Clear", "to", "stop", "--out", str(tmp_path / "new" / "folder"))
    assert result.exit_code == 0
    assert result.stdout.startswith("411 Clear to Stop: ")
    assert "6 outputs written to " in result.stderr
    found = load_book("cror").find("411")
    assert found is not None
    stems = {file_stem(say_aspect(row.aspect)) for row in found.aspects}
    files = {path.name for path in (tmp_path / "new" / "folder").iterdir()}
    assert files == {stem + end for stem in stems for end in (".svg", ".png")}
    for path in (tmp_path / "new" / "folder").iterdir():
        if path.suffix == ".svg":
            root = ET.fromstring(path.read_text("utf-8"))
            assert file_stem(str(root.get("aria-label"))) == path.stem
        else:
            image = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
            assert image is not None
            assert image.shape[1] == 400
            assert image.std() > 20
    assert data("--indication", "411")["name"] == "Clear to Stop"


def test_an_indication_without_a_known_aspect(tmp_path: Path) -> None:
    result = run("--indication", "410", "--out", str(tmp_path / "none"))
    assert result.exit_code == 0
    assert "aspect not sourced" in result.stdout
    assert "no picture" in result.stderr
    assert not (tmp_path / "none").exists()


def test_a_pair_of_lamps_is_drawn_as_a_pair(tmp_path: Path) -> None:
    for book, count in (("position_light", 3), ("coloured_position_light", 2)):
        args = ("--rules", book, "--indication", "281", "--out", str(tmp_path / book))
        assert run(*args).exit_code == 0
        (path,) = (tmp_path / book).glob("*.svg")
        # The round face, and the lamps on it.
        assert path.read_text("utf-8").count("<circle") == 1 + count


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["--faults", "--then", "red", "red"], ["--faults", "--then", "leave one"]),
        (["--then", "red"], ["two aspects or more"]),
        (["--then", "red over", "red"], ["a head is missing"]),
        (["--indication", "clear to stap"], ['did you mean "Clear to Stop"']),
        (["--indication", "411", "--plate", "A"], ["--plate", "leave it out"]),
        (["--faults", "lunar over lunar"], ["no aspect of", "book show"]),
        (["--faults", "gren"], ['did you mean "green"']),
    ],
)
def test_a_question_that_cannot_be_asked_is_one_line(args: list[str], words: list[str]) -> None:
    result = run(*args)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert all(word in result.stderr for word in words), result.stderr


def test_pictures_that_cannot_be_written_are_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    result = run("green", "--out", str(tmp_path / "file"))
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert str(tmp_path / "file") in result.stderr


def test_a_file_comes_whole_or_not_at_all(tmp_path: Path) -> None:
    write_whole(tmp_path / "a" / "x.svg", b"new")
    assert [p.name for p in (tmp_path / "a").iterdir()] == ["x.svg"]
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "x.svg").mkdir()
    with pytest.raises(OSError, match=r"x\.svg"):
        write_whole(tmp_path / "b" / "x.svg", b"new")
    assert [p.name for p in (tmp_path / "b").iterdir()] == ["x.svg"]
