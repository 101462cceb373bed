"""Captions of a clip: WebVTT (W3C) and SubRip, made from its reading document.

Several masts at once share one cue, since many players show only one cue at a time. The
learning-aid notice stands in the opening cue, where viewers see it, and in WebVTT also as a
comment.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from mastread.tools.moments import answer_s
from mastread.tools.reading import MastDoc, Reading, SpanDoc
from mastread.tools.sentences import aspect_words, mast_tells, sentence, short_title
from mastread.tools.texts import say
from mastread.tools.wishes import Style

#: How long the notice stays on screen, seconds: long enough to read its 25 words aloud.
NOTICE_S: Final = 8.0

#: Characters a caption line may hold; the common practice of broadcasters is 37 to 42.
LINE: Final = 42


@dataclass(frozen=True, slots=True)
class Cue:
    """Text shown from `start_ms` to `end_ms` (whole milliseconds from the clip's start)."""

    start_ms: int
    end_ms: int
    lines: tuple[str, ...]


def cues(reading: Reading, style: Style = "full") -> list[Cue]:
    """Return the cues of a clip: in order, not overlapping, none of them empty.

    In the style ``question`` answers are withheld as long as in the annotated clip.

    Raises
    ------
    ValueError
        If the reading is not one of a video that could be read.
    """
    if reading["source"]["kind"] != "video" or "error" in reading:
        raise ValueError("captions are made of the reading of a video")
    duration = reading["source"].get("duration_s") or 0.0
    spans = [(mast, span) for mast in reading["masts"] for span in mast["spans"]]
    last = max([_ms(duration), *(_ms(span["end_s"]) for _, span in spans)])
    edges = {0, min(last, _ms(NOTICE_S)), last}
    for _, span in spans:
        edges |= {_ms(span["start_s"]), _ms(span["end_s"])}
        if style == "question":
            edges.add(_ms(answer_s(span)))
    ordered = sorted(edges)
    several = len(reading["masts"]) > 1
    found: list[Cue] = []
    for start, end in pairwise(ordered):
        lines: list[str] = []
        for mast, span in spans:
            if _ms(span["start_s"]) <= start and end <= _ms(span["end_s"]):
                asked = style == "question" and start < _ms(answer_s(span))
                lines += _span_lines(mast, span, several=several, asked=asked, style=style)
        if not reading["masts"] and start == 0:
            lines.append(say("no_mast"))
        if end <= _ms(NOTICE_S):
            lines += textwrap.wrap(say("notice"), LINE)
        if lines:
            found.append(Cue(start, end, tuple(lines)))
    return found


def webvtt(reading: Reading, style: Style = "full") -> str:
    """Return the captions as WebVTT text."""
    blocks = ["WEBVTT", "NOTE\n" + _vtt_text(say("notice"))]
    for cue in cues(reading, style):
        blocks.append(_block(cue, ".", _vtt_text))
    return "\n\n".join(blocks) + "\n"


def subrip(reading: Reading, style: Style = "full") -> str:
    """Return the captions as SubRip text."""
    blocks = [
        f"{number}\n{_block(cue, ',', _srt_text)}"
        for number, cue in enumerate(cues(reading, style), start=1)
    ]
    return "\n\n".join(blocks) + "\n"


def _span_lines(
    mast: MastDoc, span: SpanDoc, *, several: bool, asked: bool, style: Style
) -> list[str]:
    name = say("question") if asked else short_title(span["indication"])
    if several:
        name = mast_tells(mast["mast"], name)
    if asked or style == "plain":
        return textwrap.wrap(name, LINE)
    aspect = sentence(aspect_words(span["heads"], photo=False))
    return textwrap.wrap(name, LINE) + textwrap.wrap(aspect, LINE)


def _block(cue: Cue, point: str, escape: Callable[[str], str]) -> str:
    times = f"{_stamp(cue.start_ms, point)} --> {_stamp(cue.end_ms, point)}"
    return "\n".join([times, *(escape(line) for line in cue.lines)])


def _stamp(milliseconds: int, point: str) -> str:
    seconds, ms = divmod(milliseconds, 1000)
    minutes, s = divmod(seconds, 60)
    h, m = divmod(minutes, 60)
    return f"{h:02d}:{m:02d}:{s:02d}{point}{ms:03d}"


def _ms(seconds: float | None) -> int:
    return max(0, round((seconds or 0.0) * 1000))


def _vtt_text(text: str) -> str:
    """Escape what WebVTT gives a meaning of its own; a cue may hold no ``-->``."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _srt_text(text: str) -> str:
    """SubRip has no escapes: keep players from taking a ``<`` for a tag, ``-->`` for times."""
    return text.replace("<", "‹").replace("-->", "→").replace(">", "›")
