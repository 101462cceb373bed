"""Land and what stands on it: ground with track, hills, trees, houses, wires."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.ink import Ink, Picture, Rgb, cloud, scaled
from mastread.tools.scenes.layers import Distractor

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Air:
    """The light of a scene.

    Attributes
    ----------
    zenith, low_sky : colour of the sky overhead and at the horizon
    ground : light that falls on things, so that a white wall has this radiance
    bright : where the light comes from, -1 left to 1 right
    haze : share of light lost to the air at the horizon
    cast : illuminant colour in raw camera terms (red, green, blue), which white balance undoes
    """

    zenith: Rgb
    low_sky: Rgb
    ground: float
    bright: float
    haze: float
    cast: Rgb


def ground(rng: Rng, out: Picture, horizon: float, air: Air, light: str) -> None:
    """Paint grass, ballast, snow or pavement from the horizon down, with a track at times."""
    height, width = out.shape[:2]
    top = max(0, int(np.ceil(horizon)))
    rows = height - top
    if rows < 2:
        return
    kind = (
        "snow"
        if light == "snow"
        else str(
            rng.choice(
                ["grass", "ballast", "dry", "pavement", "snow"], p=[0.3, 0.33, 0.2, 0.12, 0.05]
            )
        )
    )
    albedo: Rgb = {
        "grass": (0.07, 0.13, 0.03),
        "ballast": (0.16, 0.15, 0.14),
        "dry": (0.25, 0.19, 0.1),
        "pavement": (0.2, 0.2, 0.2),
        "snow": (0.85, 0.88, 0.93),
    }[kind]
    y = np.arange(rows, dtype=np.float32) + 1.0
    texture = _plane(rng, rows, width, float(rng.uniform(0.2, 0.8)) * width)
    grain = rng.random((rows, width), np.float32)
    rough = 0.6 if kind != "snow" else 0.12
    fine = (0.6 if kind == "ballast" else 0.25) * rough
    level = 1.0 + rough * (texture - 0.5) * 2.0 + fine * (grain - 0.5) * 2.0
    wide = cloud((rows, width), rng, 0.3 * width, 3, 3.0)
    level *= 0.75 + 0.5 * wide
    if light in ("sun", "backlit") and rng.random() < 0.5:
        shadow = cloud((rows, width), rng, 0.2 * width, 4, 4.0) > rng.uniform(0.45, 0.8)
        level = np.where(shadow, level * 0.3, level)
    tint = (
        np.array(albedo, np.float32)
        * np.float32(air.ground)
        * rng.uniform(*((0.95, 1.05) if kind == "snow" else (0.7, 1.3)), 3)
    )
    part = level[:, :, None].astype(np.float32) * tint.astype(np.float32)
    fog = np.exp(-y / (rows * 0.15 + 4.0))[:, None, None] * min(1.0, air.haze * 1.2)
    low = np.array(air.low_sky, np.float32)
    out[top:] = part * (1 - fog) + low * fog
    if rng.random() < 0.65:
        _track(rng, out, float(top), air, kind)


def _plane(rng: Rng, rows: int, width: int, centre: float) -> Picture:
    """Texture of level ground seen from above it, 0..1; the first row is the horizon."""
    y = np.arange(rows, dtype=np.float32)[:, None] + 1.5
    x = np.arange(width, dtype=np.float32)[None, :] - np.float32(centre)
    total = np.full((rows, width), 0.5, np.float32)
    for scale in (0.06, 0.2, 0.7, 2.0):
        grid = rng.random((256, 256), np.float32)
        across = x / y * np.float32(rows * scale)
        away = np.float32(0.9 * width * rows * scale) / y
        # Where a pixel spans more than a cell the texture averages out.
        cells = np.float32(0.9 * width * rows * scale) / y**2
        weight = np.clip(1.6 - np.maximum(cells, rows * scale / y), 0.0, 1.0) * 0.22
        away = np.repeat(away, width, axis=1)
        sample = cv2.remap(
            np.pad(grid, ((0, 1), (0, 1)), mode="wrap"),
            np.mod(across, 256.0).astype(np.float32),
            np.mod(away, 256.0).astype(np.float32),
            cv2.INTER_LINEAR,
        )
        total += weight * (sample - 0.5) * 2.0
    return np.asarray(total, np.float32)


def hills(rng: Rng, out: Picture, horizon: float, air: Air, depth: float, light: str) -> None:
    """Paint a line of hills; `depth` 0 far (blue with haze) to 1 near."""
    height, width = out.shape[:2]
    rise = rng.uniform(0.01, 0.16) * height * (0.5 + 0.5 * depth)
    line = horizon - rise * _profile(rng, width, rng.uniform(0.2, 0.8) * width, 5)
    base = np.array([0.05, 0.09, 0.04]) if rng.random() < 0.6 else np.array([0.16, 0.13, 0.09])
    if light == "snow":
        base = np.array([0.55, 0.58, 0.63])
    haze = np.clip(air.haze + 0.6 * (1.0 - depth), 0.0, 0.96)
    texture = cloud((height, width), rng, 0.05 * width, 4, 2.0)
    _under(out, line, horizon + 2, (0.6 + 0.8 * texture)[:, :, None] * base * air.ground, air, haze)


def trees(
    rng: Rng,
    out: Picture,
    horizon: float,
    air: Air,
    depth: float,
    px_per_m: float,
    season: str,
    light: str,
) -> None:
    """Paint a row of trees or bushes."""
    height, width = out.shape[:2]
    size = float(np.clip(rng.uniform(4.0, 16.0) * px_per_m * depth * 0.6, 6.0, 0.9 * height))
    foot = horizon + (depth**2) * 0.06 * height
    line = foot - size * (0.25 + 0.75 * _profile(rng, width, size * rng.uniform(0.5, 2.5), 6))
    y = np.arange(height, dtype=np.float32)[:, None]
    leaf = float(np.clip(size / 5.0, 3.0, 60.0))
    shape = cloud((height, width), rng, leaf, 6, 1.0, 0.72)
    away = (y - line[None, :]) / max(4.0, size * 0.35)
    solid = shape + np.clip(away, -1.5, 2.0) > rng.uniform(0.45, 0.75)
    solid &= y < foot + 3
    if rng.random() < 0.4:
        # Clumps: the crown line sinks to the ground between them.
        gaps = np.clip((_profile(rng, width, size * 2.0, 3) - rng.uniform(0.3, 0.6)) * 5.0, 0, 1)
        crown = foot - (foot - line) * gaps
        solid &= y + 0.3 * size * (shape - 0.5) > crown[None, :]
    leaves = cloud((height, width), rng, max(3.0, leaf * 0.8), 6, 1.0, 0.85)
    green = {
        "summer": np.array([0.05, 0.1, 0.02]),
        "autumn": np.array(
            [[0.22, 0.1, 0.02], [0.25, 0.16, 0.02], [0.18, 0.04, 0.02]][int(rng.integers(3))]
        ),
        "bare": np.array([0.09, 0.075, 0.06]),
    }[season]
    if rng.random() < 0.3:
        green = np.array([0.03, 0.055, 0.03])
    if light == "snow":
        green = green * 0.6 + 0.15 * rng.random()
    # Light comes from above: crowns are bright on top and dark below.
    drop = np.clip((y - line[None, :]) / max(4.0, size), 0.0, 1.0)
    shade = (0.12 + 2.1 * leaves**2) * (1.35 - 0.8 * drop)
    if light in ("sun", "backlit"):
        # Sunlit leaves against shade: the speckle that small lamps hide in.
        shade = shade + 5.0 * np.clip(leaves - 0.82, 0.0, 1.0) * rng.random()
    paint = shade[:, :, None] * green * air.ground
    haze = np.clip(air.haze * (1.4 - depth), 0.0, 0.97)
    low = np.array(air.low_sky)
    paint = paint * (1.0 - haze) + low * haze
    out[solid] = paint.astype(np.float32)[solid]


def houses(
    rng: Rng, out: Picture, horizon: float, air: Air, depth: float, px_per_m: float, light: str
) -> list[Distractor]:
    """Paint a few buildings with windows, some lit; returns lit windows and red walls."""
    height, width = out.shape[:2]
    foot = horizon + (depth**2) * 0.05 * height
    scale = px_per_m * depth * 0.6
    found: list[Distractor] = []
    haze = float(np.clip(air.haze * (1.3 - depth), 0.0, 0.97))
    for _ in range(int(rng.integers(1, 6))):
        wide = float(np.clip(rng.uniform(6, 25) * scale, 8, width))
        tall = float(np.clip(rng.uniform(3, 22) * scale, 8, height))
        x0 = float(rng.uniform(-0.1 * width, width))
        y0, y1 = foot - tall, foot + 2
        wall = _wall(rng)
        ink = _sheet(out, x0, y0 - tall * 0.3, x0 + wide, y1, 2)
        if ink is None:
            continue
        lit_wall = air.ground * float(rng.uniform(0.5, 1.1))
        ink.rect(x0, y0, x0 + wide, y1, scaled(wall, lit_wall))
        if rng.random() < 0.4:
            peak = (x0 + wide / 2, y0 - tall * 0.28)
            roof = scaled((0.12, 0.08, 0.07), air.ground)
            ink.polygon([(x0 - 2, y0), peak, (x0 + wide + 2, y0)], roof)
        if wall[0] > 3.0 * wall[1]:
            found.append(Distractor("red wall", x0 + wide / 2, (y0 + y1) / 2, wide / 2, False))
        step = float(np.clip(rng.uniform(1.5, 4.0) * scale, 4.0, 60.0))
        pane = step * float(rng.uniform(0.25, 0.6))
        night = light in ("night", "dusk")
        share = float(rng.uniform(0.0, 0.6)) if night else 0.02
        for wy in np.arange(y0 + step * 0.6, y1 - step * 0.6, step):
            for wx in np.arange(x0 + step * 0.5, x0 + wide - step * 0.5, step):
                if rng.random() < share:
                    warm = rng.random()
                    tone = (1.0, 0.55 + 0.4 * warm, 0.2 + 0.7 * warm)
                    shine = 10 ** rng.uniform(-1.0, 0.6)
                    ink.rect(wx, wy, wx + pane, wy + pane * 1.2, scaled(tone, shine))
                    if len(found) < 40:
                        found.append(
                            Distractor("lit window", wx + pane / 2, wy + pane / 2, pane / 2, True)
                        )
                else:
                    dark = scaled((0.05, 0.06, 0.08), air.ground * rng.uniform(0.4, 3.0))
                    ink.rect(wx, wy, wx + pane, wy + pane * 1.2, dark)
        ink.lay_on(out, haze, air.low_sky)
    return found


def wires(rng: Rng, out: Picture, horizon: float, air: Air, px_per_m: float) -> None:
    """Paint poles and sagging wires."""
    height, width = out.shape[:2]
    ink = Ink(0, 0, width, max(2, min(height, int(horizon) + 8)), 1)
    dark = scaled((0.04, 0.035, 0.03), max(0.02, air.ground))
    if horizon < 12:
        return
    top = horizon - min(0.95 * horizon, rng.uniform(5, 11) * px_per_m)
    for x in np.arange(rng.uniform(-50, 200), width + 400, rng.uniform(0.15, 0.7) * width):
        w = max(1.0, 0.28 * px_per_m)
        ink.line((x, horizon + 6), (x, top), w, dark)
        ink.line((x - 6 * w, top + 3 * w), (x + 6 * w, top + 3 * w), w * 0.7, dark)
    for k in range(int(rng.integers(1, 5))):
        y = top + (2 + 3 * k) * max(1.0, 0.28 * px_per_m)
        slope = rng.uniform(-0.1, 0.1)
        xs = np.linspace(-10, width + 10, 60)
        sag = rng.uniform(0.0, 0.03) * width
        ys = y + slope * (xs - width / 2) + sag * np.sin(np.linspace(0, np.pi, 60))
        for i in range(59):
            ink.line((xs[i], ys[i]), (xs[i + 1], ys[i + 1]), max(0.8, 0.04 * px_per_m), dark)
    ink.lay_on(out, air.haze * 0.5, air.low_sky)


def _track(rng: Rng, out: Picture, horizon: float, air: Air, kind: str) -> None:
    """Paint a straight track running to the horizon, with ties and shiny rails."""
    height, width = out.shape[:2]
    top = int(horizon)
    ink = Ink(0, top, width, height - top, 1)
    vx = float(rng.uniform(0.1, 0.9) * width)
    for _ in range(int(rng.integers(1, 4))):
        foot = float(rng.uniform(-0.3, 1.3) * width)
        gauge = float(rng.uniform(0.12, 0.35) * width)
        bed = (height - horizon) * 1.0
        tie = scaled((0.1, 0.08, 0.07), air.ground)
        if kind != "snow":
            y = horizon + 3.0
            while y < height:
                t = (y - horizon) / bed
                cx = vx + (foot - vx) * t
                half = gauge * t * 0.85
                ink.rect(cx - half, y, cx + half, y + max(0.6, 6.0 * t), tie)
                y += max(1.5, 14.0 * t)
        shine = float(rng.uniform(0.2, 1.2))
        for side in (-0.5, 0.5):
            x1 = foot + side * gauge
            w = max(1.0, 0.05 * gauge)
            points = [(vx, horizon), (x1 - w, float(height)), (x1 + w, float(height))]
            ink.polygon(points, scaled((0.3, 0.27, 0.25), air.ground * shine))
            ink.polygon(
                [(vx, horizon), (x1 - w * 0.3, float(height)), (x1 + w * 0.3, float(height))],
                scaled((0.7, 0.72, 0.75), air.ground * shine),
            )
    ink.lay_on(out)


def _profile(rng: Rng, width: int, cell: float, octaves: int) -> NDArray[np.float32]:
    """Random skyline 0..1 over the columns."""
    return np.asarray(cloud((1, width), rng, max(2.0, cell), octaves)[0], np.float32)


def _under(
    out: Picture,
    line: NDArray[np.float32],
    foot: float,
    paint: NDArray[np.float64],
    air: Air,
    haze: float,
) -> None:
    """Paint what lies between a skyline and its foot."""
    y = np.arange(out.shape[0], dtype=np.float32)[:, None]
    solid = (y >= line[None, :]) & (y < foot)
    mixed = paint * (1.0 - haze) + np.array(air.low_sky) * haze
    out[solid] = mixed.astype(np.float32)[solid]


def _wall(rng: Rng) -> Rgb:
    """Colour of a wall: mostly dull, at times a red barn or something painted."""
    if rng.random() < 0.15:
        return (float(rng.uniform(0.25, 0.5)), 0.04, 0.03)
    if rng.random() < 0.15:
        bold = rng.uniform(0.03, 0.5, 3)
        return (float(bold[0]), float(bold[1]), float(bold[2]))
    grey = float(rng.uniform(0.08, 0.6))
    warm = float(rng.uniform(0.7, 1.0))
    return (grey, grey * (0.5 + 0.5 * warm), grey * warm)


def _sheet(out: Picture, x0: float, y0: float, x1: float, y1: float, scale: int) -> Ink | None:
    """Return a sheet over the part of a box that lies in the picture, or None."""
    height, width = out.shape[:2]
    left, top = max(0, int(np.floor(x0)) - 2), max(0, int(np.floor(y0)) - 2)
    right, bottom = min(width, int(np.ceil(x1)) + 3), min(height, int(np.ceil(y1)) + 3)
    if right - left < 2 or bottom - top < 2:
        return None
    return Ink(left, top, right - left, bottom - top, scale)
