"""Tags beside a mast: for each head its shape and word, with a leader to the lens.

A tag never lies on a mast: it stands to the left or right of the mast's box, and its leader
ends at the edge of that box. Where there is no room the panel below has to do alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from mastread.tools import drawing as d
from mastread.tools.reading import MastDoc, Reading, SpanDoc
from mastread.tools.sentences import head_words
from mastread.tools.texts import say

Rect = tuple[float, float, float, float]

#: Height of a tag and distance between two, in units.
TAG_UNITS: Final = 1.5
STEP_UNITS: Final = 1.72

#: Height of the mast's number, and that with its distance above the tags, in units.
NUMBER_HEIGHT_UNITS: Final = 1.25
NUMBER_UNITS: Final = 1.5

#: How far a mast moves from its place over a clip, pixels of the document: x0, y0, x1, y1.
Sway = tuple[float, float, float, float]

#: For what share of the time nothing passes through parts of the picture, pixels of the canvas.
Free = Callable[[Sequence[Rect]], float]

#: Tags stand where something passes only where it is free for at least this share of the time,
#: and at the first place that is free for as good as all of it.
LEAST_FREE: Final = 0.25
FREE_ENOUGH: Final = 0.98

#: Distances between a mast's box and its tags that are tried, nearest first, in units.
REACHES_UNITS: Final = (1.4, 3.5, 7.0)

#: Body text of a tag: size in units and weight.
WEIGHT: Final = 500


@dataclass(frozen=True, slots=True)
class Place:
    """Where the tags of a mast stand: on which side, and how far from its box in pixels.

    Above or below it there is only the number of the mast; the panel tells the rest.
    """

    side: Literal["left", "right", "above", "below"]
    reach: float
    #: All that tags may cover there over the whole clip.
    ground: tuple[Rect, ...] = ()


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


def choose_places(
    reading: Reading,
    scale: float,
    width: int,
    height: int,
    unit: int,
    sway: Sequence[Sway] = (),
    free: Free | None = None,
) -> list[Place | None]:
    """Return for each mast the place of its tags, None where there is no room for them.

    Tags lie within the picture and neither they nor their leaders lie on a mast or on other
    tags over the whole clip, and where something passes as little as can be. All spans of a mast
    share one place, so that tags stay put in a video. `sway` and `free` are as for
    `mastread.tools.annotate.make_canvas`.
    """
    photo = reading["source"]["kind"] == "photo"
    masts = reading["masts"]
    boxes = [_box(mast, scale) for mast in masts]
    taken: list[Rect] = []
    places: list[Place | None] = []
    for k, mast in enumerate(masts):
        blocked = [*(box for j, box in enumerate(boxes) if j != k), *taken]
        spans = [tags_of(span, scale, photo=photo) for span in mast["spans"]]
        found: Place | None = None
        best = LEAST_FREE
        covered: list[Rect] = []
        for place in _candidates(boxes[k], width, unit, numbered=len(masts) > 1):
            if place.side in ("above", "below"):
                rects = [_number_rect(boxes[k], place, mast["mast"], unit)]
                ground = rects
            else:
                rects = [r for tags in spans for r in _stack(tags, boxes[k], place, unit, height)]
                ground = [*rects, *(_corridor(r, boxes[k], place) for r in rects)]
                if len(masts) > 1:
                    top = min(rects, key=lambda r: r[1])
                    ground.append((top[0], top[1] - NUMBER_UNITS * unit, top[2], top[1]))
            moved = [_swept(r, sway[k], scale) if k < len(sway) else r for r in rects]
            if not all(_inside(r, width, height) for r in moved) or any(
                _meet(r, other) for r in ground for other in blocked
            ):
                continue
            share = 1.0 if free is None else free(moved)
            if share > best:
                found, best, covered = replace(place, ground=tuple(moved)), share, ground
            if best >= FREE_ENOUGH:
                break
        taken += covered
        places.append(found)
    return places


def _candidates(box: Rect, width: int, unit: int, *, numbered: bool) -> list[Place]:
    """Places to try, best first: near before far, towards the middle of the picture first."""
    left_first = (box[0] + box[2]) / 2 > width / 2
    sides: tuple[Literal["left", "right"], ...] = (
        ("left", "right") if left_first else ("right", "left")
    )
    places = [Place(side, reach * unit) for reach in REACHES_UNITS for side in sides]
    if numbered:
        places += [Place("above", unit * 0.5), Place("below", unit * 0.5)]
    return places


def draw_tags(
    image: d.Image,
    mast: MastDoc,
    span: SpanDoc,
    place: Place,
    scale: float,
    unit: int,
    *,
    photo: bool,
    numbered: bool,
    shift: tuple[float, float] = (0.0, 0.0),
    told: str = "full",
) -> None:
    """Draw the tags of one mast on `image`.

    `told` is a style, or ``nothing`` while a question waits for its answer: the heads are then
    pointed out, and no more. In the style ``plain`` only a number is drawn, where there is one.

    `shift` is how far the heads and the box have moved since the place that the document
    states, in canvas pixels; `numbered` adds the number of the mast above its tags.
    """
    dx, dy = shift
    x0, y0, x1, y1 = _box(mast, scale)
    box = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
    if place.side in ("above", "below"):
        _number(image, _number_rect(box, place, mast["mast"], unit), mast["mast"], unit)
        return
    if told == "plain":
        if numbered:
            _plain_number(image, mast["mast"], box, place, unit)
        return
    tags = [
        Tag(t.colour, t.flashing, t.words, t.x + dx, t.y + dy, t.radius)
        for t in tags_of(span, scale, photo=photo)
    ]
    if told == "nothing":
        tags = [Tag("unknown", False, "", t.x, t.y, t.radius) for t in tags]
    rects = _stack(tags, box, place, unit, image.shape[0])
    for tag, rect in zip(tags, rects, strict=True):
        _leader(image, tag, rect, box, place, unit)
    for tag, rect in zip(tags, rects, strict=True):
        d.plate(image, rect, d.PAPER, 0.88)
        middle = (rect[1] + rect[3]) / 2
        shape = unit * 1.0
        d.lens_shape(
            image, (rect[0] + unit * 0.8, middle), shape, tag.colour, flashing=tag.flashing
        )
        d.write(
            image, (rect[0] + unit * 1.55, middle + unit * 0.34), tag.words, unit, d.TEXT, WEIGHT
        )
    if numbered:
        first = rects[0]
        wide = _number_width(mast["mast"], unit)
        left = first[0] if place.side == "right" else first[2] - wide
        bottom = first[1] - unit * 0.2
        rect = (left, bottom - NUMBER_HEIGHT_UNITS * unit, left + wide, bottom)
        if rect[1] >= 0:
            _number(image, rect, mast["mast"], unit)


def _plain_number(image: d.Image, number: int, box: Rect, place: Place, unit: int) -> None:
    """The number of a mast beside its top, where its tags would begin."""
    wide = _number_width(number, unit)
    right = place.side == "right"
    left = box[2] + place.reach if right else box[0] - place.reach - wide
    top = max(0.0, box[1])
    _number(image, (left, top, left + wide, top + NUMBER_HEIGHT_UNITS * unit), number, unit)


def _swept(rect: Rect, sway: Sway, scale: float) -> Rect:
    """Everything that a tag covers while it follows its mast."""
    return (
        rect[0] + sway[0] * scale,
        rect[1] + sway[1] * scale,
        rect[2] + sway[2] * scale,
        rect[3] + sway[3] * scale,
    )


def _box(mast: MastDoc, scale: float) -> Rect:
    """The box of a mast widened so that it holds every lens of every span."""
    x0, y0, x1, y1 = (value * scale for value in mast["box"])
    for span in mast["spans"]:
        for head in span["heads"]:
            r = head["radius"] * scale * 1.6
            x, y = head["x"] * scale, head["y"] * scale
            x0, y0, x1, y1 = min(x0, x - r), min(y0, y - r), max(x1, x + r), max(y1, y + r)
    return x0, y0, x1, y1


def _stack(tags: Sequence[Tag], box: Rect, place: Place, unit: int, height: int) -> list[Rect]:
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
    rects: list[Rect] = []
    for tag, middle in zip(tags, middles, strict=True):
        wide = unit * 2.1 + d.text_width(tag.words, unit, WEIGHT)
        right = place.side == "right"
        x0 = box[2] + place.reach if right else box[0] - place.reach - wide
        rects.append((x0, middle - half, x0 + wide, middle + half))
    return rects


def _leader(image: d.Image, tag: Tag, rect: Rect, box: Rect, place: Place, unit: int) -> None:
    """A line from the tag to just before the mast's box, at the height of the lens."""
    middle = (rect[1] + rect[3]) / 2
    thick = max(1.0, unit / 12)
    away = 1 if place.side == "right" else -1
    near, edge = (rect[0], box[2]) if place.side == "right" else (rect[2], box[0])
    bend = near - away * unit * 0.45
    points = [(near, middle), (bend, middle), (edge + away * (thick * 1.3 + 2), tag.y)]
    d.line(image, points, d.PAPER, thick * 2.6)
    d.line(image, points, d.TEXT, thick)


def _number(image: d.Image, rect: Rect, number: int, unit: int) -> None:
    d.plate(image, rect, d.TEXT, 0.92)
    start = (rect[0] + unit * 0.45, rect[3] - unit * 0.36)
    d.write(image, start, say("mast", number=number), _number_size(unit), d.PAPER, d.STRONG)


def _number_size(unit: int) -> int:
    return max(11, round(unit * 0.8))


def _number_width(number: int, unit: int) -> float:
    words = say("mast", number=number)
    return d.text_width(words, _number_size(unit), d.STRONG) + unit * 0.9


def _number_rect(box: Rect, place: Place, number: int, unit: int) -> Rect:
    """Place of a number that stands above or below a mast's box."""
    wide = _number_width(number, unit)
    high = NUMBER_HEIGHT_UNITS * unit
    x0 = (box[0] + box[2] - wide) / 2
    y0 = box[1] - place.reach - high if place.side == "above" else box[3] + place.reach
    return x0, y0, x0 + wide, y0 + high


def _corridor(rect: Rect, box: Rect, place: Place) -> Rect:
    """The strip between a tag and the mast's box in which its leader runs."""
    y0, y1 = min(rect[1], box[1]), max(rect[3], box[3])
    return (box[2], y0, rect[0], y1) if place.side == "right" else (rect[2], y0, box[0], y1)


def _inside(rect: Rect, width: int, height: int) -> bool:
    return rect[0] >= 0 and rect[1] >= 0 and rect[2] <= width and rect[3] <= height


def _meet(a: Rect, b: Rect) -> bool:
    return min(a[2], b[2]) > max(a[0], b[0]) and min(a[3], b[3]) > max(a[1], b[1])
