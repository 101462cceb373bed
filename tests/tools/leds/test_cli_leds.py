"""``mastread leds`` as people call it."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
import rawpy
import tifffile
from click.testing import CliRunner, Result
from led_pictures import lamp_picture

from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli
from mastread.tools.leds import bench_scene as scene
from mastread.tools.leds import library
from mastread.tools.leds.match import pairs_of, standouts
from mastread.tools.leds.report import COLUMNS

Save = Callable[..., Path]


def run(*args: str) -> Result:
    return CliRunner().invoke(cli, ["leds", *args], catch_exceptions=False)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_text_says_figures_limits_and_the_notice(save: Save) -> None:
    result = run(str(save(lamp_picture((0.3, 0.62, 0.02)))), "--at", "80,80=green")
    assert result.exit_code == 0
    words = flat(result.stdout)
    assert "Lamp 1: green (told)" in words
    assert "dominant wavelength" in words
    assert "No camera profile" in words
    assert words.endswith(NOTICE)


def test_json_and_table_hold_the_same_lamp(save: Save) -> None:
    path = str(save(lamp_picture()))
    document = json.loads(run(path, "--at", "80,80", "--format", "json").stdout)[0]
    assert document["format"] == "mastread-leds"
    assert document["notice"] == NOTICE
    lamp = document["lamps"][0]
    assert np.linalg.eigvalsh(np.array(lamp["xy"]["covariance"])).min() > 0
    assert {m["standing"] for m in lamp["limits"]} <= {"inside", "outside", "undecided"}
    assert all(m["source"] and m["edition"] and m["grade"] for m in lamp["limits"])
    rows = list(csv.DictReader(io.StringIO(run(path, "--at", "80,80", "--format", "csv").stdout)))
    assert tuple(rows[0]) == COLUMNS
    assert float(rows[0]["x"]) == lamp["xy"]["x"]


def test_outputs_are_written_whole(save: Save, tmp_path: Path) -> None:
    out = tmp_path / "out"
    path = str(save(lamp_picture()))
    assert run(path, "--at", "80,80", "--out", str(out)).exit_code == 0
    names = {p.name for p in out.iterdir()}
    assert names == {
        "lamp.leds.json", "lamp.leds.html", "lamp.leds.diagram.png", "lamp.leds.strip.png",
        "lamps.csv",
    }  # fmt: skip
    page = (out / "lamp.leds.html").read_text()
    assert NOTICE in page
    assert "http://" not in page.replace("http://www.w3.org", "").split("<details>")[0].replace(
        "http://purl.org", ""
    ).replace("http://creativecommons.org", "")
    assert page.count("<svg") == 1
    assert cv2.imread(str(out / "lamp.leds.diagram.png")) is not None


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["{photo}", "--at", "80"], ["'80'", "X,Y"]),
        (["{photo}", "--at", "80,80=purple"], ["purple", "green"]),
        (["{photo}", "--grey", "1,1,9,9"], ["--light"]),
        (["{photo}", "--light", "D65"], ["--grey"]),
        (["{photo}", "--grey", "1,1,9,9", "--light", "moon"], ["moon", "D65"]),
        (["{photo}", "--profile", "none.json"], ["none.json"]),
        (["{photo}", "{photo}x", "--at", "1,1"], ["one"]),
        (["calibrate", "{photo}"], ["--chart"]),
        (["calibrate", "{photo}", "--chart", "1,2,3"], ["eight"]),
        (["calibrate", "{photo}", "--led", "900@1,1"], ["900@1,1"]),
        (["calibrate", "{photo}", "--chart", "9,9,150,9,150,150,9,150"], ["corners"]),
        (["calibrate", "nothing.jpg", "--led", "525@1,1"], ["nothing.jpg"]),
    ],
)
def test_a_wrong_call_is_one_line(args: list[str], words: list[str], save: Save) -> None:
    photo = str(save(lamp_picture()))
    result = run(*(arg.format(photo=photo) for arg in args))
    assert result.exit_code in (1, 2)
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1
    assert all(word in result.stderr for word in words), result.stderr


def test_a_bad_file_does_not_stop_the_batch(save: Save, tmp_path: Path) -> None:
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(b"\xff\xd8\xff nonsense")
    good = save(lamp_picture())
    result = run(str(bad), str(good), "--format", "json")
    assert result.exit_code == 1
    assert len(json.loads(result.stdout)) == 1
    assert result.stderr.count("\n") == 1
    assert "bad.jpg" in result.stderr


def test_a_place_outside_is_said(save: Save) -> None:
    result = run(str(save(lamp_picture())), "--at", "999,80")
    assert result.exit_code == 1
    assert "outside the picture" in result.stderr


def test_a_missing_extra_is_one_line(save: Save) -> None:
    code = (
        "import sys\n"
        "sys.modules['colour'] = None\n"
        "from mastread.tools.cli import cli\n"
        f"cli(['leds', {str(save(lamp_picture()))!r}])\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert 'pip install "mastread[leds]"' in done.stderr


def test_rawpy_is_an_extra_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    library.library.cache_clear()
    monkeypatch.setitem(sys.modules, "rawpy", None)
    with pytest.raises(library.MissingExtraError, match="leds-raw"):
        library.library("rawpy")
    library.library.cache_clear()


def test_a_clip_gives_rate_on_fraction_and_curve(tmp_path: Path) -> None:
    path, out = tmp_path / "flash.mp4", tmp_path / "out"
    off = lamp_picture((0, 0, 0), blur=1.5)
    on = lamp_picture((0.45, 0.25, 0.02), blur=1.5)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25, options={"crf": "16"})
        stream.width = stream.height = 160
        stream.pix_fmt = "yuv420p"
        for k in range(150):
            light = on if (k / 25 * 1.2) % 1.0 < 0.5 else off
            coded = np.round(np.clip(light, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(coded, format="rgb24")))
        container.mux(stream.encode(None))
    result = run(str(path), "--at", "80,80", "--format", "json", "--out", str(out))
    assert result.exit_code == 0
    lamp = json.loads(result.stdout)[0]["lamps"][0]
    assert lamp["flash"]["rate_hz"]["low"] <= 1.2 <= lamp["flash"]["rate_hz"]["high"]
    assert lamp["flash"]["on_fraction"]["low"] <= 0.5 <= lamp["flash"]["on_fraction"]["high"]
    standing = {rate["name"]: rate["standing"] for rate in lamp["flash"]["rates"]}
    # MUTCD 4K.01: 50 to 60 a minute; 49 CFR 221.14: one flash per 0.7 to 1.3 s.
    assert standing["US road flashing beacon"] == "faster"
    assert standing["US rear-end marker of a train, flashing type"] == "inside"
    # 25 frames a second cannot tell a sudden edge from one of 75 ms.
    assert lamp["flash"]["edges"][0]["rise"] in ("inside", "undecided")
    assert lamp["xy"] is not None
    assert b"<svg" in (out / "flash.leds.flash.svg").read_bytes()
    assert "Light against time" in (out / "flash.leds.html").read_text()


def write_dng(path: Path, raw: np.ndarray) -> None:
    """A minimal uncompressed DNG (DNG 1.4) of an RGGB mosaic, 16 bits."""
    rational = 5
    matrix = [(int(v * 10000), 10000) for v in (0.9, -0.3, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6)]
    tags = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes([0, 1, 1, 2]), True),
        (50706, 1, 4, bytes([1, 4, 0, 0]), True),
        (50708, 2, 0, "Test Camera", True),
        (50714, 4, 1, 0, True),
        (50717, 4, 1, 65535, True),
        (50721, 10, 9, sum(matrix, ()), True),
        (50728, rational, 3, (1, 1, 1, 1, 1, 1), True),
        (50778, 3, 1, 21, True),
    ]
    tifffile.imwrite(path, raw, photometric=32803, extratags=tags, metadata=None)


def test_camera_raw_is_read_in_proportion_to_light(tmp_path: Path) -> None:
    from mastread.tools.leds.raw import open_raw

    light = np.clip(lamp_picture((0.2, 0.5, 0.35), blur=3.0, ground=0.02), 0, 1)
    mosaic = np.empty((160, 160))
    for dy, dx, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[dy::2, dx::2] = light[dy::2, dx::2, channel]
    path = tmp_path / "lamp.dng"
    write_dng(path, np.round(mosaic * 65535).astype(np.uint16))
    frame = open_raw(path)
    with rawpy.imread(str(path)) as file:
        gains = np.array(file.daylight_whitebalance[:3])
    seen = frame.linear(72, 72, 88, 88).reshape(-1, 3).mean(axis=0) / gains
    truth = light[72:88, 72:88].reshape(-1, 3).mean(axis=0)
    assert seen / seen[1] == pytest.approx(truth / truth[1], rel=0.02)
    half = frame.linear(92, 72, 96, 88).reshape(-1, 3).mean(axis=0) / gains
    fainter = light[72:88, 92:96].reshape(-1, 3).mean(axis=0)
    assert half[1] / seen[1] == pytest.approx(fainter[1] / truth[1], rel=0.02)
    result = run(str(path), "--at", "80,80", "--format", "json")
    assert json.loads(result.stdout)[0]["refused"] == ["raw_profile"]


def test_calibrate_then_check(tmp_path: Path) -> None:
    rig = scene.rig_of_scenes("slr", ())
    rng = np.random.default_rng(20040)
    chart, corners = scene.chart_board(rig)
    picture = scene.develop(chart, rig.camera, rng)
    cv2.imwrite(str(tmp_path / "chart.png"), picture[..., ::-1])
    profile = tmp_path / "camera.json"
    told = ",".join(f"{v:.0f}" for corner in corners for v in corner)
    result = run("calibrate", str(tmp_path / "chart.png"), "--chart", told, "--light", "D65",
                 "--out", str(profile))  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "CIEDE2000" in result.stdout
    made = [scene.line_at(589.0, rng), scene.line_at(589.0, rng), scene.line_at(604.0, rng)]
    board, places = scene.lamp_board(rig, made, rng, room=0.08)
    cv2.imwrite(str(tmp_path / "b.png"), scene.develop(board, rig.camera, rng)[..., ::-1])
    at = [part for x, y, _ in places for part in ("--at", f"{x:.0f},{y:.0f}=yellow")]
    words = run(str(tmp_path / "b.png"), *at, "--profile", str(profile), "--format", "json").stdout
    document = json.loads(words)[0]
    assert document["basis"]["kind"] == "profile"
    pairs = {(p["first"], p["second"]): p for p in document["sets"]["pairs"]}
    assert pairs[1, 2]["word"] == "alike"
    assert pairs[1, 3]["ciede2000"] > pairs[1, 2]["ciede2000"] + 3
    for lamp, truth in zip(document["lamps"], made, strict=True):
        assert lamp["dominant_nm"]["low"] <= truth.dominant_nm <= lamp["dominant_nm"]["high"]


def test_lamps_that_stand_out_are_named() -> None:
    xy = np.array([[0.58, 0.418], [0.582, 0.416], [0.579, 0.419], [0.63, 0.36]])
    noise = np.repeat(np.eye(2)[None] * 1e-7, 4, axis=0)
    pairs = pairs_of(["yellow"] * 4, xy, noise)
    assert standouts(4, pairs) == [3]
    assert {p.word for p in pairs if 3 not in (p.first, p.second)} == {"alike"}
    assert pairs_of(["red", "yellow"], xy[:2], noise[:2]) == []
