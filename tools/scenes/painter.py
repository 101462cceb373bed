"""The fast maker of scenes: paints surroundings, masts and heads, and returns linear layers."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes import backdrop, distract
from mastread.tools.scenes.heads import (
    draw_head,
)
from mastread.tools.scenes.ink import Ink, Picture, Rgb, scaled
from mastread.tools.scenes.land import Air
from mastread.tools.scenes.layers import (
    Distractor,
    HeadInfo,
    Layers,
    LensLayer,
    MastInfo,
)
from mastread.tools.scenes.layout import Body, MastPlan, fit, lay_out, place

Rng = np.random.Generator


def paint(
    rng: Rng,
    width: int,
    height: int,
    light: str,
    plans: Sequence[MastPlan],
    radius_px: float,
    margin: int = 0,
    backdrops: Path | None = None,
) -> Layers:
    """Paint a scene.

    Parameters
    ----------
    light : one of `mastread.tools.scenes.backdrop.LIGHTS`
    plans : masts from left to right; none for a scene without signals
    radius_px : wished lens radius; made smaller where the masts would not fit
    margin : pixels at each edge into which no lens may come (room for a shaking hand)
    backdrops : folder of photographs to stand behind some of the masts, besides those of
        scikit-image

    Returns
    -------
    layers whose ``conditions`` hold ``light``, ``exposure`` (raw level of radiance 1),
    ``cast`` (raw colour of the light), ``haze`` and ``lens_px`` (diameter)
    """
    scene = _prepare(rng, width, height, light, plans, radius_px, margin, backdrops)
    masts, lenses = _draw_masts(rng, scene, scene.picture)
    found = list(scene.found)
    if masts:
        white = 1.0 / scene.exposure
        found += distract.near_mast(
            rng, scene.picture, masts, scene.air, light, white, scene.px_per_m
        )
    return _layers(scene, scene.picture, masts, lenses, found)


def paint_apart(
    rng: Rng,
    width: int,
    height: int,
    light: str,
    plans: Sequence[MastPlan],
    radius_px: float,
    margin: int = 0,
) -> tuple[Layers, Picture, Picture]:
    """Paint a scene whose masts can move against what is behind them.

    Returns
    -------
    layers whose surround shows no mast; (H, W, 3) light of the masts, already weighted by their
    cover; and (H, W) cover 0..1
    """
    scene = _prepare(rng, width, height, light, plans, radius_px, margin)
    twin = copy.deepcopy(rng)
    black = np.zeros_like(scene.picture)
    masts, lenses = _draw_masts(rng, scene, black)
    white = np.ones_like(scene.picture)
    _draw_masts(twin, scene, white)
    cover = 1.0 - (white - black)[:, :, 0]
    return _layers(scene, scene.picture, masts, lenses, scene.found), black, cover


@dataclass(frozen=True, slots=True)
class _Scene:
    """A painted backdrop with the places of its masts."""

    picture: Picture
    light: str
    air: Air
    bodies: tuple[Body, ...]
    places: tuple[tuple[float, float], ...]
    radius: float
    horizon: float
    px_per_m: float
    exposure: float
    haze: float
    found: tuple[Distractor, ...]


def _prepare(
    rng: Rng,
    width: int,
    height: int,
    light: str,
    plans: Sequence[MastPlan],
    radius_px: float,
    margin: int,
    backdrops: Path | None = None,
) -> _Scene:
    """Paint what stands behind the masts, and find their places."""
    air = backdrop.draw_air(rng, light)
    bodies = [lay_out(rng, plan) for plan in plans]
    radius = fit(bodies, radius_px, width - 2 * margin, height - 2 * margin)
    horizon, places = place(rng, bodies, radius, width, height, margin)
    # A lens of a high signal is about 21 cm across (common practice, no source).
    px_per_m = max(3.0, radius / 0.105) if plans else float(10 ** rng.uniform(0.7, 1.9))
    flat = light == "layout" or rng.random() < (0.12 if backdrops is None else 0.45)
    if flat:
        picture = backdrop.photograph(rng, height, width, air.ground, light, backdrops)
        found: list[Distractor] = []
    else:
        picture, found = backdrop.outdoors(rng, height, width, horizon, air, light, px_per_m)
    exposure = auto_exposure(rng, picture, light)
    found += distract.scatter(rng, picture, horizon, air, light, 1.0 / exposure, px_per_m)
    haze = float(rng.uniform(0.2, 0.75)) if light == "fog" else air.haze * 0.15
    if flat:
        # A picture behind the masts has no horizon whose light could veil them.
        haze = 0.0
    elif light == "backlit":
        haze *= 0.3
    return _Scene(
        picture,
        light,
        air,
        tuple(bodies),
        tuple(places),
        radius,
        horizon,
        px_per_m,
        exposure,
        haze,
        tuple(found),
    )


def _draw_masts(
    rng: Rng, scene: _Scene, picture: Picture
) -> tuple[list[MastInfo], list[LensLayer]]:
    """Draw every mast of a scene over a picture, in place."""
    lenses: list[LensLayer] = []
    masts: list[MastInfo] = []
    places = scene.places
    for number, (body, (x, y)) in enumerate(zip(scene.bodies, places, strict=True), start=1):
        beam = places[number - 2] if body.plan.bracket and number > 1 else None
        info, more = _draw_mast(
            rng,
            picture,
            body,
            number,
            x,
            y,
            scene.radius,
            scene.horizon,
            scene.air,
            scene.haze,
            beam,
        )
        masts.append(info)
        lenses += more
    return masts, lenses


def _layers(
    scene: _Scene,
    picture: Picture,
    masts: Sequence[MastInfo],
    lenses: Sequence[LensLayer],
    found: Sequence[Distractor],
) -> Layers:
    """Put the layers together."""
    height, width = picture.shape[:2]
    kept = tuple(d for d in found if 0 <= d.x < width and 0 <= d.y < height)
    conditions = {
        "maker": "painter",
        "light": scene.light,
        "exposure": float(scene.exposure),
        "cast": list(scene.air.cast),
        "haze": scene.haze,
        "lens_px": round(2.0 * scene.radius, 2) if masts else None,
    }
    return Layers(picture, tuple(lenses), tuple(masts), kept, conditions)


def auto_exposure(rng: Rng, picture: Picture, light: str) -> float:
    """Return the exposure that a camera would choose: raw level of a radiance of 1."""
    luma = picture[::8, ::8] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    mean = float(np.mean(np.minimum(luma, np.percentile(luma, 98)))) + 1e-6
    bright = float(np.percentile(luma, 97)) + 1e-6
    if light == "night":
        aim = 10 ** rng.uniform(-2.3, -0.9)
        return float(min(aim / mean, 4.0 * aim / mean, 60.0))
    aim = rng.uniform(0.05, 0.3) if light == "dusk" else rng.uniform(0.16, 0.38)
    exposure = aim / mean
    if light == "fog":
        return float(min(exposure, 0.85 / bright))
    # Cameras keep most of a bright sky below clipping, unless the subject is dark.
    limit = rng.uniform(0.8, 1.6) / bright
    return float(min(exposure, max(limit, 0.45 * exposure)))


def sheet_scale(radius: float) -> int:
    """Samples per pixel at which a mast with lenses of this radius is drawn."""
    return int(np.clip(np.ceil(14.0 / radius), 2, 10))


def _draw_mast(
    rng: Rng,
    picture: Picture,
    body: Body,
    number: int,
    x: float,
    y: float,
    radius: float,
    horizon: float,
    air: Air,
    haze: float,
    beam_to: tuple[float, float] | None,
) -> tuple[MastInfo, list[LensLayer]]:
    """Draw one mast; returns its description and the light of its lenses."""
    height, width = picture.shape[:2]
    dwarf = body.plan.kind == "dwarf"
    low = y + body.bottom * radius
    foot = low + (rng.uniform(0.4, 2.0) if dwarf else rng.uniform(9.0, 30.0)) * radius
    foot = max(foot, min(horizon + rng.uniform(1.0, 8.0) * radius, low + 45.0 * radius))
    if dwarf:
        foot = low + float(rng.uniform(0.3, 1.5)) * radius
    scale = sheet_scale(radius)
    left = x + (body.left - 3.5) * radius
    right = x + (body.right + 3.5) * radius
    if beam_to is not None:
        left = min(left, beam_to[0] - 2.0 * radius)
    top = y + (body.top - 4.0) * radius
    x0, y0 = max(0, int(left)), max(0, int(top))
    x1, y1 = min(width, int(right) + 2), min(height, int(min(foot + 2 * radius, height)) + 2)
    ink = Ink(x0, y0, x1 - x0, max(2, y1 - y0), scale)
    steel = _steel(rng)
    light = air.ground * float(rng.uniform(0.6, 1.2))
    metal = scaled(steel, light)
    pole = radius * float(rng.uniform(0.5, 1.1))
    pole_top = y + (body.top + float(rng.uniform(-2.5, 0.8))) * radius
    if beam_to is not None:
        # The second mast of a bracket stands on a beam that runs to the first.
        beam_y = low + 3.0 * radius
        ink.tube((beam_to[0], beam_y), (x, beam_y), 1.2 * radius, metal, air.bright)
        ink.tube((x, pole_top), (x, beam_y), pole, metal, air.bright)
        foot = beam_y
    elif not dwarf:
        ink.tube((x, pole_top), (x, foot), pole, metal, air.bright)
        if rng.random() < 0.6:
            _ladder(rng, ink, x, pole_top, foot, radius, metal)
        if rng.random() < 0.5:
            ink.disc(x, pole_top, pole * 0.75, metal)
    if rng.random() < 0.4 and not dwarf:
        deck = low + 0.8 * radius
        ink.rect(x - 4 * radius, deck, x + 4 * radius, deck + 0.35 * radius, metal)
    lenses: list[LensLayer] = []
    heads: list[HeadInfo] = []
    lamp_light = float(rng.uniform(0.01, 0.08))
    for i, (plain, spots_, (hx, hy)) in enumerate(
        zip(body.styles, body.lenses, body.at, strict=True), start=1
    ):
        px, py = x + hx * radius, y + hy * radius
        if abs(hx) > 0.5:
            ink.tube((x, py), (px, py), 0.5 * radius, metal, 0.0)
        style = replace(
            plain,
            paint=scaled(plain.paint, light),
            glass_light=light,
            sheen=plain.sheen * light,
            border=plain.border * light,
        )
        lenses += draw_head(ink, px, py, radius, style, spots_, number, i, lamp_light)
        heads.append(HeadInfo(i, plain.type, px, py, radius))
    if body.plan.plates and not dwarf:
        _plates(ink, x, low + 1.6 * radius, radius, body.plan.plates, light)
    elif dwarf:
        w = (body.right - body.left) * 0.5 * radius
        ink.rect(x - w * 0.8, low, x + w * 0.8, foot, scaled(metal, 0.7))
    ink.lay_on(picture, haze, air.low_sky)
    if haze > 0.2:
        lenses = [replace(lens, light=lens.light * np.float32(1.0 - haze)) for lens in lenses]
    box = (
        max(0.0, x + min(body.left, -1.0) * radius),
        max(0.0, min(pole_top if not dwarf else low, y + body.top * radius)),
        min(float(width), x + max(body.right, 1.0) * radius),
        min(float(height), foot),
    )
    info = MastInfo(
        number, box, body.plan.kind, body.plan.arrangement, tuple(heads), body.plan.plates
    )
    return info, lenses


def _ladder(
    rng: Rng, ink: Ink, x: float, top: float, foot: float, radius: float, metal: Rgb
) -> None:
    """Draw a ladder beside the pole."""
    side = float(rng.choice([-1.0, 1.0])) * radius * float(rng.uniform(0.9, 1.6))
    w = 0.14 * radius
    for rail in (-0.55, 0.55):
        ink.line((x + side + rail * radius, top), (x + side + rail * radius, foot), w, metal)
    for y in np.arange(top, foot, 1.5 * radius):
        ink.line((x + side - 0.55 * radius, y), (x + side + 0.55 * radius, y), w, metal)


def _plates(
    ink: Ink, x: float, y: float, radius: float, plates: Sequence[str], light: float
) -> None:
    """Draw plates below the heads, black letters on a light board."""
    for i, plate in enumerate(plates):
        text = plate if plate != "number" else "417"
        w = (0.75 + 0.75 * len(text)) * radius
        cy = y + i * 2.4 * radius
        ink.rect(x - w, cy - radius, x + w, cy + radius, (0.75 * light, 0.75 * light, 0.7 * light))
        mask = ink.blank()
        size = 1.5 * radius * ink.scale / 22.0
        (tw, th), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
        sx, sy = ink.at(x, cy)
        cv2.putText(
            mask,
            text,
            (int(sx - tw / 2), int(sy + th / 2)),
            cv2.FONT_HERSHEY_SIMPLEX,
            size,
            255,
            max(1, int(0.22 * radius * ink.scale)),
        )
        ink.paint(mask, (0.02 * light, 0.02 * light, 0.02 * light))


def _steel(rng: Rng) -> Rgb:
    """Colour of poles and brackets: galvanised, black, or rusty."""
    kind = rng.random()
    if kind < 0.5:
        grey = float(rng.uniform(0.2, 0.5))
        return (grey, grey, grey * 1.03)
    if kind < 0.85:
        return (0.03, 0.03, 0.032)
    return (0.16, 0.08, 0.045)


def lens_centroid(light: NDArray[np.float32]) -> tuple[float, float]:
    """Centre of light of a crop, in pixels of the crop."""
    total = float(light.sum())
    y, x = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    return float((x * light).sum() / total), float((y * light).sum() / total)
