"""Hits as a table for people, as JSON, and as paths."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path, PurePosixPath
from typing import Any, Final

from mastread.decoder.words import NOTICE
from mastread.tools.reading import to_json
from mastread.tools.shelf.search import Hit
from mastread.tools.shelf.texts import say
from mastread.tools.texts import clock

FORMAT: Final = "mastread-shelf-spans"
VERSION: Final = 1

#: A table is no wider than this where it does not go to a terminal.
_WIDTH: Final = 120
#: No column gets narrower than this, in letters.
_NARROWEST: Final = 8


def as_json(hits: Sequence[Hit], count: int, folder: Path) -> str:
    """Return one JSON document; clips are named by their paths."""
    spans: list[dict[str, Any]] = []
    for hit in hits:
        fields = {k: v for k, v in asdict(hit).items() if k not in ("row", "media")}
        spans.append({**fields, "clip": None if hit.clip is None else str(folder / hit.clip)})
    document = {
        "format": FORMAT,
        "version": VERSION,
        "notice": NOTICE,
        "count": count,
        "spans": spans,
    }
    return to_json(document, indent=2)


def as_paths(hits: Sequence[Hit], folder: Path) -> list[str]:
    """Return the paths of the clips, each once."""
    return list(dict.fromkeys(str(folder / hit.clip) for hit in hits if hit.clip is not None))


def as_table(hits: Sequence[Hit], width: int | None = None) -> str:
    """Return a table no wider than `width` letters (the terminal by default)."""
    columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else _WIDTH
    heads = tuple(say(f"table.{key}") for key in ("id", "file", "time", "aspect", "name", "by"))
    rows = [heads, *(_row(hit) for hit in hits)]
    widths = _fit([max(len(row[i]) for row in rows) for i in range(6)], width or columns)
    lines = ["  ".join(_cell(c, w) for c, w in zip(row, widths, strict=True)) for row in rows]
    lines.insert(1, "  ".join("-" * w for w in widths))
    return "\n".join(line.rstrip() for line in lines)


def name_of(hit: Hit) -> str:
    """Return the indication in words, or the doubt with the fail-safe answer."""
    if hit.status != "read" or hit.name is None:
        return say("name.open", safest=hit.safest)
    return say("name.rule", name=hit.name, rule=hit.rule) if hit.rule else hit.name


def by_of(hit: Hit) -> str:
    """Return who says so: a person with the verdict, or the machine with its odds."""
    if hit.verdict is not None:
        return say(f"by.{hit.verdict}", who=hit.who)
    return say("by.machine", percent=100 * hit.sure) if hit.status == "read" else say("by.none")


def time_of(hit: Hit) -> str:
    """Return the times of a span in its video; that it is a photo where there are none."""
    if hit.start_s is None or hit.end_s is None:
        return say("time.photo")
    return f"{clock(hit.start_s)}-{clock(hit.end_s)}"


def _row(hit: Hit) -> tuple[str, ...]:
    file = PurePosixPath(hit.path or "").name or say("file.gone")
    return hit.id, file, time_of(hit), hit.aspect, name_of(hit), by_of(hit)


def _fit(widths: list[int], width: int) -> list[int]:
    """Narrow file, aspect and indication in turn until the table fits, as far as they allow."""
    found = list(widths)
    room = width - 2 * (len(found) - 1)
    while sum(found) > room:
        widest = max((1, 3, 4), key=lambda i: found[i])
        if found[widest] <= _NARROWEST:
            break
        found[widest] -= 1
    return found


def _cell(text: str, width: int) -> str:
    return text.ljust(width) if len(text) <= width else text[: width - 1] + "…"
