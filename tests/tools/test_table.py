"""The table of spans: what spreadsheets and data frames make of it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable

import pytest

from mastread.decoder.rulebook import Rulebook
from mastread.decoder.words import NOTICE
from mastread.tools.reading import build_reading
from mastread.tools.table import COLUMNS, MARK, table
from mastread.tools.texts import speaking
from mastread.vision.types import Seen

Make = Callable[..., Seen]


def _read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_one_row_a_span(clip_seen: Make, photo_seen: Make, book: Rulebook) -> None:
    clip = clip_seen(
        [(0.0, 5.0, "flashing yellow over red"), (5.0, 12.0, "lit yellow over red")],
        [(2.0, 12.0, "red over dark")],
    )
    photo = photo_seen("green over red over red")
    documents = [build_reading(seen, book) for seen in (clip, photo, photo_seen())]
    found = _read(table(documents))
    assert [(row["file"], row["mast"], row["span"]) for row in found] == [
        ("a/clip.mp4", "1", "1"),
        ("a/clip.mp4", "1", "2"),
        ("a/clip.mp4", "2", "1"),
        ("a/photo.jpg", "1", "1"),
    ]
    first = found[0]
    span = documents[0]["masts"][0]["spans"][0]
    assert (first["status"], first["name"]) == ("read", span["indication"]["name"])
    assert (float(first["start_s"]), float(first["end_s"])) == (0.0, 5.0)
    assert (first["head_1_colour"], first["head_1_behaviour"]) == ("yellow", "flashing")
    assert float(first["head_1_rate_hz"]) == pytest.approx(0.9731)
    assert (first["head_2_rate_hz"], first["head_3_colour"], first["heads"]) == ("", "", "2")
    assert float(first["odds"]) == span["indication"]["possible"][0]["odds"]
    assert found[1]["name"] == found[1]["odds"] == ""
    assert found[1]["most_restrictive_name"]
    assert found[3]["start_s"] == ""
    assert all(row["notice"] == NOTICE for row in found)


def test_the_same_table_in_every_language(photo_seen: Make, book: Rulebook) -> None:
    reading = build_reading(photo_seen("lit yellow over dark"), book)
    with speaking("fr"):
        french = table([reading])
    assert french == table([reading])
    assert "yellow over dark" in french


def test_what_a_spreadsheet_would_run_is_disarmed(photo_seen: Make, book: Rulebook) -> None:
    reading = build_reading(photo_seen("red"), book)
    for name in ("=HYPERLINK(1)", "+1", "-1", "@SUM(A1)", "\tx"):
        reading["source"]["path"] = name
        (row,) = _read(table([reading]))
        assert row["file"] == "'" + name
    reading["source"]["path"] = 'a "b", c\nd.jpg'
    (row,) = _read(table([reading]))
    assert row["file"] == 'a "b", c\nd.jpg'


def test_lines_end_as_the_standard_says(photo_seen: Make, book: Rulebook) -> None:
    """RFC 4180, section 2: records end in CR LF, and have equally many fields."""
    text = table([build_reading(photo_seen("red", "green over red"), book)])
    lines = text.split("\r\n")
    assert lines[-1] == ""
    assert "\n" not in text.replace("\r\n", "")
    assert {len(row) for row in csv.reader(io.StringIO(text, newline=""))} == {len(COLUMNS)}
    assert MARK == "\ufeff"
