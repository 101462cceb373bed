"""Makes or opens one file, reads it, and scores it: the work of one process at a time."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools.annotate import annotate_photo
from mastread.tools.reading import Reading, build_reading, error_reading, to_json
from mastread.tools.scenes.clip import make_clip
from mastread.tools.scenes.make import write_photo
from mastread.tools.scenes.truth import Truth, read_truth
from mastread.tools.score import score_case
from mastread.tools.score_rows import Case
from mastread.vision.errors import MediaError
from mastread.vision.photo import open_photo
from mastread.vision.pipeline import see
from mastread.vision.types import Hints


@dataclass(frozen=True, slots=True)
class Task:
    """One scene to make and read, or one file with its truth beside it to read.

    Attributes
    ----------
    folder : where the scene's files go, made for it alone; None where `truth` is given
    truth : path of a truth file; None where a scene is to be made
    keep : whether the files of `folder` are left for the caller
    """

    kind: Literal["photo", "video"]
    seed: int
    folder: str | None
    truth: str | None
    book: str
    keep: bool


def work(task: Task, report: Callable[[float], None]) -> Case:
    """Do one task; what fails is an error of the case, never an exception."""
    # As many processes as cores run at once, so each keeps to one.
    cv2.setNumThreads(1)
    book = load_book(task.book)
    folder = None if task.folder is None else Path(task.folder)
    try:
        if task.truth is not None:
            beside = Path(task.truth)
            truth = read_truth(beside)
            path = beside.parent / truth.file
        else:
            assert folder is not None
            folder.mkdir(parents=True, exist_ok=True)
            truth, path = make_scene(task.kind, task.seed, folder)
    except (OSError, ValueError, KeyError, TypeError) as error:
        return failed(task, f"{type(error).__name__}: {error}")
    report(0.5)
    reading = read_one(path, book)
    case = score_case(truth, reading, book)
    if folder is not None:
        if task.keep and case.badness():
            explain(case, reading, path, folder)
        else:
            shutil.rmtree(folder, ignore_errors=True)
    return case


def make_scene(kind: Literal["photo", "video"], seed: int, folder: Path) -> tuple[Truth, Path]:
    """Make a photo or a clip in a folder; its truth and its path."""
    if kind == "photo":
        truth = write_photo(seed, folder)
        return truth, folder / truth.file
    path = folder / f"clip-{seed:05d}.mp4"
    return make_clip(seed, path), path


def read_one(path: Path, book: Rulebook) -> Reading:
    """Read one file; a document with an error where that fails."""
    try:
        return build_reading(see(path, Hints()), book)
    except MediaError as error:
        why = str(error)
    except Exception as error:
        # A fault of the reader is a result of the benchmark; the other files must go on.
        why = " ".join(f"{path.name}: {type(error).__name__}: {error}".split())
    return error_reading(str(path), why, book)


def failed(task: Task, why: str) -> Case:
    """The case of a task that yielded nothing to score."""
    name = task.truth or f"{task.kind} of seed {task.seed}"
    return Case(name, task.kind, task.seed, {}, error=why)


def explain(case: Case, reading: Reading, path: Path, folder: Path) -> None:
    """Lay the reading, the faults and (of a photo) the annotated picture beside a kept file."""
    (folder / f"{path.stem}.reading.json").write_text(to_json(reading, indent=1) + "\n", "utf-8")
    (folder / f"{path.stem}.faults.txt").write_text("\n".join(fault_lines(case)) + "\n", "utf-8")
    if case.kind == "photo" and "error" not in reading:
        book = load_book(reading["rulebook"]["name"])
        target = folder / f"{path.stem}.read.jpg"
        annotate_photo(open_photo(path), reading, target, book=book)


def fault_lines(case: Case) -> list[str]:
    """Every fault of a case, one a line."""
    lines = [f"{case.name}: {json.dumps(case.traits)}"]
    if case.error:
        lines.append(f"not read: {case.error}")
    for lamp in case.lamps:
        faults = [lamp.wrong_side] if lamp.wrong_side else []
        if lamp.lit and lamp.readable and not lamp.found:
            faults.append(f"missed (claim: {lamp.claim})")
        for word in ("colour", "behaviour"):
            if getattr(lamp, word) in ("wrong", "withheld"):
                said = getattr(lamp, f"said_{word}")
                faults.append(f"{word} {getattr(lamp, word)}, said {said}")
        if faults:
            lines.append(f"{_where(lamp)}: {'; '.join(faults)}")
    for more in case.invented:
        lit = "lit" if more.lit else "dark"
        lines.append(
            f"invented {lit} {more.colour} at ({more.x:.0f}, {more.y:.0f}), "
            f"{more.diameter_px:.1f} px, on: {more.what}"
        )
    for mast in case.masts:
        if mast.faults:
            lines.append(f"mast {mast.mast}: {', '.join(mast.faults)}")
    for row in case.readings:
        if row.outcome not in ("exact", "wider"):
            said = row.said or "nothing"
            lines.append(
                f"mast {row.mast} span {row.span}: {row.outcome}: expected {row.expected}; "
                f"said {said}"
            )
    return lines


def _where(lamp: Any) -> str:
    state = "" if lamp.readable else ", not readable"
    return (
        f"mast {lamp.mast} head {lamp.head} span {lamp.span} ({lamp.true_behaviour} "
        f"{lamp.true_colour}, {lamp.diameter_px:.1f} px, contrast {lamp.contrast:.2f}{state})"
    )


def keep_case(case: Case, source: Path, target: Path) -> None:
    """Move a case's folder to its place among the worst; one that stands there is replaced."""
    if target.exists():
        shutil.rmtree(target)
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.move(os.fspath(source), target)
