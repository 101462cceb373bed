"""Land for the path tracer: ground, ballast, track, grass, trees, hills.

The line runs along +y past the camera (near y = 0). Tracks lie at ``x = offset + bend * y**2``.
Rail gauge, rail height and tie spacing are usual North American main-line figures (common
practice, no source). Needs the extra ``[render]``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mastread.tools.scenes.trace_materials import Air, Rgb, foliage, surface
from mastread.tools.scenes.trace_mesh import (
    Array,
    Mesh,
    box,
    height_grid,
    join,
    place,
    scatter,
    stone,
    sweep,
    to_object,
    tube,
)
from mastread.tools.scenes.trace_plan import Land

_HALF_GAUGE = 0.755  # between the middles of the rail heads, standard gauge 1.435 m
_RAIL = np.array(
    [
        (-0.07, 0),
        (-0.07, 0.012),
        (-0.012, 0.03),
        (-0.01, 0.125),
        (-0.036, 0.14),
        (-0.036, 0.172),
        (0.036, 0.172),
        (0.036, 0.14),
        (0.01, 0.125),
        (0.012, 0.03),
        (0.07, 0.012),
        (0.07, 0),
    ]
)
_TREES: tuple[str, ...] = ("conifer", "broadleaf")


def make_land(air: Air, land: Land) -> None:
    """Build the whole land into the scene."""
    rng = np.random.default_rng(land.seed)
    _ground(air, land)
    _tracks(air, land, rng)
    _grass(air, land, rng)
    _trees(air, land, rng)
    _hills(air, land, rng)


def _ground(air: Air, land: Land) -> None:
    soil: Rgb = (0.055, 0.075, 0.022) if land.season == "summer" else (0.12, 0.092, 0.04)
    dry: Rgb = (0.16, 0.135, 0.06)
    material = surface(
        air,
        "meadow",
        soil,
        dry,
        scale=0.35,
        roughness=0.95,
        bump=0.12,
        bump_scale=2.5,
        dirt=(0.085, 0.075, 0.035),
        world_space=True,
        snow=1.0,
    )
    near = np.linspace(-40, 40, 161)
    xs = np.concatenate([np.linspace(-400, -42, 60), near, np.linspace(42, 400, 60)])
    ys = np.concatenate([np.linspace(-12, 90, 170), np.linspace(92, 700, 120)])
    gx, gy = np.meshgrid(xs, ys)
    middle, half = land.spread()
    on_bed = np.abs(gx - land.line(middle, gy)) < 3.0 + half
    z = land.height(gx, gy) - 0.12 * on_bed
    place("ground", height_grid(xs, ys, z), material, smooth=True)


def _tracks(air: Air, land: Land, rng: np.random.Generator) -> None:
    rock = surface(
        air,
        "ballast",
        (0.17, 0.155, 0.145),
        (0.3, 0.28, 0.265),
        scale=14,
        roughness=0.9,
        bump=0.05,
        bump_scale=18,
        dirt=(0.12, 0.1, 0.085),
        world_space=True,
        snow=0.97,
    )
    gravel = surface(
        air,
        "stone",
        (0.2, 0.185, 0.175),
        (0.34, 0.32, 0.3),
        scale=4,
        roughness=0.85,
        vary=0.5,
        snow=0.9,
    )
    rust = surface(
        air, "rust", (0.16, 0.075, 0.045), (0.09, 0.05, 0.038), scale=6, roughness=0.85, snow=0.5
    )
    tread = surface(
        air,
        "tread",
        (0.34, 0.32, 0.31),
        (0.24, 0.2, 0.18),
        scale=9,
        roughness=0.42,
        metallic=0.7,
        snow=0.0,
    )
    wood = surface(
        air,
        "tie",
        (0.075, 0.062, 0.052),
        (0.16, 0.142, 0.125),
        scale=7,
        roughness=0.9,
        bump=0.01,
        bump_scale=30,
        vary=0.35,
        snow=0.9,
    )
    steel = surface(air, "plate", (0.12, 0.07, 0.05), roughness=0.8, snow=0.3)
    y = np.concatenate([np.arange(-10, 120, 1.0), np.arange(120, 700, 8.0)])
    tie = join([box(-1.3, 1.3, -0.115, 0.115, -0.16, 0.02)])
    ties = [to_object(f"tie{k}", tie, wood) for k in range(3)]
    chair = join(
        [
            box(s * _HALF_GAUGE - 0.17, s * _HALF_GAUGE + 0.17, -0.09, 0.09, 0.02, 0.035)
            for s in (-1, 1)
        ]
    )
    chairs = [to_object("chairs", chair, steel)]
    stones = [to_object(f"stone{k}", stone(rng), gravel) for k in range(6)]
    # One bed carries all tracks, flat between the outer ones.
    middle, half = land.spread()
    bed = np.array(
        [
            (-3.3 - half, -0.8),
            (-1.75 - half, -0.045),
            (-1.4 - half, -0.02),
            (1.4 + half, -0.02),
            (1.75 + half, -0.045),
            (3.3 + half, -0.8),
        ]
    )
    place("bed", sweep(bed, np.column_stack([land.line(middle, y), y, np.zeros(len(y))])), rock)
    _stones(land, stones, rng)
    for offset in land.tracks:
        x = land.line(offset, y)
        mid = np.column_stack([x, y, np.zeros(len(y))])
        for side in (-1, 1):
            rail = _RAIL + np.array([side * _HALF_GAUGE, 0.035])
            place("rail", sweep(rail[:6], mid), rust)
            place("rail", sweep(rail[6:], mid), rust)
            head = np.array([rail[5], (rail[5] + rail[6]) / 2 + [0, 0.002], rail[6]])
            place("tread", sweep(head, mid), tread)
        ty = np.arange(-9.7, 380, 0.53)
        ty = ty + rng.normal(0, 0.015, len(ty))
        points = np.column_stack([land.line(offset, ty), ty, rng.normal(0, 0.006, len(ty))])
        turns = np.zeros((len(ty), 3))
        turns[:, 2] = rng.normal(0, 0.012, len(ty)) - 2 * land.bend * ty
        scatter("ties", points, turns, np.ones(len(ty)), ties, land.seed)
        scatter("chairs", points, turns, np.ones(len(ty)), chairs)


def _stones(land: Land, stones: Sequence[object], rng: np.random.Generator) -> None:
    middle, half = land.spread()
    count = int(60000 * (1 + half / 3.3))
    # Densest near the camera, out to 75 m; farther the relief of the bed is enough.
    sy = -4 + 79 * rng.random(count) ** 1.7
    u = rng.uniform(-3.3 - half, 3.3 + half, count)
    top = np.interp(np.abs(u) - half, [0, 1.4, 1.75, 3.3], [-0.02, -0.02, -0.045, -0.8])
    x = land.line(middle, sy) + u
    on_tie = (np.abs((sy + 9.7 + 0.265) % 0.53 - 0.265) < 0.12) & (land.from_track(x, sy) < 1.3)
    kept = ~on_tie | (rng.random(count) < 0.03)
    z = top + np.where(on_tie, 0.045, 0.0) + rng.uniform(-0.02, 0.018, count)
    points = np.column_stack([x, sy, z])[kept]
    n = int(kept.sum())
    turns = rng.uniform(0, 2 * np.pi, (n, 3))
    size = rng.uniform(0.04, 0.075, n) * (1 + 0.012 * np.maximum(points[:, 1], 0))
    scatter("stones", points, turns, size, stones, land.seed + 5)


def _clump(rng: np.random.Generator, blades: int, height: float, spread: float) -> Mesh:
    """Return a tuft of bent blades."""
    parts = []
    for _ in range(blades):
        a, lean = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.75)
        r, h = spread * np.sqrt(rng.random()), height * rng.uniform(0.45, 1.15)
        base = np.array([r * np.cos(a * 3), r * np.sin(a * 3), -0.02])
        out = np.array([np.cos(a), np.sin(a), 0])
        wide = np.array([-np.sin(a), np.cos(a), 0]) * 0.0045 * (1 + 3 * spread)
        mid = base + out * lean * h * 0.3 + [0, 0, h * 0.6]
        tip = base + out * lean * h + [0, 0, h * (1 - 0.3 * lean)]
        v = np.array([base - wide, base + wide, mid + wide * 0.8, mid - wide * 0.8, tip])
        parts.append(Mesh(v, [(0, 1, 2, 3), (3, 2, 4)]))
    return join(parts)


def _grass(air: Air, land: Land, rng: np.random.Generator) -> None:
    tones: dict[str, tuple[Rgb, Rgb]] = {
        "summer": ((0.12, 0.17, 0.035), (0.3, 0.27, 0.11)),
        "autumn": ((0.2, 0.15, 0.05), (0.32, 0.24, 0.11)),
        "winter": ((0.22, 0.17, 0.09), (0.3, 0.24, 0.14)),
    }
    blade = foliage(air, "grass", *tones[land.season], through=0.3)
    tufts = [
        to_object(f"tuft{k}", _clump(rng, 46, rng.uniform(0.22, 0.5), 0.16), blade)
        for k in range(5)
    ]
    few = 0.16 if air.snow else 1.0
    for count, y0, y1, reach, grow in (
        (int(15000 * few), -3.0, 30.0, 20.0, 1.0),
        (int(13000 * few), 25.0, 95.0, 45.0, 1.7),
    ):
        y = rng.uniform(y0, y1, count)
        x = land.line(float(np.mean(land.tracks)), y) + rng.uniform(-reach, reach, count)
        d = land.from_track(x, y)
        patchy = 0.5 + 0.5 * np.sin(x * 0.9 + 2 * np.sin(y * 0.35)) * np.sin(y * 0.6 + x * 0.2)
        kept = (d > 3.0) & (rng.random(count) < 0.35 + 0.65 * patchy)
        x, y, d = x[kept], y[kept], d[kept]
        points = np.column_stack([x, y, land.height(x, y)])
        turns = np.zeros((len(x), 3))
        turns[:, 2] = rng.uniform(0, 2 * np.pi, len(x))
        size = rng.uniform(0.5, 1.25, len(x)) * grow * np.clip((d - 2.2) / 2.0, 0.45, 1.0)
        scatter("grass", points, turns, size, tufts, land.seed + 7)
    weeds = [to_object(f"weed{k}", _clump(rng, 26, 0.95, 0.1), blade) for k in range(3)]
    n = int(420 * (0.5 if air.snow else 1.0))
    y = rng.uniform(2, 70, n)
    side = rng.choice([-1.0, 1.0], n)
    edge = max(land.tracks) - float(np.mean(land.tracks)) + 4.0
    x = land.line(float(np.mean(land.tracks)), y) + side * (edge + rng.exponential(3.0, n))
    points = np.column_stack([x, y, land.height(x, y)])
    turns = np.column_stack([np.zeros(n), np.zeros(n), rng.uniform(0, 6.3, n)])
    scatter("weeds", points, turns, rng.uniform(0.5, 1.25, n), weeds, land.seed + 9)


def _cards(centres: Array, size: Array, rng: np.random.Generator, flat: float) -> Mesh:
    """Return one small quad per centre, facing anywhere (`flat` 0) or mostly up (1)."""
    n = len(centres)
    normal = rng.normal(size=(n, 3))
    normal[:, 2] = normal[:, 2] * (1 - flat) + flat * 2.0
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    u = np.cross(normal, rng.normal(size=(n, 3)))
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    w = np.cross(normal, u)
    s = size[:, None] / 2
    v = np.stack(
        [centres - u * s * 1.6, centres - w * s, centres + u * s * 1.6, centres + w * s], 1
    )
    return Mesh(v.reshape(-1, 3), [(4 * i, 4 * i + 1, 4 * i + 2, 4 * i + 3) for i in range(n)])


def conifer(rng: np.random.Generator) -> Mesh:
    """Return the needles of a spruce about 1 high: drooping boughs with hanging twigs."""
    centres, along, size = [], [], []
    for level in np.linspace(0.05, 0.985, 58):
        reach = 0.23 * (1 - level) ** 0.9 + 0.012
        for a in rng.uniform(0, 2 * np.pi, int(7 + 9 * (1 - level))):
            length = reach * rng.uniform(0.5, 1.2)
            t = np.linspace(0.1, 1, max(4, int(length / 0.008)))
            way = np.array([np.cos(a), np.sin(a), 0.0])
            spot = way * (length * t)[:, None]
            spot[:, 2] = level + 0.25 * length * t - 0.75 * length * t**2
            spread = rng.normal(0, 0.006, (len(t), 3)) * (1.4 - t)[:, None]
            side = np.cross(way, [0, 0, 1]) * rng.choice([-1.0, 1.0], len(t))[:, None]
            centres.append(spot + spread)
            along.append(way * 0.6 + side * 0.8 + rng.normal(0, 0.25, (len(t), 3)) - [0, 0, 0.35])
            size.append(0.018 * (1.25 - 0.6 * t) * rng.uniform(0.7, 1.3, len(t)))
    return _sprigs(np.concatenate(centres), np.concatenate(along), np.concatenate(size), rng)


def _sprigs(centres: Array, along: Array, size: Array, rng: np.random.Generator) -> Mesh:
    """Return one narrow pointed leaf per centre, lying along the given directions."""
    n = len(centres)
    u = along / np.linalg.norm(along, axis=1, keepdims=True)
    w = np.cross(u, rng.normal(0, 0.5, (n, 3)) + np.array([0.0, 0.0, 1.0]))
    w /= np.linalg.norm(w, axis=1, keepdims=True)
    s = size[:, None]
    v = np.stack(
        [centres - u * s * 0.3, centres - w * s * 0.22, centres + u * s, centres + w * s * 0.22], 1
    )
    return Mesh(v.reshape(-1, 3), [(4 * i, 4 * i + 1, 4 * i + 2, 4 * i + 3) for i in range(n)])


def broadleaf(rng: np.random.Generator, low: float = 0.28, leaves: int = 7000) -> tuple[Mesh, Mesh]:
    """Return leaves and wood of a broad-leaved tree (or a bush, with a small `low`) 1 high."""
    parts = [tube((0, 0, 0), (0.01, 0, low + 0.15), 0.022, 0.014, 8)]
    centres = []
    blobs = 22
    for _ in range(blobs):
        a, e = rng.uniform(0, 2 * np.pi), rng.uniform(-0.5, 1.0)
        far = rng.uniform(0.35, 1.0)
        mid = np.array([0.3 * np.cos(a) * far, 0.3 * np.sin(a) * far, 0.0])
        mid[2] = low + (1 - low) * (0.5 + 0.4 * e * (1 - 0.35 * far))
        parts.append(tube((0, 0, low + 0.1), mid, 0.009, 0.002, 5))
        p = rng.normal(size=(leaves // blobs, 3))
        p /= np.linalg.norm(p, axis=1, keepdims=True)
        p *= (rng.random((len(p), 1)) ** 0.45) * rng.uniform(0.09, 0.16)
        centres.append(mid + p * [1.15, 1.15, 0.8])
    spots = np.concatenate(centres)
    size = rng.uniform(0.01, 0.022, len(spots))
    return _cards(spots, size, rng, 0.2), join(parts)


def _trees(air: Air, land: Land, rng: np.random.Generator) -> None:
    needle = foliage(air, "needle", (0.02, 0.045, 0.018), (0.06, 0.095, 0.032), through=0.2)
    tones: dict[str, tuple[Rgb, Rgb]] = {
        "summer": ((0.055, 0.11, 0.018), (0.13, 0.18, 0.045)),
        "autumn": ((0.32, 0.16, 0.025), (0.2, 0.17, 0.04)),
        "winter": ((0.1, 0.075, 0.05), (0.13, 0.1, 0.07)),
    }
    leaf = foliage(air, "leaf", *tones[land.season], through=0.4)
    bark = surface(air, "bark", (0.09, 0.07, 0.055), (0.05, 0.04, 0.032), scale=20, snow=0.4)
    spruces = [to_object(f"spruce{k}", conifer(rng), needle) for k in range(4)]
    # In winter the broad-leaved trees are nearly bare.
    leaves = 900 if land.season == "winter" else 7000
    crowns, stems, bushes = [], [], []
    for k in range(4):
        crown, stem = broadleaf(rng, leaves=leaves)
        crowns.append(to_object(f"crown{k}", crown, leaf))
        stems.append(to_object(f"stem{k}", stem, bark))
    for k in range(3):
        bushes.append(to_object(f"bush{k}", broadleaf(rng, 0.02, leaves // 2)[0], leaf))
    n = int(950 * land.woods)
    side = rng.choice([-1.0, 1.0], n)
    y = rng.uniform(14, 420, n)
    reach = land.tree_gap_m + rng.exponential(28.0, n) + 0.02 * y
    x = land.line(float(np.mean(land.tracks)), y) + side * reach
    ahead = int(260 * land.woods)
    x = np.concatenate([x, rng.uniform(-170, 170, ahead)])
    y = np.concatenate([y, rng.uniform(430, 560, ahead)])
    points = np.column_stack([x, y, land.height(x, y) - 0.1])
    turns = np.column_stack([rng.normal(0, 0.03, (len(x), 2)), rng.uniform(0, 6.3, len(x))])
    groves = np.sin(x * 0.05 + land.seed) + np.sin(y * 0.04)
    kind = groves + rng.normal(0, 0.7, len(x)) > 0
    tall = rng.uniform(7.5, 16, len(x))
    scatter("spruces", points[kind], turns[kind], tall[kind], spruces, land.seed + 11)
    broad = ~kind
    scale = tall[broad] * 0.75
    # The same seed picks crown and stem alike, so each crown gets its own wood.
    scatter("crowns", points[broad], turns[broad], scale, crowns, land.seed + 13)
    scatter("stems", points[broad], turns[broad], scale, stems, land.seed + 13)
    m = int(260 * max(land.woods, 0.3))
    by = rng.uniform(10, 260, m)
    away = land.tree_gap_m * 0.72 + rng.exponential(9.0, m)
    bx = land.line(float(np.mean(land.tracks)), by) + rng.choice([-1.0, 1.0], m) * away
    spots = np.column_stack([bx, by, land.height(bx, by) - 0.05])
    yaw = np.column_stack([np.zeros((m, 2)), rng.uniform(0, 6.3, m)])
    scatter("bushes", spots, yaw, rng.uniform(0.9, 3.2, m), bushes, land.seed + 17)


def _hills(air: Air, land: Land, rng: np.random.Generator) -> None:
    if land.hills_m <= 0:
        return
    wood = surface(
        air,
        "hill",
        (0.014, 0.03, 0.012),
        (0.05, 0.07, 0.025),
        scale=0.05,
        roughness=1.0,
        bump=5.0,
        bump_scale=0.12,
        world_space=True,
        snow=0.7,
    )
    xs, ys = np.linspace(-2600, 2600, 260), np.linspace(620, 2600, 90)
    gx, gy = np.meshgrid(xs, ys)
    z = np.zeros_like(gx)
    for k in range(7):
        f, a = 0.0011 * 1.75**k, 0.62**k
        p = rng.uniform(0, 6.3, 3)
        z += a * np.sin(gx * f + p[0] + 0.8 * np.sin(gy * f * 0.7 + p[1])) * np.cos(gy * f + p[2])
    rise = np.clip((gy - 640) / 900, 0, 1) ** 0.8
    z = -2 + land.hills_m * rise * np.clip(0.75 + 0.6 * z, 0, None)
    z += rng.normal(0, 1.4, z.shape) * rise
    place("hills", height_grid(xs, ys, z), wood, smooth=True)
