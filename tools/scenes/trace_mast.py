"""Signal masts for the path tracer: poles, ladders, heads, lenses, plates.

Sizes are usual North American ones (common practice, no source): a lens of 213 mm (8 3/8 in),
a round target of 610 mm. A mast faces -y before it is turned. Needs the extra ``[render]``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import bpy
import numpy as np

from mastread.tools.scenes.trace_materials import Air, Rgb, lens_glass, surface
from mastread.tools.scenes.trace_mesh import (
    Array,
    Mesh,
    box,
    circle,
    hood,
    join,
    lens_dome,
    pill,
    place,
    plate,
    tube,
)
from mastread.tools.scenes.trace_plan import HeadPlan, LensPlan, MastPlan

#: Unlit glass: coloured where the lens is the filter, clear and dark in a searchlight.
_TINTS: dict[str, Rgb] = {
    "red": (0.09, 0.006, 0.004),
    "yellow": (0.12, 0.06, 0.006),
    "green": (0.006, 0.06, 0.04),
    "lunar": (0.07, 0.08, 0.1),
    "many": (0.035, 0.037, 0.04),
}


@dataclass(slots=True)
class BuiltLens:
    """A lens in the scene: what it is, where its middle is, and the socket that lights it."""

    mast: int
    head: int
    lens: int
    plan: LensPlan
    centre: Array
    socket: Any


@dataclass(slots=True)
class BuiltMast:
    """A mast in the scene: its plan, corner points of pole and heads, and its lenses."""

    plan: MastPlan
    corners: list[Array] = field(default_factory=list)
    lenses: list[BuiltLens] = field(default_factory=list)


def build_mast(air: Air, number: int, plan: MastPlan) -> BuiltMast:
    """Put a mast into the scene."""
    black = surface(
        air,
        "target",
        (0.012, 0.012, 0.013),
        (0.03, 0.03, 0.03),
        scale=5,
        roughness=0.62,
        streaks=0.2,
        snow=0.8,
    )
    inner = surface(air, "hood inside", (0.008, 0.008, 0.008), roughness=0.7, snow=0.0)
    silver = surface(
        air,
        "pole",
        (0.42, 0.42, 0.41),
        (0.3, 0.3, 0.29),
        scale=3,
        roughness=0.5,
        metallic=0.35,
        streaks=0.55,
        snow=0.6,
    )
    built = BuiltMast(plan)
    top = plan.heads[0].z + 0.45
    parts: list[Mesh] = []
    if plan.dwarf:
        _dwarf_case(air, black, plan)
    else:
        parts.append(tube((0, 0, plan.pole_z), (0, 0, top), 0.068, 0.06, 24))
        parts.append(tube((0, 0, top), (0, 0, top + 0.12), 0.075, 0.01, 16))
        parts += _ladder(plan.pole_z, top - 0.7)
        parts += _platforms(plan)
        if plan.pole_z == 0:
            parts.append(box(-0.28, 0.28, -0.1, 0.3, 0.25, 1.15))
            grey = surface(
                air, "concrete", (0.42, 0.4, 0.37), (0.3, 0.29, 0.27), scale=4, streaks=0.3
            )
            _set(plan, "footing", box(-0.48, 0.48, -0.48, 0.48, -0.7, 0.22), grey)
        _set(plan, "pole", join(parts), silver, smooth=False)
    for k, head in enumerate(plan.heads, start=1):
        _head(air, built, number, k, head, black, inner)
    if plan.dwarf:
        z = plan.heads[0].z
        built.corners += [
            _world(plan, (s * 0.16, -0.2, z + e * 0.4)) for s in (-1, 1) for e in (-1, 1)
        ]
    else:
        built.corners += [
            _world(plan, (s * 0.15, 0, z)) for s in (-1, 1) for z in (plan.pole_z, top)
        ]
    low = plan.heads[-1].z - 1.0
    for k, letter in enumerate(plan.plates):
        _text_plate(air, plan, letter, low - 0.4 * k, 0.34, 0.26)
    if plan.number:
        _text_plate(air, plan, plan.number, low - 0.4 * len(plan.plates) - 0.15, 0.62, 0.21)
    return built


def build_bracket(
    air: Air, x: float, y: float, z: float, turn_deg: float, half: float, high: float
) -> None:
    """Put a bracket post with a platform into the scene: two dolls stand `half` left and right."""
    steel = surface(
        air,
        "bracket",
        (0.4, 0.4, 0.39),
        (0.27, 0.27, 0.26),
        scale=3,
        roughness=0.55,
        metallic=0.3,
        streaks=0.5,
    )
    grey = surface(air, "concrete", (0.42, 0.4, 0.37), (0.3, 0.29, 0.27), scale=4, streaks=0.3)
    base = MastPlan(x, y, z, turn_deg, ())
    _set(base, "footing", box(-0.6, 0.6, -0.6, 0.6, -0.7, 0.25), grey)
    parts = [tube((0, 0, 0), (0, 0, high), 0.13, 0.12, 24)]
    for s in (-1, 1):
        parts.append(tube((0, 0, high - 1.2), (s * half, 0, high - 0.06), 0.045, None, 10))
        for depth in (-0.42, 0.42):
            parts.append(tube((s * (half + 0.5), depth, high), (0, depth, high), 0.03, None, 8))
            for rail in (0.55, 1.05):
                parts.append(
                    tube(
                        (s * (half + 0.5), 0.42, high + rail),
                        (0, 0.42, high + rail),
                        0.018,
                        None,
                        8,
                    )
                )
            for post in (0.0, half * 0.5, half + 0.5):
                parts.append(
                    tube((s * post, 0.42, high), (s * post, 0.42, high + 1.05), 0.018, None, 8)
                )
    parts.append(box(-half - 0.5, half + 0.5, -0.45, 0.45, high - 0.07, high - 0.02))
    parts.append(box(-0.3, 0.3, -0.14, 0.34, 0.3, 1.3))
    parts += _ladder(0.0, high)
    _set(base, "bracket", join(parts), steel)


def _world(plan: MastPlan, point: Sequence[float]) -> Array:
    a = np.radians(plan.turn_deg)
    x, y, z = point
    return np.array(
        [plan.x + x * np.cos(a) - y * np.sin(a), plan.y + x * np.sin(a) + y * np.cos(a), plan.z + z]
    )


def _set(plan: MastPlan, name: str, mesh: Mesh, material: Any, smooth: bool = False) -> Any:
    item = place(name, mesh, material, smooth)
    item.location = (plan.x, plan.y, plan.z)
    item.rotation_euler = (0, 0, np.radians(plan.turn_deg))
    return item


def _ladder(z0: float, z1: float) -> list[Mesh]:
    parts = [tube((s * 0.2, 0.42, z0 + 0.1), (s * 0.2, 0.3, z1), 0.016, None, 8) for s in (-1, 1)]
    for z in np.arange(z0 + 0.35, z1, 0.3):
        y = 0.42 - 0.12 * (z - z0) / (z1 - z0)
        parts.append(tube((-0.2, y, z), (0.2, y, z), 0.011, None, 6))
    for z in np.linspace(z0 + 1.0, z1 - 0.2, 4):
        y = 0.42 - 0.12 * (z - z0) / (z1 - z0)
        parts.append(box(-0.02, 0.02, 0.0, y, z - 0.02, z + 0.02))
    return parts


def _platforms(plan: MastPlan) -> list[Mesh]:
    """Small work platforms behind the heads, and the arms that carry heads set to one side."""
    parts = []
    for head in plan.heads:
        z = head.z - 0.62
        parts.append(box(-0.32, 0.32, 0.1, 0.62, z - 0.03, z))
        for s in (-1, 1):
            parts.append(tube((s * 0.3, 0.6, z), (s * 0.3, 0.6, z + 0.95), 0.014, None, 6))
        parts.append(tube((-0.3, 0.6, z + 0.95), (0.3, 0.6, z + 0.95), 0.014, None, 6))
        reach = head.side if head.side else 0.0
        parts.append(
            box(
                min(0, reach) - 0.05, max(0, reach) + 0.05, -0.2, 0.05, head.z - 0.06, head.z + 0.06
            )
        )
    return parts


def _head(
    air: Air, built: BuiltMast, mast: int, number: int, head: HeadPlan, black: Any, inner: Any
) -> None:
    plan = built.plan
    x, z, front = head.side, head.z, -0.26
    lenses = head.lenses()
    outline = circle(0.33) if head.type == "triangular" else circle(0.305)
    if head.type == "triangular":
        outline = circle(0.43)
    elif head.type == "vertical":
        outline = pill(0.56, -0.66, 0.66)
    if not plan.dwarf:
        shift = np.array([x, z])
        _set(plan, "target", plate(outline + shift, front, front + 0.025), black)
        span = np.ptp(outline, axis=0) / 2
        case = (
            tube((x, front, z), (x, front + 0.32, z), 0.17, 0.13, 24)
            if head.type == "searchlight"
            else box(
                x - 0.15, x + 0.15, front, front + 0.22, z - span[1] * 0.72, z + span[1] * 0.72
            )
        )
        _set(plan, "case", case, black)
        built.corners += [
            _world(plan, (x + sx * span[0], front, z + sz * span[1]))
            for sx in (-1, 1)
            for sz in (-1, 1)
        ]
    for k, lens in enumerate(lenses, start=1):
        tint = _TINTS["many"] if len(lens.colours) > 1 else _TINTS[lens.colours[0]]
        glass, socket = lens_glass(air, f"lens{mast}{number}{k}", tint, lens.radius)
        dome = place("lens", lens_dome(lens.radius, lens.radius * 0.22), glass, smooth=True)
        middle = _world(plan, (x + lens.x, front - 0.012, z + lens.z))
        dome.location = tuple(middle)
        dome.rotation_euler = (0, 0, np.radians(plan.turn_deg))
        visor = hood(lens.radius * 1.16, lens.radius * (2.0 if plan.dwarf else 2.7))
        rim = tube((0, 0.0, 0), (0, -0.03, 0), lens.radius * 1.17, None, 32, closed=False)
        _set(
            plan,
            "hood",
            join([visor, rim]).moved(x + lens.x, front, z + lens.z),
            inner,
            smooth=True,
        )
        built.lenses.append(BuiltLens(mast, number, k, lens, middle, socket))


def _dwarf_case(air: Air, black: Any, plan: MastPlan) -> None:
    z = plan.heads[0].z
    grey = surface(air, "concrete", (0.42, 0.4, 0.37), (0.3, 0.29, 0.27), scale=4, streaks=0.3)
    _set(plan, "footing", box(-0.32, 0.32, -0.32, 0.32, -0.6, z - 0.52), grey)
    body = plate(pill(0.32, z - 0.4, z + 0.4), -0.25, 0.06)
    foot = box(-0.09, 0.09, -0.14, 0.04, z - 0.55, z - 0.3)
    _set(plan, "case", join([body, foot]), black)


def _text_plate(air: Air, plan: MastPlan, text: str, z: float, wide: float, high: float) -> None:
    white = surface(air, "number plate", (0.78, 0.78, 0.75), streaks=0.35, roughness=0.5, snow=0.3)
    ink = surface(air, "ink", (0.015, 0.015, 0.015), roughness=0.6, snow=0.0)
    _set(plan, "number plate", box(-wide / 2, wide / 2, -0.1, -0.085, z, z + high), white)
    curve = bpy.data.curves.new("number", "FONT")
    curve.body = text
    curve.align_x, curve.align_y = "CENTER", "CENTER"
    curve.size = high * 0.95
    curve.space_character = 1.1
    curve.materials.append(ink)
    item = bpy.data.objects.new("number", curve)
    item.location = tuple(_world(plan, (0, -0.104, z + high * 0.5)))
    item.rotation_euler = (np.pi / 2, 0, np.radians(plan.turn_deg))
    bpy.context.scene.collection.objects.link(item)
