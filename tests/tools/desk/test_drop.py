"""Taking in dropped files."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("flask", reason="pip install mastread[desk]")

from mastread.tools.desk.drop import DropError, safe_name, take

MP4 = b"\0\0\0\x18ftypisom" + bytes(9000)


def _take(folder: Path, data: bytes = MP4, name: str = "a.mp4", **told: Any) -> Path:
    length = told.pop("length", len(data))
    return take(io.BytesIO(data), name, length, folder, **told)


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("clip.MP4", "clip.mp4"),
        ("../../etc/passwd.mp4", "passwd.mp4"),
        ("..\\..\\boot.jpg", "boot.jpg"),
        ("<script>alert(1)</script>.jpg", "script.jpg"),
        ("...mp4", "footage.mp4"),
        ("a\0b\n.png", "a-b.png"),
        ("x" * 300 + ".mov", "x" * 80 + ".mov"),
        ("Mühle 3.mkv", "Mühle 3.mkv"),
    ],
)
def test_names_become_harmless(name: str, kept: str) -> None:
    assert safe_name(name) == kept


@pytest.mark.parametrize("name", ["a.svg", "a.html", "a", "", "a.mp4.exe", ".mp4/", "mp4"])
def test_other_kinds_are_refused(name: str) -> None:
    with pytest.raises(DropError) as caught:
        safe_name(name)
    assert caught.value.status == 415


def test_a_whole_file_is_kept_inside_the_shelf(tmp_path: Path) -> None:
    path = _take(tmp_path, name="../../up.mp4")
    assert path.read_bytes() == MP4
    assert path.name == "up.mp4"
    assert path.is_relative_to(tmp_path / "dropped")


@pytest.mark.parametrize(
    ("data", "told", "status"),
    [
        (b"<html><script>alert(1)</script>" * 400, {}, 415),
        (b"%PDF-1.7", {}, 415),
        (b"", {}, 400),
        (MP4, {"length": len(MP4) + 1}, 400),
        (MP4, {"most": 5000}, 413),
        (MP4, {"most": 5000, "length": None}, 413),
        (MP4, {"length": 5 * 1024**3}, 413),
    ],
)
def test_what_is_not_taken_leaves_nothing_behind(
    tmp_path: Path, data: bytes, told: dict[str, Any], status: int
) -> None:
    with pytest.raises(DropError) as caught:
        _take(tmp_path, data, **told)
    assert caught.value.status == status
    assert "\n" not in str(caught.value)
    assert [p for p in tmp_path.rglob("*") if p.is_file()] == []


def test_a_file_that_trickles_in_is_given_up(tmp_path: Path) -> None:
    class Trickle(io.RawIOBase):
        def read(self, size: int = -1) -> bytes:
            times.append(times[-1] + 1.0)
            return MP4[:5000]

    times = [0.0]
    with pytest.raises(DropError) as caught:
        take(Trickle(), "a.mp4", None, tmp_path, clock=lambda: times[-1])  # type: ignore[arg-type]
    assert caught.value.status == 408
    assert len(times) < 20
