"""Adding footage to the shelf: what is new is read by workers, and entered file by file."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

from mastread.tools.batch import Crashed, cores, run_batch
from mastread.tools.shelf.database import settle, transaction
from mastread.tools.shelf.enter import adopt, enter, note_place, sweep
from mastread.tools.shelf.lock import adding
from mastread.tools.shelf.recipe import make_recipe
from mastread.tools.shelf.record import read_record
from mastread.tools.shelf.shelve import MAKING, Shelved, Task, digest_of, shelve
from mastread.tools.shelf.store import Shelf
from mastread.tools.shelf.texts import say
from mastread.tools.texts import one_line
from mastread.vision.errors import MediaError
from mastread.vision.media import find_media
from mastread.vision.types import Hints

#: Runs tasks somewhere: yields what became of each, in any order, with its task.
Runner = Callable[[Sequence[Task], Path], Generator[tuple[Task, Shelved | Crashed]]]


@dataclass(slots=True)
class Tally:
    """How adding went: files read, known already, failed; spans on the shelf before and after."""

    read: int = 0
    known: int = 0
    failed: int = 0
    spans_before: int = 0
    spans_after: int = 0


@dataclass(frozen=True, slots=True)
class Rights:
    """Who may use footage, and whom to name; empty where that is not told."""

    licence: str = ""
    credit: str = ""


def add(
    folder: Path,
    paths: Sequence[str],
    *,
    book: str,
    hints: Hints,
    runner: Runner,
    tell: Callable[[str], None],
    rights: Rights | None = None,
) -> Tally:
    """Add all media that `paths` name to the shelf in `folder`, making it if there is none.

    Parameters
    ----------
    runner : `local` or `mastread.tools.shelf.cluster.remote`
    tell : is given one line about each file that failed or is damaged
    rights : noted with each of these files, those that are known already among them

    Raises
    ------
    ShelfError
        If the shelf cannot be used, or another process adds to it.
    BookError, OSError
        If the book cannot be read or put on the shelf.
    """
    tally = Tally()
    with Shelf.create(folder) as shelf, adding(folder):
        recipe = make_recipe(folder, book, hints)
        # Left by a run that was killed: half-made folders are of no use, whole ones are entered.
        shutil.rmtree(folder / MAKING, ignore_errors=True)
        tally.spans_before = _spans(shelf)
        adopt(shelf)
        tasks: list[Task] = []
        places: list[str] = []
        for item in find_media(paths):
            if isinstance(item, MediaError):
                tally.failed += 1
                tell(one_line(str(item)))
                continue
            if item.resolve().is_relative_to(folder.resolve()):
                # What the shelf holds is no footage of its own.
                continue
            places.append(place_of(item, folder))
            if _is_known(shelf, item, recipe.digest):
                tally.known += 1
            else:
                tasks.append(Task(str(item), str(folder), recipe))
        with closing(runner(tasks, folder)) as results:
            for task, result in results:
                _take(shelf, task, result, tally, tell)
        shutil.rmtree(folder / MAKING, ignore_errors=True)
        if rights is not None:
            _note_rights(shelf, places, rights)
        sweep(shelf)
        settle(shelf.database)
        tally.spans_after = _spans(shelf)
    return tally


def local(jobs: int | None, on_progress: Callable[[float], None]) -> Runner:
    """Return a runner that uses processes of this machine, one for each core by default."""

    def run(tasks: Sequence[Task], folder: Path) -> Generator[tuple[Task, Shelved | Crashed]]:
        workers = jobs or cores()
        if min(workers, len(tasks)) > 1:
            tasks = [replace(task, single=True) for task in tasks]
        with closing(run_batch(shelve, tasks, workers, on_progress)) as results:
            yield from zip(tasks, results, strict=True)

    return run


def place_of(path: Path, folder: Path) -> str:
    """Return where a file lies as the shelf notes it: relative to its folder if that can be."""
    whole = path.resolve()
    try:
        return Path(os.path.relpath(whole, folder.resolve())).as_posix()
    except ValueError:
        # On another drive.
        return whole.as_posix()


def _take(
    shelf: Shelf,
    task: Task,
    result: Shelved | Crashed,
    tally: Tally,
    tell: Callable[[str], None],
) -> None:
    """Enter one result, or tell why there is none."""
    if isinstance(result, Crashed):
        result = Shelved(task.path, trouble=say("error.crash", path=task.path))
    record = None if result.folder is None else read_record(shelf.folder / result.folder)
    if record is None:
        tally.failed += 1
        tell(result.trouble or say("error.lost", path=task.path))
        return
    place = (place_of(Path(task.path), shelf.folder), result.bytes, result.mtime_ns)
    enter(shelf, record, place)
    tally.read += 1
    for sentence in result.warnings:
        tell(f"{task.path}: {sentence}")


def _note_rights(shelf: Shelf, places: Sequence[str], rights: Rights) -> None:
    with transaction(shelf.database) as database:
        for column, value in (("licence", rights.licence), ("credit", rights.credit)):
            if value:
                database.executemany(
                    f"UPDATE media SET {column} = ? WHERE id = "
                    "(SELECT media FROM place WHERE path = ?)",
                    [(value, place) for place in places],
                )


def _is_known(shelf: Shelf, path: Path, recipe: str) -> bool:
    """Whether the file was read by that recipe: as it was at that place, or by its content.

    A file that was moved, or whose run was killed before its place was noted, is known by its
    hash; only files as long as a known one are hashed for that.
    """
    try:
        found = path.stat()
    except OSError:
        return False
    database, place = shelf.database, place_of(path, shelf.folder)
    read = "SELECT m.id, m.sha256 FROM media m JOIN reading r ON r.media = m.id"
    there = f"{read} JOIN place p ON p.media = m.id WHERE p.path = ? AND p.bytes = ? "
    values = (place, found.st_size, found.st_mtime_ns, recipe)
    if database.execute(there + "AND p.mtime_ns = ? AND r.recipe = ?", values).fetchone():
        return True
    query = f"{read} WHERE m.bytes = ? AND r.recipe = ?"
    alike = {row["sha256"]: row["id"] for row in database.execute(query, (found.st_size, recipe))}
    if not alike:
        return False
    try:
        media = alike.get(digest_of(path))
    except MediaError:
        return False
    if media is not None:
        with transaction(database):
            note_place(shelf, media, (place, found.st_size, found.st_mtime_ns))
    return media is not None


def _spans(shelf: Shelf) -> int:
    row = shelf.database.execute("SELECT count(*) FROM span WHERE hidden = 0").fetchone()
    return int(row[0])
