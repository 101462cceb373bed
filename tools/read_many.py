"""Reading many files: from the paths that a user named to readings, outputs and an exit status."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import tempfile
from collections.abc import Generator, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click

from mastread.decoder.rulebook import load_book
from mastread.tools.batch import Crashed, cores, run_batch
from mastread.tools.binder import Binder
from mastread.tools.naming import plan_stems
from mastread.tools.progress import Progress
from mastread.tools.reporters import Reporter
from mastread.tools.texts import say, use_language
from mastread.tools.wishes import NO_WISHES, Wishes
from mastread.tools.work import Outcome, Task, do_task, failed
from mastread.vision.errors import MediaError
from mastread.vision.media import find_media
from mastread.vision.types import Hints

#: The signal that cannot be caught; there is none on some systems.
_KILL: Final = getattr(signal, "SIGKILL", 9)


@dataclass(frozen=True, slots=True)
class Tally:
    """How a batch went: inputs, failures, and files written."""

    inputs: int
    failed: int
    written: int


def read_many(
    paths: Sequence[str],
    reporter: Reporter,
    *,
    book: str,
    hints: Hints,
    out: Path | None,
    jobs: int | None,
    wishes: Wishes = NO_WISHES,
    shown: Mapping[str, str] | None = None,
) -> Tally:
    """Read all media that `paths` name, print the readings and write the outputs.

    `shown` names files otherwise than by their own paths, wherever a path is told.

    Failures and warnings go to stderr, one line each.

    Raises
    ------
    click.BadParameter
        If `out` cannot be written to; nothing has been read then.
    """
    use_language(wishes.language)
    progress = Progress()
    with _out_folder(out) as scratch, closing(progress):
        found = [item for item in find_media(paths) if not _is_own_output(item, out)]
        files = [item for item in found if isinstance(item, Path)]
        stems = plan_stems(files, paths) if out is not None else [""] * len(files)
        binder = None
        if out is not None and "report" in wishes.kinds:
            binder = Binder(out, Path(scratch), stems, alone=len(found) == 1)
        tasks = [
            Task(
                str(file),
                book,
                hints,
                None if out is None else str(out),
                stem,
                scratch,
                wishes,
                binder.place(stem) if binder is not None else None,
                (shown or {}).get(str(file), ""),
            )
            for file, stem in zip(files, stems, strict=True)
        ]
        failures = written = 0
        with closing(_outcomes(found, tasks, book, jobs or cores(), progress)) as outcomes:
            for outcome in outcomes:
                progress.clear()
                reporter.add(outcome.reading)
                for sentence in outcome.warnings:
                    path = outcome.reading["source"]["path"]
                    click.echo(say("warning", path=path, what=sentence), err=True)
                if outcome.trouble is not None:
                    failures += 1
                    click.echo(outcome.trouble, err=True)
                written += len(outcome.written)
                if binder is not None:
                    binder.add(outcome)
        reporter.finish()
        if binder is not None:
            made, trouble = binder.bind()
            written += made
            if trouble is not None:
                failures += 1
                click.echo(trouble, err=True)
    return Tally(len(found), failures, written)


def _outcomes(
    found: Sequence[Path | MediaError],
    tasks: Sequence[Task],
    book: str,
    jobs: int,
    progress: Progress,
) -> Generator[Outcome]:
    """Outcomes in the order of `found`; paths that led nowhere fail at their place."""
    rulebook = load_book(book)
    waiting = iter(tasks)
    with closing(run_batch(do_task, tasks, jobs, progress.update)) as results:
        for item in found:
            if isinstance(item, MediaError):
                yield failed(item.path, str(item), rulebook)
                continue
            task, result = next(waiting), next(results)
            if isinstance(result, Crashed):
                # The system's answer to a lack of memory is this signal.
                killed = result.signal == _KILL
                key = "error.memory" if killed else "error.crash"
                yield failed(task.name, say(key, path=task.name), rulebook)
            else:
                yield result


@contextmanager
def _out_folder(out: Path | None) -> Iterator[str]:
    """Make the output folder with a hidden one in it for half-written files; '' when none."""
    if out is None:
        yield ""
        return
    made = not out.exists()
    try:
        out.mkdir(parents=True, exist_ok=True)
        scratch = tempfile.mkdtemp(prefix=".mastread-", dir=out)
    except OSError as error:
        key = "error.out.denied"
        if isinstance(error, FileExistsError | NotADirectoryError) or out.is_file():
            key = "error.out.not_folder"
        what = error.strerror or os.strerror(errno.EIO)
        raise click.BadParameter(say(key, path=out, what=what), param_hint="--out") from None
    try:
        yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)
        if made and not any(out.iterdir()):
            out.rmdir()


def _is_own_output(item: Path | MediaError, out: Path | None) -> bool:
    """Whether a file lies in the output folder: what an earlier run wrote is no input."""
    if out is None or isinstance(item, MediaError):
        return False
    return item.resolve().is_relative_to(out.resolve())
