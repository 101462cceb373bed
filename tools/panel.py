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

from mastread.decoder.rulebook import Rulebook
from mastread.tools import drawing as d
from mastread.tools.moments import Moment
from mastread.tools.panel_lines import Line, mast_lines, write_line
from mastread.tools.reading import Reading
from mastread.tools.texts import say
from mastread.tools.wishes import Style

#: A cell narrower than this many units puts masts below one another.
CELL_UNITS: Final = 20

#: Size of the notice, in units: on a phone held upright about 8 points.
NOTICE_UNITS: Final = 0.72

#: Several masts share the panel, so their text is this much smaller.
SEVERAL: Final = 0.8

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


def draw_panel(
    reading: Reading,
    moment: Moment,
    magnified: Sequence[bool],
    width: int,
    unit: int,
    height: int = 0,
    *,
    book: Rulebook,
    style: Style = "full",
) -> Panel:
    """Draw the panel for one moment.

    Parameters
    ----------
    reading : the document
    moment : what is told of each of its masts
    magnified : for each mast whether room is left for a magnified view of it
    width, unit : width of the panel and size of its body text, pixels
    height : least height, pixels; the notice keeps to the lower edge
    book : the rulebook of the reading
    style : how much is told
    """
    margin = unit
    notice_size = max(11, round(unit * NOTICE_UNITS))
    notice = d.wrap(say("notice"), width - 2 * margin, notice_size, balanced=True)
    if len(reading["masts"]) > 1:
        unit = max(13, round(unit * SEVERAL))
    notice_height = round(len(notice) * notice_size * 1.35 + unit * 0.7)

    count = max(1, len(reading["masts"]))
    columns = max(1, min(count, (width - margin) // (CELL_UNITS * unit)))
    cell_width = (width - margin) // columns - margin
    cells: list[list[Line]] = []
    for k in range(count):
        room = cell_width
        if k < len(magnified) and magnified[k]:
            room -= round(unit * VIEW_UNITS[0]) + margin
        known = k < len(moment.spans)
        cells.append(
            mast_lines(
                reading,
                k,
                moment.spans[k] if known else None,
                room,
                unit,
                book=book,
                style=style,
                wait=moment.waits[k] if known else 0,
                hidden=known and moment.hidden[k],
            )
        )
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


def _row(cells: list[list[Line]], row: int, columns: int) -> list[tuple[int, list[Line]]]:
    first = row * columns
    return [(first + k, cell) for k, cell in enumerate(cells[first : first + columns])]


def _height(cell: list[Line], magnified: Sequence[bool], k: int, unit: int) -> int:
    text = sum(line.gap + line.size for line in cell)
    view = round(unit * VIEW_UNITS[1]) if k < len(magnified) and magnified[k] else 0
    return max(text, view)


def _write_lines(image: d.Image, cell: list[Line], x: int, y: int) -> None:
    for line in cell:
        y += line.gap + line.size
        write_line(image, line, x, y - round(line.size * 0.18))
