"""``mastread read --live``: changes of a camera or network stream told as they come."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click
import cv2

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools.captions import subrip, webvtt
from mastread.tools.memory import hand_back_early
from mastread.tools.reading import Reading, build_reading, error_reading, to_json
from mastread.tools.reporters import REPORTERS, Reporter
from mastread.tools.sentences import aspect_words, doubt_sentences, sentence, title
from mastread.tools.texts import clock, say
from mastread.vision.errors import MediaError
from mastread.vision.live import Change, LiveReader
from mastread.vision.stream import Stream, open_stream
from mastread.vision.types import Hints, MastSeen, Seen, SourceInfo

#: Seconds between two complaints that this machine is too slow.
_COMPLAIN_EVERY_S: Final = 30.0
#: Start of the names of what a live reading writes.
STEM: Final = "live"
#: Formats in which every change is told at once; in the others only the whole is.
_AS_IT_COMES: Final = ("text", "json", "jsonl")


@dataclass(frozen=True, slots=True)
class LiveTally:
    """How a live reading went: whether it failed, and the files that were written."""

    failed: bool
    written: tuple[str, ...] = ()


def read_live(
    name: str, *, form: str, book: str, hints: Hints, out: Path | None, kinds: frozenset[str]
) -> LiveTally:
    """Read a stream until it ends or Ctrl-C is pressed; tell changes as they come.

    Parameters
    ----------
    name : a camera or the address of a stream
    form : a key of `mastread.tools.reporters.REPORTERS`
    out : folder for the whole reading and its captions, or None
    kinds : of `mastread.tools.wishes.KINDS`; of a stream there are the reading and captions
    """
    rulebook = load_book(book)
    reporter = REPORTERS[form]()
    # One core looks while the other takes the pictures off the wire.
    cv2.setNumThreads(1)
    hand_back_early()
    try:
        with open_stream(name) as stream:
            _check_region(stream, hints)
            reading = _follow(stream, LiveReader(hints), rulebook, form, reporter)
    except MediaError as error:
        click.echo(str(error), err=True)
        reporter.add(error_reading(name, str(error), rulebook, "video"))
        reporter.finish()
        return LiveTally(True)
    reporter.add(reading)
    reporter.finish()
    return LiveTally(stream.failed, () if out is None else _write(reading, out, kinds))


def _follow(
    stream: Stream, reader: LiveReader, book: Rulebook, form: str, reporter: Reporter
) -> Reading:
    """Look at frame after frame; the whole reading in the end."""
    rate = f"{stream.rate_hz:.4g}"
    click.echo(
        say("live.begun", path=stream.name, width=stream.width, height=stream.height, rate=rate),
        err=True,
    )
    click.echo(say("notice"), err=True)
    looked, now_s = 0, 0.0
    complaint_due = time.monotonic() + _COMPLAIN_EVERY_S / 3
    told_dropped = 0
    with _ended_by_signals(stream.stop):
        for frame in stream:
            looked, now_s = looked + 1, frame.time_s
            for change in reader.add(frame):
                if form == "text":
                    click.echo(_line(change, book))
                elif form in _AS_IT_COMES:
                    reporter.add(_document(stream, (change.mast,), now_s, looked, book))
                _flush()
            if stream.dropped > told_dropped and time.monotonic() >= complaint_due:
                told_dropped = stream.dropped
                complaint_due = time.monotonic() + _COMPLAIN_EVERY_S
                click.echo(_slow(stream), err=True)
        masts = reader.masts()
    for sentence_ in stream.warnings:
        click.echo(say("warning", path=stream.name, what=sentence_), err=True)
    if stream.dropped > told_dropped:
        click.echo(_slow(stream), err=True)
    if reader.forgotten:
        click.echo(say("warning", path=stream.name, what=say("live.forgotten")), err=True)
    key = "live.stopped" if stream.end is None else "live.ended"
    why = stream.end or ""
    click.echo(say(key, path=stream.name, why=why, duration=clock(now_s)), err=True)
    end_s = now_s + 1.0 / stream.rate_hz
    return _document(stream, masts, end_s, looked, book)


def _document(
    stream: Stream, masts: tuple[MastSeen, ...], now_s: float, looked: int, book: Rulebook
) -> Reading:
    source = SourceInfo(stream.name, "video", stream.width, stream.height, now_s, looked)
    return build_reading(Seen(source, masts), book)


def _line(change: Change, book: Rulebook) -> str:
    """One change in words: since when, which mast, what it says and shows."""
    source = SourceInfo("live", "video", 1, 1)
    (mast,) = build_reading(Seen(source, (change.mast,)), book)["masts"]
    (span,) = mast["spans"]
    indication = span["indication"]
    words = [
        sentence(title(indication)),
        say("shows", aspect=aspect_words(span["heads"], photo=False)),
        *doubt_sentences(indication, rules=False),
    ]
    line = say(
        "live.change",
        time=clock(span["start_s"] or 0.0),
        mast=say("mast", number=mast["mast"]),
        words=" ".join(words),
    )
    return textwrap.fill(line, 96, subsequent_indent="    ", break_on_hyphens=False)


def _slow(stream: Stream) -> str:
    return say(
        "live.slow", path=stream.name, dropped=stream.dropped, received=max(stream.received, 1)
    )


def _check_region(stream: Stream, hints: Hints) -> None:
    region = hints.region
    if region is None or (region[0] < stream.width and region[1] < stream.height):
        return
    size = f"{stream.width} x {stream.height} pixels"
    what = say("error.region.outside", text=",".join(map(str, region)), size=size)
    raise MediaError(stream.name, what, say("error.region.outside.cure"))


def _flush() -> None:
    """Let whoever reads from a pipe have the line at once."""
    sys.stdout.flush()


def _write(reading: Reading, out: Path, kinds: frozenset[str]) -> tuple[str, ...]:
    """Write the reading and its captions, all of them or none."""
    made = [
        (".reading.json", "reading", to_json(reading, indent=2) + "\n"),
        (".vtt", "captions", webvtt(reading)),
        (".srt", "captions", subrip(reading)),
    ]
    written = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".mastread-", dir=out) as aside:
            ready = []
            for ending, kind, text in made:
                if kind in kinds:
                    part = Path(aside) / f"{STEM}{ending}"
                    part.write_text(text, encoding="utf-8")
                    ready.append((part, out / part.name))
            for part, target in ready:
                os.replace(part, target)
                written.append(str(target))
    except OSError as error:
        what = error.strerror or str(error)
        raise click.BadParameter(
            say("error.out.denied", path=out, what=what), param_hint="--out"
        ) from None
    return tuple(written)


@contextmanager
def _ended_by_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Ctrl-C or a request to end stops the stream, so that the reading is finished properly.

    The second time it ends the program at once.
    """
    before: dict[int, Any] = {}

    def ask(signum: int, frame: object) -> None:
        restore()
        stop()

    def restore() -> None:
        for number, handler in before.items():
            signal.signal(number, handler)

    for wanted in (signal.SIGINT, signal.SIGTERM):
        before[wanted] = signal.signal(wanted, ask)
    try:
        yield
    finally:
        restore()
