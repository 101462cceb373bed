"""Lights in clips that are no signal lamps and flash or move: crossings, indicators, traffic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes import course
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.film import Source
from mastread.tools.scenes.ink import Ink, Picture, scaled
from mastread.tools.scenes.lamps import Sensor, emitters, raw_colour
from mastread.tools.scenes.layers import Distractor, LensLayer, MastInfo

Rng = np.random.Generator
Floats = NDArray[np.float64]


def draw_busy(
    rng: Rng,
    picture: Picture,
    masts: Sequence[MastInfo],
    eye: Sensor,
    optics: opt.Optics,
    exposure: float,
    times: Floats,
    shutter_s: float,
    dark: bool,
) -> tuple[list[Source], list[Distractor]]:
    """Put a few lights with a life of their own into a scene.

    Their housings are painted into `picture` in place; all places are pixels of that picture.
    """
    sources: list[Source] = []
    found: list[Distractor] = []
    if rng.random() < 0.12:
        spot = _free_spot(rng, picture, masts, 60.0)
        if spot is not None:
            more, things = _crossing(rng, picture, spot, eye, optics, exposure, times, shutter_s)
            sources += more
            found += things
    if rng.random() < (0.2 if dark else 0.08):
        more, things = _traffic(rng, picture, masts, eye, optics, exposure, times)
        sources += more
        found += things
    return sources, found


def round_lens(x: float, y: float, radius: float) -> LensLayer:
    """A plain round light, of no mast (mast 0)."""
    half = int(np.ceil(radius)) + 2
    x0, y0 = round(x) - half, round(y) - half
    gy, gx = np.mgrid[y0 : y0 + 2 * half + 1, x0 : x0 + 2 * half + 1]
    disc = np.clip(radius + 0.5 - np.hypot(gx - x, gy - y), 0.0, 1.0).astype(np.float32)
    return LensLayer(0, 0, 0, (), x, y, radius, disc, x0, y0)


def _crossing(
    rng: Rng,
    picture: Picture,
    spot: tuple[float, float],
    eye: Sensor,
    optics: opt.Optics,
    exposure: float,
    times: Floats,
    shutter_s: float,
) -> tuple[list[Source], list[Distractor]]:
    """A road crossing's pair of red lights, flashing in turn."""
    x, y = spot
    r = float(np.exp(rng.uniform(np.log(1.5), np.log(9.0))))
    apart = r * float(rng.uniform(3.5, 5.5))
    level = float(np.median(picture.mean(axis=2))) + 1e-4
    reach = int(35 * r + apart) + 4
    ink = Ink(int(x) - reach, int(y) - reach, 2 * reach, 2 * reach + 10, 3)
    ink.line((x, y - 7 * r), (x, y + reach), max(1.0, 0.6 * r), scaled((0.5, 0.5, 0.5), level))
    for lean in (-1.0, 1.0):
        board = scaled((0.8, 0.8, 0.8), level * 1.5)
        ink.line((x - 4 * r, y - (5 + 2 * lean) * r), (x + 4 * r, y - (5 - 2 * lean) * r), r, board)
    for side in (-1.0, 1.0):
        ink.disc(x + side * apart / 2.0, y, 1.9 * r, scaled((0.03, 0.03, 0.03), level))
    ink.lay_on(picture)
    raw = raw_colour(emitters()["red_led_632"], eye)
    strength = float(np.exp(rng.uniform(np.log(0.6), np.log(12.0))))
    # United States rule for such lights: 35 to 65 flashes a minute (from memory).
    rate = float(rng.uniform(35.0, 65.0)) / 60.0
    lamp = course.draw_lamp(rng, "led")
    end = float(times[-1]) + 1.0
    sources = []
    found = []
    for i, side in enumerate((-1.0, 1.0)):
        lens = round_lens(x + side * apart / 2.0, y, r)
        show = [course.Show(0.0, "red", rate, 0.5, 0.5 * i)]
        light = course.light_of(show, lamp, course.Changeover(), end)["red"]
        per_frame = course.through_shutter(light, times, shutter_s)
        glow = opt.lens_glow(lens, optics, strength, reach=600)
        sources.append(Source(lens, glow, raw * strength / exposure, per_frame))
        found.append(Distractor("crossing light", lens.x, lens.y, r, True))
    return sources, found


def _traffic(
    rng: Rng,
    picture: Picture,
    masts: Sequence[MastInfo],
    eye: Sensor,
    optics: opt.Optics,
    exposure: float,
    times: Floats,
) -> tuple[list[Source], list[Distractor]]:
    """Lamps of road vehicles driving across: white in front or red behind, pairs of them."""
    height, width = picture.shape[:2]
    sources: list[Source] = []
    found: list[Distractor] = []
    low = max((m.box[3] for m in masts), default=0.6 * height)
    base = float(np.clip(low - rng.uniform(0.0, 0.1) * height, 0.3 * height, 0.97 * height))
    for _ in range(int(rng.integers(1, 4))):
        name = "white_led_3000" if rng.random() < 0.6 else "red_led_625"
        raw = raw_colour(emitters()[name], eye)
        strength = float(np.exp(rng.uniform(np.log(2.0), np.log(60.0))))
        r = float(rng.uniform(0.8, 4.0))
        start = float(rng.uniform(-0.2, 1.2) * width)
        speed = float(rng.uniform(0.03, 0.4) * width * rng.choice([-1.0, 1.0]))
        y = base + float(rng.uniform(-0.04, 0.04)) * height
        away = np.column_stack([speed * times, np.zeros_like(times)])
        for gap in (0.0, float(rng.uniform(4.0, 9.0)) * r):
            lens = round_lens(start + gap, y, r)
            glow = opt.lens_glow(lens, optics, strength, reach=500)
            full = np.ones_like(times)
            sources.append(Source(lens, glow, raw * strength / exposure, full, away))
            found.append(Distractor("vehicle lamp on the move", lens.x, y, r, True))
    return sources, found


def _free_spot(
    rng: Rng, picture: Picture, masts: Sequence[MastInfo], room: float
) -> tuple[float, float] | None:
    """A place away from every mast, or None after some tries."""
    height, width = picture.shape[:2]
    for _ in range(12):
        x = float(rng.uniform(0.1, 0.9) * width)
        y = float(rng.uniform(0.3, 0.85) * height)
        if all(
            not (m.box[0] - room < x < m.box[2] + room and m.box[1] - room < y < m.box[3] + room)
            for m in masts
        ):
            return x, y
    return None


def home(source: Source, margin: int) -> Source:
    """The same source in pixels that begin `margin` later."""
    return replace(
        source,
        lens=source.lens.moved(-margin, -margin),
        glow=replace(source.glow, x0=source.glow.x0 - margin, y0=source.glow.y0 - margin),
    )
