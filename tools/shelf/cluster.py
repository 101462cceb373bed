"""Adding with the help of other machines: the same tasks go to a Dask scheduler.

The user runs the scheduler and its workers. Workers need mastread installed and the footage
under the same paths; they need not see the shelf. Each makes the folder of a file in a place of
its own and sends it back packed; it is unpacked aside here and given its place by one rename,
as if a worker of this machine had made it. So whatever dies, worker or sender, the shelf is
as whole as ever, and adding again goes on where it was.
"""

from __future__ import annotations

import importlib
import io
import os
import shutil
import tarfile
import tempfile
from collections.abc import Callable, Generator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from mastread.tools.batch import Crashed
from mastread.tools.shelf.database import ShelfError
from mastread.tools.shelf.record import read_record
from mastread.tools.shelf.shelve import MAKING, Shelved, Task, shelve
from mastread.tools.shelf.texts import say
from mastread.tools.texts import one_line

#: How long to look for the scheduler, seconds.
_PATIENCE_S: Final = 20

#: At most this many tasks for each thread of the cluster are handed over at a time, so that
#: results do not pile up in the workers' memory faster than they are taken off.
_AHEAD: Final = 3


@dataclass(frozen=True, slots=True)
class Packed:
    """A result together with the folder of the file, as an uncompressed tar archive."""

    result: Shelved
    archive: bytes


def remote(address: str, on_progress: Callable[[float], None]) -> Any:
    """Return a runner that sends tasks to the Dask scheduler at `address`.

    Raises
    ------
    ShelfError
        If Dask is not installed, or nobody answers at the address.
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise ShelfError(say("cluster.extra")) from None

    def run(tasks: Sequence[Task], folder: Path) -> Generator[tuple[Task, Shelved | Crashed]]:
        if not tasks:
            return
        try:
            client = distributed.Client(address, timeout=_PATIENCE_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            what = one_line(str(error)) or type(error).__name__
            raise ShelfError(say("cluster.none", address=address, what=what)) from None
        with closing(client):
            yield from _run(client, tasks, folder, on_progress)

    return run


def shelve_away(task: Task) -> Packed:
    """Make the folder of one file in a temporary place and pack it; runs on the cluster."""
    with tempfile.TemporaryDirectory(prefix="mastread-") as home:
        result = shelve(replace(task, home=home, single=True), lambda share: None)
        if result.folder is None:
            return Packed(result, b"")
        packed = io.BytesIO()
        with tarfile.open(fileobj=packed, mode="w") as archive:
            archive.add(Path(home) / result.folder, arcname=".")
        return Packed(result, packed.getvalue())


def unpack(packed: Packed, shelf: Path) -> Shelved:
    """Give a packed folder its place on the shelf, whole, by one rename."""
    result = packed.result
    if result.folder is None:
        return result
    target = shelf / result.folder
    if read_record(target) is not None:
        return result
    aside = shelf / MAKING
    aside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=aside) as name:
        half = Path(name) / "folder"
        with tarfile.open(fileobj=io.BytesIO(packed.archive)) as archive:
            archive.extractall(half, filter="data")
        if target.exists():
            shutil.rmtree(target)
        target.parent.mkdir(parents=True, exist_ok=True)
        os.rename(half, target)
    return result


def _run(
    client: Any, tasks: Sequence[Task], folder: Path, on_progress: Callable[[float], None]
) -> Generator[tuple[Task, Shelved | Crashed]]:
    distributed: Any = importlib.import_module("distributed")
    threads = max(1, sum(client.nthreads().values()))
    waiting = iter(tasks)
    futures: dict[str, Task] = {}
    done = distributed.as_completed(loop=client.loop)

    def hand_over() -> None:
        task = next(waiting, None)
        if task is not None:
            # Not pure: a file may have changed since it was read under the same name.
            future = client.submit(shelve_away, task, pure=False)
            futures[future.key] = task
            done.add(future)

    for _ in range(threads * _AHEAD):
        hand_over()
    for finished, future in enumerate(done, start=1):
        task = futures.pop(future.key)
        try:
            result: Shelved | Crashed = unpack(future.result(), folder)
        except OSError as error:
            what = error.strerror or one_line(str(error))
            result = Shelved(task.path, trouble=say("error.output", path=task.path, what=what))
        except Exception as error:
            # Dask has given the task to several workers, and each of them died or refused.
            what = one_line(f"{type(error).__name__}: {error}")
            result = Shelved(task.path, trouble=say("cluster.lost", path=task.path, what=what))
        del future
        hand_over()
        on_progress(finished / len(tasks))
        yield task, result
