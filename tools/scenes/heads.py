"""Signal heads: how each kind is drawn, and how the light of each lens leaves it.

All sizes are in units of the lens radius until they are drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour
from mastread.tools.scenes.ink import Ink, Rgb, circle, rounded, scaled
from mastread.tools.scenes.layers import HeadType, LensLayer

Picture = NDArray[np.float32]

#: Tint of the glass of an unlit coloured lens under white light (common practice, no source).
_GLASS: Final[dict[Colour, Rgb]] = {
    "red": (0.22, 0.015, 0.012),
    "yellow": (0.28, 0.13, 0.01),
    "green": (0.02, 0.16, 0.11),
    "lunar": (0.15, 0.20, 0.28),
    "white": (0.25, 0.24, 0.22),
    "blue": (0.02, 0.05, 0.22),
}


@dataclass(frozen=True, slots=True)
class HeadStyle:
    """How the heads of one mast are built; lengths in lens radii.

    Attributes
    ----------
    type : kind of head
    plate : radius of a round backing, or margin round the lenses of a plate
    round_plate : backing disc (True) or rounded plate
    pitch : distance of neighbouring lenses in a head of several lenses
    hood : length of the hood as seen, and how far round the lens it reaches (radians from the top)
    hood_reach : see `hood`
    look : where the hood's mouth stands against the lens, as seen, per unit of hood
    paint : colour of backing and hood
    glass : how strongly the unlit lens shows its colour, 0 (clear) to 1
    sheen : brightness of the sky's reflection in the lens
    glass_light : light that falls on the glass, so that a white surface has this radiance
    pattern : how light spreads over the lens: ``even``, ``hot``, ``rings``, ``dots``, ``spots``
    spot : width of a hot centre
    border : brightness of a light rim round the backing; 0 none
    """

    type: HeadType
    plate: float
    round_plate: bool
    pitch: float
    hood: float
    hood_reach: float
    look: tuple[float, float]
    paint: Rgb
    glass: float
    sheen: float
    pattern: str
    spot: float
    border: float
    glass_light: float = 1.0


@dataclass(frozen=True, slots=True)
class LensSpot:
    """Where one lens of a head stands, in lens radii from the middle of the head.

    `row` holds the places, against (dx, dy), of the lamps of a position light, which shine
    together; empty for a single lens.
    """

    dx: float
    dy: float
    colours: tuple[Colour, ...]
    row: tuple[tuple[float, float], ...] = ()


def random_style(rng: np.random.Generator, type_: HeadType, paint: Rgb) -> HeadStyle:
    """Draw a style for a kind of head."""
    round_plate = type_ in ("searchlight", "triangular") and rng.random() < 0.8
    if type_ == "cluster":
        round_plate = rng.random() < 0.4
    elif type_ == "position":
        round_plate = True
    if type_ == "searchlight":
        plate = rng.uniform(2.2, 3.8)
    elif type_ == "triangular":
        plate = rng.uniform(3.1, 3.9)
    elif type_ == "dwarf":
        plate = rng.uniform(1.25, 1.6)
    else:
        plate = rng.uniform(1.25, 2.2)
    patterns = {
        "searchlight": ("hot", "rings", "even"),
        "cluster": ("dots", "spots", "even"),
    }.get(type_, ("even", "hot", "rings", "dots", "spots"))
    look = (float(rng.uniform(-0.5, 0.5)), float(rng.uniform(-0.65, 0.12)))
    return HeadStyle(
        type=type_,
        plate=float(plate),
        round_plate=round_plate,
        pitch=float(rng.uniform(2.35, 3.1)),
        hood=float(rng.uniform(0.2, 1.3)) if rng.random() < 0.85 else 0.0,
        hood_reach=float(rng.uniform(1.2, 2.4)),
        look=look,
        paint=paint,
        glass=float(
            rng.uniform(0.0, 0.25) if type_ in ("searchlight", "cluster") else rng.random()
        ),
        sheen=float(rng.uniform(0.0, 0.12)),
        pattern=str(rng.choice(patterns)),
        spot=float(rng.uniform(0.35, 0.9)),
        border=float(rng.uniform(0.3, 0.8)) if rng.random() < 0.12 else 0.0,
    )


def spots(style: HeadStyle, colours: tuple[Colour, ...]) -> tuple[LensSpot, ...]:
    """Return the lenses of a head that must show `colours`, in the order given."""
    if style.type == "position":
        # Each colour has its own row of lamps at its own angle, all round one middle.
        reach = style.pitch
        angles = (0.0, np.pi / 4.0, np.pi / 2.0, -np.pi / 4.0, np.pi / 8.0, -np.pi / 8.0)
        out = []
        for colour, turn in zip(colours, angles[: len(colours)], strict=True):
            step = (float(reach * np.cos(turn)), float(-reach * np.sin(turn)))
            ends = ((-step[0], -step[1]), step)
            row: tuple[tuple[float, float], ...] = ends
            if style.spot > 0.6:
                row = (ends[0], (0.0, 0.0), ends[1])
            out.append(LensSpot(0.0, 0.0, (colour,), row))
        return tuple(out)
    if style.type in ("searchlight", "cluster") or len(colours) == 1:
        return (LensSpot(0.0, 0.0, colours),)
    if style.type == "triangular" and len(colours) == 3:
        reach = style.pitch / np.sqrt(3.0)
        turns = (-np.pi / 2.0, np.pi / 6.0, 5.0 * np.pi / 6.0)
        return tuple(
            LensSpot(float(reach * np.cos(t)), float(reach * np.sin(t)), (c,))
            for t, c in zip(turns, colours, strict=True)
        )
    middle = (len(colours) - 1) / 2.0
    return tuple(LensSpot(0.0, (i - middle) * style.pitch, (c,)) for i, c in enumerate(colours))


def half_size(style: HeadStyle, lenses: tuple[LensSpot, ...]) -> tuple[float, float]:
    """Half width and half height of the backing, in lens radii."""
    if style.round_plate:
        reach = max(
            float(np.hypot(s.dx + rx, s.dy + ry))
            for s in lenses
            for rx, ry in s.row or ((0.0, 0.0),)
        )
        r = max(style.plate, reach + 1.15)
        return r, r
    return (
        max(abs(s.dx) for s in lenses) + style.plate,
        max(abs(s.dy) for s in lenses) + style.plate,
    )


def draw_head(
    ink: Ink,
    x: float,
    y: float,
    radius: float,
    style: HeadStyle,
    lenses: tuple[LensSpot, ...],
    mast: int,
    head: int,
    lamp_light: float,
) -> list[LensLayer]:
    """Paint a head with its lenses unlit and return the light of each lens.

    Parameters
    ----------
    x, y : middle of the head in pixels
    radius : lens radius in pixels
    lamp_light : share of the lens luminance that the hood's inside sends on
    """
    half_w, half_h = half_size(style, lenses)
    if style.round_plate:
        outline = circle(x, y, half_w * radius)
        inner = circle(x, y, half_w * radius * 0.94)
    else:
        w, h = half_w * radius, half_h * radius
        corner = min(w, h) * 0.35
        outline = rounded(x - w, y - h, x + w, y + h, corner)
        edge = 0.06 * min(w, h)
        inner = rounded(x - w + edge, y - h + edge, x + w - edge, y + h - edge, corner - edge)
    rim: Rgb = (style.border, style.border, style.border)
    ink.polygon(outline, rim if style.border else scaled(style.paint, 1.25))
    ink.polygon(inner, style.paint)
    layers = []
    for number, spot in enumerate(lenses, start=1):
        if spot.row:
            layers.append(
                _draw_row(ink, x, y, radius, style, spot, (mast, head, number), lamp_light)
            )
            continue
        layers.append(
            _draw_lens(
                ink,
                x + spot.dx * radius,
                y + spot.dy * radius,
                radius,
                style,
                spot,
                (mast, head, number),
                lamp_light,
            )
        )
    return layers


def _draw_row(
    ink: Ink,
    x: float,
    y: float,
    radius: float,
    style: HeadStyle,
    spot: LensSpot,
    numbers: tuple[int, int, int],
    lamp_light: float,
) -> LensLayer:
    """Paint the lamps of one row of a position light; return their light as one layer."""
    plain = LensSpot(0.0, 0.0, spot.colours)
    parts = [
        _draw_lens(ink, x + dx * radius, y + dy * radius, radius, style, plain, numbers, lamp_light)
        for dx, dy in spot.row
    ]
    x0, y0 = min(p.x0 for p in parts), min(p.y0 for p in parts)
    x1 = max(p.x0 + p.light.shape[1] for p in parts)
    y1 = max(p.y0 + p.light.shape[0] for p in parts)
    light = np.zeros((y1 - y0, x1 - x0), np.float32)
    for p in parts:
        h, w = p.light.shape
        light[p.y0 - y0 : p.y0 - y0 + h, p.x0 - x0 : p.x0 - x0 + w] += p.light
    mast, head, lens = numbers
    places = tuple((p.x, p.y) for p in parts)
    return LensLayer(mast, head, lens, spot.colours, x, y, radius, light, x0, y0, places)


def _draw_lens(
    ink: Ink,
    x: float,
    y: float,
    radius: float,
    style: HeadStyle,
    spot: LensSpot,
    numbers: tuple[int, int, int],
    lamp_light: float,
) -> LensLayer:
    """Paint one unlit lens with its hood; return its light."""
    reach = (2.6 + style.hood * 1.3) * radius
    x0, y0 = int(np.floor(x - reach)), int(np.floor(y - reach))
    w, h = int(np.ceil(x + reach)) - x0 + 1, int(np.ceil(y + reach)) - y0 + 1
    sheet = Ink(x0, y0, w, h, ink.scale)
    s = ink.scale
    cx, cy = sheet.at(x, y)
    grid_y, grid_x = np.ogrid[0 : h * s, 0 : w * s]
    u = (grid_x - cx) / (radius * s)
    v = (grid_y - cy) / (radius * s)
    r = np.sqrt(u**2 + v**2).astype(np.float32)
    disc = np.clip((1.0 - r) * radius * s + 0.5, 0.0, 1.0).astype(np.float32)

    hood = _hood_mask(sheet, x, y, radius, style)
    glass = _glass(u, v, style, spot)
    _paste(ink, sheet, disc[:, :, None] * glass, disc)
    if style.hood > 0.0:
        inside = scaled(style.paint, 0.55)
        cover = (hood > 0).astype(np.float32)
        _paste(ink, sheet, cover[:, :, None] * np.asarray(inside, np.float32), cover)

    light = disc * _pattern(u, v, r, style, radius)
    total = float(light.sum())
    if total > 0.0:
        light *= float(disc.sum()) / total
    visible = (hood == 0).astype(np.float32)
    # What the lamp throws on hood and backing: strong next to the lens, gone at two radii.
    spill = np.exp(-3.0 * np.maximum(r - 1.0, 0.0)).astype(np.float32) * (1.0 - disc)
    lip = (hood > 0) & (v < 0.4)
    thrown = lamp_light * spill * np.where(lip, 1.0, 0.12).astype(np.float32)
    light = light * visible + thrown * (r < 2.4)
    light = np.asarray(cv2.resize(light, (w, h), interpolation=cv2.INTER_AREA), np.float32)
    mast, head, lens = numbers
    return LensLayer(mast, head, lens, spot.colours, x, y, radius, light, x0, y0)


def _hood_mask(
    sheet: Ink, x: float, y: float, radius: float, style: HeadStyle
) -> NDArray[np.uint8]:
    """Mask of the hood: the wall from the lens rim to its mouth, seen from where we stand."""
    mask = sheet.blank()
    if style.hood <= 0.0:
        return mask
    steps = max(4, int(np.ceil(style.hood * radius * sheet.scale / 2.0)))
    steps = min(steps, 48)
    turn = np.linspace(-np.pi / 2.0 - style.hood_reach, -np.pi / 2.0 + style.hood_reach, 40)
    for t in np.linspace(0.0, 1.0, steps):
        ox = x + t * style.hood * style.look[0] * radius
        oy = y + t * style.hood * style.look[1] * radius
        outer = np.column_stack([np.cos(turn), np.sin(turn)]) * (1.16 * radius)
        inner = np.column_stack([np.cos(turn), np.sin(turn)]) * (1.05 * radius)
        ring = np.concatenate([outer, inner[::-1]]) + np.array([ox, oy])
        sheet.fill(ring, mask)
    return mask


def _glass(
    u: NDArray[np.float64], v: NDArray[np.float64], style: HeadStyle, spot: LensSpot
) -> Picture:
    """Look of the unlit lens: dark glass, its tint, the sky in it."""
    tint = np.array(_GLASS[spot.colours[0]], np.float32) * np.float32(style.glass)
    clear = np.array([0.03, 0.03, 0.032], np.float32)
    base = (clear * (1.0 - 0.7 * style.glass) + tint) * np.float32(style.glass_light)
    sky = np.clip(0.5 - 0.7 * v + 0.1 * u, 0.0, 1.0) ** 2 * style.sheen
    dot = np.exp(-(((u + 0.3) ** 2 + (v + 0.45) ** 2) / 0.02)) * style.sheen * 3.0
    return np.asarray(base[None, None, :] + (sky + dot)[:, :, None], np.float32)


def _pattern(
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    r: Picture,
    style: HeadStyle,
    radius: float,
) -> Picture:
    """How the light spreads over the lens, before it is scaled to a mean of 1."""
    if style.pattern == "hot":
        out = 0.25 + np.exp(-0.5 * (r / style.spot) ** 2)
    elif style.pattern == "rings":
        out = (0.55 + 0.45 * np.cos(r * 22.0)) * (0.3 + np.exp(-0.5 * (r / style.spot) ** 2))
    elif style.pattern == "dots":
        out = 0.12 + _dots(u, v, 0.17, 0.055)
    elif style.pattern == "spots":
        out = 0.3 + _dots(u, v, 0.55, 0.2)
    else:
        out = 1.0 - 0.25 * r**2
    return np.asarray(out, np.float32)


def _dots(
    u: NDArray[np.float64], v: NDArray[np.float64], step: float, size: float
) -> NDArray[np.float64]:
    """Round dots on a hexagonal grid."""
    row = np.round(v / (step * 0.866))
    du = u - row * step / 2.0
    col = np.round(du / step)
    return np.asarray(np.exp(-((du - col * step) ** 2 + (v - row * step * 0.866) ** 2) / size**2))


def _paste(ink: Ink, sheet: Ink, rgb: Picture, cover: Picture) -> None:
    """Blend a sheet of the same scale into the ink."""
    s = ink.scale
    ox, oy = (sheet.x0 - ink.x0) * s, (sheet.y0 - ink.y0) * s
    h, w = cover.shape
    top, left = max(0, oy), max(0, ox)
    bottom, right = min(ink.cover.shape[0], oy + h), min(ink.cover.shape[1], ox + w)
    if top >= bottom or left >= right:
        return
    rows, cols = slice(top - oy, bottom - oy), slice(left - ox, right - ox)
    part = ink.rgb[top:bottom, left:right]
    part *= 1.0 - cover[rows, cols, None]
    part += rgb[rows, cols]
    full = (cover[rows, cols] * 255.0).astype(np.uint8)
    np.maximum(ink.cover[top:bottom, left:right], full, out=ink.cover[top:bottom, left:right])
