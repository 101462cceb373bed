"""Many files through worker processes: on all cores, in order, and whatever one file does.

A fault inside a decoder library can end a process without a word, so files are never read in
the process that talks to the user. A worker that dies takes only its own file with it and is
replaced.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, Final, Generic, TypeVar

Task = TypeVar("Task")
Result = TypeVar("Result")

#: A worker tells of its progress at most this often, seconds.
REPORT_EVERY_S: Final = 0.1

#: A worker that was asked to stop gets this long before it is killed, seconds.
PATIENCE_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class Crashed:
    """Stands for the result of a task whose worker died; `signal` is what killed it, or None."""

    signal: int | None


def run_batch(
    function: Callable[[Task, Callable[[float], None]], Result],
    tasks: Sequence[Task],
    workers: int,
    on_progress: Callable[[float], None] | None = None,
) -> Generator[Result | Crashed]:
    """Yield ``function(task, report)`` for each task, in the order of the tasks.

    Parameters
    ----------
    function : a function of a module, so that a fresh process can import it; it calls `report`
        with the share of its task that is done and must not raise
    tasks : picklable values
    workers : most processes at a time, at least 1
    on_progress : told the share of the whole batch that is done, 0..1

    Workers are stopped when the iterator is closed or an exception passes through it; SIGTERM
    lets them clean up first.
    """
    pool: _Pool[Task, Result] = _Pool(function, tasks)
    try:
        yield from pool.run(max(1, min(workers, len(tasks))), on_progress)
    finally:
        pool.stop()


def cores() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(slots=True)
class _Worker:
    process: BaseProcess
    line: Connection
    task: int


class _Pool(Generic[Task, Result]):
    def __init__(
        self,
        function: Callable[[Task, Callable[[float], None]], Result],
        tasks: Sequence[Task],
    ) -> None:
        self._function = function
        self._tasks = tasks
        self._next = 0
        self._workers: list[_Worker] = []
        self._results: dict[int, Result | Crashed] = {}
        self._shares = [0.0] * len(tasks)
        # A forked copy of a process with threads and open libraries may hang; a fresh one never.
        self._context = multiprocessing.get_context("spawn")

    def run(
        self, workers: int, on_progress: Callable[[float], None] | None
    ) -> Generator[Result | Crashed]:
        for _ in range(workers):
            self._start()
        for index in range(len(self._tasks)):
            while index not in self._results:
                self._listen()
                if on_progress is not None:
                    on_progress(sum(self._shares) / len(self._shares))
            yield self._results.pop(index)

    def stop(self) -> None:
        for worker in self._workers:
            worker.process.terminate()
        end = time.monotonic() + PATIENCE_S
        for worker in self._workers:
            worker.process.join(max(0.1, end - time.monotonic()))
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
            worker.line.close()
        self._workers.clear()

    def _start(self) -> None:
        """Start a worker on the next task, if there is one."""
        if self._next >= len(self._tasks):
            return
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=_serve, args=(theirs, self._function), daemon=True, name="mastread-worker"
        )
        process.start()
        theirs.close()
        worker = _Worker(process, ours, self._next)
        self._workers.append(worker)
        self._hand_on(worker)

    def _hand_on(self, worker: _Worker) -> None:
        worker.task = self._next
        self._next += 1
        # A worker that has died already is noticed when it is listened to.
        with contextlib.suppress(OSError):
            worker.line.send(self._tasks[worker.task])

    def _listen(self) -> None:
        ready = wait([worker.line for worker in self._workers])
        for worker in [w for w in self._workers if w.line in ready]:
            try:
                kind, value = worker.line.recv()
            except (EOFError, OSError):
                self._bury(worker)
                continue
            if kind == "share":
                self._shares[worker.task] = value
                continue
            self._results[worker.task] = value
            self._shares[worker.task] = 1.0
            if self._next < len(self._tasks):
                self._hand_on(worker)
            else:
                self._workers.remove(worker)
                worker.line.close()
                worker.process.join()

    def _bury(self, worker: _Worker) -> None:
        self._workers.remove(worker)
        worker.line.close()
        worker.process.join(PATIENCE_S)
        code = worker.process.exitcode
        self._results[worker.task] = Crashed(-code if code is not None and code < 0 else None)
        self._shares[worker.task] = 1.0
        self._start()


def _serve(line: Connection, function: Callable[[Any, Callable[[float], None]], Any]) -> None:
    """Body of a worker: tasks in, shares and results out, until the other end closes."""
    # Ctrl-C reaches the whole group; the parent decides what becomes of the workers.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _leave)
    _silence()
    last = 0.0

    def report(share: float) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= REPORT_EVERY_S:
            last = now
            line.send(("share", min(1.0, max(0.0, share))))

    # The other end closes when there is no more to do, or when the parent is gone.
    with contextlib.suppress(EOFError, BrokenPipeError, ConnectionResetError):
        while True:
            task = line.recv()
            line.send(("result", function(task, report)))


def _leave(signum: int, frame: object) -> None:
    """Turn SIGTERM into an orderly way out, so that half-written files are removed."""
    raise SystemExit(128 + signum)


def _silence() -> None:
    """Keep the libraries' own messages off the user's screen: ours say what is wrong."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    os.close(nowhere)
