"""Chromaticity limits of published standards: inside or outside, how far, and in which direction.

The limits stand in ``limits.json`` as the standards print them, line by line, with source,
edition and grade. A point on a line is inside.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import files
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.colorimetry import locus, planckian

Floats = NDArray[np.float64]
Bound = Callable[[Floats], Floats]

#: Distance of points on the outline of a region, x and y.
_TRACE: Final = 0.001
#: A sum of lines in x and y that a printed value lies on may miss it by rounding.
_ROUNDING: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a standard: ``axis relation bound(other axis)``, such as y <= 0.335.

    Attributes
    ----------
    axis : ``x`` or ``y``: what is bounded
    upper : True where the bound is the greatest value allowed
    text : as printed
    """

    axis: str
    upper: bool
    bound: Bound
    text: str

    def margin(self, xy: Floats) -> Floats:
        """(N,) how far (N, 2) points keep inside along the axis; negative outside."""
        value, other = (xy[:, 0], xy[:, 1]) if self.axis == "x" else (xy[:, 1], xy[:, 0])
        room = self.bound(other) - value
        return room if self.upper else -room


@dataclass(frozen=True)
class Limit:
    """The region of one colour in one standard; fields as in ``limits.json``."""

    set: str
    field: str
    colour: str
    source: str
    edition: str
    grade: str
    note: str
    urls: tuple[str, ...]
    centre: tuple[float, float]
    printed_corners: tuple[tuple[float, float], ...]
    lines: tuple[Line, ...]

    @property
    def name(self) -> str:
        """Set and colour, such as ``ICAO filament green``."""
        return f"{self.set} {self.colour}"

    @property
    def shown(self) -> bool:
        """Whether the limit belongs to a standard that was seen, and not recalled or chosen."""
        return "recalled" not in self.grade and self.grade != "proxy"

    def inside(self, xy: Floats) -> NDArray[np.bool_]:
        """Which of (N, 2) chromaticities lie in the region, its edge included."""
        xy = np.atleast_2d(xy)
        return np.asarray(np.all([line.margin(xy) >= -_ROUNDING for line in self.lines], axis=0))

    def worst_line(self, xy: Floats) -> Line:
        """The line that one chromaticity breaks most."""
        point = np.atleast_2d(xy)
        return min(self.lines, key=lambda line: float(line.margin(point)[0]))

    @cached_property
    def outline(self) -> Floats:
        """(K, 2) ring of points round the region, clipped by the spectrum locus."""
        _, real = locus()
        ring = _dense(real)
        for line in self.lines:
            ring = _clip(ring, line)
        return ring

    def nearest(self, xy: Floats) -> tuple[Floats, float]:
        """The point of the region nearest to one chromaticity, and its distance in x, y.

        A point inside is its own nearest, at distance 0.
        """
        point = np.asarray(xy, np.float64)
        if bool(self.inside(point)[0]):
            return point, 0.0
        start, end = self.outline, np.roll(self.outline, -1, axis=0)
        along = end - start
        length2 = np.maximum((along**2).sum(axis=1), 1e-18)
        share = np.clip(((point - start) * along).sum(axis=1) / length2, 0.0, 1.0)
        feet = start + share[:, None] * along
        apart = np.hypot(*(feet - point).T)
        best = int(apart.argmin())
        return feet[best], float(apart[best])


@cache
def all_limits() -> tuple[Limit, ...]:
    """Every region, in the order of the file."""
    text = files("mastread.tools.leds").joinpath("limits.json").read_text(encoding="utf-8")
    return tuple(_limit(entry) for entry in json.loads(text)["limits"])


def limits_of(colour: str) -> tuple[Limit, ...]:
    """The regions of a signal colour, ``green`` with its restricted kin, lunar with white's."""
    return tuple(limit for limit in all_limits() if signal_colour(limit) == colour)


def signal_colour(limit: Limit) -> str:
    """The signal colour that a region of a standard is for."""
    known = {"lunar-white": "lunar", "warm-white": "white", "selective-yellow": "selective yellow"}
    return known.get(limit.colour, limit.colour.split("-")[0])


def _limit(entry: dict[str, Any]) -> Limit:
    return Limit(
        set=entry["set"],
        field=entry["field"],
        colour=entry["colour"],
        source=entry["source"],
        edition=entry["edition"],
        grade=entry["grade"],
        note=entry["note"],
        urls=tuple(entry["urls"]),
        centre=(entry["centre"][0], entry["centre"][1]),
        printed_corners=tuple((x, y) for x, y in entry["printed_corners"] or ()),
        lines=tuple(line for text in entry["lines"] for line in read_line(text)),
    )


def read_line(text: str) -> tuple[Line, ...]:
    """Lines of one printed condition: ``y <= 0.15 + 0.64*x``, ``0.31 <= x <= 0.5``, and with
    ``min(..., ...)`` and ``y0(x)``, the y of the black body at that x.

    Raises
    ------
    ValueError
        If it is none of these.
    """
    parts = re.split(r"\s*(<=|>=)\s*", text.strip())
    if len(parts) == 5 and parts[1] == parts[3] == "<=":
        low, axis, high = parts[0], parts[2], parts[4]
        return read_line(f"{axis} >= {low}") + read_line(f"{axis} <= {high}")
    if len(parts) != 3 or parts[0] not in ("x", "y"):
        raise ValueError(f"{text!r} is no limit of x or y")
    axis, relation, expression = parts
    other = "y" if axis == "x" else "x"
    tree = ast.parse(expression, mode="eval").body

    def bound(values: Floats) -> Floats:
        return np.broadcast_to(_value(tree, other, values), values.shape)

    bound(np.zeros(1))
    return (Line(axis, relation == "<=", bound, text),)


def _value(node: ast.expr, name: str, values: Floats) -> Any:
    """Work out an expression of numbers, one variable, + - *, min() and y0()."""
    match node:
        case ast.Constant(value=int() | float() as number):
            return float(number)
        case ast.Name(id=known) if known == name:
            return values
        case ast.BinOp(left=left, op=op, right=right):
            a, b = _value(left, name, values), _value(right, name, values)
            match op:
                case ast.Add():
                    return a + b
                case ast.Sub():
                    return a - b
                case ast.Mult():
                    return a * b
        case ast.Call(func=ast.Name(id="min"), args=[first, second]):
            return np.minimum(_value(first, name, values), _value(second, name, values))
        case ast.Call(func=ast.Name(id="y0"), args=[argument]):
            return black_body_y(np.asarray(_value(argument, name, values), np.float64))
    raise ValueError(f"{ast.unparse(node)!r} is nothing that a limit may hold")


def black_body_y(x: Floats) -> Floats:
    """y of the black body with that x (CIE 1931)."""
    _, uv = planckian()
    u, v = uv.T
    bottom = 2.0 * u - 8.0 * v + 4.0
    line_x, line_y = 3.0 * u / bottom, 2.0 * v / bottom
    return np.asarray(np.interp(x, line_x[::-1], line_y[::-1]))


def _dense(ring: Floats) -> Floats:
    """A ring with points at most `_TRACE` apart."""
    out = []
    for a, b in zip(ring, np.roll(ring, -1, axis=0), strict=True):
        count = max(1, int(np.ceil(np.hypot(*(b - a)) / _TRACE)))
        out.append(a + np.arange(count)[:, None] / count * (b - a))
    return np.concatenate(out)


def _clip(ring: Floats, line: Line) -> Floats:
    """The part of a ring on the right side of a line, closed along the line."""
    if not len(ring):
        return ring
    margin = line.margin(ring)
    keep = margin >= 0
    if keep.all():
        return ring
    if not keep.any():
        return np.zeros((0, 2))
    # Start where the ring comes in, so that what is kept is one run.
    entry = int(np.flatnonzero(~keep & np.roll(keep, -1))[0])
    order = (entry + 1 + np.arange(len(ring))) % len(ring)
    ring, keep, margin = ring[order], keep[order], margin[order]
    last = int(np.flatnonzero(keep)[-1])
    part = ring[: last + 1][keep[: last + 1]]
    first_cross = _crossing(ring[-1], ring[0], line)
    last_cross = _crossing(ring[last], ring[(last + 1) % len(ring)], line)
    return np.concatenate([part, _along(line, last_cross, first_cross)])


def _crossing(a: Floats, b: Floats, line: Line) -> Floats:
    low, high = 0.0, 1.0
    rising = float(line.margin(a[None])[0]) < 0
    for _ in range(40):
        middle = 0.5 * (low + high)
        outside = float(line.margin((a + middle * (b - a))[None])[0]) < 0
        low, high = (middle, high) if outside == rising else (low, middle)
    return np.asarray(a + 0.5 * (low + high) * (b - a))


def _along(line: Line, a: Floats, b: Floats) -> Floats:
    """Points of a line from near `a` to near `b`, both included."""
    k = 1 if line.axis == "x" else 0
    count = max(2, int(np.ceil(abs(b[k] - a[k]) / _TRACE)) + 1)
    other = np.linspace(a[k], b[k], count)
    bound = np.asarray(line.bound(other))
    return np.stack([bound, other] if line.axis == "x" else [other, bound], axis=1)
