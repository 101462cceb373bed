"""``mastread read`` with a stand-in for the eye, so that everything around it is exact."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Generator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner, Result

from mastread.decoder.words import NOTICE
from mastread.tools import binder, outputs, read_many, work
from mastread.tools.batch import Crashed
from mastread.tools.cli import cli
from mastread.tools.reading import schema
from mastread.vision.errors import MediaError
from mastread.vision.types import Hints, Seen, SourceInfo

Make = Callable[..., Seen]
VALIDATOR = jsonschema.Draft202012Validator(schema())


@pytest.fixture
def eye(monkeypatch: pytest.MonkeyPatch, photo_seen: Make) -> list[tuple[Path, Hints]]:
    """Replace the pipeline: a file's name tells what is seen in it; returns the calls."""
    calls: list[tuple[Path, Hints]] = []

    def see(path: Path, hints: Hints, progress: Callable[[float], None]) -> Seen:
        calls.append((path, hints))
        progress(0.5)
        if not path.exists():
            raise MediaError(path, "there is no such file", "check the name")
        if path.stem == "broken":
            raise MediaError(path, "is\ncut off", "copy it again")
        if path.stem == "bug":
            raise KeyError("lens")
        if path.stem == "huge":
            raise MemoryError
        aspects = {"two": ("red over red over red", "lit yellow over lit red")}
        seen = photo_seen(*aspects.get(path.stem, ("green over red over red",)))
        source = seen.source.__class__(str(path), "photo", 1200, 800)
        warnings = ("something odd",) if path.stem == "odd" else ()
        return Seen(source, seen.masts, warnings)

    def here(
        function: Callable[..., Any],
        tasks: Sequence[work.Task],
        workers: int,
        on_progress: Callable[[float], None] | None = None,
    ) -> Generator[Any]:
        for task in tasks:
            yield Crashed(11) if Path(task.path).stem == "crash" else function(task, lambda _: None)

    monkeypatch.setattr(work, "see", see)
    monkeypatch.setattr(read_many, "run_batch", here)
    return calls


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with a few photos in it."""
    monkeypatch.chdir(tmp_path)
    picture = np.full((800, 1200, 3), 90, np.uint8)
    for name in ("one.jpg", "two.jpg", "odd.jpg", "sub/one.jpg"):
        Path(name).parent.mkdir(exist_ok=True)
        assert cv2.imwrite(name, picture)
    return tmp_path


def run(*args: str) -> Result:
    return CliRunner().invoke(cli, ["read", *args], catch_exceptions=False)


def one_line(text: str) -> bool:
    return text.count("\n") == 1 and text.endswith("\n") and "Traceback" not in text


@pytest.mark.usefixtures("eye", "folder")
def test_jsonl_is_one_valid_document_a_line() -> None:
    result = run("one.jpg", "gone.jpg", "sub", "--format", "jsonl")
    documents = [json.loads(line) for line in result.stdout.splitlines()]
    for document in documents:
        VALIDATOR.validate(document)
        assert document["notice"] == NOTICE
    assert [d["source"]["path"] for d in documents] == ["one.jpg", "gone.jpg", "sub/one.jpg"]
    assert ["error" in d for d in documents] == [False, True, False]
    assert documents[1]["masts"] == []
    assert result.exit_code == 1
    assert "gone.jpg: there is no such file; check the name" in result.stderr


@pytest.mark.usefixtures("eye", "folder")
def test_json_is_one_list() -> None:
    result = run("one.jpg", "two.jpg", "--format", "json")
    documents = json.loads(result.stdout)
    assert [len(d["masts"]) for d in documents] == [1, 2]
    assert result.exit_code == 0
    assert result.stderr == ""


@pytest.mark.usefixtures("eye", "folder")
def test_text_is_a_paragraph_a_mast_and_the_notice() -> None:
    result = run("two.jpg")
    assert result.exit_code == 0
    words = " ".join(result.stdout.split())
    assert words.startswith("two.jpg (photo, 1200 x 800) Mast 1: Cannot be told.") or (
        "Mast 1: Stop (rule 439)." in words
    )
    assert "Mast 2: Cannot be told. Shows yellow over red. Possible: " in words
    assert "When in doubt, treat it as " in words
    assert words.endswith(NOTICE)


@pytest.mark.usefixtures("eye", "folder")
def test_warnings_go_to_stderr() -> None:
    result = run("odd.jpg", "--format", "jsonl")
    assert result.exit_code == 0
    assert result.stderr == "odd.jpg: something odd\n"
    assert len(result.stdout.splitlines()) == 1


@pytest.mark.usefixtures("folder")
def test_hints_reach_the_eye(eye: list[tuple[Path, Hints]]) -> None:
    args = ["--heads", "3", "--region", "10,20,300,400", "--plate", "a", "--plate", "DV"]
    assert run("one.jpg", *args).exit_code == 0
    assert run("one.jpg", "--plate", "none").exit_code == 0
    assert run("one.jpg").exit_code == 0
    assert [hints for _, hints in eye] == [
        Hints(3, (10, 20, 300, 400), frozenset({"A", "DV"})),
        Hints(None, None, frozenset()),
        Hints(None, None, None),
    ]


@pytest.mark.usefixtures("eye", "folder")
@pytest.mark.parametrize(
    ("name", "line"),
    [
        ("gone.jpg", "gone.jpg: there is no such file; check the name"),
        ("broken.jpg", "broken.jpg: is cut off; copy it again"),
        ("huge.jpg", "huge.jpg: too large for this machine's memory; scale it down and try again"),
        ("crash.jpg", "crash.jpg: the program that decodes media crashed on this file; "),
        ("bug.jpg", "bug.jpg: reading failed by a fault of this program (KeyError: 'lens' at "),
    ],
)
def test_a_bad_file_is_one_line_and_the_batch_goes_on(name: str, line: str) -> None:
    if name != "gone.jpg":
        Path(name).touch()
    result = run(name, "one.jpg", "--format", "jsonl")
    assert result.exit_code == 1
    first, second = (json.loads(text) for text in result.stdout.splitlines())
    VALIDATOR.validate(first)
    assert first["error"].startswith(line)
    assert first["source"]["path"] == name
    assert second["masts"]
    lines = result.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith(line)
    assert lines[1] == "1 of 2 inputs could not be read"


@pytest.mark.usefixtures("eye", "folder")
@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["one.jpg", "--rules", "crore"], ["crore", "cror"]),
        (["one.jpg", "--rules", "gone.toml"], ["gone.toml"]),
        (["one.jpg", "--plate", "Q"], ["'Q'", "A, R, L, DV, number, none"]),
        (["one.jpg", "--plate", "none", "--plate", "A"], ["none", "leave one of them out"]),
        (["one.jpg", "--region", "1,2,3"], ["1,2,3", "X,Y,W,H"]),
        (["one.jpg", "--region", "0,0,0,5"], ["0,0,0,5", "above 0"]),
        (["one.jpg", "--heads", "0"], ["--heads", "0"]),
        (["one.jpg", "--format", "xml"], ["xml", "jsonl"]),
        (["one.jpg", "--out", "one.jpg"], ["one.jpg", "name a folder"]),
        (["one.jpg", "--out", "one.jpg/below"], ["one.jpg/below", "name a folder"]),
        ([], ["name the photos, videos or folders"]),
        (["one.jpg", "--nonsense"], ["--nonsense"]),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(args: list[str], words: list[str]) -> None:
    result = run(*args)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert one_line(result.stderr), result.stderr
    assert all(word in result.stderr for word in words), result.stderr


def test_a_wrong_call_does_no_work(
    folder: Path, eye: list[tuple[Path, Hints]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **more: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(read_many.tempfile, "mkdtemp", refuse)
    result = run("one.jpg", "--out", "readings")
    assert result.exit_code == 2
    assert one_line(result.stderr)
    assert "readings cannot be written to (Permission denied)" in result.stderr
    assert eye == []


@pytest.mark.usefixtures("eye")
def test_a_region_outside_the_picture_fails_that_file(folder: Path) -> None:
    result = run("one.jpg", "--region", "1200,0,50,50", "--format", "jsonl")
    assert result.exit_code == 1
    (document,) = (json.loads(line) for line in result.stdout.splitlines())
    assert "lies outside the picture of 1200 x 800 pixels" in document["error"]
    assert run("one.jpg", "--region", "1199,0,50,50").exit_code == 0


@pytest.mark.usefixtures("eye")
def test_a_folder_without_media_is_told(folder: Path) -> None:
    (folder / "empty").mkdir()
    (folder / "empty/notes.txt").write_text("nothing to see here, only words")
    result = run("empty")
    assert result.exit_code == 1
    assert one_line(result.stderr)
    assert result.stderr.startswith("empty: ")


@pytest.mark.usefixtures("eye")
def test_outputs_are_written_and_nothing_else(folder: Path) -> None:
    result = run("one.jpg", "sub/one.jpg", "two.jpg", "--out", "a/b")
    assert result.exit_code == 0
    assert result.stderr == "9 outputs written to a/b\n"
    out = folder / "a/b"
    assert sorted(p.relative_to(out).as_posix() for p in out.rglob("*")) == [
        "one-jpg.marked.jpg",
        "one-jpg.reading.json",
        "one-jpg.spans.csv",
        "sub-one-jpg.marked.jpg",
        "sub-one-jpg.reading.json",
        "sub-one-jpg.spans.csv",
        "two.marked.jpg",
        "two.reading.json",
        "two.spans.csv",
    ]
    document = json.loads((out / "two.reading.json").read_text())
    VALIDATOR.validate(document)
    assert document["source"]["path"] == "two.jpg"
    marked = cv2.imread(str(out / "two.marked.jpg"))
    assert marked.shape[1] == 1200
    assert marked.shape[0] > 800


@pytest.mark.usefixtures("eye")
def test_what_an_earlier_run_wrote_is_no_input(folder: Path) -> None:
    for _ in range(2):
        result = run(".", "--out", "out", "--format", "jsonl")
        assert result.exit_code == 0
        paths = [json.loads(line)["source"]["path"] for line in result.stdout.splitlines()]
        assert paths == ["odd.jpg", "one.jpg", "sub/one.jpg", "two.jpg"]
    assert (folder / "out/sub/one.marked.jpg").exists()


@pytest.mark.usefixtures("eye")
def test_a_failed_output_leaves_nothing_half_written(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*args: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(outputs, "annotate_photo", full)
    result = run("one.jpg", "--out", "out", "--format", "jsonl")
    assert result.exit_code == 1
    assert result.stderr == (
        "one.jpg: the outputs could not be written (No space left on device); "
        "free or change the folder\n"
    )
    # The reading itself is not lost.
    assert "error" not in json.loads(result.stdout)
    assert not (folder / "out").exists()


@pytest.mark.usefixtures("eye")
def test_an_input_that_failed_leaves_no_output(folder: Path) -> None:
    (folder / "broken.jpg").touch()
    assert run("broken.jpg", "--out", "out").exit_code == 1
    assert not (folder / "out").exists()


@pytest.mark.usefixtures("eye")
def test_ctrl_c_leaves_nothing_half_written(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*args: object) -> Generator[Any]:
        (folder / "out" / "half").touch()
        raise KeyboardInterrupt
        yield

    scratches: list[str] = []
    real = read_many.tempfile.mkdtemp

    def spy(**more: Any) -> str:
        scratches.append(real(**more))
        return scratches[-1]

    monkeypatch.setattr(read_many, "run_batch", stopped)
    monkeypatch.setattr(read_many.tempfile, "mkdtemp", spy)
    result = run("one.jpg", "--out", "out")
    assert result.exit_code == 130
    # First the end of the line on which the terminal shows ^C.
    assert one_line(result.stderr.lstrip("\n"))
    assert [Path(scratch).exists() for scratch in scratches] == [False]


@pytest.mark.usefixtures("eye")
def test_an_annotated_clip_with_all_that_belongs_to_it(
    folder: Path, monkeypatch: pytest.MonkeyPatch, clip_seen: Make
) -> None:
    """Every output of a clip, of which the sighting is a stand-in and the file a real one."""
    with av.open("clip.mp4", "w") as out:
        stream = out.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for n in range(10):
            picture = np.full((240, 320, 3), 20 * n, np.uint8)
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = n, Fraction(1, 25)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))

    def see(path: Path, hints: Hints, progress: object) -> Seen:
        seen = clip_seen([(0.0, 0.4, "flashing yellow over red")], duration=0.4)
        source = SourceInfo(str(path), "video", 320, 240, 0.4, 10)
        return Seen(source, seen.masts)

    monkeypatch.setattr(work, "see", see)
    result = run("clip.mp4", "--out", "out")
    assert result.exit_code == 0, result.stderr
    assert "0:00.0 to 0:00.4: " in result.stdout
    assert sorted(path.name for path in (folder / "out").iterdir()) == [
        "clip.light.png",
        "clip.marked.mp4",
        "clip.reading.json",
        "clip.spans.csv",
        "clip.srt",
        "clip.vtt",
    ]
    VALIDATOR.validate(json.loads((folder / "out/clip.reading.json").read_text()))
    assert (folder / "out/clip.vtt").read_text().startswith("WEBVTT\n")
    with av.open("out/clip.marked.mp4") as made:
        assert len(list(made.decode(video=0))) == 10


@pytest.mark.usefixtures("eye")
def test_a_report_of_a_folder_is_one_page(folder: Path) -> None:
    (folder / "broken.jpg").write_bytes(b"x")
    result = run(".", "--out", "out", "--report", "--make", "reading")
    assert result.exit_code == 1
    out = folder / "out"
    made = sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())
    assert [name for name in made if not name.endswith(".reading.json")] == ["report.html"]
    text = (out / "report.html").read_text()
    assert text.count("<article") == len(list(folder.rglob("*.jpg")))
    assert "Is cut off; copy it again." in text
    # Failed files keep their place among the others.
    assert text.index("broken.jpg") < text.index("one.jpg")


@pytest.mark.usefixtures("eye")
def test_a_report_of_one_file_is_named_after_it(folder: Path) -> None:
    result = run("one.jpg", "--out", "out", "--report", "--make", "table")
    assert result.exit_code == 0
    assert sorted(p.name for p in (folder / "out").iterdir()) == [
        "one.report.html",
        "one.spans.csv",
    ]
    assert result.stderr == "2 outputs written to out\n"


@pytest.mark.usefixtures("eye")
def test_a_report_of_nothing_that_could_be_read_is_not_made(folder: Path) -> None:
    (folder / "broken.jpg").touch()
    result = run("broken.jpg", "--out", "out", "--report")
    assert result.exit_code == 1
    assert not (folder / "out").exists()


@pytest.mark.usefixtures("eye")
def test_a_report_that_cannot_be_written_fails_in_one_line(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(binder, "write_page", full)
    result = run("one.jpg", "--out", "out", "--report", "--make", "table")
    assert result.exit_code == 1
    assert "could not be written (No space left on device)" in result.stderr
    assert [p.name for p in (folder / "out").iterdir()] == ["one.spans.csv"]


@pytest.mark.usefixtures("eye")
def test_a_question_about_a_photo_is_two_pictures(folder: Path) -> None:
    result = run("one.jpg", "--out", "out", "--style", "question", "--make", "marked")
    assert result.exit_code == 0
    asked, marked = (
        cv2.imread(str(folder / f"out/one.{kind}.jpg")) for kind in ("asked", "marked")
    )
    assert asked.shape == marked.shape
    assert np.any(asked != marked)


@pytest.mark.usefixtures("eye")
def test_outputs_without_a_folder_and_unknown_ones_are_refused(folder: Path) -> None:
    for args, words in (
        (["--report"], "--report needs a folder to write to; add --out DIR"),
        (["--make", "table"], "--make needs a folder to write to; add --out DIR"),
        (["--out", "out", "--make", "table,film"], "'film' is no output that can be made"),
        (["--language", "tlh"], "tlh"),
        (["--style", "loud"], "loud"),
    ):
        result = run("one.jpg", *args)
        assert result.exit_code == 2
        assert words in result.stderr
        assert one_line(result.stderr)
    assert not (folder / "out").exists()


@pytest.mark.usefixtures("eye")
def test_in_french(folder: Path) -> None:
    result = run("one.jpg", "broken.jpg", "--language", "fr")
    assert "Mât 1" in result.stdout
    assert "Outil d'apprentissage seulement" in " ".join(result.stdout.split())
    assert "vert sur rouge sur rouge" in result.stdout
    # English again afterwards, in the same process.
    assert "Mast 1" in run("one.jpg").stdout


@pytest.mark.usefixtures("eye")
def test_a_table_on_standard_output(folder: Path) -> None:
    result = run("one.jpg", "two.jpg", "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert [(row["file"], row["mast"]) for row in rows] == [
        ("one.jpg", "1"),
        ("two.jpg", "1"),
        ("two.jpg", "2"),
    ]
    assert rows[0]["name"] == "Clear"
