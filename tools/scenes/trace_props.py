"""Things along the line for the path tracer: cabinets, poles, buildings, lamps, freight cars.

They furnish the picture and stand in for what may be taken for a signal: a red barn, lit
windows, a street light, the marker on the last car. Needs the extra ``[render]``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np

from mastread.tools.scenes.trace_materials import Air, Rgb, glow, surface
from mastread.tools.scenes.trace_mesh import Array, Mesh, box, join, place, tube
from mastread.tools.scenes.trace_plan import Land

_PAINTS: tuple[tuple[Rgb, Rgb], ...] = (
    ((0.17, 0.045, 0.03), (0.11, 0.035, 0.025)),
    ((0.05, 0.09, 0.13), (0.035, 0.06, 0.09)),
    ((0.2, 0.17, 0.11), (0.14, 0.12, 0.08)),
    ((0.06, 0.1, 0.055), (0.04, 0.07, 0.04)),
    ((0.1, 0.1, 0.1), (0.06, 0.06, 0.06)),
)


@dataclass(frozen=True, slots=True)
class BuiltProp:
    """Something that may be taken for a lamp: what, its middle in metres, radius, whether lit."""

    what: str
    centre: Array
    radius: float
    lit: bool


def _stand(item: Any, x: float, y: float, z: float, turn_deg: float) -> None:
    item.location = (x, y, z)
    item.rotation_euler = (0, 0, np.radians(turn_deg))


def cabinet(air: Air, x: float, y: float, z: float, turn_deg: float = 0.0) -> None:
    """A relay case of sheet metal on legs, with two doors."""
    paint = surface(
        air,
        "cabinet",
        (0.5, 0.5, 0.48),
        (0.4, 0.4, 0.39),
        scale=2,
        roughness=0.5,
        metallic=0.2,
        streaks=0.55,
    )
    parts = [
        box(-0.75, 0.75, -0.4, 0.4, 0.25, 1.95),
        box(-0.82, 0.82, -0.47, 0.47, 1.95, 2.03),
        box(-0.72, -0.01, -0.43, -0.4, 0.32, 1.9),
        box(0.01, 0.72, -0.43, -0.4, 0.32, 1.9),
        box(-0.06, -0.03, -0.46, -0.43, 1.0, 1.25),
        box(0.03, 0.06, -0.46, -0.43, 1.0, 1.25),
    ]
    parts += [box(s * 0.65 - 0.06, s * 0.65 + 0.06, -0.35, 0.35, -0.5, 0.25) for s in (-1, 1)]
    _stand(place("cabinet", join(parts), paint), x, y, z, turn_deg)


def pole_line(air: Air, land: Land, offset: float, count: int = 9, step: float = 42.0) -> None:
    """A row of wooden line poles with cross-arms and wires along the track."""
    wood = surface(
        air,
        "pole wood",
        (0.1, 0.075, 0.055),
        (0.17, 0.14, 0.11),
        scale=5,
        roughness=0.9,
        streaks=0.4,
    )
    wire = surface(air, "wire", (0.03, 0.03, 0.03), roughness=0.6, snow=0.0)
    ys = 6.0 + step * np.arange(count)
    xs = land.line(offset, ys)
    zs = land.height(xs, ys)
    parts, lines = [], []
    for x, y, z in zip(xs, ys, zs, strict=True):
        parts.append(tube((x, y, z - 0.5), (x, y, z + 8.2), 0.14, 0.1, 12))
        for arm in (7.9, 7.2):
            parts.append(box(x - 1.2, x + 1.2, y - 0.06, y + 0.06, z + arm - 0.05, z + arm + 0.05))
            parts += [
                tube((x + s, y, z + arm + 0.05), (x + s, y, z + arm + 0.2), 0.035, 0.02, 6)
                for s in (-1.1, -0.6, 0.6, 1.1)
            ]
    t = np.linspace(0, 1, 13)
    for k in range(count - 1):
        for arm in (7.9, 7.2):
            for s in (-1.1, -0.6, 0.6, 1.1):
                a = np.array([xs[k] + s, ys[k], zs[k] + arm + 0.2])
                b = np.array([xs[k + 1] + s, ys[k + 1], zs[k + 1] + arm + 0.2])
                p = a + (b - a) * t[:, None]
                p[:, 2] -= 4 * 0.5 * t * (1 - t)
                lines += [tube(p[i], p[i + 1], 0.008, None, 4, closed=False) for i in range(12)]
    place("line poles", join(parts), wood)
    place("wires", join(lines), wire)


def _house(width: float, depth: float, wall: float, roof: float) -> tuple[Mesh, Mesh]:
    w, d = width / 2, depth / 2
    v = np.array(
        [
            (-w, -d, 0),
            (w, -d, 0),
            (w, d, 0),
            (-w, d, 0),
            (-w, -d, wall),
            (w, -d, wall),
            (w, d, wall),
            (-w, d, wall),
            (0, -d, roof),
            (0, d, roof),
        ],
        float,
    )
    walls = Mesh(v, [(0, 1, 5, 8, 4), (3, 7, 9, 6, 2), (0, 4, 7, 3), (1, 2, 6, 5)])
    o, e = 0.35, 0.12
    slope = (roof - wall) / w
    parts = []
    for s in (-1, 1):
        low = [(s * (w + o), y, wall - slope * o) for y in (-d - o, d + o)]
        high = [(0.0, y, roof) for y in (d + o, -d - o)]
        p = np.array(low + high)
        q = p + np.array([0, 0, e])
        parts.append(
            Mesh(
                np.concatenate([p, q]),
                [(0, 1, 2, 3), (7, 6, 5, 4), (0, 4, 5, 1), (3, 2, 6, 7), (0, 3, 7, 4)],
            )
        )
    return walls, join(parts)


def barn(air: Air, x: float, y: float, z: float, turn_deg: float) -> BuiltProp:
    """A red board barn with a pale roof, white trim and a door."""
    red = surface(
        air, "barn", (0.32, 0.03, 0.02), (0.22, 0.025, 0.02), scale=1.5, roughness=0.8, streaks=0.4
    )
    tin = surface(
        air,
        "barn roof",
        (0.36, 0.36, 0.37),
        (0.26, 0.22, 0.2),
        scale=0.6,
        roughness=0.5,
        metallic=0.3,
    )
    white = surface(air, "trim", (0.7, 0.69, 0.66), streaks=0.3)
    walls, roof = _house(9.0, 14.0, 4.6, 8.6)
    for name, mesh, paint in (
        ("barn", walls, red),
        ("barn roof", roof, tin),
        (
            "barn trim",
            join(
                [box(-1.7, 1.7, -7.06, -7.0, 0.0, 3.4)]
                + [box(s * 4.42 - 0.08, s * 4.42 + 0.1, -7.08, -7.0, 0, 4.6) for s in (-1, 1)]
                + [box(-0.6, 0.6, -7.07, -7.0, 5.2, 6.4)]
            ),
            white,
        ),
        (
            "barn door",
            join([box(s * 0.82 - 0.75, s * 0.82 + 0.75, -7.12, -7.05, 0.1, 3.25) for s in (-1, 1)]),
            red,
        ),
    ):
        _stand(place(name, mesh, paint), x, y, z, turn_deg)
    return BuiltProp("red barn", np.array([x, y, z + 3.5]), 4.0, False)


def house(air: Air, x: float, y: float, z: float, turn_deg: float, lit: float) -> list[BuiltProp]:
    """A clapboard house; with `lit` above 0 its windows shine with that radiance."""
    board = surface(air, "clapboard", (0.62, 0.6, 0.53), (0.54, 0.52, 0.46), scale=2, streaks=0.25)
    shingle = surface(air, "shingle", (0.06, 0.055, 0.055), (0.1, 0.09, 0.085), scale=6)
    frame = surface(air, "window frame", (0.72, 0.71, 0.68))
    walls, roof = _house(8.0, 10.0, 5.2, 8.2)
    _stand(place("house", walls, board), x, y, z, turn_deg)
    _stand(place("house roof", roof, shingle), x, y, z, turn_deg)
    panes, frames = [], []
    spots = [(-2.2, 1.2), (0.9, 1.2), (-2.2, 3.6), (0.9, 3.6), (2.6, 1.2)]
    for wx, wz in spots:
        panes.append(box(wx, wx + 0.95, -5.03, -5.0, wz, wz + 1.3))
        frames.append(box(wx - 0.08, wx + 1.03, -5.02, -4.98, wz - 0.08, wz + 1.38))
        frames.append(box(wx + 0.45, wx + 0.5, -5.05, -5.02, wz, wz + 1.3))
        frames.append(box(wx, wx + 0.95, -5.05, -5.02, wz + 0.62, wz + 0.68))
    _stand(place("frames", join(frames), frame), x, y, z, turn_deg)
    glass = (
        glow(air, "window", (1.0, 0.62, 0.28), lit)
        if lit > 0
        else surface(air, "pane", (0.02, 0.025, 0.03), roughness=0.05, snow=0.0)
    )
    _stand(place("panes", join(panes), glass), x, y, z, turn_deg)
    if lit <= 0:
        return []
    a = np.radians(turn_deg)
    return [
        BuiltProp(
            "lit window",
            np.array(
                [
                    x + (wx + 0.47) * np.cos(a) + 5.0 * np.sin(a),
                    y + (wx + 0.47) * np.sin(a) - 5.0 * np.cos(a),
                    z + wz + 0.65,
                ]
            ),
            0.6,
            True,
        )
        for wx, wz in spots
    ]


def street_light(
    air: Air, x: float, y: float, z: float, rgb: Rgb, power: float, arm: float = -1.4
) -> BuiltProp:
    """A lamp on a pole that lights the ground below; `power` in scene units."""
    steel = surface(air, "lamp post", (0.3, 0.3, 0.3), roughness=0.5, metallic=0.4)
    parts = [
        tube((x, y, z - 0.3), (x, y, z + 7.6), 0.09, 0.06, 12),
        tube((x, y, z + 7.6), (x + arm, y, z + 7.9), 0.04, None, 8),
        box(x + arm - 0.32, x + arm + 0.12, y - 0.14, y + 0.14, z + 7.86, z + 7.98),
    ]
    place("street light", join(parts), steel)
    bulb = tube((x + arm - 0.1, y, z + 7.86), (x + arm - 0.1, y, z + 7.76), 0.13, 0.1, 16)
    place("bulb", bulb, glow(air, "bulb", rgb, power * 0.35))
    lamp = bpy.data.lights.new("street light", "SPOT")
    lamp.energy = power * 60
    lamp.color = rgb
    lamp.spot_size = np.radians(150)
    lamp.spot_blend = 0.8
    lamp.shadow_soft_size = 0.15
    item = bpy.data.objects.new("street light", lamp)
    item.location = (x + arm - 0.1, y, z + 7.7)
    bpy.context.scene.collection.objects.link(item)
    return BuiltProp("street light", np.array([x + arm - 0.1, y, z + 7.8]), 0.13, True)


def _car(kind: str, length: float) -> tuple[list[Mesh], list[Mesh], list[Mesh]]:
    """Return body, trim and running gear of a freight car centred on x = 0, along y."""
    h = length / 2
    body, trim, gear = [], [], []
    if kind == "boxcar":
        body.append(box(-1.5, 1.5, -h, h, 1.1, 4.4))
        trim.append(box(-1.56, 1.56, -h - 0.02, h + 0.02, 4.36, 4.46))
        body += [
            box(s * 1.5 - 0.045, s * 1.5 + 0.045, y - 0.05, y + 0.05, 1.15, 4.36)
            for s in (-1, 1)
            for y in np.linspace(-h + 0.05, h - 0.05, int(length / 0.95))
        ]
        trim += [box(s * 1.53 - 0.05, s * 1.53 + 0.05, -1.6, 1.6, 1.2, 4.15) for s in (-1, 1)]
        trim += [
            tube((s * 1.6, y, 1.4), (s * 1.6, y, 4.0), 0.03, None, 6)
            for s in (-1, 1)
            for y in (-0.9, 0.9)
        ]
    elif kind == "hopper":
        body.append(box(-1.5, 1.5, -h, h, 2.0, 3.9))
        trim += [
            box(s * 1.54 - 0.06, s * 1.54 + 0.06, y - 0.06, y + 0.06, 1.4, 3.9)
            for s in (-1, 1)
            for y in np.linspace(-h + 0.06, h - 0.06, int(length / 1.15))
        ]
        body += [box(-1.25, 1.25, y - 1.1, y + 1.1, 0.75, 2.0) for y in (-h * 0.5, 0.0, h * 0.5)]
    else:
        body.append(tube((0, -h + 0.1, 2.75), (0, h - 0.1, 2.75), 1.42, None, 40))
        trim += [box(-0.35, 0.35, -0.5, 0.5, 4.1, 4.5), box(-1.35, 1.35, -h, h, 1.0, 1.2)]
    gear.append(box(-0.4, 0.4, -h - 0.35, h + 0.35, 0.8, 1.1))
    for end in (-1, 1):
        mid = end * (h - 1.9)
        for axle in (-0.9, 0.9):
            for s in (-1, 1):
                gear.append(
                    tube((s * 0.68, mid + axle, 0.66), (s * 0.82, mid + axle, 0.66), 0.46, None, 24)
                )
        for s in (-1, 1):
            gear.append(box(s * 0.98 - 0.08, s * 0.98 + 0.08, mid - 1.25, mid + 1.25, 0.55, 0.85))
            gear += [
                box(s * 1.0 - 0.12, s * 1.0 + 0.12, mid + a - 0.2, mid + a + 0.2, 0.45, 0.85)
                for a in (-0.9, 0.9)
            ]
            # Ladder at the car's end.
            gear += [
                box(
                    s * 1.56 - 0.02, s * 1.56 + 0.02, end * (h - 0.55), end * (h - 0.1), z, z + 0.03
                )
                for z in np.arange(1.2, 4.2, 0.36)
            ]
    return body, trim, gear


def train(
    air: Air,
    x: float,
    rear_y: float,
    kinds: tuple[str, ...],
    marker: float = 0.0,
    bend: float = 0.0,
) -> tuple[Any, list[BuiltProp]]:
    """Build a cut of cars whose near end stands at `rear_y`; return its parent object.

    With `marker` above 0 a red marker of that radiance shines at the near end. The cars follow
    a curved track (`bend`, 1/m) car by car.
    """
    holder = bpy.data.objects.new("train", None)
    bpy.context.scene.collection.objects.link(holder)
    dark = surface(air, "gear", (0.035, 0.03, 0.028), (0.07, 0.055, 0.045), scale=6, roughness=0.8)
    y = rear_y
    for k, kind in enumerate(kinds):
        length = {"boxcar": 15.5, "hopper": 13.0, "tank": 14.5}[kind]
        first, second = _PAINTS[k % len(_PAINTS)] if kind != "tank" else _PAINTS[4]
        paint = surface(
            air, f"car paint {k}", first, second, scale=1.2, roughness=0.6, streaks=0.6, snow=0.8
        )
        body, trim, gear = _car(kind, length)
        mid = y + length / 2 + 0.4
        for mesh, material in ((body, paint), (trim, paint), (gear, dark)):
            item = place(f"car {k}", join(mesh), material, smooth=False)
            item.location = (x + bend * mid**2, mid, 0.2)
            item.rotation_euler = (0, 0, -np.arctan(2 * bend * mid))
            item.parent = holder
        y += length + 1.35
    props = []
    if marker > 0:
        spot = np.array([x + bend * rear_y**2 - 0.25, rear_y + 0.22, 1.75])
        bulb = tube((spot[0], spot[1], spot[2]), (spot[0], spot[1] - 0.12, spot[2]), 0.1, 0.09, 20)
        lamp = place("marker", bulb, glow(air, "marker", (1.0, 0.03, 0.012), marker))
        lamp.parent = holder
        case = place(
            "marker case",
            box(spot[0] - 0.16, spot[0] + 0.16, spot[1], spot[1] + 0.2, 1.45, 1.95),
            dark,
        )
        case.parent = holder
        props.append(BuiltProp("tail marker of a train", spot, 0.1, True))
    return holder, props
