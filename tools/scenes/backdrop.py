"""Surroundings without a mast: sky, land, woods, houses, track, in linear light.

Nothing here is a picture of a real place; texture comes from random clouds of several scales,
or from the pictures that scikit-image carries, blurred and cut at random.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes import land
from mastread.tools.scenes.ink import Picture, cloud, scaled
from mastread.tools.scenes.land import Air
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
        land.ground(rng, out, horizon, air, light)
    season = str(rng.choice(["summer", "autumn", "bare"]))
    for depth in np.sort(rng.uniform(0.1, 1.0, int(rng.integers(0, 4)))):
        land.hills(rng, out, horizon, air, float(depth), light)
    for depth in np.sort(rng.uniform(0.3, 1.4, int(rng.integers(0, 4)))):
        if rng.random() < 0.65:
            land.trees(rng, out, horizon, air, float(depth), px_per_m, season, light)
        else:
            found += land.houses(rng, out, horizon, air, float(depth), px_per_m, light)
    if rng.random() < 0.45:
        land.wires(rng, out, horizon, air, px_per_m)
    return out, found


def photograph(
    rng: Rng, height: int, width: int, level: float, light: str, folder: Path | None = None
) -> Picture:
    """Return a random cut of a photograph, blurred and tinted, as light.

    Parameters
    ----------
    folder : photographs to take besides those of scikit-image
    """
    own = sorted(folder.glob("*.jpg")) if folder is not None else []
    if own and rng.random() < 0.85:
        name = str(own[int(rng.integers(len(own)))])
        image = np.asarray(cv2.imread(name, cv2.IMREAD_COLOR), np.uint8)[:, :, ::-1]
        # Fine detail is what may be mistaken for a lamp.
        least_blur, most_blur = 0.01, 1.5
    else:
        image = _carried(rng, light)
        least_blur, most_blur = 0.8, 6.0
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
    big = cv2.GaussianBlur(big, (0, 0), float(rng.uniform(least_blur, most_blur)))
    grain = cloud((height, width), rng, 6.0, 3) - 0.5
    big = np.maximum(big, 0.0) * (1.0 + 0.15 * grain[:, :, None])
    tint = rng.uniform(0.8, 1.2, 3)
    return np.asarray(big * tint * level * 1.2, np.float32)


def _carried(rng: Rng, light: str) -> NDArray[np.uint8]:
    """One of the pictures that scikit-image carries."""
    from skimage import data

    names = (
        "chelsea",
        "coffee",
        "brick",
        "grass",
        "gravel",
        "immunohistochemistry",
        "clock",
        "moon",
        "colorwheel",
    )
    name = names[int(rng.integers(len(names)))]
    if light == "night" and rng.random() < 0.1:
        # Bright coloured specks on black: hard, and rare.
        name = "hubble_deep_field"
    return np.asarray(getattr(data, name)(), np.uint8)
