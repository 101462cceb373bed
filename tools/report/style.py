"""Shapes and style of the report: the same marks as in our pictures, as SVG, and the sheet."""

from __future__ import annotations

import math
from collections.abc import Iterable
from importlib.resources import files
from typing import Final

from mastread.tools import drawing
from mastread.tools.report.markup import Html, el, join

#: Marks are drawn in a square of this side.
SIDE: Final = 24.0


def sheet() -> str:
    """Return the style sheet without what is made for one page."""
    text = files("mastread.tools.report").joinpath("page.css").read_text(encoding="utf-8")
    return text + inks()


def inks() -> str:
    """Return the rules of the classes ``ink-COLOUR``."""
    return "".join(
        f".ink-{name}{{color:#{r:02x}{g:02x}{b:02x}}}"
        for name, (r, g, b) in drawing.LENS_INK.items()
    )


def script() -> str:
    """Return the script of the page."""
    return files("mastread.tools.report").joinpath("page.js").read_text(encoding="utf-8")


def symbols() -> Html:
    """Return the marks of all colours, to be used by `mark`."""
    made = [
        el("symbol", Html(_shape(name)), id=f"mark-{name}", viewBox="0 0 24 24")
        for name in drawing.LENS_INK
    ]
    made.append(el("symbol", Html(_rays()), id="mark-rays", viewBox="0 0 24 24"))
    hatch = (
        '<pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><rect width="2" height="6" fill="#8d97a3"/></pattern>'
    )
    return el("svg", join(*made, el("defs", Html(hatch))), class_="symbols", aria_hidden="true")


def mark(colour: str, *, flashing: bool) -> Html:
    """Return the mark of a head; the word for it must stand beside it."""
    use = el(
        "use",
        href=f"#mark-{colour}",
        **({"transform": "translate(4 4) scale(.667)"} if flashing else {}),
    )
    rays = el("use", href="#mark-rays") if flashing else None
    return el(
        "svg", join(use, rays), class_=f"mark ink-{colour}", viewBox="0 0 24 24", aria_hidden="true"
    )


def _shape(name: str) -> str:
    """The mark of a colour as in `mastread.tools.drawing.lens_shape`, filled with its ink."""
    c, r = SIDE / 2, SIDE / 2
    if name == "red":
        a = r * 0.8
        return _path([(c - a, c - a), (c + a, c - a), (c + a, c + a), (c - a, c + a)])
    if name == "yellow":
        h = r * 0.92
        return _path([(c, c - h), (c + h, c + h * 0.75), (c - h, c + h * 0.75)])
    if name == "green":
        return f'<circle cx="{c:g}" cy="{c:g}" r="{r * 0.9:g}" fill="currentColor"/>'
    if name == "lunar":
        outer = _arc(c, c, r * 0.9, 50, 310)
        inner = _arc(c + r * 0.42, c, r * 0.7, 280, 80)
        return _path([*outer, *inner])
    if name == "white":
        a = r * 0.98
        return _path([(c, c - a), (c + a, c), (c, c + a), (c - a, c)])
    if name == "blue":
        a, b = r * 0.9, r * 0.32
        return _path([(c - a, c - b), (c + a, c - b), (c + a, c + b), (c - a, c + b)]) + _path(
            [(c - b, c - a), (c + b, c - a), (c + b, c + a), (c - b, c + a)]
        )
    ring = (
        f'<circle cx="{c:g}" cy="{c:g}" r="{r * 0.82:g}" fill="none" '
        'stroke="currentColor" stroke-width="2"/>'
    )
    if name == "none":
        a = r * 0.56
        return ring + (
            f'<line x1="{c - a:g}" y1="{c + a:g}" x2="{c + a:g}" y2="{c - a:g}" '
            'stroke="currentColor" stroke-width="2"/>'
        )
    return ring + (
        f'<text x="{c:g}" y="{c + 5:g}" text-anchor="middle" font-size="14" font-weight="700" '
        'fill="currentColor">?</text>'
    )


def _rays() -> str:
    c, r = SIDE / 2, SIDE / 2
    lines = []
    for k in range(8):
        turn = math.pi * (k + 0.5) / 4
        x, y = math.cos(turn), math.sin(turn)
        lines.append(
            f'<line x1="{c + x * r * 0.74:.2f}" y1="{c + y * r * 0.74:.2f}" '
            f'x2="{c + x * r:.2f}" y2="{c + y * r:.2f}" stroke="currentColor" stroke-width="2"/>'
        )
    return "".join(lines)


def _path(points: Iterable[tuple[float, float]]) -> str:
    words = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
    return f'<polygon points="{words}" fill="currentColor"/>'


def _arc(x: float, y: float, radius: float, start: float, end: float) -> list[tuple[float, float]]:
    count = 24
    turns = [math.radians(start + (end - start) * n / count) for n in range(count + 1)]
    return [(x + radius * math.cos(t), y + radius * math.sin(t)) for t in turns]
