"""The accuracy benchmark around the scorer: scenes, files, kept cases, labelled photographs."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from mastread.decoder.evidence import MastEvidence
from mastread.tools import accuracy, accuracy_lamps, accuracy_work
from mastread.tools.accuracy_lamps import find_lamps, lamp_sums, lamp_tables, read_labels
from mastread.tools.accuracy_work import Task, work
from mastread.tools.scenes.make import CHOOSING, REPORTING, TUNING, write_photo
from mastread.tools.score_rows import Case, InventedRow
from mastread.vision.errors import MediaError
from mastread.vision.types import HeadSeen, Hints, MastSeen, Seen, SourceInfo, SpanSeen


def blind(path: Path, hints: Hints) -> Seen:
    """An eye that sees no mast."""
    return Seen(SourceInfo(str(path), "photo", 640, 480), ())


def no_report(share: float) -> None:
    assert 0.0 <= share <= 1.0


def scene_task(folder: Path, *, keep: bool, seed: int = 3) -> Task:
    return Task("photo", seed, str(folder / f"photo-{seed}"), None, "cror", keep)


# --- seeds and tasks -------------------------------------------------------------------------


def test_the_sets_of_seeds_share_no_scene(tmp_path: Path) -> None:
    assert not set(TUNING) & set(CHOOSING)
    assert not set(TUNING) & set(REPORTING)
    assert not set(CHOOSING) & set(REPORTING)
    tasks = accuracy.scene_tasks(3, 2, REPORTING, 5, "cror", tmp_path, keep=False)
    start = REPORTING.start + 5
    assert [(task.kind, task.seed) for task in tasks] == [
        *(("video", start + k) for k in range(2)),
        *(("photo", start + k) for k in range(3)),
    ]
    assert len({task.folder for task in tasks}) == 5


def test_more_scenes_than_seeds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="holds 10000 seeds, 10001 wanted"):
        accuracy.scene_tasks(1, 0, TUNING, 10_000, "cror", tmp_path, keep=False)


# --- one scene -------------------------------------------------------------------------------


def test_a_scene_is_made_read_scored_and_deleted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(accuracy_work, "see", blind)
    task = scene_task(tmp_path, keep=False)
    case = work(task, no_report)
    assert (case.kind, case.seed, case.error) == ("photo", 3, "")
    assert case.lamps
    assert not any(row.found for row in case.lamps)
    assert list(tmp_path.iterdir()) == []


def test_a_bad_case_is_kept_with_all_that_explains_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(accuracy_work, "see", blind)
    task = scene_task(tmp_path, keep=True)
    case = work(task, no_report)
    assert case.badness() > 0
    names = sorted(path.name for path in Path(str(task.folder)).iterdir())
    stem = Path(case.name).stem
    assert f"{stem}.truth.json" in names
    assert f"{stem}.read.jpg" in names
    assert case.name in names
    faults = (Path(str(task.folder)) / f"{stem}.faults.txt").read_text("utf-8")
    assert "missed (claim: none)" in faults
    reading = json.loads((Path(str(task.folder)) / f"{stem}.reading.json").read_text("utf-8"))
    assert reading["format"] == "mastread-reading"


@pytest.mark.parametrize("fault", [MediaError("a.jpg", "it is odd", "use another"), KeyError("x")])
def test_a_reader_that_fails_is_a_result(
    fault: Exception, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(path: Path, hints: Hints) -> Seen:
        raise fault

    monkeypatch.setattr(accuracy_work, "see", fail)
    case = work(scene_task(tmp_path, keep=False), no_report)
    assert case.error
    assert "\n" not in case.error
    assert case.faults()["missed"] > 0


def test_a_scene_that_cannot_be_made_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    task = Task("photo", 3, str(tmp_path / "file"), None, "cror", False)
    case = work(task, no_report)
    assert "FileExistsError" in case.error
    assert case.lamps == ()


# --- the worst cases -------------------------------------------------------------------------


def test_only_the_worst_cases_are_kept_worst_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    badness = {0: 1, 1: 4, 2: 0, 3: 3, 4: 2}
    lamp = InventedRow(True, 8.0, "red", "nothing", 1.0, 2.0)

    def in_turn(
        function: object, tasks: Sequence[Task], jobs: int, on_progress: object
    ) -> Iterator[Case]:
        for task in tasks:
            bad = badness[task.seed]
            if bad:
                folder = Path(str(task.folder))
                folder.mkdir()
                (folder / "picture").write_text(str(task.seed))
            yield Case(f"s{task.seed}.jpg", "photo", task.seed, {}, invented=(lamp,) * bad)

    monkeypatch.setattr(accuracy, "run_batch", in_turn)
    work_folder = tmp_path / "work"
    work_folder.mkdir()
    tasks = [scene_task(work_folder, keep=True, seed=seed) for seed in badness]
    cases = accuracy.measure(tasks, 1, keep=tmp_path / "kept", worst=2)
    assert [case.seed for case in cases] == [0, 1, 2, 3, 4]
    kept = {path.name: (path / "picture").read_text() for path in (tmp_path / "kept").iterdir()}
    assert kept == {"001-s1": "1", "002-s3": "3"}
    assert list(work_folder.iterdir()) == []


# --- the command -----------------------------------------------------------------------------


def run(*arguments: str) -> Any:
    return CliRunner().invoke(accuracy.main, list(arguments))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "nothing to measure"),
        (["--lamps", "."], "--lamps needs --labels"),
        (["--photos", "1", "--rules", "none-such"], "none-such"),
        (["--photos", "1", "--seeds", "mine"], "mine"),
    ],
)
def test_a_wrong_call_is_refused_in_a_line(arguments: list[str], message: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.output


def test_a_folder_without_truth_is_refused(tmp_path: Path) -> None:
    result = run("--files", str(tmp_path))
    assert result.exit_code == 1
    assert "holds no NAME.truth.json" in result.output


def test_files_with_truth_are_scored_in_worker_processes(tmp_path: Path) -> None:
    """A missing and a damaged picture: each is a case with an error, and nothing stops."""
    for seed in (3, 5):
        write_photo(seed, tmp_path, size=(320, 240), suffix=".png", masts=1)
    (tmp_path / "photo-00003.png").unlink()
    (tmp_path / "photo-00005.png").write_bytes(b"\x89PNG\r\n\x1a\n")
    result = run("--files", str(tmp_path), "--jobs", "1", "--format", "json")
    assert result.exit_code == 0
    sums = json.loads(result.stdout)
    assert (sums["files"], sums["unread"]) == (2, 2)
    assert sums["photo"]["total"]["found"] == 0
    assert sums["photo"]["total"]["lit"] > 0
    text = run("--files", str(tmp_path), "--jobs", "1").stdout
    assert text.startswith("mastread ")
    assert "2 files, 2 could not be read" in text
    assert "photo-00003.png" in text


# --- labelled photographs --------------------------------------------------------------------

LABELS = """file,label,x,y,w,h,kind,note
day/a.jpg,red,100,100,20,20,lamp,
day/a.jpg,green,300,100,20,20,lamp,
day/a.jpg,yellow,500,100,20,60,head,
day/b.jpg,green,100,100,20,20,lamp,
night/c.jpg,red,,,,,lampcrop,
night/c.jpg,red,1,1,5,5,digits,
"""


@pytest.fixture
def labels(tmp_path: Path) -> Path:
    path = tmp_path / "labels.csv"
    path.write_text(LABELS, encoding="utf-8")
    return path


def lamp(colour: str, x: float, y: float, p: float = 0.99) -> HeadSeen:
    odds = {"red": 1.0 - p, "green": 1.0 - p, "yellow": 1.0 - p, colour: p}
    total = sum(odds.values())
    return HeadSeen(
        {c: v / total for c, v in odds.items()},  # type: ignore[misc]
        {"steady": 0.5, "flashing": 0.5, "dark": 0.0},
        x,
        y,
        8.0,
    )


def eye(heads: dict[str, list[HeadSeen]]) -> Callable[[Path, Hints], Seen]:
    def look(path: Path, hints: Hints) -> Seen:
        seen = tuple(heads.get(path.name, ()))
        if hints.region is not None:
            x, y, w, h = hints.region
            seen = tuple(s for s in seen if x <= s.x < x + w and y <= s.y < y + h)
        masts = (MastSeen(1, (0, 0, 1, 1), (SpanSeen(None, None, seen, MastEvidence(())),)),)
        return Seen(SourceInfo(str(path), "photo", 640, 480), masts if seen else ())

    return look


@pytest.mark.parametrize("around", [None, 3.0])
def test_labelled_lamps(
    around: float | None, labels: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dark = replace(
        lamp("red", 510, 150), behaviour_odds={"steady": 0.0, "flashing": 0.5, "dark": 0.5}
    )
    heads = [
        lamp("red", 112.0, 109.0),
        lamp("yellow", 309.0, 110.0),
        lamp("yellow", 511.0, 140.0, p=0.5),
        dark,
        lamp("green", 130.0, 131.0),
    ]
    monkeypatch.setattr(accuracy_lamps, "see", eye({"a.jpg": heads}))
    monkeypatch.setattr(
        accuracy_lamps,
        "run_batch",
        lambda work, tasks, jobs, told: (work(task, no_report) for task in tasks),
    )
    wanted, skipped = read_labels(labels)
    sums = lamp_sums(find_lamps(tmp_path, wanted, around), skipped)
    assert sums["folders"]["day (lamp)"] == {
        "lamps": 3,
        "found": 2,
        "right": 1,
        "wrong": 1,
        "withheld": 0,
    }
    assert sums["folders"]["day (head)"]["withheld"] == 1
    assert sums["colours"] == {
        "green": {"yellow": 1, "not found": 1},
        "red": {"red": 1},
        "yellow": {"unknown": 1},
    }
    assert sums["skipped"] == {"lampcrop": 1, "digits": 1}
    assert sums["wrong"] == ["day/a.jpg at (300, 100): green claimed as yellow"]
    assert "1/2 50.00 %" in lamp_tables(sums)


def test_a_photograph_that_cannot_be_read_is_named(labels: Path, tmp_path: Path) -> None:
    result = run("--lamps", str(tmp_path), "--labels", str(labels))
    assert result.exit_code == 0
    assert "0/4 0.00 %" in result.output
    assert "a.jpg" in result.output


def test_bad_labels_are_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "labels.csv"
    path.write_text("file,label,x,y,w,kind\n", encoding="utf-8")
    with pytest.raises(ValueError, match="has no column h"):
        read_labels(path)
    path.write_text(LABELS.replace("300,100", "left,100"), encoding="utf-8")
    result = run("--lamps", str(tmp_path), "--labels", str(path))
    assert result.exit_code == 1
    assert "line 3: the box must be four numbers" in result.output
