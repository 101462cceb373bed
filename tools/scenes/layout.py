"""Where masts and heads stand: plans, their layout in lens radii, their places in a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from mastread.decoder.words import Colour
from mastread.tools.scenes.heads import HeadStyle, LensSpot, half_size, random_style, spots
from mastread.tools.scenes.ink import Rgb
from mastread.tools.scenes.layers import Arrangement, HeadType, MastKind

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class MastPlan:
    """What a mast must have.

    Attributes
    ----------
    types, colours : kind of each head, top to bottom, and the colours it must be able to show
    bracket : stands on the same bracket as the mast to its left
    """

    kind: MastKind
    arrangement: Arrangement
    types: tuple[HeadType, ...]
    colours: tuple[tuple[Colour, ...], ...]
    plates: tuple[str, ...] = ()
    bracket: bool = False


@dataclass(frozen=True, slots=True)
class Body:
    """A planned mast in lens radii: heads against the mast's axis and the top head's middle."""

    plan: MastPlan
    styles: tuple[HeadStyle, ...]
    lenses: tuple[tuple[LensSpot, ...], ...]
    at: tuple[tuple[float, float], ...]
    left: float
    right: float
    top: float
    bottom: float


def lay_out(rng: Rng, plan: MastPlan) -> Body:
    """Lay a mast out in lens radii."""
    # One make of signal per mast: the same style for all heads of one kind.
    grey = float(10 ** rng.uniform(-2.1, -1.2))
    paint_rgb: Rgb = (grey, grey * float(rng.uniform(0.9, 1.05)), grey)
    styles: dict[HeadType, HeadStyle] = {}
    lenses: list[tuple[LensSpot, ...]] = []
    halves: list[tuple[float, float]] = []
    for type_, colours in zip(plan.types, plan.colours, strict=True):
        if type_ not in styles:
            styles[type_] = random_style(rng, type_, paint_rgb)
        head = spots(styles[type_], colours)
        lenses.append(head)
        halves.append(half_size(styles[type_], head))
    gap = float(rng.uniform(0.3, 6.0)) if plan.kind == "high" else float(rng.uniform(0.05, 0.6))
    ys = [0.0]
    for above, below in pairwise(halves):
        ys.append(ys[-1] + above[1] + below[1] + gap)
    widest = max(h[0] for h in halves)
    if plan.arrangement == "staggered":
        side = 1.0 if rng.random() < 0.5 else -1.0
        reach = widest * float(rng.uniform(0.75, 1.3))
        xs = [side * reach * (1.0 if i % 2 == 0 else -1.0) for i in range(len(ys))]
    else:
        offset = 0.0 if rng.random() < 0.6 else float(rng.choice([-1.0, 1.0])) * widest * 1.1
        xs = [offset] * len(ys)
    left = min(x - h[0] for x, h in zip(xs, halves, strict=True))
    right = max(x + h[0] for x, h in zip(xs, halves, strict=True))
    top = min(y - h[1] for y, h in zip(ys, halves, strict=True))
    bottom = max(y + h[1] for y, h in zip(ys, halves, strict=True))
    return Body(
        plan,
        tuple(styles[type_] for type_ in plan.types),
        tuple(lenses),
        tuple(zip(xs, ys, strict=True)),
        float(left),
        float(right),
        float(top),
        float(bottom),
    )


def fit(bodies: Sequence[Body], radius: float, width: int, height: int) -> float:
    """Lens radius in px at which all masts fit."""
    if not bodies:
        return radius
    tall = max(b.bottom - b.top for b in bodies) + 1.0
    wide = sum(b.right - b.left for b in bodies) + 3.0 * len(bodies)
    return float(max(0.8, min(radius, 0.92 * height / tall, 0.95 * width / wide)))


def place(
    rng: Rng, bodies: Sequence[Body], radius: float, width: int, height: int, margin: int
) -> tuple[float, list[tuple[float, float]]]:
    """Row of the horizon, and for each mast the place of its axis at the top head."""
    if not bodies:
        return float(rng.uniform(0.3, 0.95) * height), []
    low = max(b.bottom for b in bodies) * radius
    drop = float(rng.uniform(12.0, 40.0)) * radius
    if all(b.plan.kind == "dwarf" for b in bodies):
        drop = -float(rng.uniform(2.0, 12.0)) * radius
    top = -min(b.top for b in bodies) * radius
    y_min, y_max = margin + top + 2.0, height - margin - low - 2.0
    y = float(rng.uniform(y_min, y_max)) if y_max > y_min else 0.5 * (y_min + y_max)
    horizon = float(np.clip(y + low + drop, 0.15 * height, 1.3 * height))
    widths = [(b.right - b.left) * radius for b in bodies]
    spare = width - 2 * margin - sum(widths)
    cuts = np.sort(rng.random(len(bodies))) * max(0.0, spare)
    places: list[tuple[float, float]] = []
    used = 0.0
    for i, (body, w, cut) in enumerate(zip(bodies, widths, cuts, strict=True)):
        x = margin + cut + used - body.left * radius
        if body.plan.bracket and i > 0:
            reach = (bodies[i - 1].right - body.left + float(rng.uniform(1.0, 5.0))) * radius
            x = min(places[-1][0] + reach, width - margin - body.right * radius)
        used += w
        sway = float(rng.uniform(-3.0, 3.0)) * radius if not body.plan.bracket else 0.0
        own = float(np.clip(y + sway, y_min, max(y_min, y_max)))
        if body.plan.kind == "dwarf" and len(bodies) > 1:
            own = float(np.clip(horizon + 3.0 * radius, y_min, max(y_min, y_max)))
        places.append((float(x), own))
    # Keep the order left to right: the truth numbers masts that way.
    order = [p[0] for p in places]
    if order != sorted(order):
        xs = sorted(order)
        places = [(x, p[1]) for x, p in zip(xs, places, strict=True)]
    return horizon, places
