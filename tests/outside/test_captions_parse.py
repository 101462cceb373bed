"""Captions read back by an independent parser.

Sources: WebVTT, W3C Candidate Recommendation (www.w3.org/TR/webvtt1/), and the SubRip format as
players accept it (common practice, no source), both as the library webvtt-py reads them.
"""

from __future__ import annotations

import html
import io

import webvtt

from mastread.tools.captions import cues, subrip
from mastread.tools.captions import webvtt as to_webvtt
from mastread.tools.reading import Reading

NOTICE = "Learning aid only: never rely on it for train operation."


def _reading() -> Reading:
    def span(start: float, end: float, name: str, status: str = "read") -> dict[str, object]:
        return {
            "start_s": start,
            "end_s": end,
            "heads": [
                {"head": 1, "colour": "yellow", "behaviour": "flashing"},
                {"head": 2, "colour": "none", "behaviour": "dark"},
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
