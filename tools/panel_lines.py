"""The lines of the caption panel: what is told of one mast at one moment, in which style."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from mastread.decoder.rulebook import Rulebook
from mastread.tools import drawing as d
from mastread.tools.orders import indication_of, promises_nothing, words_ahead, words_here
from mastread.tools.reading import HeadDoc, Reading, SpanDoc
from mastread.tools.sentences import (
    all_hidden,
    doubt_sentences,
    head_words,
    rate_sentences,
    sentence,
    title,
)
from mastread.tools.telling import tell_reason
from mastread.tools.texts import say
from mastread.tools.wishes import Style

#: With more masts than this each is told in the fewest words; the document holds the rest.
CROWD: Final = 4

#: No text is smaller than this, pixels.
LEAST_SIZE: Final = 12

#: Blanks round the shape of a head and after its words, in sizes of the text.
SHAPE_WIDE: Final = 1.25
CHIP_GAP: Final = 0.6

#: From these odds on a reading is said to be over 99 % sure.
VERY_SURE: Final = 0.99


@dataclass(frozen=True, slots=True)
class Chip:
    """One head: its shape and its words; `joint` leads on to the head below it."""

    colour: str
    flashing: bool
    words: str
    joint: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of text, or of heads; `gap` is the space above it."""

    words: str
    size: int
    weight: int
    ink: d.Ink
    gap: int
    chips: tuple[Chip, ...] = ()


class _Column:
    """Lines below one another, wrapped to one width."""

    def __init__(self, width: int, unit: int) -> None:
        self.width, self.unit = width, unit
        self.lines: list[Line] = []

    def add(
        self, words: str, scale: float, ink: d.Ink, *, weight: int = d.REGULAR, most: int = 99
    ) -> None:
        size = self._size(scale)
        for n, piece in enumerate(d.wrap(words, self.width, size, weight, most)):
            self.lines.append(Line(piece, size, weight, ink, self._gap(size, n)))

    def heads(self, chips: list[Chip], scale: float) -> None:
        """Heads from left to right, the top one first; as many on a line as there is room for."""
        size = self._size(scale)
        row: list[Chip] = []
        used = 0.0
        count = 0
        for chip in chips:
            wide = chip_width(chip, size)
            if row and used + wide > self.width:
                self._row(row, size, count)
                row, used, count = [], 0.0, count + 1
            row.append(chip)
            used += wide
        if row:
            self._row(row, size, count)

    def _row(self, row: list[Chip], size: int, count: int) -> None:
        line = Line("", size, d.REGULAR, d.TEXT, self._gap(size, count), tuple(row))
        self.lines.append(line)

    def _size(self, scale: float) -> int:
        return max(LEAST_SIZE, round(self.unit * scale))

    def _gap(self, size: int, number: int) -> int:
        return 0 if not self.lines else round(size * (0.22 if number else 0.5))


def chip_width(chip: Chip, size: int) -> float:
    """Return how wide a head is on its line, with the gap to the next."""
    return size * (SHAPE_WIDE + CHIP_GAP) + d.text_width(chip.words + chip.joint, size)


def write_line(image: d.Image, line: Line, x: float, base: float) -> None:
    """Write one line, its base line at `base`."""
    if not line.chips:
        d.write(image, (x, base), line.words, line.size, line.ink, line.weight)
    for chip in line.chips:
        place = (x + line.size * 0.52, base - line.size * 0.34)
        d.lens_shape(image, place, line.size * 1.04, chip.colour, flashing=chip.flashing)
        start = (x + line.size * SHAPE_WIDE, base)
        d.write(image, start, chip.words, line.size, line.ink, line.weight)
        after = start[0] + d.text_width(chip.words, line.size, line.weight) + line.size * 0.3
        d.write(image, (after, base), chip.joint, line.size, d.FAINT, line.weight)
        x += chip_width(chip, line.size)


def mast_lines(
    reading: Reading,
    k: int,
    span: SpanDoc | None,
    width: int,
    unit: int,
    *,
    book: Rulebook,
    style: Style = "full",
    wait: int = 0,
    hidden: bool = False,
) -> list[Line]:
    """Return the lines about mast number `k` (from 0), wrapped to `width` pixels.

    `wait` is the number of seconds until the answer is shown, `hidden` whether the mast is out
    of sight.
    """
    column = _Column(width, unit)
    masts = reading["masts"]
    if not masts:
        column.add(say("picture.no_mast"), 1.5, d.TEXT, weight=d.STRONG)
        return column.lines
    if len(masts) > 1:
        column.add(say("mast", number=masts[k]["mast"]), 0.9, d.FAINT, weight=d.STRONG)
    if span is None:
        column.add(say("picture.not_seen"), 1.0, d.FAINT)
    elif wait:
        _ask(column, reading, wait)
    elif style == "plain":
        _name(column, span)
    elif all_hidden(span):
        _away(column, span)
    else:
        _tell(column, reading, span, book)
    told = span is not None and not wait and style != "plain" and not all_hidden(span)
    if hidden and told:
        column.add(say("picture.hidden"), 0.85, d.DOUBT)
    return column.lines


def _ask(column: _Column, reading: Reading, wait: int) -> None:
    column.add(say("question"), 1.55, d.TEXT, weight=d.STRONG)
    if reading["source"]["kind"] == "photo":
        column.add(say("question.photo"), 1.0, d.FAINT)
    else:
        column.add(say("question.wait", seconds=wait), 1.0, d.FAINT)


def _name(column: _Column, span: SpanDoc) -> None:
    """The name and no more; where there is none, what to assume."""
    indication = span["indication"]
    read = indication["status"] == "read"
    column.add(title(indication, rule=False), 2.0, d.TEXT if read else d.DOUBT, weight=d.STRONG)
    if not read:
        worst = indication["most_restrictive"]["name"]
        column.add(say("most_restrictive", name=worst), 1.0, d.TEXT, weight=d.STRONG)


def _away(column: _Column, span: SpanDoc) -> None:
    """A mast of which nothing can be seen: no list of all that it might show."""
    indication = span["indication"]
    column.add(say("picture.away"), 1.5, d.DOUBT, weight=d.STRONG)
    worst = indication["most_restrictive"]["name"]
    column.add(say("most_restrictive", name=worst), 1.0, d.TEXT, weight=d.STRONG)
    for reason in indication["reasons"][:1]:
        column.add(sentence(tell_reason(reason)[0]), 0.85, d.FAINT, most=4)


def _tell(column: _Column, reading: Reading, span: SpanDoc, book: Rulebook) -> None:
    indication = span["indication"]
    read = indication["status"] == "read"
    photo = reading["source"]["kind"] == "photo"
    crowd = len(reading["masts"])
    column.add(
        title(indication, rule=crowd <= CROWD), 1.5, d.TEXT if read else d.DOUBT, weight=d.STRONG
    )
    chips = [chip_of(head, photo=photo) for head in span["heads"]]
    joint = say("aspect.joint").strip()
    column.heads([*(replace(chip, joint=joint) for chip in chips[:-1]), *chips[-1:]], 1.0)
    if read:
        _orders(column, span, book)
    else:
        doubts = list(reversed(doubt_sentences(indication, rules=False)))
        for n, words in enumerate(doubts if crowd <= CROWD else doubts[:1]):
            # The fail-safe answer first: it is what a viewer must not miss.
            column.add(words, 1.0, d.TEXT, weight=d.REGULAR if n else d.STRONG, most=4)
    for words in rate_sentences(span):
        column.add(words, 0.85, d.FAINT)
    if read:
        odds = next(iter(indication["possible"]), {"odds": 0.0})["odds"]
        key = "picture.very_sure" if odds >= VERY_SURE else "picture.sure"
        if odds > 0:
            column.add(say(key, percent=100 * odds), 0.85, d.FAINT)
        return
    for reason in indication["reasons"][: 2 if crowd <= 2 else 1 if crowd <= CROWD else 0]:
        column.add(sentence(tell_reason(reason)[0]), 0.85, d.FAINT, most=3)


def _orders(column: _Column, span: SpanDoc, book: Rulebook) -> None:
    """What is ordered here and promised ahead; the book's meaning where that says more."""
    indication = span["indication"]
    found = indication_of(indication, book)
    if indication["meaning"] and (found is None or promises_nothing(found)):
        column.add(sentence(indication["meaning"]), 1.0, d.TEXT, most=5)
    if found is None:
        return
    if not promises_nothing(found):
        column.add(say("orders.here", what=words_here(found, book)), 1.0, d.TEXT, most=3)
    column.add(say("orders.ahead", what=words_ahead(found, book)), 1.0, d.TEXT, most=4)


def chip_of(head: HeadDoc, *, photo: bool) -> Chip:
    """Return shape and words of one head."""
    words = head_words(head, photo=photo, short=True)
    return Chip(head["colour"], head["behaviour"] == "flashing", words)
