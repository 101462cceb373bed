"""The speed benchmark runs and prints its table; its figures are nobody's test."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from mastread.tools import speed, speed_media
from mastread.vision.photo import open_photo
from mastread.vision.video import open_video


def test_made_clip_has_the_length_and_the_flashes_it_should(tmp_path: Path) -> None:
    clip = speed_media.make_clip(tmp_path / "a.mp4", 1, 320, 180)
    with open_video(clip) as video:
        assert (video.width, video.height) == (320, 180)
        # The flashing lamp is the second from above.
        y, x = 180 // 4 + 8 * 2, 160
        lit = [float(frame.linear(x - 8, y - 8, x + 8, y + 8).max()) for frame in video]
    assert len(lit) == speed_media.RATE_HZ
    assert np.mean(lit[:14]) > 2 * np.mean(lit[16:])


def test_repeated_clip_goes_on_in_time(tmp_path: Path) -> None:
    clip = speed_media.make_clip(tmp_path / "a.mp4", 1, 320, 180)
    long = speed_media.repeat_clip(clip, tmp_path / "b.mp4", 3)
    with open_video(long) as video:
        times = [frame.time_s for frame in video]
        assert video.warnings == []
    np.testing.assert_allclose(times, np.arange(90) / 30, atol=1e-6)


def test_made_photo_has_its_size(tmp_path: Path) -> None:
    photo = open_photo(speed_media.make_photo(tmp_path / "a.jpg", 400, 300))
    assert (photo.width, photo.height) == (400, 300)


def test_table_of_given_media(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clip = speed_media.make_clip(tmp_path / "a.mp4", 1, 320, 180)
    photo = speed_media.make_photo(tmp_path / "a.jpg", 400, 300)
    monkeypatch.setattr(speed, "start_time", lambda *_, **__: 0.25)
    result = CliRunner().invoke(
        speed.main, ["--clip", str(clip), "--photo", str(photo), "--repeats", "1"]
    )
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert "cores" in lines[0]
    assert [line[:13].strip() for line in lines[2:]] == [
        "clip, decode", "clip, read", "", "photo, decode", "photo, read", "", "mastread --he",
        "import click",
    ]  # fmt: skip
    costs = [float(value) for value in lines[2][28:].split()[:3]]
    assert all(value > 0 for value in costs)


def test_missing_clip_is_one_line(tmp_path: Path) -> None:
    result = CliRunner().invoke(speed.main, ["--clip", str(tmp_path / "none.mp4")])
    assert result.exit_code == 1
    assert "no such file" in result.output
    assert "Traceback" not in result.output


def test_start_time_of_nothing_is_something() -> None:
    assert speed.start_time("-c", "pass", repeats=1) > 0
