"""A local Dask cluster of several processes fills the shelf, also when one of them is killed."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from mastread.tools.cli import cli
from mastread.tools.shelf.add import add, local
from mastread.tools.shelf.cluster import remote
from mastread.tools.shelf.database import ShelfError
from mastread.tools.shelf.trial import contents, make_clips
from mastread.vision.types import Hints

distributed = pytest.importorskip("distributed")

# Dask's own event loop is not closed by the time its cluster is; nothing of ours.
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=4,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        local_directory=str(tmp_path_factory.mktemp("dask")),
        silence_logs=50,
    ) as made:
        yield made


def test_four_workers_lose_nothing_when_one_is_killed(cluster: Any, tmp_path: Path) -> None:
    footage = tmp_path / "footage"
    make_clips(footage, 10)
    told: list[str] = []

    def put(name: str, runner: Any) -> Any:
        return add(
            tmp_path / name,
            [str(footage)],
            book="cror",
            hints=Hints(),
            runner=runner,
            tell=told.append,
        )

    put("alone", local(1, lambda share: None))
    pids = {worker.pid for worker in cluster.workers.values()}
    assert len(pids) == 4
    killed: list[int] = []

    def kill_one() -> None:
        """Kill a worker that is at work, once the first results are in."""
        until = time.monotonic() + 120
        with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
            while not killed and time.monotonic() < until:
                busy = [address for address, tasks in client.processing().items() if tasks]
                if busy and len(list((tmp_path / "together").glob("clips/*/*"))) >= 1:
                    pid = next(w.pid for w in cluster.workers.values() if w.worker_address in busy)
                    os.kill(pid, signal.SIGKILL)
                    killed.append(pid)
                time.sleep(0.02)

    killer = threading.Thread(target=kill_one)
    killer.start()
    tally = put("together", remote(cluster.scheduler_address, lambda share: None))
    killer.join()
    assert killed, "no worker was killed while others were at work"
    assert told == []
    assert (tally.read, tally.failed) == (10, 0)
    assert contents(tmp_path / "together") == contents(tmp_path / "alone")


def test_the_command_sends_files_to_the_cluster(cluster: Any, tmp_path: Path) -> None:
    make_clips(tmp_path / "footage", 2)
    call = ["shelf", "add", str(tmp_path / "footage"), "--shelf", str(tmp_path / "s")]
    answer = CliRunner().invoke(cli, [*call, "--cluster", cluster.scheduler_address])
    assert answer.exit_code == 0, answer.output
    assert "2 files read" in answer.output
    again = CliRunner().invoke(cli, [*call, "--cluster", cluster.scheduler_address])
    assert "0 files read, 2 known already" in again.output


def test_a_bad_file_is_told_by_the_cluster_too(cluster: Any, tmp_path: Path) -> None:
    bad = tmp_path / "bad.mp4"
    bad.write_bytes(b"\0\0\0\x18ftypmp42" + b"\0" * 4000)
    told: list[str] = []
    tally = add(
        tmp_path / "s",
        [str(bad)],
        book="cror",
        hints=Hints(),
        runner=remote(cluster.scheduler_address, lambda share: None),
        tell=told.append,
    )
    assert tally.failed == 1
    assert "bad.mp4" in told[0]


def test_nobody_at_the_address_is_told_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mastread.tools.shelf.cluster._PATIENCE_S", 1)
    (tmp_path / "a.mp4").write_bytes(b"\0\0\0\x18ftypmp42" + b"\0" * 4000)
    with pytest.raises(ShelfError, match="no Dask scheduler answers"):
        add(
            tmp_path / "s",
            [str(tmp_path / "a.mp4")],
            book="cror",
            hints=Hints(),
            runner=remote("tcp://127.0.0.1:9", lambda share: None),
            tell=print,
        )
