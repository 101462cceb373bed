"""Every English sentence that the tools show to people, in one place.

Keeping them here, keyed and apart from the code that lays them out, lets another language be
added as a second table. Keys are grouped by where the sentence appears. `say` fills the
braces and refuses an unknown key or a missing value at once (KeyError), so a wrong key cannot
reach a user unseen: the tests walk through all of them.
"""

from __future__ import annotations

import textwrap
from typing import Final

ENGLISH: Final[dict[str, str]] = {
    # words for what a head shows
    "colour.red": "red",
    "colour.yellow": "yellow",
    "colour.green": "green",
    "colour.lunar": "lunar",
    "colour.white": "white",
    "colour.blue": "blue",
    "colour.unknown": "an unknown colour",
    "colour.unknown.short": "colour?",
    "head.dark": "dark",
    "head.flashing": "flashing {colour}",
    "head.perhaps_flashing": "{colour} (steady or flashing)",
    "head.perhaps_flashing.short": "{colour}, may flash",
    "aspect.joint": " over ",
    # a mast in words
    "mast": "Mast {number}",
    "shows": "Shows {aspect}.",
    "rate": "flashing {per_minute:.0f} times a minute, {hz:.3f} ± {sd:.3f} Hz",
    "rate.no_error": "flashing {per_minute:.0f} times a minute, {hz:.2f} Hz",
    "rate.head": "Head {head}: {rate}.",
    # an indication in words
    "indication.read.rule": "{name} (rule {rule})",
    "indication.ambiguous": "Cannot be told",
    "indication.unreadable": "Cannot be read",
    "possible": "Possible: {list}.",
    "possible.item": "{name} {percent:.0f}%",
    "possible.item.rule": "{name} (rule {rule}) {percent:.0f}%",
    "possible.more": "{count} more",
    "possible.under": "under 1%",
    "or": "{first} or {last}",
    "most_restrictive": "When in doubt, treat it as {name}.",
    "why": "Why: {reasons}",
    "why.more": "(Further reasons: {count}; --format json gives all.)",
    # a file in words
    "source.photo": "{path} (photo, {width} x {height})",
    "source.video": "{path} (video, {duration}, {frames}, {width} x {height})",
    "frames": "{count} frames",
    "frames.one": "1 frame",
    "source.error": "{path}: not read",
    "no_mast": "No signal mast was found.",
    "no_mast.cure": (
        "If there is one, --region X,Y,W,H can point to it; lamps under about two pixels "
        "across cannot be found."
    ),
    "span.times": "{start} to {end}",
    # pictures
    "picture.rule": "Rule {rule}",
    "picture.no_mast": "No signal mast found",
    "picture.not_seen": "Not told at this moment",
    "curves.title": "Light of each head against time",
    "curves.none": "No light curve: nothing was measured over time.",
    "curves.head": "Head {head}",
    "curves.rate": "{hz:.3f} ± {sd:.3f} Hz",
    "curves.rate.no_error": "{hz:.3f} Hz",
    # what went wrong
    "error.line": "{path}: {what}; {cure}",
    "error.crash": (
        "{path}: the program that decodes media crashed on this file; "
        "convert the file with a video or photo editor and try again"
    ),
    "error.internal": (
        "{path}: reading failed by a fault of this program ({what}); "
        "please report it with the file, and use another file meanwhile"
    ),
    "error.memory": "{path}: too large for this machine's memory; scale it down and try again",
    "error.output": "{path}: the outputs could not be written ({what}); free or change the folder",
    "error.out.not_folder": "{path} is no folder ({what}); name a folder",
    "error.out.denied": "{path} cannot be written to ({what}); choose another folder",
    "error.region": (
        "{text!r} is no region; it takes four whole numbers X,Y,W,H in pixels with W and H "
        "above 0, such as 400,120,300,500"
    ),
    "error.region.outside": "--region {text} lies outside the picture of {size}",
    "error.region.outside.cure": "give a region inside it",
    "error.plate": "{text!r} is no plate that a rulebook knows; known are {known}",
    "error.plate.none": "`none` cannot go together with a plate; leave one of them out",
    "check.spelling": "check the name",
    # aspects in words
    "faults.title": "{aspect} ({book})",
    "faults.meant": "If {aspect} is meant, {indication}, and one thing fails:",
    "faults.all_safe": (
        "Each of these {count} failures reads as something as restrictive or more: fail-safe."
    ),
    "faults.unsafe": "{unsafe} of these {count} failures would be read as less restrictive.",
    "faults.listed": "The book names this row as not fail-safe: {reason}",
    "error.faults": (
        "{aspect} is no aspect of {book}, so nothing can be said of its failures; "
        "look at the aspects with `mastread book show`"
    ),
    "error.indication": (
        "{text!r} is neither the name nor the rule number of an indication in {book}{hint}; "
        "`mastread book show {book}` lists them"
    ),
    "error.then.one": (
        "--then takes two aspects or more, each in quotes, in the order in which a train meets them"
    ),
    "error.explain.both": "{first} and {second} ask different things; leave one of them out",
    "error.explain.plate": "--plate does not go with --indication; leave it out",
    "pictures.none": "no aspect of it is known, so there is no picture",
    # rulebooks
    "book.good": (
        "{path}: in order; {title}, {indications} indications ({without} without an aspect), "
        "{aspects} aspects"
    ),
    # talk on stderr
    "warning": "{path}: {what}",
    "progress": "reading",
    "wrote": "{count} outputs written to {path}",
    "wrote.one": "1 output written to {path}",
    "failed": "{failed} of {count} inputs could not be read",
    "interrupted": "stopped; files that were finished are kept, nothing half-written is left",
    "demo.missing": "the bundled sample frames are missing; install the package again",
    "demo.intro": "Reading {count} bundled samples of an invented railway.",
    "demo.where": "Pictures, annotated clips, captions and readings: {path}",
}


def say(key: str, /, **values: object) -> str:
    """Return the sentence `key` with `values` filled in.

    Raises
    ------
    KeyError
        If the key is unknown, or a value that the sentence needs is missing.
    """
    return ENGLISH[key].format(**values)


def clock(seconds: float) -> str:
    """Return `seconds` as people write a place in a clip: ``0:05.2``, ``1:02:05.2``."""
    tenths = max(0, round(seconds * 10))
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def one_line(text: str) -> str:
    """Return `text` with every run of blanks and line ends made one blank."""
    return " ".join(text.split())


def wrap_lines(text: str, width: int) -> str:
    """Return `text` with each of its lines wrapped to `width`, keeping the line's own indent."""
    lines: list[str] = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        lines += textwrap.wrap(
            line,
            width,
            subsequent_indent=indent + "  ",
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return "\n".join(lines)
