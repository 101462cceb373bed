"""Tags beside a mast: for each head its shape and word, with a leader to the lens.

A tag never lies on a mast: it stands to the left or right of the mast's box, on the side that
is freer, and its leader ends at the edge of that box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from mastread.tools import drawing as d
from mastread.tools.reading import MastDoc, Reading, SpanDoc
from mastread.tools.sentences import head_words
from mastread.tools.texts import say

Side = Literal["left", "right"]
Rect = tuple[float, float, float, float]

#: Height of a tag and distance between two, in units.
TAG_UNITS: Final = 1.5
STEP_UNITS: Final = 1.72

#: Least distance between the mast's box and its tags, in units.
REACH_UNITS: Final = 1.4

#: A side on which more than this share of the tags would lie on another mast, on other tags or
#: outside the picture is not used.
WORST_SIDE: Final = 0.04


@dataclass(frozen=True, slots=True)
class Tag:
    """Words and shape for one head; the lens is at (x, y), `radius` in canvas pixels."""

    colour: str
    flashing: bool
    words: str
    x: float
    y: float
    radius: float


def tags_of(span: SpanDoc, scale: float, *, photo: bool) -> list[Tag]:
    """Return the tags of a span, top to bottom, in pixels of the canvas."""
    return [
        Tag(
            head["colour"],
            head["behaviour"] == "flashing",
            head_words(head, photo=photo, short=True),
            head["x"] * scale,
            head["y"] * scale,
            head["radius"] * scale,
        )
        for head in span["heads"]
    ]


def choose_sides(
    reading: Reading, scale: float, width: int, height: int, unit: int
) -> list[Side | None]:
    """Return for each mast the side of its tags, None where neither side has room.

    All spans of a mast share one side, so that tags keep their place in a video.
    """
    photo = reading["source"]["kind"] == "photo"
    masts = reading["masts"]
    boxes = [_box(mast, scale) for mast in masts]
    taken: list[Rect] = []
    sides: list[Side | None] = []
    for k, mast in enumerate(masts):
        others = [box for j, box in enumerate(boxes) if j != k]
        spans = [tags_of(span, scale, photo=photo) for span in mast["spans"]]
        centre = (boxes[k][0] + boxes[k][2]) / 2
        order: tuple[Side, Side] = ("left", "right") if centre > width / 2 else ("right", "left")
        costs = []
        for side in order:
            rects = [r for tags in spans for r in _stack(tags, boxes[k], side, unit, height)]
            costs.append(_cost(rects, [*others, *taken], width, height))
        best = min(range(2), key=lambda n: costs[n])
        if costs[best] > WORST_SIDE:
            sides.append(None)
            continue
        sides.append(order[best])
        taken += [r for tags in spans for r in _stack(tags, boxes[k], order[best], unit, height)]
    return sides


def draw_tags(
    image: d.Image,
    mast: MastDoc,
    span: SpanDoc,
    side: Side,
    scale: float,
    unit: int,
    *,
    photo: bool,
    numbered: bool,
    shift: tuple[float, float] = (0.0, 0.0),
) -> None:
    """Draw the tags of one mast on `image`.

    `shift` is how far the heads and the box have moved since the place that the document
    states, in canvas pixels; `numbered` adds the number of the mast above its tags.
    """
    dx, dy = shift
    x0, y0, x1, y1 = _box(mast, scale)
    box = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
    tags = [
        Tag(t.colour, t.flashing, t.words, t.x + dx, t.y + dy, t.radius)
        for t in tags_of(span, scale, photo=photo)
    ]
    rects = _stack(tags, box, side, unit, image.shape[0])
    for tag, rect in zip(tags, rects, strict=True):
        _leader(image, tag, rect, box, side, unit)
    for tag, rect in zip(tags, rects, strict=True):
        d.plate(image, rect, d.PAPER, 0.88)
        middle = (rect[1] + rect[3]) / 2
        shape = unit * 1.0
        d.lens_shape(
            image, (rect[0] + unit * 0.8, middle), shape, tag.colour, flashing=tag.flashing
        )
        d.write(image, (rect[0] + unit * 1.55, middle + unit * 0.34), tag.words, unit, d.TEXT, 500)
    if numbered:
        _number(image, rects[0], mast["mast"], side, unit)


def _box(mast: MastDoc, scale: float) -> Rect:
    """The box of a mast widened so that it holds every lens of every span."""
    x0, y0, x1, y1 = (value * scale for value in mast["box"])
    for span in mast["spans"]:
        for head in span["heads"]:
            r = head["radius"] * scale * 1.6
            x, y = head["x"] * scale, head["y"] * scale
            x0, y0, x1, y1 = min(x0, x - r), min(y0, y - r), max(x1, x + r), max(y1, y + r)
    return x0, y0, x1, y1


def _stack(tags: Sequence[Tag], box: Rect, side: Side, unit: int, height: int) -> list[Rect]:
    """Places of the tags: beside the box, each as near its lens's height as the others allow."""
    step = STEP_UNITS * unit
    half = TAG_UNITS * unit / 2
    middles = [tag.y for tag in tags]
    # Push tags that are too near apart, evenly about the group's own middle.
    for _ in range(len(middles)):
        for n in range(len(middles) - 1):
            missing = step - (middles[n + 1] - middles[n])
            if missing > 0:
                middles[n] -= missing / 2
                middles[n + 1] += missing / 2
    for n in range(1, len(middles)):
        middles[n] = max(middles[n], middles[n - 1] + step)
    top, bottom = half + 2, height - half - 2
    if middles:
        slide = max(0.0, top - middles[0]) - max(0.0, middles[-1] - bottom)
        middles = [middle + slide for middle in middles]
    reach = REACH_UNITS * unit
    rects: list[Rect] = []
    for tag, middle in zip(tags, middles, strict=True):
        wide = unit * 2.1 + d.text_width(tag.words, unit, 500)
        x0 = box[2] + reach if side == "right" else box[0] - reach - wide
        rects.append((x0, middle - half, x0 + wide, middle + half))
    return rects


def _leader(image: d.Image, tag: Tag, rect: Rect, box: Rect, side: Side, unit: int) -> None:
    """A line from the tag to the edge of the mast's box at the height of the lens."""
    middle = (rect[1] + rect[3]) / 2
    near = rect[0] if side == "right" else rect[2]
    edge = box[2] if side == "right" else box[0]
    out = unit * 0.45 if side == "right" else -unit * 0.45
    points = [(near, middle), (near - out, middle), (edge, tag.y)]
    thick = max(1.0, unit / 12)
    d.line(image, points, d.PAPER, thick * 2.6)
    d.line(image, points, d.TEXT, thick)


def _number(image: d.Image, first: Rect, number: int, side: Side, unit: int) -> None:
    words = say("mast", number=number)
    size = max(11, round(unit * 0.8))
    wide = d.text_width(words, size, d.STRONG) + unit * 0.9
    x0 = first[0] if side == "right" else first[2] - wide
    y1 = first[1] - unit * 0.2
    if y1 - unit * 1.25 < 0:
        return
    d.plate(image, (x0, y1 - unit * 1.25, x0 + wide, y1), d.TEXT, 0.92)
    d.write(image, (x0 + unit * 0.45, y1 - unit * 0.36), words, size, d.PAPER, d.STRONG)


def _cost(rects: Sequence[Rect], blocked: Sequence[Rect], width: int, height: int) -> float:
    """Share of the tags' area that lies outside the picture or on something else."""
    area = sum((r[2] - r[0]) * (r[3] - r[1]) for r in rects) or 1.0
    bad = 0.0
    for r in rects:
        bad += (r[2] - r[0]) * (r[3] - r[1]) - _common(r, (0, 0, width, height))
        bad += sum(_common(r, other) for other in blocked)
    return bad / area


def _common(a: Rect, b: Rect) -> float:
    wide = min(a[2], b[2]) - max(a[0], b[0])
    high = min(a[3], b[3]) - max(a[1], b[1])
    return max(0.0, wide) * max(0.0, high)
