"""The work on one media file: see, decode, write. Runs in a worker process and never raises."""

from __future__ import annotations

import os
import signal
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools.outputs import Material, ReportPlace, Sheaf, make_outputs
from mastread.tools.reading import Reading, build_reading, error_reading
from mastread.tools.texts import one_line, say, use_language
from mastread.tools.wishes import NO_WISHES, Wishes
from mastread.vision.errors import MediaError
from mastread.vision.media import kind_of
from mastread.vision.photo import open_photo
from mastread.vision.pipeline import see
from mastread.vision.types import Hints, Seen
from mastread.vision.video import open_video

Progress = Callable[[float], None]

#: Share of the work on a clip that reading takes where it is annotated afterwards.
READING_SHARE = 0.4


@dataclass(frozen=True, slots=True)
class Task:
    """One media file to read.

    Attributes
    ----------
    path : the file, as it was given
    book : name or path of the rulebook
    hints : what the user told
    out : folder for the outputs, or None for none
    stem : start of the outputs' names, below `out`
    scratch : folder on the same file system as `out` in which half-written files may lie
    wishes : what to make
    place : where the report comes to stand, None where none was asked for
    shown : the path as outputs name it, where that is not the path itself
    """

    path: str
    book: str
    hints: Hints
    out: str | None = None
    stem: str = ""
    scratch: str = ""
    wishes: Wishes = NO_WISHES
    place: ReportPlace | None = None
    shown: str = ""

    @property
    def name(self) -> str:
        """The path as outputs name it."""
        return self.shown or self.path


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a task.

    Attributes
    ----------
    reading : the document, with an error where the file could not be read
    trouble : one line where something failed, else None
    warnings : sentences about the file
    written : files that were written
    part : where the part for the report was saved, None where there is none
    """

    reading: Reading
    trouble: str | None = None
    warnings: tuple[str, ...] = ()
    written: tuple[str, ...] = ()
    part: str | None = None


def do_task(task: Task, report: Progress) -> Outcome:
    """Read one file and write its outputs."""
    use_language(task.wishes.language)
    book = load_book(task.book)
    try:
        seen = _see(task, report)
        reading = build_reading(seen, book)
    except MediaError as error:
        return failed(task.name, _line(task, error), book)
    except MemoryError:
        return failed(task.name, say("error.memory", path=task.name), book)
    except Exception as error:
        return failed(task.name, say("error.internal", path=task.name, what=_where(error)), book)
    if task.out is None:
        return Outcome(reading, None, seen.warnings)
    try:
        written = _write(task, seen, reading, book, report)
    except MediaError as error:
        return Outcome(reading, _line(task, error), seen.warnings)
    except MemoryError:
        return Outcome(reading, say("error.memory", path=task.name), seen.warnings)
    except OSError as error:
        what = error.strerror or one_line(str(error))
        trouble = say("error.output", path=task.name, what=what)
        return Outcome(reading, trouble, seen.warnings)
    except Exception as error:
        trouble = say("error.internal", path=task.name, what=_where(error))
        return Outcome(reading, trouble, seen.warnings)
    part = None if task.place is None else task.place.part
    return Outcome(reading, None, seen.warnings, written, part)


def failed(path: str, message: str, book: Rulebook) -> Outcome:
    """Return the outcome for a file that could not be read."""
    message = one_line(message)
    return Outcome(error_reading(path, message, book), message)


def _see(task: Task, report: Progress) -> Seen:
    if task.hints.region is not None:
        _check_region(task.path, task.hints.region)
    share = 1.0 if task.out is None else READING_SHARE
    seen = see(Path(task.path), task.hints, lambda done: report(done * share))
    return replace(seen, source=replace(seen.source, path=task.name))


def _check_region(path: str, region: tuple[int, int, int, int]) -> None:
    """Refuse a region without a pixel of the picture in it, before any work is done."""
    if kind_of(path) == "video":
        with open_video(path) as video:
            width, height = video.width, video.height
    else:
        photo = open_photo(path)
        width, height = photo.width, photo.height
    if region[0] >= width or region[1] >= height:
        words = ",".join(map(str, region))
        what = say("error.region.outside", text=words, size=f"{width} x {height} pixels")
        raise MediaError(path, what, say("error.region.outside.cure"))


def _write(
    task: Task, seen: Seen, reading: Reading, book: Rulebook, report: Progress
) -> tuple[str, ...]:
    """Write all outputs of a file aside, then move them to their places."""
    assert task.out is not None
    with tempfile.TemporaryDirectory(dir=task.scratch) as name:
        sheaf = Sheaf(Path(name))
        rest = 1.0 - READING_SHARE
        make_outputs(
            Material(Path(task.path), seen, reading, book),
            task.wishes,
            sheaf,
            task.stem,
            task.place,
            lambda done: report(READING_SHARE + rest * done),
        )
        written = []
        with _undisturbed():
            for path, ending in sheaf.made:
                target = Path(task.out) / (task.stem + ending)
                target.parent.mkdir(parents=True, exist_ok=True)
                os.replace(path, target)
                written.append(str(target))
    return tuple(written)


def _line(task: Task, error: MediaError) -> str:
    """An error as one line, naming the file as outputs name it."""
    path = task.name if error.path == task.path else error.path
    return str(MediaError(path, error.what, error.cure))


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Let a request to end wait, so that the outputs of a file appear together or not at all."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGTERM})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _where(error: BaseException) -> str:
    """Kind, words and place of an unforeseen error, for a report to the developers."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    return one_line(f"{type(error).__name__}: {error}{place}")
