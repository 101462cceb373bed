"""The whole program as a user runs it, on files made here; what is read is tested elsewhere."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from fractions import Fraction
from pathlib import Path

import av
import cv2
import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.decoder.words import NOTICE
from mastread.tools.reading import schema

COMMAND = [sys.executable, "-m", "mastread.tools.cli", "read"]
VALIDATOR = jsonschema.Draft202012Validator(schema())


def night(top_lit: bool) -> NDArray[np.uint8]:
    """A mast by night with two heads, the lower red, R, G, B: soft discs, enlarged and blurred."""
    scene = np.full((360, 480, 3), (6.0, 7.0, 12.0))
    for y, colour, lit in ((120, (255, 170, 40), top_lit), (190, (255, 30, 20), True)):
        disc = np.zeros((360, 480), np.uint8)
        cv2.circle(disc, (240, y), 7, 255, -1, cv2.LINE_AA)
        glow = cv2.GaussianBlur(disc.astype(np.float64) / 255, (0, 0), 1.5)[:, :, None]
        scene = scene * (1 - glow) + np.array(colour if lit else (12, 12, 12)) * glow
    return scene.astype(np.uint8)


def write_clip(path: Path, seconds: float) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=25, options={"preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = 480, 360, "yuv420p"
        for n in range(round(seconds * 25)):
            picture = night(top_lit=n % 25 < 13)
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = n, Fraction(1, 25)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))


@pytest.fixture(scope="module")
def media(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("media")
    assert cv2.imwrite(str(folder / "photo.png"), night(top_lit=True)[:, :, ::-1])
    write_clip(folder / "clip.mp4", 3.0)
    whole = (folder / "clip.mp4").read_bytes()
    (folder / "cut.mp4").write_bytes(whole[: len(whole) // 3])
    return folder


def test_a_folder_is_read_and_written(media: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    args = [*COMMAND, str(media), "--out", str(out), "--format", "jsonl", "--heads", "2"]
    done = subprocess.run(args, capture_output=True, text=True, timeout=300)
    assert done.returncode == 1, done.stderr
    clip, cut, photo = (json.loads(line) for line in done.stdout.splitlines())
    for document in (clip, cut, photo):
        VALIDATOR.validate(document)
        assert document["notice"] == NOTICE
    assert cut["error"].startswith(f"{media / 'cut.mp4'}: ")
    assert (clip["source"]["frames"], clip["source"]["width"]) == (75, 480)
    assert photo["source"]["kind"] == "photo"
    # One line for the file that failed, one for what was written, one for the sum.
    assert len(done.stderr.splitlines()) == 3
    assert {path.name for path in out.iterdir()} == {
        *("clip.reading.json", "clip.spans.csv", "clip.marked.mp4", "clip.vtt", "clip.srt"),
        "clip.light.png",
        *("photo.reading.json", "photo.spans.csv", "photo.marked.jpg"),
    }
    assert json.loads((out / "clip.reading.json").read_text()) == clip


@pytest.mark.skipif(os.name == "nt", reason="signals of this kind are not sent there")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_stopped_in_the_middle_nothing_half_written_stays(
    media: Path, tmp_path: Path, how: signal.Signals
) -> None:
    out = tmp_path / "out"
    inputs = [str(media / "photo.png")]
    for n in range(6):
        copy = tmp_path / f"{n}.mp4"
        copy.write_bytes((media / "clip.mp4").read_bytes())
        inputs.append(str(copy))
    args = [*COMMAND, *inputs, "--out", str(out), "--format", "jsonl", "--jobs", "2"]
    with subprocess.Popen(args, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        first = run.stdout.readline()
        time.sleep(0.2)
        run.send_signal(how)
        _, talk = run.communicate(timeout=60)
    assert run.returncode == 130
    assert "Traceback" not in talk
    VALIDATOR.validate(json.loads(first))
    names = {path.name for path in out.iterdir()}
    assert not any(name.startswith(".") for name in names)
    # Outputs of a file are there all together or not at all.
    for n in range(6):
        assert len([name for name in names if name.startswith(f"{n}.")]) in (0, 5)
    assert {"photo.reading.json", "photo.marked.jpg"} <= names
