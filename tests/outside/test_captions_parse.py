"""Captions, chapters and tables read back by independent programs.

Sources: WebVTT, W3C Candidate Recommendation (www.w3.org/TR/webvtt1/), and the SubRip format as
players accept it (common practice, no source), both as the
libraries webvtt-py and FFmpeg (through PyAV, which brings it) read them. Chapters are read back by
FFmpeg; tables, after RFC 4180, by frictionless.
"""

from __future__ import annotations

import html
import io
import json
import re
import shutil
import subprocess
from pathlib import Path

import av
import pytest
import webvtt

from mastread.tools.captions import cues, subrip
from mastread.tools.captions import webvtt as to_webvtt
from mastread.tools.chapters import chapters
from mastread.tools.reading import Reading
from mastread.tools.table import COLUMNS, MARK, table

NOTICE = "Learning aid only: never rely on it for train operation."
ODDS = {
    "colour_odds": {"yellow": 1.0, "red": 0.0},
    "behaviour_odds": {"steady": 0.0, "flashing": 1.0, "dark": 0.0},
}


def _reading() -> Reading:
    def span(start: float, end: float, name: str, status: str = "read") -> dict[str, object]:
        return {
            "start_s": start,
            "end_s": end,
            "heads": [
                {"head": 1, "colour": "yellow", "behaviour": "flashing", **ODDS},
                {"head": 2, "colour": "none", "behaviour": "dark", **ODDS},
            ],
            "indication": {
                "status": status,
                "rule": "415",
                "name": name,
                "meaning": "x",
                "possible": [],
                "most_restrictive": {"rule": "439", "name": "Stop"},
                "reasons": [],
            },
        }

    spans = [
        span(0.0, 3.4994, "Clear to <Stop> & more"),
        span(3.4994, 61.0, "Restricting", "ambiguous"),
        span(3600.5, 7325.001, "Clear"),
    ]
    source = {"path": "x", "kind": "video", "width": 9, "height": 9, "duration_s": 7325.001}
    masts = [{"mast": 1, "box": [0, 0, 1, 1], "spans": spans}]
    return {"notice": NOTICE, "source": source, "masts": masts}  # type: ignore[typeddict-item]


def _ms(stamp: str) -> int:
    hours, minutes, seconds = stamp.split(":")
    return round((int(hours) * 3600 + int(minutes) * 60 + float(seconds)) * 1000)


def test_webvtt_is_read_back() -> None:
    reading = _reading()
    parsed = webvtt.from_buffer(io.StringIO(to_webvtt(reading)))
    made = cues(reading)
    assert [(_ms(c.start), _ms(c.end)) for c in parsed] == [(c.start_ms, c.end_ms) for c in made]
    # The parser leaves the character references of WebVTT as they stand.
    texts = [tuple(html.unescape(c.text).split("\n")) for c in parsed]
    assert texts == [c.lines for c in made]
    assert made[0].lines[0] == "Clear to <Stop> & more"
    assert made[-1].end_ms == 7_325_001
    assert any(NOTICE in " ".join(note.split()) for note in parsed.header_comments)


def test_subrip_is_read_back() -> None:
    reading = _reading()
    parsed = webvtt.from_buffer(io.StringIO(subrip(reading)), format="srt")
    made = cues(reading)
    assert [(_ms(c.start), _ms(c.end)) for c in parsed] == [(c.start_ms, c.end_ms) for c in made]
    assert [c.lines for c in parsed][1:] == [list(c.lines) for c in made][1:]
    assert "Clear to ‹Stop› & more" in parsed[0].lines


@pytest.mark.parametrize("form", ["vtt", "srt"])
def test_ffmpeg_reads_captions(tmp_path: Path, form: str) -> None:
    reading = _reading()
    path = tmp_path / f"a.{form}"
    path.write_text(to_webvtt(reading) if form == "vtt" else subrip(reading), encoding="utf-8")
    made = cues(reading)
    with av.open(str(path)) as file:
        (stream,) = file.streams.subtitles
        found = []
        for packet in file.demux(stream):
            if packet.size == 0:
                continue
            base = 1000 * packet.time_base
            text = "\n".join(
                # An event of SubStation Alpha: eight fields, then the text with its own line ends.
                line.ass.decode().split(",", 8)[8].replace("\\N", "\n")
                for line in packet.decode()
            )
            found.append((round(packet.pts * base), round(packet.duration * base), text))
    assert [(start, length) for start, length, _ in found] == [
        (cue.start_ms, cue.end_ms - cue.start_ms) for cue in made
    ]
    for (_, _, text), cue in zip(found, made, strict=True):
        # FFmpeg leaves the character references of WebVTT as they stand.
        expected = "\n".join(cue.lines)
        if form == "srt":
            expected = expected.replace("<", "‹").replace(">", "›")
        assert html.unescape(text).strip() == expected


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_the_ffmpeg_programs_read_chapters(tmp_path: Path) -> None:
    """The same with the command-line program, which is another build than the one in PyAV."""
    reading = _reading()
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=1)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        out.set_chapters(chapters(reading))
        for n in (0, 7325):
            frame = av.VideoFrame(64, 64, "yuv420p")
            frame.pts = n
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    command = ["ffprobe", "-v", "error", "-show_chapters", "-of", "json", str(path)]
    found = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)["chapters"]
    assert [(round(1000 * float(c["start_time"])), c["tags"]["title"]) for c in found] == [
        (0, "Clear to <Stop> & more"),
        (3499, "Cannot be told"),
        (61_000, "Not told at this moment"),
        (3_600_500, "Clear"),
    ]


def test_a_table_is_read_back(tmp_path: Path) -> None:
    frictionless = pytest.importorskip("frictionless", reason="pip install frictionless")
    reading = _reading()
    reading["source"]["path"] = 'a "b", c.mp4'
    path = tmp_path / "spans.csv"
    for span in reading["masts"][0]["spans"]:
        for head in span["heads"]:
            head |= {"confidence": 0.9, "rate_hz": None, "rate_sd_hz": None, "duty": None}
    reading["rulebook"] = {"name": "x", "title": "Book", "edition": "1"}
    path.write_text(MARK + table([reading]), encoding="utf-8", newline="")
    resource = frictionless.Resource(path=path.name, basepath=str(tmp_path), encoding="utf-8-sig")
    rows = [row.to_dict() for row in resource.read_rows()]
    assert list(rows[0]) == list(COLUMNS)
    assert [float(row["end_s"]) for row in rows] == [3.4994, 61.0, 7325.001]
    assert {row["file"] for row in rows} == {'a "b", c.mp4'}
    assert [row["name"] for row in rows][:1] == ["Clear to <Stop> & more"]
    assert resource.validate().valid, re.sub(r"\s+", " ", str(resource.validate().flatten()))
