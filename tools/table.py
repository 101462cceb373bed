"""Readings as a table for spreadsheets: CSV (RFC 4180), one row a span.

Names of columns and the words for colours and behaviours are those of the reading document, in
every language, so that a table can be evaluated whatever language its user speaks.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from typing import Final

from mastread.decoder.aspect import MAX_HEADS
from mastread.tools.reading import Reading, SpanDoc
from mastread.tools.sentences import aspect_words
from mastread.tools.texts import speaking

#: What is told of each head, under ``head_1_colour`` and the like, the top head first.
HEAD_FIELDS: Final = ("colour", "behaviour", "confidence", "rate_hz", "rate_sd_hz", "duty")

COLUMNS: Final = (
    "file",
    "kind",
    "mast",
    "span",
    "start_s",
    "end_s",
    "aspect",
    "status",
    "rule",
    "name",
    "meaning",
    "odds",
    "possible",
    "most_restrictive_rule",
    "most_restrictive_name",
    "heads",
    *(f"head_{n}_{field}" for n in range(1, MAX_HEADS + 1) for field in HEAD_FIELDS),
    "reasons",
    "rulebook",
    "notice",
)

#: Spreadsheets take a cell that starts with one of these for a formula; a name must not be one.
FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")

#: Byte order mark: without it a common spreadsheet takes UTF-8 for its local alphabet.
MARK: Final = "\N{ZERO WIDTH NO-BREAK SPACE}"

Cell = str | int | float | None


def table(readings: Iterable[Reading], *, header: bool = True) -> str:
    """Return the rows of all spans of `readings`, each ending in CR LF, after a header."""
    out = io.StringIO()
    writer = csv.writer(out)
    if header:
        writer.writerow(COLUMNS)
    for reading in readings:
        for row in rows(reading):
            writer.writerow([_cell(row.get(column)) for column in COLUMNS])
    return out.getvalue()


def rows(reading: Reading) -> Iterator[dict[str, Cell]]:
    """Yield one row for each span; none for a file without masts."""
    for mast in reading["masts"]:
        for number, span in enumerate(mast["spans"], start=1):
            row: dict[str, Cell] = {
                "file": reading["source"]["path"],
                "kind": reading["source"]["kind"],
                "mast": mast["mast"],
                "span": number,
                "rulebook": f"{reading['rulebook']['title']}, {reading['rulebook']['edition']}",
                "notice": reading["notice"],
            }
            yield row | _span(span, photo=reading["source"]["kind"] == "photo")


def _span(span: SpanDoc, *, photo: bool) -> dict[str, Cell]:
    said = span["indication"]
    odds = {(item["rule"], item["name"]): item["odds"] for item in said["possible"]}
    with speaking("en"):
        aspect = aspect_words(span["heads"], photo=photo)
    row: dict[str, Cell] = {
        "start_s": span["start_s"],
        "end_s": span["end_s"],
        "aspect": aspect,
        "status": said["status"],
        "rule": said["rule"],
        "name": said["name"],
        "meaning": said["meaning"],
        "odds": odds.get((said["rule"], said["name"])) if said["name"] is not None else None,
        "possible": "; ".join(f"{item['name']} {item['odds']:.4f}" for item in said["possible"]),
        "most_restrictive_rule": said["most_restrictive"]["rule"],
        "most_restrictive_name": said["most_restrictive"]["name"],
        "heads": len(span["heads"]),
        "reasons": " ".join(said["reasons"]),
    }
    for head in span["heads"]:
        values: dict[str, Cell] = {
            "colour": head["colour"],
            "behaviour": head["behaviour"],
            "confidence": head["confidence"],
            "rate_hz": head["rate_hz"],
            "rate_sd_hz": head["rate_sd_hz"],
            "duty": head["duty"],
        }
        row |= {f"head_{head['head']}_{field}": values[field] for field in HEAD_FIELDS}
    return row


def _cell(value: Cell) -> Cell:
    if isinstance(value, str) and value.startswith(FORMULA):
        return "'" + value
    return value
