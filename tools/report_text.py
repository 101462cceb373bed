"""A reading as text for people: one short paragraph per mast, with times for a clip."""

from __future__ import annotations

import textwrap
from typing import Final

from mastread.tools.reading import MastDoc, Reading, SpanDoc
from mastread.tools.sentences import (
    aspect_words,
    doubt_sentences,
    rate_sentences,
    sentence,
    title,
)
from mastread.tools.telling import tell_reason
from mastread.tools.texts import clock, say

INDENT: Final = "  "

#: A paragraph gives this many reasons; the document holds all.
MOST_REASONS: Final = 3


def text_report(reading: Reading, width: int = 88) -> str:
    """Return the paragraphs for one media file, without the notice and without a last line end.

    Parameters
    ----------
    reading : a reading document
    width : characters a line may hold, at least 40
    """
    source = reading["source"]
    if "error" in reading:
        head = say("source.error", path=source["path"])
        return "\n".join([head, *_wrap(sentence(reading["error"]), width, INDENT)])
    lines = [_source_line(reading)]
    if not reading["masts"]:
        lines += _wrap(say("no_mast") + " " + say("no_mast.cure"), width, INDENT)
    for mast in reading["masts"]:
        lines += _mast_lines(mast, photo=source["kind"] == "photo", width=width)
    return "\n".join(lines)


def _source_line(reading: Reading) -> str:
    source = reading["source"]
    if source["kind"] == "photo":
        return say("source.photo", **source)
    return say(
        "source.video",
        path=source["path"],
        width=source["width"],
        height=source["height"],
        frames=say("frames.one" if source.get("frames") == 1 else "frames", count=source["frames"]),
        duration=clock(source.get("duration_s") or 0.0),
    )


def _mast_lines(mast: MastDoc, *, photo: bool, width: int) -> list[str]:
    label = say("mast", number=mast["mast"])
    if photo:
        return _wrap(f"{label}: {_span_words(mast['spans'][0], photo=True)}", width, INDENT)
    lines = [f"{INDENT}{label}"]
    for span in mast["spans"]:
        times = say("span.times", start=clock(span["start_s"] or 0), end=clock(span["end_s"] or 0))
        lines += _wrap(f"{times}: {_span_words(span, photo=False)}", width, INDENT * 2)
    return lines


def _span_words(span: SpanDoc, *, photo: bool) -> str:
    indication = span["indication"]
    parts = [sentence(title(indication))]
    parts.append(say("shows", aspect=aspect_words(span["heads"], photo=photo)))
    if indication["status"] == "read" and indication["meaning"]:
        parts.append(sentence(indication["meaning"]))
    parts += rate_sentences(span)
    parts += doubt_sentences(indication)
    if indication["reasons"]:
        told = [sentence(tell_reason(reason)[0]) for reason in indication["reasons"][:MOST_REASONS]]
        more = len(indication["reasons"]) - len(told)
        if more > 0:
            told.append(say("why.more", count=more))
        parts.append(say("why", reasons=" ".join(told)))
    return " ".join(parts)


def _wrap(text: str, width: int, indent: str) -> list[str]:
    return textwrap.wrap(
        text,
        max(40, width),
        initial_indent=indent,
        subsequent_indent=indent + INDENT,
        break_long_words=False,
        break_on_hyphens=False,
    )
