"""Adding footage: each file once, read again only for a reason, whole after kills."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Sequence
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli
from mastread.tools.reading import schema
from mastread.tools.shelf import add as adding
from mastread.tools.shelf import recipe
from mastread.tools.shelf.add import Tally, add, local
from mastread.tools.shelf.database import ShelfError
from mastread.tools.shelf.lock import adding as held
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf
from mastread.tools.shelf.trial import contents, make_clips, report, try_kills
from mastread.vision.types import Hints

SAMPLES = Path(__file__).parents[3] / "sample_frames"


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("footage")
    make_clips(folder, 3)
    return folder


def put(shelf: Path, *paths: Path, told: list[str] | None = None, **hints: int) -> Tally:
    lines = [] if told is None else told
    return add(
        shelf,
        [str(path) for path in paths],
        book="cror",
        hints=Hints(**hints),  # type: ignore[arg-type]
        runner=local(1, lambda share: None),
        tell=lines.append,
    )


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory, clips: Path) -> Path:
    """A shelf of the clips and a photo."""
    shelf = tmp_path_factory.mktemp("shelf") / "s"
    photo = SAMPLES / "larch-07-bracket.jpg"
    tally = put(shelf, clips, photo)
    assert (tally.read, tally.known, tally.failed) == (4, 0, 0)
    return shelf


def test_each_span_has_its_files_and_the_machines_reading(built: Path) -> None:
    with Shelf.open(built) as shelf:
        spans = [shelf.span(hit.id) for hit in shelf.find(Query())]
        assert len(spans) >= 4
        for span in spans:
            view = span.view
            for name in (view["clip"], view["poster"], *view["crops"]):
                assert name is not None
                assert (built / name).stat().st_size > 300
            assert len(view["crops"]) == len(view["heads"])
            document = shelf.document(span.reading)
            assert view["heads"] in [s["heads"] for m in document["masts"] for s in m["spans"]]
            assert document["notice"] == NOTICE
            jsonschema.validate(document, schema())
            if view["start_s"] is not None and view["end_s"] is not None:
                assert view["clip_start_s"] <= view["start_s"]
                assert view["start_s"] <= view["poster_s"] <= view["end_s"]
        photo = [span for span in spans if span.view["start_s"] is None]
        assert {span.view["mast"] for span in photo} == {1, 2}
        original = (SAMPLES / "larch-07-bracket.jpg").read_bytes()
        assert (built / str(photo[0].view["clip"])).read_bytes() == original


def test_what_is_known_is_not_read_again(
    built: Path, clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf = tmp_path / "deeper" / "s"
    shutil.copytree(built, shelf)
    monkeypatch.setattr(adding, "run_batch", lambda f, tasks, *more: (t for t in _none(tasks)))
    before = contents(shelf)
    # The copy lies elsewhere, so the files are known by their content and their places noted.
    tally = put(shelf, clips)
    assert (tally.read, tally.known) == (0, 3)
    assert len(contents(shelf)["place"]) == len(before["place"]) + 3
    before = contents(shelf)
    assert put(shelf, clips).known == 3
    assert contents(shelf) == before


def _none(tasks: Sequence[object]) -> Sequence[object]:
    assert not tasks
    return tasks


def test_a_copy_of_a_file_is_another_place_and_no_other_footage(
    built: Path, clips: Path, tmp_path: Path
) -> None:
    shelf, other = tmp_path / "s", tmp_path / "holiday.mp4"
    shutil.copytree(built, shelf)
    shutil.copyfile(next(clips.glob("*.mp4")), other)
    tally = put(shelf, other)
    assert tally.spans_after == tally.spans_before
    with Shelf.open(shelf) as opened:
        assert opened.count(Query(words=("holiday",))) >= 1


def test_a_changed_book_hint_or_version_reads_again_and_a_changed_file_too(
    clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf, clip = tmp_path / "s", tmp_path / "a.mp4"
    first, second, _ = sorted(clips.glob("*.mp4"))
    shutil.copyfile(first, clip)
    put(shelf, clip)
    with Shelf.open(shelf) as opened:
        names = {hit.id for hit in opened.find(Query())}
    assert put(shelf, clip).known == 1
    assert put(shelf, clip, heads=2).read == 1
    assert put(shelf, clip, heads=2).known == 1
    monkeypatch.setattr(recipe, "reader_version", lambda: "next")
    assert put(shelf, clip, heads=2).read == 1
    with Shelf.open(shelf) as opened:
        # The same spans, read three times; only the newest clips are kept.
        assert {hit.id for hit in opened.find(Query())} == names
        assert opened.database.execute("SELECT count(*) FROM reading").fetchone()[0] == 3
    assert len(list((shelf / "clips").glob("*/*"))) == 1
    shutil.copyfile(second, clip)
    os.utime(clip, ns=(1, 1))
    assert put(shelf, clip, heads=2).read == 1


def test_a_bad_file_is_told_and_the_rest_goes_on(clips: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.mp4"
    bad.write_bytes(b"\0\0\0\x18ftypmp42" + b"\0" * 4000)
    told: list[str] = []
    clip = next(clips.glob("*.mp4"))
    tally = put(tmp_path / "s", bad, clip, tmp_path / "none.mp4", told=told)
    assert (tally.read, tally.failed) == (1, 2)
    assert len(told) == 2
    assert all("\n" not in line for line in told)
    assert any("bad.mp4" in line for line in told)


def test_a_whole_folder_that_was_not_entered_is_adopted_and_a_torn_one_removed(
    built: Path, clips: Path, tmp_path: Path
) -> None:
    whole, shelf = tmp_path / "whole", tmp_path / "s"
    put(whole, clips)
    put(shelf, next(clips.glob("*.mp4")))
    shutil.rmtree(shelf / "clips")
    shutil.copytree(whole / "clips", shelf / "clips")
    torn = shelf / "clips" / "zz" / "0123"
    torn.mkdir(parents=True)
    (torn / "record.json").write_text('{"format": "mastread-shelf-rec')
    (shelf / "making" / "tmpxyz").mkdir(parents=True)
    put(shelf, clips)
    assert contents(shelf) == contents(whole) | {
        "place": contents(shelf)["place"],
        "files": contents(shelf)["files"],
        "reading": contents(shelf)["reading"],
    }
    assert not torn.exists()
    assert contents(shelf)["left behind"] == []


def test_only_one_program_adds_at_a_time(built: Path, clips: Path) -> None:
    with held(built), pytest.raises(ShelfError, match="another program"):
        put(built, clips)


def test_a_shelf_that_was_killed_again_and_again_equals_one_built_in_peace(tmp_path: Path) -> None:
    # The whole trial, 200 clips and 20 kills: python -m mastread.tools.shelf.trial
    make_clips(tmp_path / "footage", 6)
    trial = try_kills(tmp_path / "footage", tmp_path, kills=4, seed=3, jobs=2)
    assert trial.differences == (), report(trial)
    assert (trial.files, trial.killed) == (6, 4)


def test_the_command_line(built: Path, clips: Path, tmp_path: Path) -> None:
    run = CliRunner().invoke
    shelf = tmp_path / "s"
    shutil.copytree(built, shelf)
    here = ["--shelf", str(shelf)]
    found = run(cli, ["shelf", "find", "--kind", "photo", *here])
    assert found.exit_code == 0, found.output
    assert "larch-07" in found.output
    assert NOTICE in found.output
    data = run(cli, ["shelf", "find", "--kind", "photo", "--format", "json", *here])
    document = json.loads(data.output)
    assert document["count"] == len(document["spans"]) == 2
    assert Path(document["spans"][0]["clip"]).is_file()
    paths = run(cli, ["shelf", "find", "--format", "paths", *here]).output.split("\n")[:-1]
    assert all(Path(path).is_file() for path in paths)
    name = document["spans"][0]["id"]
    fixed = run(cli, ["shelf", "fix", name[:6], "--aspect", "red over red", "--who", "Jo", *here])
    assert fixed.exit_code == 0, fixed.output
    assert f"{name}: red over red" in fixed.output
    again = run(cli, ["shelf", "find", "--by", "Jo", *here])
    assert "Jo corrected" in again.output
    undone = run(cli, ["shelf", "fix", "--undo", "--who", "Jo", *here])
    assert undone.exit_code == 0
    told = run(cli, ["shelf", "fix", name, "--history", *here]).output.splitlines()
    assert len(told) == 2
    assert told[0].endswith("(undone)")


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (["find", "--rate", "fast"], "no range of rates"),
        (["find", "--shelf", "nowhere"], "there is no shelf"),
        (["fix"], "say one thing to do"),
        (["fix", "--confirm"], "name the spans"),
        (["fix", "bcd", "--confirm", "--remove"], "say one thing to do"),
        (["fix", "bcd", "--undo"], "leave the IDs out"),
        (["fix", "oooo", "--confirm"], "no span of this shelf"),
        (["fix", "--undo", "--who", "Nobody"], "nothing to undo"),
    ],
)
def test_a_wrong_call_is_told_in_one_line(built: Path, call: list[str], words: str) -> None:
    told = call if "--shelf" in call else [*call, "--shelf", str(built)]
    answer = CliRunner().invoke(cli, ["shelf", *told])
    assert answer.exit_code in (1, 2)
    assert words in answer.stderr
    assert len(answer.stderr.strip().splitlines()) == 1
