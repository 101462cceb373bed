"""Draws what a scene holds and how it is photographed, from one random generator."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final, Literal, cast

import numpy as np

from mastread.decoder.words import COLOURS, Colour
from mastread.tools.scenes.backdrop import LIGHTS
from mastread.tools.scenes.camera import Camera, Tone
from mastread.tools.scenes.lamps import Emitter, Sensor, emitters_of, random_sensor, sensor
from mastread.tools.scenes.layers import Arrangement, HeadType, MastKind
from mastread.tools.scenes.layout import MastPlan
from mastread.tools.scenes.optics import Optics

Rng = np.random.Generator

#: Picture sizes and how often they are drawn.
_PHOTO_SIZES: Final = (
    ((640, 480), 0.22),
    ((960, 720), 0.2),
    ((1280, 720), 0.25),
    ((1280, 960), 0.12),
    ((1920, 1080), 0.12),
    ((720, 1280), 0.06),
    ((2048, 1536), 0.03),
)

#: Orders in which a head of several lenses carries its colours, top first or clockwise.
_ORDERS: Final[tuple[tuple[Colour, ...], ...]] = (
    ("green", "yellow", "red"),
    ("red", "yellow", "green"),
    ("yellow", "green", "red"),
    ("red", "green", "yellow"),
)


@dataclass(frozen=True, slots=True)
class HeadShow:
    """What one head shows: its colour (None when dark) and whether that flashes."""

    colour: Colour | None
    flashing: bool = False


Aspect = tuple[HeadShow, ...]


@dataclass(frozen=True, slots=True)
class MastSetup:
    """One mast and the aspects that it shows one after the other (one in a photo)."""

    plan: MastPlan
    aspects: tuple[Aspect, ...]
    kind: Literal["led", "filament"]


@dataclass(frozen=True, slots=True)
class Setup:
    """A drawn scene.

    Attributes
    ----------
    level : strongest raw channel of a fully lit lens, against the clipping level
    """

    width: int
    height: int
    light: str
    masts: tuple[MastSetup, ...]
    radius_px: float
    level: float
    sensor: Sensor


def parse_aspect(text: str) -> Aspect:
    """Parse "flashing yellow over red over dark"; ValueError names the word that is unknown."""
    heads = []
    for part in text.split(" over "):
        flashing = part.startswith("flashing ")
        word = part.removeprefix("flashing ")
        if word == "dark" and not flashing:
            heads.append(HeadShow(None))
        elif word in COLOURS:
            heads.append(HeadShow(word, flashing))
        else:
            raise ValueError(f"aspect {text!r}: {part!r} is not a colour that a head can show")
    return tuple(heads)


def draw_setup(rng: Rng, clip: bool, overrides: dict[str, Any]) -> Setup:
    """Draw a scene.

    Parameters
    ----------
    overrides : settles some draws: ``light``, ``lens_px`` (diameter), ``size`` (width, height),
        ``masts`` (how many), ``aspect`` (words, of the first mast), ``aspects`` (a sequence of
        words that the first mast shows in turn; clips), ``level``, ``type`` (kind of head),
        ``lamp`` ("led" or "filament"), ``kind`` ("high" or "dwarf"), ``even`` (all masts: colours
        drawn evenly from all six rather than from aspects of the trade)
    """
    names = list(LIGHTS)
    light = str(rng.choice(names, p=np.array(list(LIGHTS.values())) / sum(LIGHTS.values())))
    light = str(overrides.get("light", light))
    sizes = list(_PHOTO_SIZES)
    if clip:
        # Small frames keep sets of clips quick to make; one in twelve is full HD, a few upright.
        sizes = [
            ((640, 480), 0.25),
            ((960, 540), 0.25),
            ((1280, 720), 0.37),
            ((1920, 1080), 0.08),
            ((720, 1280), 0.05),
        ]
    weights = np.array([p for _, p in sizes])
    size = sizes[int(rng.choice(len(sizes), p=weights / weights.sum()))][0]
    width, height = overrides.get("size", size)
    lens_px = float(np.exp(rng.uniform(np.log(2.0), np.log(60.0))))
    if rng.random() < 0.5:
        lens_px = float(np.exp(rng.uniform(np.log(4.0), np.log(24.0))))
    lens_px = float(overrides.get("lens_px", lens_px))
    count = int(rng.choice([0, 1, 2, 3, 4], p=[0.09, 0.64, 0.19, 0.06, 0.02]))
    count = int(overrides.get("masts", count))
    masts = []
    for i in range(count):
        bracket = i > 0 and rng.random() < 0.3
        own = overrides if i == 0 else {"even": overrides.get("even", False)}
        masts.append(_draw_mast(rng, clip, own, bracket))
    level = float(overrides.get("level", draw_level(rng, light, lens_px)))
    eye = sensor("cie") if rng.random() < 0.06 else random_sensor(rng)
    return Setup(width, height, light, tuple(masts), lens_px / 2.0, level, eye)


def draw_level(rng: Rng, light: str, lens_px: float) -> float:
    """Draw how strongly the lamps drive the sensor: 1 just clips where a lens fills a pixel."""
    low, high = {
        "sun": (0.3, 2.2),
        "overcast": (0.35, 3.5),
        "backlit": (0.3, 2.5),
        "snow": (0.3, 2.5),
        "fog": (0.7, 12.0),
        "dusk": (0.8, 40.0),
        "night": (6.0, 500.0),
        "layout": (0.7, 30.0),
    }[light]
    if light in ("night", "dusk") and rng.random() < 0.25:
        # Exposed for the lamps, as careful people do.
        low, high = 0.5, 5.0
    elif rng.random() < 0.12:
        # Looking right into the beam, or a camera exposed for a dark foreground.
        low, high = high, 4.0 * high
    level = float(np.exp(rng.uniform(np.log(low), np.log(high))))
    # Lamps far off are seen from nearer the axis of their beam.
    return level * (1.0 + 3.0 * float(rng.random()) / max(1.0, lens_px))


def draw_camera(
    rng: Rng, eye: Sensor, exposure: float, cast_raw: Sequence[float], light: str, clip: bool
) -> tuple[Camera, dict[str, Any]]:
    """Draw a camera and its settings; also what the truth says of them."""
    right = 1.0 / np.asarray(cast_raw, np.float64)
    pick = rng.random()
    if pick < 0.55:
        white = "right"
        gains = right ** rng.uniform(0.75, 1.0)
    elif pick < 0.8:
        white = "near"
        gains = right ** rng.uniform(0.4, 1.2) * np.exp(rng.normal(0.0, 0.04, 3))
    else:
        white = "wrong"
        warm = rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.36)
        gains = right * np.exp(np.array([warm, 0.0, -warm]))
    gains = gains / gains.min()
    noisy = light in ("night", "dusk")
    well = float(10 ** (rng.uniform(2.3, 3.6) if noisy else rng.uniform(2.9, 4.3)))
    tone = Tone(
        curve="bt709" if clip and rng.random() < 0.5 else "srgb",
        shoulder=float(rng.choice([0.0, rng.uniform(0.3, 2.2)])),
        contrast=float(rng.uniform(0.0, 0.6)) if rng.random() < 0.6 else 0.0,
        lift=float(rng.uniform(0.0, 0.06)) if rng.random() < 0.2 else 0.0,
    )
    camera = Camera(
        sensor=eye,
        exposure=exposure,
        gains=(float(gains[0]), float(gains[1]), float(gains[2])),
        full_well=well,
        read_noise=float(rng.uniform(1.5, 6.0)),
        mosaic=not clip and rng.random() < 0.8,
        denoise_px=float(rng.uniform(0.3, 1.2)) if rng.random() < 0.5 else 0.0,
        saturation=float(rng.uniform(0.85, 1.45)),
        brighten=float(rng.uniform(0.1, 0.5)) if not clip and rng.random() < 0.25 else 0.0,
        highlight_fade=float(rng.uniform(0.3, 1.0)) if rng.random() < 0.6 else 0.0,
        tone=tone,
        sharpen=float(rng.uniform(0.2, 1.8)) if rng.random() < 0.55 else 0.0,
        sharpen_px=float(rng.uniform(0.6, 1.8)),
    )
    return camera, {"wb": white, "full_well": round(well), "tone": tone.curve}


def draw_optics(rng: Rng, light: str, width: int) -> Optics:
    """Draw a lens: sharp or soft, clean or smeared."""
    size = width / 1280.0
    dirty = rng.random() < 0.2
    veil = float(10 ** rng.uniform(-2.4, -1.3)) * (2.5 if dirty else 1.0)
    power = float(rng.uniform(1.25, 1.9))
    radius = float(rng.uniform(1.5, 6.0)) * size
    if light == "fog":
        veil, power = float(rng.uniform(0.1, 0.4)), float(rng.uniform(1.15, 1.5))
        radius *= 3.0
    rays = int(rng.choice([0, 4, 6, 8, 14], p=[0.75, 0.04, 0.12, 0.04, 0.05]))
    return Optics(
        sigma_px=float(rng.uniform(0.4, 1.3)),
        defocus_px=float(rng.uniform(0.5, 2.5)) * size if rng.random() < 0.15 else 0.0,
        veil=min(0.5, veil),
        veil_radius_px=radius,
        veil_power=power,
        rays=rays,
        ray_share=float(rng.uniform(0.005, 0.03)) if rays else 0.0,
        ray_angle=float(rng.uniform(0.0, np.pi)),
    )


def draw_emitters(rng: Rng, masts: Sequence[MastSetup]) -> list[dict[Colour, Emitter]]:
    """Draw which lamp makes each colour, mast by mast."""
    out = []
    for mast in masts:
        table: dict[Colour, Emitter] = {}
        for colour in COLOURS:
            choice = emitters_of(colour, mast.kind)
            table[colour] = choice[int(rng.integers(len(choice)))]
        out.append(table)
    return out


def _draw_mast(rng: Rng, clip: bool, overrides: dict[str, Any], bracket: bool) -> MastSetup:
    """Draw one mast with what it shows."""
    kind: MastKind = "dwarf" if rng.random() < 0.12 and not bracket else "high"
    kind = overrides.get("kind", kind)
    listed = _aspects()[kind]
    pool = listed if rng.random() < 0.9 else _aspects()["unlisted"]
    texts: list[str] = [str(rng.choice(np.array(pool)))]
    if clip and rng.random() < 0.3:
        heads = texts[0].count(" over ")
        others = [t for t in listed if t.count(" over ") == heads and t != texts[0]]
        if others:
            texts.append(str(rng.choice(np.array(others))))
    if overrides.get("even"):
        texts = [" over ".join(rng.choice(np.array(COLOURS), int(rng.integers(1, 4))))]
    if "aspect" in overrides:
        texts = [str(overrides["aspect"])]
    if "aspects" in overrides:
        texts = [str(t) for t in overrides["aspects"]]
    aspects = [parse_aspect(t) for t in texts]
    if rng.random() < 0.06 and not {"aspect", "aspects"} & overrides.keys():
        # A lamp has failed: the head that should be lit is dark throughout.
        out = int(rng.integers(len(aspects[0])))
        aspects = [
            tuple(HeadShow(None) if i == out else h for i, h in enumerate(a)) for a in aspects
        ]
    count = len(aspects[0])
    if any(len(a) != count for a in aspects):
        raise ValueError("the aspects that a mast shows in turn must have equally many heads")
    types = _draw_types(rng, kind, count, overrides)
    colours = tuple(
        _draw_colours(rng, {a[i].colour for a in aspects}, types[i], count > 1 and i > 0)
        for i in range(count)
    )
    arrangement: Arrangement = "staggered" if count > 1 and rng.random() < 0.22 else "inline"
    if kind == "dwarf":
        arrangement = "inline"
    plates: tuple[str, ...] = ()
    if rng.random() < 0.3 and kind == "high":
        plates = (str(rng.choice(["A", "R", "L", "DV", "number"])),)
    lamp: Literal["led", "filament"] = "led" if rng.random() < 0.6 else "filament"
    if types[0] == "cluster":
        lamp = "led"
    elif types[0] == "searchlight" and rng.random() < 0.6:
        lamp = "filament"
    lamp = overrides.get("lamp", lamp)
    plan = MastPlan(kind, arrangement, types, colours, plates, bracket)
    return MastSetup(plan, tuple(aspects), lamp)


def _draw_types(
    rng: Rng, kind: MastKind, count: int, overrides: dict[str, Any]
) -> tuple[HeadType, ...]:
    """Draw the kinds of the heads of a mast; mostly all alike."""
    if kind == "dwarf":
        dwarf: HeadType = "dwarf"
        return (dwarf,) * count
    kinds: tuple[HeadType, ...] = ("searchlight", "vertical", "triangular", "cluster")
    if "type" in overrides:
        return (cast(HeadType, overrides["type"]),) * count
    if rng.random() < 0.015:
        position: HeadType = "position"
        return (position,) * count
    first = kinds[int(rng.choice(4, p=[0.36, 0.28, 0.12, 0.24]))]
    if rng.random() < 0.1:
        return tuple(kinds[int(rng.integers(4))] for _ in range(count))
    return (first,) * count


def _draw_colours(
    rng: Rng, needed: set[Colour | None], type_: HeadType, lower: bool
) -> tuple[Colour, ...]:
    """Draw the lenses of a head that must show the needed colours."""
    must = [c for c in COLOURS if c in needed]
    order = list(_ORDERS[int(rng.integers(len(_ORDERS)))])
    extra = [c for c in must if c not in order]
    for i, colour in enumerate(extra):
        # A lunar (or other) lens takes the place of one that this head never shows.
        free = [c for c in order if c not in must]
        if free and (i > 0 or rng.random() < 0.7):
            order[order.index(free[0])] = colour
        else:
            order.append(colour)
    if type_ == "triangular":
        keep = [c for c in order if c in must] + [c for c in order if c not in must]
        return tuple(sorted(keep[:3], key=order.index)) if len(keep) >= 3 else tuple(keep)
    if (lower or type_ == "dwarf") and rng.random() < 0.35 and must:
        # A head of fewer lenses, down to a fixed single light.
        size = int(rng.integers(len(must), len(order) + 1))
        spare = [c for c in order if c not in must]
        chosen = set(must) | set(spare[: max(0, size - len(must))])
        order = [c for c in order if c in chosen]
    return tuple(order)


@cache
def _aspects() -> dict[str, list[str]]:
    """Aspects of the data file by group."""
    text = files("mastread.tools.scenes").joinpath("aspects.toml").read_text(encoding="utf-8")
    return {group: list(entry["aspects"]) for group, entry in tomllib.loads(text).items()}
