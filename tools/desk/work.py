"""Reading what was dropped or named, one file after the other, and telling the pages of it."""

from __future__ import annotations

import queue
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from mastread.decoder.rulebook import BookError
from mastread.tools.batch import Crashed
from mastread.tools.desk.order import note_hints
from mastread.tools.desk.texts import say
from mastread.tools.shelf.add import Tally, local
from mastread.tools.shelf.add import add as add_all
from mastread.tools.shelf.database import ShelfError
from mastread.tools.shelf.enter import enter, sweep
from mastread.tools.shelf.lock import adding
from mastread.tools.shelf.recipe import make_recipe
from mastread.tools.shelf.record import read_record
from mastread.tools.shelf.shelve import Shelved, Task
from mastread.tools.shelf.store import Shelf
from mastread.tools.texts import one_line
from mastread.vision.types import Hints

#: Events that a page may fall behind before the oldest are forgotten.
_MOST_BEHIND: Final = 200

#: Oddities are looked for when there was nothing to read for so long: the first page comes first.
_BREATH_S: Final = 2.0

#: Files whose outcome a page that is opened later is still told.
_MOST_TOLD: Final = 50


@dataclass(slots=True)
class Job:
    """A file to read: dropped ones lie inside the shelf, named ones anywhere.

    ``state`` is waiting, reading, done or failed.
    """

    number: int
    path: Path
    name: str
    dropped: bool
    state: str = "waiting"
    share: float = 0.0
    words: str = ""

    def told(self) -> dict[str, Any]:
        """Return what pages are told."""
        return {
            "number": self.number,
            "name": self.name,
            "state": self.state,
            "share": round(self.share, 3),
            "words": self.words,
        }


@dataclass(slots=True)
class Work:
    """The one thread that reads files for a desk, and the pages that listen."""

    folder: Path
    book: str
    jobs: list[Job] = field(default_factory=list)
    _due: queue.Queue[Job] = field(default_factory=queue.Queue)
    _ears: set[queue.Queue[dict[str, Any]]] = field(default_factory=set)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _count: int = 0

    def start(self) -> None:
        """Begin reading what is due, in a thread that ends with the program."""
        threading.Thread(target=self._run, daemon=True, name="desk-work").start()

    def put(self, path: Path, name: str, *, dropped: bool) -> Job:
        """Have a file read when it is its turn."""
        with self._lock:
            self._count += 1
            job = Job(self._count, path, name, dropped)
            job.words = say("work.waiting", name=name)
            self.jobs = [*self.jobs[1 - _MOST_TOLD :], job]
        self._due.put(job)
        self.tell({"kind": "job", **job.told()})
        return job

    def tell(self, event: dict[str, Any]) -> None:
        """Tell every page that listens."""
        with self._lock:
            for ear in self._ears:
                if ear.full():
                    with suppress(queue.Empty):
                        ear.get_nowait()
                ear.put_nowait(event)

    def listen(self, patience_s: float) -> Iterator[dict[str, Any] | None]:
        """Yield events as they come, first how all files stand; None after a silence."""
        ear: queue.Queue[dict[str, Any]] = queue.Queue(_MOST_BEHIND)
        with self._lock:
            self._ears.add(ear)
            known = [job.told() for job in self.jobs]
        try:
            for one in known:
                yield {"kind": "job", **one}
            while True:
                try:
                    yield ear.get(timeout=patience_s)
                except queue.Empty:
                    yield None
        finally:
            with self._lock:
                self._ears.discard(ear)

    # --- the thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        noted = False
        while True:
            try:
                job = self._due.get(timeout=None if noted else _BREATH_S)
            except queue.Empty:
                self._note_all()
                noted = True
                continue
            self._say(job, "reading", say("work.reading", name=job.name))
            try:
                good, words = self._read(job)
            except (ShelfError, BookError) as error:
                good, words = False, one_line(str(error))
            except (sqlite3.Error, OSError) as error:
                what = one_line(str(error))
                good, words = False, say("work.cannot", name=job.name, what=what)
            self._say(job, "done" if good else "failed", words)
            self.tell({"kind": "queue"})

    def _say(self, job: Job, state: str, words: str) -> None:
        job.state, job.words = state, words
        self.tell({"kind": "job", **job.told()})

    def _read(self, job: Job) -> tuple[bool, str]:
        def progress(share: float) -> None:
            if share - job.share >= 0.01:
                job.share = share
                self.tell({"kind": "job", **job.told()})

        if not job.dropped:
            return self._add(job, progress)
        with Shelf.create(self.folder) as shelf, adding(self.folder):
            recipe = make_recipe(self.folder, self.book, Hints())
            runner = local(1, progress)
            with closing(runner([Task(str(job.path), str(self.folder), recipe)], self.folder)) as r:
                _, result = next(r)
            if isinstance(result, Crashed):
                result = Shelved(str(job.path), trouble=say("work.crash", name=job.name))
            record = None if result.folder is None else read_record(self.folder / result.folder)
            if record is None:
                job.path.unlink(missing_ok=True)
                words = result.trouble or say("work.crash", name=job.name)
                # People know the file by the name that they dropped, not by where it was put.
                return False, words.replace(str(job.path), job.name)
            before = _spans(shelf)
            place = job.path.relative_to(self.folder).as_posix()
            media = enter(shelf, record, (place, result.bytes, result.mtime_ns))
            note_hints(shelf, media)
            sweep(shelf)
            return True, _found(job.name, _spans(shelf) - before)

    def _add(self, job: Job, progress: Any) -> tuple[bool, str]:
        troubles: list[str] = []
        tally: Tally = add_all(
            self.folder,
            [str(job.path)],
            book=self.book,
            hints=Hints(),
            runner=local(1, progress),
            tell=troubles.append,
        )
        self._note_all()
        if tally.failed:
            return False, "; ".join(troubles)
        if not tally.read:
            return True, say("work.known", name=job.name)
        return True, _found(job.name, tally.spans_after - tally.spans_before)

    def _note_all(self) -> None:
        """Look for oddities among all spans; the first page does not wait for it."""
        with suppress(ShelfError, sqlite3.Error, BookError), Shelf.open(self.folder) as shelf:
            rows = shelf.database.execute("SELECT id FROM media ORDER BY id DESC").fetchall()
            for row in rows:
                note_hints(shelf, row["id"])
        self.tell({"kind": "queue"})


def _spans(shelf: Shelf) -> int:
    row = shelf.database.execute("SELECT count(*) FROM span WHERE hidden = 0").fetchone()
    return int(row[0])


def _found(name: str, count: int) -> str:
    return say("work.done.one" if count == 1 else "work.done", name=name, count=count)
