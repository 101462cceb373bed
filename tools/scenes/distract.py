"""Things that are no signal lamps and may be taken for one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mastread.tools.scenes.ink import Ink, Picture, Rgb, circle, scaled
from mastread.tools.scenes.land import Air
from mastread.tools.scenes.layers import Distractor, MastInfo

Rng = np.random.Generator


def scatter(
    rng: Rng, picture: Picture, horizon: float, air: Air, light: str, white: float, px_per_m: float
) -> list[Distractor]:
    """Put a few misleading things anywhere into a picture, in place; returns them.

    Parameters
    ----------
    white : radiance that the camera will just clip
    px_per_m : scale at the distance of the mast
    """
    height, width = picture.shape[:2]
    dark = light in ("night", "dusk", "fog")
    found: list[Distractor] = []

    def spot(band: float = 0.3) -> tuple[float, float]:
        y = horizon + rng.normal(0.0, band) * height * 0.3
        return float(rng.uniform(0.02, 0.98) * width), float(np.clip(y, 4, height - 5))

    size = px_per_m * float(rng.uniform(0.4, 1.5))
    if rng.random() < (0.5 if dark else 0.06):
        tone: Rgb = [(1.0, 0.42, 0.08), (1.0, 0.75, 0.45), (0.85, 0.95, 1.0)][int(rng.integers(3))]
        for _ in range(int(rng.integers(1, 7))):
            x, y = float(rng.uniform(0, width)), float(rng.uniform(0.05, 0.9) * max(20.0, horizon))
            r = float(np.clip(0.12 * size, 0.8, 8.0))
            shine(picture, x, y, r, scaled(tone, white * 10 ** rng.uniform(0.2, 2.0)))
            found.append(Distractor("street light", x, y, r, True))
    if rng.random() < (0.3 if dark else 0.18):
        x, y = spot(0.15)
        found += _tail_lamps(rng, picture, x, y, size, air, white, dark)
    if rng.random() < (0.3 if dark else 0.1):
        x, y = spot(0.15)
        r = float(np.clip(0.12 * size, 1.0, 10.0))
        for dx in (0.0, float(rng.uniform(0.6, 1.6)) * size):
            glare = white * 10 ** rng.uniform(0.5, 2.0)
            shine(picture, x + dx, y, r, scaled((1.0, 0.9, 0.75), glare))
            found.append(Distractor("head lamp", x + dx, y, r, True))
    if rng.random() < 0.2:
        x, y = spot(0.2)
        found.append(_board(rng, picture, x, y, size, air))
    if rng.random() < 0.12:
        x, y = spot(0.2)
        found.append(_barn(rng, picture, x, y, size, air))
    if light in ("sun", "snow", "backlit") and rng.random() < 0.4:
        for _ in range(int(rng.integers(1, 10))):
            x = float(rng.uniform(0, width))
            y = float(rng.uniform(max(0.0, min(horizon, height - 3)), height - 1))
            r = float(rng.uniform(0.4, 1.6))
            shine(picture, x, y, r, scaled((1.0, 0.98, 0.92), white * 10 ** rng.uniform(0.0, 1.2)))
            found.append(Distractor("sun glint", x, y, r, False))
    if rng.random() < 0.06:
        x, y = spot(0.2)
        r = float(np.clip(rng.uniform(0.1, 0.4) * size, 1.5, 30))
        bold: Rgb = [(0.6, 0.02, 0.02), (0.02, 0.4, 0.12), (0.7, 0.4, 0.02), (0.03, 0.1, 0.5)][
            int(rng.integers(4))
        ]
        _disc(picture, x, y, r, scaled(bold, air.ground))
        found.append(Distractor("coloured disc", x, y, r, False))
    if dark and rng.random() < 0.15:
        x, y = spot(0.2)
        r = float(rng.uniform(0.8, 4.0))
        hue: Rgb = [(1.0, 0.02, 0.02), (0.05, 1.0, 0.3), (1.0, 0.35, 0.0), (0.1, 0.3, 1.0)][
            int(rng.integers(4))
        ]
        shine(picture, x, y, r, scaled(hue, white * 10 ** rng.uniform(-0.3, 1.0)))
        found.append(Distractor("coloured light of a building", x, y, r, True))
    return found


def near_mast(
    rng: Rng,
    picture: Picture,
    masts: Sequence[MastInfo],
    air: Air,
    light: str,
    white: float,
    px_per_m: float,
) -> list[Distractor]:
    """Put things close to a mast, where they mislead most; in place."""
    found: list[Distractor] = []
    height, width = picture.shape[:2]
    for mast in masts:
        if rng.random() > 0.25:
            continue
        head = mast.heads[0]
        r = head.radius_px
        reach = max(mast.box[2] - head.x, head.x - mast.box[0]) + (8.5 + 18.0 * rng.random()) * r
        x = float(head.x + rng.choice([-1.0, 1.0]) * reach)
        y = float(rng.uniform(mast.box[1], mast.box[3]))
        if not (3 < x < width - 4 and 3 < y < height - 4):
            continue
        room = 8.0 * r
        if any(
            m.box[0] - room < x < m.box[2] + room and m.box[1] - room < y < m.box[3] + room
            for m in masts
        ):
            # Nothing may stand in front of a mast: its truth would no longer hold.
            continue
        pick = rng.random()
        if pick < 0.35:
            found.append(_board(rng, picture, x, y, 6.0 * r, air))
        elif pick < 0.7 or light in ("sun", "overcast", "snow"):
            bold: Rgb = (0.5, 0.03, 0.02) if rng.random() < 0.5 else (0.03, 0.3, 0.1)
            _disc(picture, x, y, max(1.0, r), scaled(bold, air.ground))
            found.append(Distractor("coloured disc", x, y, max(1.0, r), False))
        else:
            tone: Rgb = (1.0, 0.8, 0.5)
            shine(picture, x, y, max(0.7, 0.6 * r), scaled(tone, white * 10 ** rng.uniform(0, 1.3)))
            found.append(Distractor("street light", x, y, max(0.7, 0.6 * r), True))
    return found


def shine(picture: Picture, x: float, y: float, radius: float, rgb: Rgb) -> None:
    """Add a round light with its veil to a picture in place."""
    height, width = picture.shape[:2]
    reach = int(np.ceil(radius * 3 + 40))
    x0, x1 = max(0, int(x) - reach), min(width, int(x) + reach + 1)
    y0, y1 = max(0, int(y) - reach), min(height, int(y) + reach + 1)
    if x0 >= x1 or y0 >= y1:
        return
    gy, gx = np.ogrid[y0:y1, x0:x1]
    r2 = (gx - x) ** 2 + (gy - y) ** 2
    r = np.sqrt(r2)
    core = np.clip(radius - r + 0.5, 0.0, 1.0)
    scale = 2.0 + radius
    edge = (1.0 + reach**2 / scale**2) ** -1.5
    veil = 0.012 * np.maximum(0.0, (1.0 + r2 / scale**2) ** -1.5 - edge)
    light = (core + veil).astype(np.float32)
    picture[y0:y1, x0:x1] += light[:, :, None] * np.asarray(rgb, np.float32)


def _disc(picture: Picture, x: float, y: float, radius: float, rgb: Rgb) -> None:
    """Lay an opaque disc with a lit upper side on a picture."""
    reach = int(np.ceil(radius)) + 2
    ink = Ink(int(x) - reach, int(y) - reach, 2 * reach + 1, 2 * reach + 1, 4)
    ink.disc(x, y, radius, rgb)
    ink.disc(x - 0.2 * radius, y - 0.25 * radius, 0.45 * radius, scaled(rgb, 1.3))
    ink.lay_on(picture)


def _tail_lamps(
    rng: Rng, picture: Picture, x: float, y: float, size: float, air: Air, white: float, dark: bool
) -> list[Distractor]:
    """The back of a vehicle: a body with a pair of red lamps."""
    w, h = 1.8 * size, 1.5 * size
    body = _bold(rng)
    ink = Ink(int(x - w), int(y - h), int(2 * w) + 2, int(2 * h) + 2, 2)
    ink.rounded(x - w / 2, y - h * 0.6, x + w / 2, y + h * 0.4, 0.15 * w, scaled(body, air.ground))
    ink.rect(x - w * 0.38, y - h * 0.5, x + w * 0.38, y - h * 0.15, scaled((0.03, 0.03, 0.04), 1))
    ink.lay_on(picture)
    r = float(np.clip(0.09 * size, 0.8, 10.0))
    lit = dark or rng.random() < 0.5
    found = []
    for side in (-0.42, 0.42):
        px = x + side * w
        _disc(picture, px, y, r, scaled((0.3, 0.01, 0.01), air.ground))
        if lit:
            glow = white * 10 ** rng.uniform(-0.3, 0.9)
            shine(picture, px, y, r, scaled((1.0, 0.01, 0.02), glow))
        found.append(Distractor("tail lamp", px, y, r, lit))
    return found


def _board(rng: Rng, picture: Picture, x: float, y: float, size: float, air: Air) -> Distractor:
    """A painted board or sign on a post."""
    r = float(np.clip(size * rng.uniform(0.15, 0.5), 2.0, 80.0))
    rgb = scaled(_bold(rng), air.ground)
    ink = Ink(int(x - 2 * r) - 2, int(y - 2 * r) - 2, int(4 * r) + 5, int(8 * r) + 5, 2)
    ink.line((x, y), (x, y + 6 * r), max(0.8, 0.15 * r), scaled((0.2, 0.2, 0.2), air.ground))
    shape = rng.random()
    if shape < 0.4:
        ink.rect(x - r, y - 0.7 * r, x + r, y + 0.7 * r, rgb)
    elif shape < 0.7:
        ink.polygon(circle(x, y, r), scaled((0.7, 0.7, 0.7), air.ground))
        ink.polygon(circle(x, y, 0.8 * r), rgb)
    else:
        ink.polygon([(x, y - r), (x + r, y + 0.7 * r), (x - r, y + 0.7 * r)], rgb)
    ink.lay_on(picture)
    return Distractor("sign", x, y, r, False)


def _barn(rng: Rng, picture: Picture, x: float, y: float, size: float, air: Air) -> Distractor:
    """A red barn or a red car on rails."""
    w, h = size * float(rng.uniform(4, 12)), size * float(rng.uniform(2, 5))
    ink = Ink(int(x - w) - 2, int(y - h) - 2, int(2 * w) + 5, int(1.6 * h) + 5, 1)
    red: Rgb = (float(rng.uniform(0.2, 0.5)), 0.03, 0.025)
    ink.rect(x - w / 2, y - h / 2, x + w / 2, y + h / 2, scaled(red, air.ground))
    if rng.random() < 0.6:
        roof = scaled((0.2, 0.2, 0.21), air.ground)
        ink.polygon([(x - w / 2, y - h / 2), (x, y - 0.95 * h), (x + w / 2, y - h / 2)], roof)
    ink.lay_on(picture, air.haze * 0.3, air.low_sky)
    return Distractor("red barn", x, y, w / 2, False)


def _bold(rng: Rng) -> Rgb:
    """A strong paint colour."""
    colours: tuple[Rgb, ...] = (
        (0.5, 0.03, 0.03),
        (0.02, 0.25, 0.1),
        (0.65, 0.45, 0.03),
        (0.03, 0.1, 0.4),
        (0.6, 0.2, 0.02),
        (0.6, 0.6, 0.6),
        (0.05, 0.05, 0.05),
        (0.35, 0.55, 0.04),
    )
    return colours[int(rng.integers(len(colours)))]
