"""The worker pool: order, progress, and a worker that dies."""

from __future__ import annotations

import importlib
import os
import signal
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from mastread.tools.batch import Crashed, run_batch

JOBS = """
import os, signal, time
from pathlib import Path

def work(task, report):
    kind, value = task
    report(0.5)
    if kind == "kill":
        os.kill(os.getpid(), value)
    if kind == "exit":
        os._exit(value)
    if kind == "sleep":
        time.sleep(value)
    if kind == "noise":
        print("noise on stdout", flush=True)
        os.write(2, b"noise on stderr")
    if kind == "guard":
        Path(value).touch()
        try:
            time.sleep(30)
        finally:
            Path(value).unlink()
    return os.getpid(), value
"""


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ModuleType]:
    """A module that a fresh process can import too."""
    folder = tmp_path_factory.mktemp("jobs")
    (folder / "batch_test_jobs.py").write_text(JOBS)
    sys.path.insert(0, str(folder))
    try:
        yield importlib.import_module("batch_test_jobs")
    finally:
        sys.path.remove(str(folder))


def test_results_come_in_the_order_of_the_tasks(jobs: ModuleType) -> None:
    tasks = [("sleep", 0.3), ("x", 1), ("x", 2), ("x", 3)]
    shares: list[float] = []
    results = list(run_batch(jobs.work, tasks, 2, shares.append))
    assert [value for _, value in results] == [0.3, 1, 2, 3]
    assert os.getpid() not in {pid for pid, _ in results}
    assert len({pid for pid, _ in results}) == 2
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_a_dead_worker_takes_only_its_own_task(jobs: ModuleType) -> None:
    tasks = [("x", 1), ("kill", int(signal.SIGSEGV)), ("x", 2), ("exit", 3), ("x", 4)]
    results = list(run_batch(jobs.work, tasks, 1))
    assert [r if isinstance(r, Crashed) else r[1] for r in results] == [
        1,
        Crashed(int(signal.SIGSEGV)),
        2,
        Crashed(None),
        4,
    ]


def test_what_libraries_print_is_kept_off_the_screen(
    jobs: ModuleType, capfd: pytest.CaptureFixture[str]
) -> None:
    assert len(list(run_batch(jobs.work, [("noise", 1)], 1))) == 1
    assert capfd.readouterr() == ("", "")


def test_closing_early_lets_workers_clean_up(jobs: ModuleType, tmp_path: Path) -> None:
    mark = tmp_path / "half-written"
    results = run_batch(jobs.work, [("x", 1), ("guard", str(mark))], 2)
    next(results)
    for _ in range(200):
        if mark.exists():
            break
        time.sleep(0.02)
    assert mark.exists()
    results.close()
    assert not mark.exists()


def test_no_tasks_no_workers(jobs: ModuleType) -> None:
    assert list(run_batch(jobs.work, [], 4)) == []
