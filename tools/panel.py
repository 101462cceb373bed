"""The caption panel below a picture: what each mast showed, in words large enough for a phone.

The panel lengthens the picture downwards instead of lying over it, so it can never cover a
lamp, a mast or a train.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mastread.tools import drawing as d
from mastread.tools.reading import Reading, SpanDoc
from mastread.tools.sentences import (
    aspect_words,
    doubt_sentences,
    rate_sentences,
    sentence,
    title,
)
from mastread.tools.texts import say

#: A cell narrower than this many units puts masts below one another.
CELL_UNITS: Final = 21

#: Several masts share the panel, so their text is this much smaller.
SEVERAL: Final = 0.8

#: With more masts than this each is told in the fewest words; the document holds the rest.
CROWD: Final = 4

#: Width and height of the magnified view of a mast, in units.
VIEW_UNITS: Final = (5.0, 7.6)


@dataclass(frozen=True, slots=True)
class View:
    """Where the panel shows mast number `index` (from 0) magnified: x0, y0, x1, y1 in it."""

    index: int
    box: tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Panel:
    """A drawn panel and the places left in it for magnified views."""

    image: d.Image
    views: tuple[View, ...]


@dataclass(frozen=True, slots=True)
class _Line:
    words: str
    size: int
    weight: int
    ink: d.Ink
    gap: int


def draw_panel(
    reading: Reading,
    spans: Sequence[SpanDoc | None],
    magnified: Sequence[bool],
    width: int,
    unit: int,
    height: int = 0,
) -> Panel:
    """Draw the panel for one moment.

    Parameters
    ----------
    reading : the document
    spans : for each of its masts what it showed at that moment, None where it is not told
    magnified : for each mast whether room is left for a magnified view of it
    width, unit : width of the panel and size of its body text, pixels
    height : least height, pixels; the notice keeps to the lower edge
    """
    margin = unit
    notice_size = max(11, round(unit * 0.6))
    notice = d.wrap(say("notice"), width - 2 * margin, notice_size, balanced=True)
    if len(reading["masts"]) > 1:
        unit = max(13, round(unit * SEVERAL))
    notice_height = round(len(notice) * notice_size * 1.35 + unit * 0.7)

    count = max(1, len(reading["masts"]))
    columns = max(1, min(count, (width - margin) // (CELL_UNITS * unit)))
    cell_width = (width - margin) // columns - margin
    cells = [
        _cell(reading, k, spans[k] if k < len(spans) else None, magnified, cell_width, unit)
        for k in range(count)
    ]
    rows = math.ceil(count / columns)
    row_heights = [
        max(_height(cell, magnified, k, unit) for k, cell in _row(cells, r, columns))
        for r in range(rows)
    ]
    body = margin + sum(row_heights) + (rows - 1) * unit
    total = max(height, body + unit + notice_height)
    image = np.full((total, width, 3), d.PAPER, np.uint8)
    views: list[View] = []
    y = margin
    for r in range(rows):
        for k, cell in _row(cells, r, columns):
            x = margin + (k - r * columns) * (cell_width + margin)
            if k < len(magnified) and magnified[k]:
                vw, vh = (round(unit * value) for value in VIEW_UNITS)
                views.append(View(k, (x, y, x + vw, y + vh)))
                x += vw + margin
            _write_lines(image, cell, x, y)
        y += row_heights[r] + unit
    y = total - notice_height + notice_size
    d.line(
        image, [(margin, y - notice_size * 1.5), (width - margin, y - notice_size * 1.5)], d.RAISED
    )
    for words in notice:
        d.write(image, (margin, y), words, notice_size, d.FAINT)
        y += round(notice_size * 1.35)
    return Panel(image, tuple(views))


def _row(cells: list[list[_Line]], row: int, columns: int) -> list[tuple[int, list[_Line]]]:
    first = row * columns
    return [(first + k, cell) for k, cell in enumerate(cells[first : first + columns])]


def _height(cell: list[_Line], magnified: Sequence[bool], k: int, unit: int) -> int:
    text = sum(line.gap + line.size for line in cell)
    view = round(unit * VIEW_UNITS[1]) if k < len(magnified) and magnified[k] else 0
    return max(text, view)


def _write_lines(image: d.Image, cell: list[_Line], x: int, y: int) -> None:
    for line in cell:
        y += line.gap + line.size
        d.write(
            image, (x, y - round(line.size * 0.18)), line.words, line.size, line.ink, line.weight
        )


def _cell(
    reading: Reading,
    k: int,
    span: SpanDoc | None,
    magnified: Sequence[bool],
    width: int,
    unit: int,
) -> list[_Line]:
    """Return the lines of text about one mast."""
    if k < len(magnified) and magnified[k]:
        width -= round(unit * VIEW_UNITS[0]) + unit
    lines: list[_Line] = []

    def add(
        words: str, scale: float, ink: d.Ink, *, weight: int = d.REGULAR, most: int = 99
    ) -> None:
        size = max(12, round(unit * scale))
        for n, piece in enumerate(d.wrap(words, width, size, weight, most)):
            gap = 0 if not lines else round(size * (0.22 if n else 0.5))
            lines.append(_Line(piece, size, weight, ink, gap))

    if not reading["masts"]:
        add(say("picture.no_mast"), 1.5, d.TEXT, weight=d.STRONG)
        return lines
    if len(reading["masts"]) > 1:
        add(say("mast", number=reading["masts"][k]["mast"]), 0.9, d.FAINT, weight=d.STRONG)
    if span is None:
        add(say("picture.not_seen"), 1.0, d.FAINT)
        return lines
    indication = span["indication"]
    read = indication["status"] == "read"
    photo = reading["source"]["kind"] == "photo"
    add(title(indication, rule=False), 1.55, d.TEXT if read else d.DOUBT, weight=d.STRONG)
    aspect = sentence(aspect_words(span["heads"], photo=photo))
    if read:
        if indication["rule"] is not None:
            aspect = f"{say('picture.rule', rule=indication['rule'])}. {aspect}"
        add(aspect, 1.0, d.TEXT)
        if indication["meaning"]:
            add(sentence(indication["meaning"]), 1.0, d.TEXT, most=5)
        for words in rate_sentences(span):
            add(words, 0.85, d.FAINT)
        return lines
    add(aspect, 1.0, d.TEXT)
    crowd = len(reading["masts"])
    doubts = list(reversed(doubt_sentences(indication, rules=False)))
    for n, words in enumerate(doubts if crowd <= CROWD else doubts[:1]):
        # The fail-safe answer first: it is what a viewer must not miss.
        add(words, 1.0, d.TEXT, weight=d.REGULAR if n else d.STRONG, most=4)
    for words in rate_sentences(span):
        add(words, 0.85, d.FAINT)
    for reason in indication["reasons"][: 2 if crowd <= 2 else 1 if crowd <= CROWD else 0]:
        add(sentence(reason), 0.85, d.FAINT, most=3)
    return lines
