"""`mastread read --live` over a loopback: changes as they come, a clean end, clear errors."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from mastread.decoder.words import NOTICE
from mastread.tools.scenes.clip import make_clip

SCHEMA = json.loads(
    files("mastread.tools").joinpath("reading.schema.json").read_text(encoding="utf-8")
)


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Yellow over red, then green over red, at 15 frames a second so that any machine keeps up."""
    path = tmp_path_factory.mktemp("live") / "change.mp4"
    make_clip(
        6, path, light="overcast", size=(480, 360), masts=1, lens_px=12.0, type="searchlight",
        aspects=("yellow over red", "green over red"), level=1.5, lamp="led", fps=15.0,
        duration_s=9.0, shake_px=0.0, zoom=1.0, pan_px=0.0, train=False, leave=False, approach=1.0,
        busy=False, falling=False, variable=False, stutter=False, codec="h264", crf=18, rotation=0,
    )  # fmt: skip
    return path


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def start(*arguments: str) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    return subprocess.Popen(
        [sys.executable, "-m", "mastread.tools.cli", "read", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    )


@contextmanager
def sending(clip: Path, url: str, seconds: float) -> Iterator[None]:
    """A sender in a process of its own: PyAV lets no other thread run while it waits to send."""
    command = [sys.executable, "-m", "mastread.tools.speed_live", "send", str(clip), url]
    sender = subprocess.Popen([*command, str(seconds)], stderr=subprocess.DEVNULL)
    try:
        time.sleep(1.0)
        yield
    finally:
        sender.kill()
        sender.wait()


@contextmanager
def running(*arguments: str) -> Iterator[subprocess.Popen[str]]:
    """The command; killed if the test ends before it does."""
    process = start(*arguments)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.fixture
def tcp(clip: Path) -> Iterator[str]:
    """The address of a sender of 11 seconds that waits for one listener."""
    url = f"tcp://127.0.0.1:{free_port()}"
    with sending(clip, f"{url}?listen=1", 11.0):
        yield url


def aspects(document: dict[str, Any]) -> list[list[str]]:
    return [
        [head["colour"] for head in span["heads"]]
        for mast in document["masts"]
        for span in mast["spans"]
    ]


def test_a_stream_is_read_as_json_lines_until_it_ends(tcp: str, tmp_path: Path) -> None:
    with running("--live", tcp, "--format", "jsonl", "--out", str(tmp_path / "out")) as process:
        out, err = process.communicate(timeout=90)
    assert process.returncode == 0, err
    documents = [json.loads(line) for line in out.splitlines()]
    for document in documents:
        assert list(Draft202012Validator(SCHEMA).iter_errors(document)) == []
        assert document["source"]["path"] == tcp
        assert document["notice"] == NOTICE
    *changes, whole = documents
    told = [aspects(document) for document in changes]
    assert [["yellow", "red"]] in told
    assert [["green", "red"]] in told
    assert told.index([["yellow", "red"]]) < told.index([["green", "red"]])
    assert ["green", "red"] in aspects(whole)
    assert {mast["mast"] for document in documents for mast in document["masts"]} == {1}
    assert "the stream ended, after 0:1" in err
    assert "Traceback" not in err
    names = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert names == ["live.reading.json", "live.srt", "live.vtt"]
    written = json.loads((tmp_path / "out" / "live.reading.json").read_text("utf-8"))
    assert written == whole


def test_a_change_is_printed_while_the_stream_runs_and_ctrl_c_ends_it(clip: Path) -> None:
    url = f"tcp://127.0.0.1:{free_port()}"
    with sending(clip, f"{url}?listen=1", 60.0), running("--live", url) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        line = process.stdout.readline()
        # The first answer is there long before the stream is over.
        assert re.match(r"0:0\d\.\d  Mast 1: Clear to Stop", line), line
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert f"{url}: stopped after" in err
    assert "Shows yellow over red" in out
    assert "Traceback" not in err
    # The whole reading and the notice follow.
    assert f"{url} (video" in out
    assert "never rely on it for train operation" in " ".join(out.split())


def test_udp_is_read_too(clip: Path) -> None:
    url = f"udp://127.0.0.1:{free_port()}"
    with (
        running("--live", url, "--format", "jsonl") as process,
        sending(clip, f"{url}?pkt_size=1316", 40.0),
    ):
        first = json.loads(process.stdout.readline()) if process.stdout else {}
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 0, err
    assert first["masts"]
    assert len(first["masts"][0]["spans"]) == 1


def failing(*arguments: str) -> tuple[int, str, str]:
    with running(*arguments) as process:
        out, err = process.communicate(timeout=60)
    return process.returncode, out, err


def test_a_stream_that_cannot_be_opened_is_one_line(tmp_path: Path) -> None:
    nobody = f"tcp://127.0.0.1:{free_port()}"
    status, out, err = failing("--live", nobody, "--format", "jsonl")
    assert status == 1
    assert len(err.splitlines()) == 1
    assert err.startswith(f"{nobody}: cannot be opened (Connection refused); check the address")
    (line,) = out.splitlines()
    document = json.loads(line)
    assert document["error"] == err.strip()
    assert list(Draft202012Validator(SCHEMA).iter_errors(document)) == []


def test_a_file_and_a_missing_camera_are_told_apart(tmp_path: Path, clip: Path) -> None:
    status, _, err = failing("--live", str(clip))
    assert status == 1
    assert "is a file and no live source; leave out --live to read it" in err
    missing = str(tmp_path / "video9")
    status, _, err = failing("--live", missing)
    assert (status, len(err.splitlines())) == (1, 1)
    assert "No such file or directory" in err


def test_what_sends_no_picture_is_told(tmp_path: Path) -> None:
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen(1)
        url = f"tcp://127.0.0.1:{server.getsockname()[1]}"

        def babble() -> None:
            talker, _ = server.accept()
            with talker:
                talker.sendall(b"no video here, only words\n" * 400)

        threading.Thread(target=babble, daemon=True).start()
        status, _, err = failing("--live", url)
    assert status == 1
    assert len(err.splitlines()) == 1
    assert url in err


def test_files_and_live_do_not_go_together(clip: Path) -> None:
    status, _, err = failing("--live", "tcp://127.0.0.1:1", str(clip))
    assert (status, len(err.splitlines())) == (2, 1)
    status, _, err = failing()
    assert (status, len(err.splitlines())) == (2, 1)
    assert "--live" in err
