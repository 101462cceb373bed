"""The other commands, and the ``mastread`` command as a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner, Result

from mastread.decoder.rulebook import list_books
from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli


def run(*args: str) -> Result:
    return CliRunner().invoke(cli, list(args), catch_exceptions=False)


def process(*args: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mastread.tools.cli", *args]
    return subprocess.run(command, capture_output=True, text=True, cwd=cwd, timeout=120)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_help_names_every_command_and_the_notice() -> None:
    result = run("--help")
    assert result.exit_code == 0
    for command in ("read", "explain", "demo", "book", "schema", "leds"):
        assert f"  {command} " in result.stdout
    assert NOTICE in flat(result.stdout)


@pytest.mark.parametrize("command", ["read", "explain", "demo", "book", "schema", "leds"])
def test_every_command_has_help(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert result.stdout.startswith("Usage: mastread")


def test_version() -> None:
    assert run("--version").stdout == f"mastread, version {version('mastread')}\n"


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from mastread.tools.cli import cli\n"
        "heavy = {'numpy', 'cv2', 'av', 'skimage', 'scipy', 'PIL', 'colour', 'matplotlib'}\n"
        "heavy &= set(sys.modules)\n"
        "assert not heavy, heavy\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


# The nine aspects and their names are common practice, no source; 411 and 415 agree with the
# Canadian Rail Operating Rules as quoted by the Transportation Safety Board.
@pytest.mark.parametrize(
    ("aspect", "name"),
    [
        ("green over red over red", "Clear"),
        ("red over red over red", "Stop"),
        ("yellow over red over red", "Clear to Stop"),
        ("flashing yellow over red over red", "Advance Clear to Stop"),
        ("red over green over red", "Medium to Clear"),
    ],
)
def test_explain(aspect: str, name: str) -> None:
    result = run("explain", aspect)
    assert result.exit_code == 0
    assert f", {name}: " in result.stdout
    assert flat(result.stdout).endswith(NOTICE)


def test_explain_takes_bare_words_and_plates() -> None:
    assert run("explain", "red", "over", "red").exit_code == 0
    plain, absolute = (
        run("explain", "red", "--plate", "none"),
        run("explain", "red", "--plate", "A"),
    )
    assert "Stop and Proceed" in plain.stdout
    assert "439, Stop: " in absolute.stdout


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["explain", "grene over red"], ["grene", "green"]),
        (["explain", ""], ["aspect"]),
        (["explain", "red over red over red over red"], ["4", "3"]),
        (["explain", "red", "--rules", "nobook"], ["nobook"]),
        (["explain", "red", "--plate", "X"], ["'X'"]),
        (["nonsense"], ["nonsense"]),
        (["book", "nonsense"], ["nonsense"]),
    ],
)
def test_a_wrong_call_is_one_line(args: list[str], words: list[str]) -> None:
    result = run(*args)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert all(word in result.stderr for word in words), result.stderr


def test_schema() -> None:
    result = run("schema")
    jsonschema.Draft202012Validator.check_schema(json.loads(result.stdout))


def test_book_list_names_every_book() -> None:
    result = run("book", "list")
    lines = result.stdout.splitlines()[: len(list_books())]
    assert tuple(line.split()[0] for line in lines) == list_books()
    assert flat(result.stdout).endswith(NOTICE)


@pytest.mark.parametrize("name", list_books())
def test_book_show(name: str) -> None:
    result = run("book", "show", name)
    assert result.exit_code == 0
    assert "Speeds, most restrictive first:" in result.stdout
    assert flat(result.stdout).endswith(NOTICE)


def test_book_show_tells_how_sure_a_row_is() -> None:
    words = flat(run("book", "show", "cror").stdout)
    assert "405 Clear: " in words
    assert "green over red over red [verified in 3 sources" in words


def test_book_check(tmp_path: Path) -> None:
    good = run("book", "check", "cror")
    assert good.exit_code == 0
    assert good.stdout.startswith("cror: in order; ")
    path = tmp_path / "mine.toml"
    path.write_text("schema = 1\n[book\n")
    bad = run("book", "check", str(path))
    assert bad.exit_code == 1
    assert bad.stdout == ""
    assert bad.stderr.count("\n") == 1
    assert "mine.toml" in bad.stderr
    # A row moved to an indication that its own grammar denies.
    text = files("mastread.decoder").joinpath("book_cror.toml").read_text(encoding="utf-8")
    assert text.count('show = "red over red over red"') == 1
    path.write_text(
        text.replace('show = "red over red over red"', 'show = "green over red over green"')
    )
    wrong = run("book", "check", str(path))
    assert wrong.exit_code == 1
    assert wrong.stdout == ""
    assert all("mine.toml: " in line for line in wrong.stderr.splitlines())
    gone = run("book", "check", str(tmp_path / "gone.toml"))
    assert gone.exit_code == 1
    assert "gone.toml" in gone.stderr
    assert gone.stderr.count("\n") == 1


def test_as_a_process_bad_files_are_one_line_each(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "words.png").write_text("this is no picture, it is a sentence")
    (tmp_path / "none").mkdir()
    inputs = ["empty.jpg", "words.png", "gone.mp4", "none", "no*.mkv"]
    done = process("read", *inputs, "--format", "jsonl", "--out", "out", cwd=tmp_path)
    assert done.returncode == 1
    documents = [json.loads(line) for line in done.stdout.splitlines()]
    assert [d["source"]["path"] for d in documents] == inputs
    assert all(d["masts"] == [] and d["error"] for d in documents)
    lines = done.stderr.splitlines()
    assert len(lines) == len(inputs) + 1
    for name, line in zip(inputs, lines, strict=False):
        assert line.startswith(f"{name}: ")
        assert "; " in line
    assert not (tmp_path / "out").exists()


def test_as_a_process_a_wrong_call_is_status_2(tmp_path: Path) -> None:
    done = process("read", "x.jpg", "--rules", "none", cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.startswith("mastread: ")
    assert done.stderr.count("\n") == 1
