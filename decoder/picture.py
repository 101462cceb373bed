"""Small pictures of aspects, for handouts: words and letters beside the colours, never alone.

A picture is a list of plain shapes in its own units (1 unit is 1 pixel at normal size, x to the
right, y down), so that it can be written as SVG here and drawn by anybody else.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from typing import Final

from mastread.decoder.aspect import Aspect, HeadShown
from mastread.decoder.language import say_aspect, say_head

#: Fill of a lit lens and the letter that stands on it. Chosen apart in lightness as well, so
#: that they stay distinct for people who cannot tell red from green, and in grey print.
LENS: Final[dict[str, tuple[str, str]]] = {
    "red": ("#b3121d", "R"),
    "yellow": ("#ffd21f", "Y"),
    "green": ("#3ddc84", "G"),
    "lunar": ("#dfeaff", "L"),
    "white": ("#ffffff", "W"),
    "blue": ("#2f63d8", "B"),
}
_DARK_LENS: Final = "#3a3f46"
_HOUSING: Final = "#16181c"
_MAST: Final = "#8a9098"
_INK: Final = "#1b1d20"
_PAPER: Final = "#ffffff"
_WIDTH: Final = 200.0
_HEAD: Final = 46.0
_GAP: Final = 8.0
_LEFT: Final = 40.0
_ASIDE: Final = 14.0
#: Letters of a line of words beside the mast: "flashing yellow" stays in one piece.
_LETTERS: Final = 15


@dataclass(frozen=True, slots=True)
class Circle:
    """A filled circle, with an outline if `line` is a colour."""

    x: float
    y: float
    radius: float
    fill: str
    line: str = ""


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle; `round` is the radius of its corners."""

    x: float
    y: float
    width: float
    height: float
    fill: str
    round: float = 0.0
    line: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line with round ends."""

    x0: float
    y0: float
    x1: float
    y1: float
    colour: str
    width: float


@dataclass(frozen=True, slots=True)
class Label:
    """A line of text; y is its baseline."""

    x: float
    y: float
    text: str
    size: float
    colour: str
    centred: bool = False


Shape = Circle | Box | Line | Label


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing of one aspect.

    Attributes
    ----------
    width, height : float
    shapes : tuple of Shape
        To be drawn in this order.
    words : str
        The aspect in words.
    """

    width: float
    height: float
    shapes: tuple[Shape, ...]
    words: str

    def svg(self) -> str:
        """Return the picture as one self-contained SVG element."""
        body = "".join(_svg(shape) for shape in self.shapes)
        name = escape(self.words)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-label="{name}" '
            f'width="{self.width:g}" height="{self.height:g}" '
            f'viewBox="0 0 {self.width:g} {self.height:g}">'
            f"<title>{escape(self.words)}</title>{body}</svg>"
        )


def draw_aspect(aspect: Aspect, row_lamps: int = 3) -> Picture:
    """Draw a mast with its heads, plates and the words for each head.

    `row_lamps` is the number of lamps in a position-light row, as the book has it.
    """
    count = len(aspect.heads)
    plates = sorted(aspect.plates or ())
    heads_end = _GAP + count * (_HEAD + _GAP)
    foot = heads_end + (26.0 if plates else 0.0) + (10.0 if aspect.dwarf else 34.0)
    shapes: list[Shape] = [Box(0, 0, _WIDTH, foot + 6, _PAPER)]
    shapes.append(Line(_LEFT, _GAP + 6, _LEFT, foot, _MAST, 5))
    shapes.append(Line(_LEFT - 16, foot, _LEFT + 16, foot, _MAST, 5))
    for i, head in enumerate(aspect.heads):
        side = 0.0
        if aspect.arrangement == "staggered":
            side = _ASIDE if i % 2 else -_ASIDE
        x, y = _LEFT + side, _GAP + i * (_HEAD + _GAP) + _HEAD / 2
        shapes += _head(head, x, y, row_lamps)
        lines = _broken(say_head(head))
        for n, line in enumerate(lines):
            drop = 5 + (n - (len(lines) - 1) / 2) * 13.5
            shapes.append(Label(_LEFT + _ASIDE + 34, y + drop, line, 13, _INK))
    for i, plate in enumerate(plates):
        text = "No." if plate == "number" else plate
        x = _LEFT - 14 + i * 34
        shapes.append(Box(x, heads_end, 28, 20, _PAPER, 2, _INK))
        shapes.append(Label(x + 14, heads_end + 15, text, 13, _INK, centred=True))
    if aspect.dwarf:
        shapes.append(Label(_LEFT + _ASIDE + 34, foot, "dwarf", 12, _INK))
    return Picture(_WIDTH, foot + 6, tuple(shapes), say_aspect(aspect))


def _broken(words: str) -> list[str]:
    """Break words into lines that fit beside the mast."""
    lines: list[str] = []
    for word in words.split():
        if lines and len(lines[-1]) + 1 + len(word) <= _LETTERS:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _head(head: HeadShown, x: float, y: float, row_lamps: int) -> Iterator[Shape]:
    kind, _, angle = head.form.partition(" ")
    if kind == "arm":
        yield from _arm(head, x, y, float(angle))
        return
    half = _HEAD / 2
    if kind == "row":
        yield Circle(x, y, half, _HOUSING)
        yield from _rays(head, x, y, 20.0, 22.5)
        turn = math.radians(float(angle))
        for step in (-1, 0, 1) if row_lamps == 3 else (-0.9, 0.9):
            dx, dy = 13.5 * step * math.cos(turn), -13.5 * step * math.sin(turn)
            yield from _lens(head, x + dx, y + dy, 6.0)
        return
    radius = 13.0 if kind == "lamp" else 8.0
    yield Box(x - half + 3, y - half, _HEAD - 6, _HEAD, _HOUSING, 9)
    yield from _rays(head, x, y, radius + 2, radius + 7)
    yield from _lens(head, x, y, radius)


def _rays(head: HeadShown, x: float, y: float, inner: float, outer: float) -> Iterator[Shape]:
    """Eight rays for a flashing light, four for one that may flash."""
    if head.colour is None or head.behaviour not in ("flashing", "unknown"):
        return
    count = 8 if head.behaviour == "flashing" else 4
    for ray in range(count):
        turn = (ray + 0.5 * (count == 4)) * 2 * math.pi / count
        c, s = math.cos(turn), math.sin(turn)
        yield Line(x + inner * c, y + inner * s, x + outer * c, y + outer * s, _PAPER, 2)


def _lens(head: HeadShown, x: float, y: float, radius: float) -> Iterator[Shape]:
    if head.behaviour == "dark":
        yield Circle(x, y, radius, _DARK_LENS, "#6a7078")
        return
    fill, sign = LENS.get(str(head.colour), ("#9aa0a8", "?"))
    size = 14.0 if radius > 10 else 1.5 * radius
    yield Circle(x, y, radius, fill)
    ink = _PAPER if head.colour in ("red", "blue") else _INK
    yield Label(x, y + 0.36 * size, sign, size, ink, centred=True)


def _arm(head: HeadShown, x: float, y: float, angle: float) -> Iterator[Shape]:
    turn = math.radians(angle)
    yield Line(x, y, x - 27 * math.cos(turn), y - 22 * math.sin(turn), "#b3121d", 7)
    yield Circle(x + 8, y + 7, 8, _HOUSING)
    yield from _lens(head, x + 8, y + 7, 6.5)


def _svg(shape: Shape) -> str:
    if isinstance(shape, Circle):
        line = f' stroke="{shape.line}"' if shape.line else ""
        return (
            f'<circle cx="{shape.x:.1f}" cy="{shape.y:.1f}" r="{shape.radius:g}" '
            f'fill="{shape.fill}"{line}/>'
        )
    if isinstance(shape, Box):
        line = f' stroke="{shape.line}"' if shape.line else ""
        return (
            f'<rect x="{shape.x:.1f}" y="{shape.y:.1f}" width="{shape.width:g}" '
            f'height="{shape.height:g}" rx="{shape.round:g}" fill="{shape.fill}"{line}/>'
        )
    if isinstance(shape, Line):
        return (
            f'<line x1="{shape.x0:.1f}" y1="{shape.y0:.1f}" x2="{shape.x1:.1f}" '
            f'y2="{shape.y1:.1f}" stroke="{shape.colour}" stroke-width="{shape.width:g}" '
            'stroke-linecap="round"/>'
        )
    anchor = ' text-anchor="middle"' if shape.centred else ""
    return (
        f'<text x="{shape.x:.1f}" y="{shape.y:.1f}" font-family="sans-serif" '
        f'font-size="{shape.size:g}" fill="{shape.colour}"{anchor}>{escape(shape.text)}</text>'
    )
