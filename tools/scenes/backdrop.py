"""Surroundings without a mast: sky, land, woods, houses, track, in linear light.

Nothing here is a picture of a real place; texture comes from random clouds of several scales,
or from the pictures that scikit-image carries, blurred and cut at random.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.ink import Ink, Picture, Rgb, cloud, scaled
from mastread.tools.scenes.layers import Distractor

Rng = np.random.Generator

#: Times of day and weathers, with how often they are drawn.
LIGHTS: Final[dict[str, float]] = {
    "sun": 0.22,
    "overcast": 0.2,
    "backlit": 0.07,
    "dusk": 0.14,
    "night": 0.17,
    "snow": 0.08,
    "fog": 0.06,
    "layout": 0.06,
}


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


def draw_air(rng: Rng, light: str) -> Air:
    """Draw the light of a scene; KeyError for an unknown kind of light."""
    bright = float(rng.uniform(-1.0, 1.0))
    haze = float(rng.uniform(0.05, 0.45))
    u = rng.uniform
    if light == "sun":
        deep = u(0.25, 0.8)
        blue = (0.16 * deep + 0.1, 0.32 * deep + 0.14, 0.75 * deep + 0.25)
        low = (0.55 + u(0, 0.3), 0.7 + u(0, 0.25), 0.85 + u(0, 0.2))
        cast = (u(0.95, 1.15), 1.0, u(0.82, 1.05))
        return Air(blue, low, float(u(0.8, 1.1)), bright, haze, cast)
    if light in ("overcast", "snow"):
        level = u(0.7, 1.7) if light == "overcast" else u(0.6, 1.1)
        tint = u(0.94, 1.0)
        low = scaled((tint, 0.98, 1.02), level)
        cast = (u(0.86, 1.0), 1.0, u(1.0, 1.2))
        return Air(scaled(low, u(0.6, 1.0)), low, float(u(0.35, 0.7)), bright, haze, cast)
    if light == "backlit":
        low = scaled((1.0, u(0.8, 1.0), u(0.5, 0.95)), u(2.5, 8.0))
        return Air(
            scaled((0.45, 0.62, 0.9), u(0.6, 1.6)),
            low,
            float(u(0.15, 0.4)),
            bright,
            float(u(0.2, 0.6)),
            (u(0.95, 1.25), 1.0, u(0.7, 1.0)),
        )
    if light == "dusk":
        warm = rng.random()
        low = scaled((1.0, 0.55 + 0.4 * (1 - warm), 0.3 + 0.7 * (1 - warm)), u(0.25, 1.1))
        return Air(
            scaled((0.25, 0.4, 0.8), u(0.15, 0.7)),
            low,
            float(u(0.05, 0.18)),
            bright,
            haze,
            (u(0.85, 1.2), 1.0, u(0.75, 1.2)),
        )
    if light == "night":
        glow = 10 ** u(-2.6, -1.0)
        low = scaled((1.0, u(0.65, 0.95), u(0.35, 1.0)), glow)
        return Air(
            scaled((0.35, 0.45, 0.8), glow * u(0.1, 0.6)),
            low,
            float(10 ** u(-2.3, -1.2)),
            bright,
            float(u(0.0, 0.3)),
            (u(0.9, 1.7), 1.0, u(0.45, 1.1)),
        )
    if light == "fog":
        level = u(0.4, 1.0)
        low = scaled((u(0.95, 1.02), 1.0, u(0.98, 1.06)), level)
        return Air(
            scaled(low, u(0.8, 1.0)),
            low,
            float(u(0.3, 0.5)),
            bright,
            float(u(0.75, 0.97)),
            (u(0.9, 1.05), 1.0, u(0.95, 1.15)),
        )
    if light == "layout":
        level = u(0.3, 0.8)
        low = scaled((u(0.7, 1.0), u(0.75, 1.0), u(0.7, 1.0)), level)
        return Air(
            scaled((0.4, 0.6, 0.85), level),
            low,
            float(u(0.4, 0.8)),
            bright,
            0.0,
            (u(1.0, 1.8), 1.0, u(0.35, 1.0)),
        )
    raise KeyError(light)


def sky(rng: Rng, height: int, width: int, horizon: float, air: Air, light: str) -> Picture:
    """Return a sky that fills the picture, with clouds; the horizon stands at row `horizon`."""
    t = np.clip(np.arange(height) / max(1.0, horizon), 0.0, 1.0) ** rng.uniform(0.7, 2.5)
    top, low = np.array(air.zenith), np.array(air.low_sky)
    column = top[None, :] * (1.0 - t[:, None]) + low[None, :] * t[:, None]
    out = np.repeat(column[:, None, :], width, axis=1).astype(np.float32)
    if rng.random() < 0.5:
        lean = np.linspace(1.0 - 0.25 * air.bright, 1.0 + 0.25 * air.bright, width)
        out *= lean[None, :, None].astype(np.float32)
    if light != "fog" and rng.random() < 0.75:
        cells = rng.uniform(0.1, 0.6) * width
        shape = cloud((height, width), rng, cells, 6, float(rng.uniform(1.0, 3.0)))
        edge = rng.uniform(0.3, 0.75)
        soft = rng.uniform(0.08, 0.45)
        cover = np.clip((shape - edge) / soft, 0.0, 1.0) * rng.uniform(0.3, 1.0)
        shade = np.clip(1.15 - 0.5 * (shape - edge) / max(0.1, 1 - edge), 0.5, 1.2)
        if light == "sun":
            paint = np.array([1.0, 1.0, 1.02]) * rng.uniform(0.8, 1.3)
        elif light in ("dusk", "backlit"):
            paint = np.array(air.low_sky) * rng.uniform(0.3, 1.2)
        else:
            paint = np.array(air.low_sky) * rng.uniform(0.4, 1.0)
        puffs = shade[:, :, None] * paint.astype(np.float32)
        out += cover[:, :, None].astype(np.float32) * (puffs.astype(np.float32) - out)
    return out


def outdoors(
    rng: Rng, height: int, width: int, horizon: float, air: Air, light: str, px_per_m: float
) -> tuple[Picture, list[Distractor]]:
    """Paint open land with whatever the draw brings; returns the picture and what may mislead.

    Parameters
    ----------
    horizon : row of the horizon; may lie outside the picture
    px_per_m : scale at the distance of the mast
    """
    out = sky(rng, height, width, horizon, air, light)
    found: list[Distractor] = []
    if horizon < height + 2:
        ground(rng, out, horizon, air, light)
    season = str(rng.choice(["summer", "autumn", "bare"]))
    for depth in np.sort(rng.uniform(0.1, 1.0, int(rng.integers(0, 4)))):
        hills(rng, out, horizon, air, float(depth), light)
    for depth in np.sort(rng.uniform(0.3, 1.4, int(rng.integers(0, 4)))):
        if rng.random() < 0.65:
            trees(rng, out, horizon, air, float(depth), px_per_m, season, light)
        else:
            found += houses(rng, out, horizon, air, float(depth), px_per_m, light)
    if rng.random() < 0.45:
        wires(rng, out, horizon, air, px_per_m)
    return out, found


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
    tint = np.array(albedo, np.float32) * np.float32(air.ground) * rng.uniform(0.7, 1.3, 3)
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


def photograph(rng: Rng, height: int, width: int, level: float) -> Picture:
    """Return a random cut of one of scikit-image's pictures, blurred and tinted, as light."""
    from skimage import data

    names = (
        "chelsea",
        "coffee",
        "brick",
        "grass",
        "gravel",
        "stereo_motorcycle",
        "hubble_deep_field",
        "colorwheel",
    )
    name = names[int(rng.integers(len(names)))]
    image = getattr(data, name)()
    if isinstance(image, tuple):
        image = image[0]
    picture = np.asarray(image, np.float32) / np.float32(255.0)
    if picture.ndim == 2:
        picture = np.repeat(picture[:, :, None], 3, axis=2)
    linear = np.where(picture <= 0.04045, picture / 12.92, ((picture + 0.055) / 1.055) ** 2.4)
    h, w = linear.shape[:2]
    zoom = float(rng.uniform(0.35, 1.0))
    aspect = width / height
    cut_h = max(16, int(min(h, w / aspect) * zoom))
    cut_w = max(16, int(cut_h * aspect))
    y = int(rng.integers(0, max(1, h - cut_h + 1)))
    x = int(rng.integers(0, max(1, w - cut_w + 1)))
    cut = linear[y : y + cut_h, x : x + cut_w]
    if rng.random() < 0.5:
        cut = cut[:, ::-1]
    big = cv2.resize(
        np.ascontiguousarray(cut, np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    big = cv2.GaussianBlur(big, (0, 0), float(rng.uniform(0.8, 6.0)))
    grain = cloud((height, width), rng, 6.0, 3) - 0.5
    big = np.maximum(big, 0.0) * (1.0 + 0.15 * grain[:, :, None])
    tint = rng.uniform(0.8, 1.2, 3)
    return np.asarray(big * tint * level * 1.2, np.float32)


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
