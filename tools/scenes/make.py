"""Makes photographs and clips with exact truth from seeds.

    rgb, truth = make_photo(17)
    truth = make_clip(17, "clip.mp4")

Everything about a file is drawn from one random generator per seed; `overrides` settle some of
the draws (see `mastread.tools.scenes.setup.draw_setup`).
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour
from mastread.tools.scenes import camera as cam
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.lamps import Emitter, Sensor, raw_colour
from mastread.tools.scenes.layers import Layers, LensLayer
from mastread.tools.scenes.painter import paint
from mastread.tools.scenes.setup import (
    HeadShow,
    Setup,
    draw_camera,
    draw_emitters,
    draw_optics,
    draw_setup,
)
from mastread.tools.scenes.still import encode_still
from mastread.tools.scenes.truth import (
    TrueDistractor,
    TrueHead,
    TrueHeadPlace,
    TrueMast,
    TrueSpan,
    Truth,
    scaled_truth,
    words,
    write_truth,
)
from mastread.tools.scenes.weather import FALLING, draw_falling

Rng = np.random.Generator

#: Disjoint seeds: for tuning, for choosing between ways, and for the figures that are reported.
TUNING: Final = range(10_000)
CHOOSING: Final = range(10_000, 20_000)
REPORTING: Final = range(20_000, 30_000)


@dataclass(frozen=True, slots=True)
class LitLens:
    """A lens with its light: share of full strength, and raw radiance at full strength."""

    lens: LensLayer
    share: float
    raw: NDArray[np.float64]


def make_photo(seed: int, **overrides: Any) -> tuple[NDArray[np.uint8], Truth]:
    """Make a photograph.

    Parameters
    ----------
    seed : draws everything; see `TUNING`, `CHOOSING`, `REPORTING`
    overrides : see `mastread.tools.scenes.setup.draw_setup`; also ``noise=False``, ``falling``
        (bool), ``resample`` (taken this much larger, then made smaller)

    Returns
    -------
    (H, W, 3) uint8 R G B, and its truth with an empty file name
    """
    rng = np.random.default_rng([seed, 1])
    setup = draw_setup(rng, False, overrides)
    # Some pictures are taken larger and made smaller afterwards, as those on web pages are.
    factor = float(rng.uniform(1.3, 2.2)) if rng.random() < 0.12 else 1.0
    if setup.width * factor > 2200.0:
        factor = 1.0
    factor = float(overrides.get("resample", factor))
    large = replace(
        setup,
        width=round(setup.width * factor),
        height=round(setup.height * factor),
        radius_px=setup.radius_px * factor,
    )
    layers = paint(
        rng, large.width, large.height, large.light, [m.plan for m in setup.masts], large.radius_px
    )
    rgb, truth = photograph(rng, seed, layers, large, overrides)
    if factor == 1.0:
        return rgb, truth
    small = cv2.resize(rgb, (setup.width, setup.height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, np.uint8), scaled_truth(truth, setup.width, setup.height)


def photograph(
    rng: Rng, seed: int, layers: Layers, setup: Setup, overrides: Mapping[str, Any]
) -> tuple[NDArray[np.uint8], Truth]:
    """Photograph layers of any maker with the aspects of a setup.

    The layers' ``conditions`` must hold ``exposure`` and ``cast``.
    """
    light_raw = np.asarray(layers.conditions["cast"], np.float64)
    exposure = float(layers.conditions["exposure"])
    camera, words_of_camera = draw_camera(
        rng, setup.sensor, exposure, light_raw.tolist(), setup.light, False
    )
    optics = draw_optics(rng, setup.light, setup.width)
    tables = draw_emitters(rng, setup.masts)
    lit, shown = _photo_lamps(rng, layers, setup, tables, exposure)
    base = cam.to_raw(layers.surround, camera) * light_raw.astype(np.float32)
    raw = opt.blur(np.asarray(base, np.float32), optics)
    blurred = None
    if rng.random() < (0.3 if setup.light in ("night", "dusk") else 0.12):
        blurred = motion_kernel(rng, float(rng.uniform(1.0, 5.0)) * setup.width / 1280.0)
    for one in lit:
        strength = one.share * float(one.raw.max()) * exposure
        glow = opt.lens_glow(one.lens, optics, strength)
        opt.add_glow(raw, glow, one.raw * one.share)
    if rng.random() < 0.1 and lit:
        _ghosts(rng, raw, lit, setup)
    mirrored = draw_mirror(rng, layers, setup)
    if mirrored is not None:
        for one in lit:
            opt.add_glow(raw, opt.mirror_glow(one.lens, *mirrored), one.raw * one.share)
    if blurred is not None:
        raw = np.asarray(cv2.filter2D(raw, -1, blurred), np.float32)
    falling = None
    if overrides.get("falling", rng.random() < FALLING.get(setup.light, 0.02)):
        falling = draw_falling(
            rng, "snow" if setup.light == "snow" else "rain", setup.width, setup.height, raw
        )
        falling.cover(raw, float(rng.uniform(0.0, 1.0)))
    raw *= _vignette(rng, raw.shape[0], raw.shape[1])
    noise = rng if overrides.get("noise", True) else None
    rgb = cam.develop(raw, camera, noise)
    contrasts = lamp_contrasts(layers, lit, optics, camera, base, blurred)
    masts = [_photo_mast(layers, setup, i, shown[i], contrasts) for i in range(len(setup.masts))]
    truth = Truth(
        file="",
        kind="photo",
        width=setup.width,
        height=setup.height,
        duration_s=None,
        frames=None,
        seed=seed,
        masts=tuple(masts),
        distractors=(
            *(TrueDistractor(d.x, d.y, d.what, d.lit) for d in layers.distractors),
            *mirror_truth([one.lens for one in lit], mirrored, setup.height),
        ),
        conditions={
            "light": setup.light,
            "maker": layers.conditions.get("maker", ""),
            "lens_px": layers.conditions.get("lens_px"),
            "level": round(setup.level, 3),
            "shake": 0.0,
            "motion_blur": blurred is not None,
            "falling": falling.kind if falling is not None else None,
            "exposure": round(exposure, 4),
            **words_of_camera,
        },
    )
    return rgb, truth


def write_photo(seed: int, folder: str | os.PathLike[str], **overrides: Any) -> Truth:
    """Make a photograph and write it, with its truth beside it as ``NAME.truth.json``.

    Mostly JPEG of any quality, at times PNG or WebP, at times stored turned with an orientation
    tag; ``quality``, ``suffix`` and ``orientation`` (1, 3, 6 or 8) settle that.
    """
    rgb, truth = make_photo(seed, **overrides)
    rng = np.random.default_rng([seed, 2])
    pick = rng.random()
    suffix = ".jpg" if pick < 0.9 else (".png" if pick < 0.95 else ".webp")
    suffix = str(overrides.get("suffix", suffix))
    quality = int(overrides.get("quality", rng.integers(45, 98)))
    full_chroma = bool(rng.random() < 0.25)
    turned = int(rng.choice([1, 6, 8, 3], p=[0.92, 0.04, 0.02, 0.02])) if suffix == ".jpg" else 1
    turned = int(overrides.get("orientation", turned))
    path = Path(folder) / f"photo-{seed:05d}{suffix}"
    data = encode_still(rgb, suffix, quality, full_chroma, turned)
    part = path.with_name(path.name + ".part")
    part.write_bytes(data)
    part.replace(path)
    compression: dict[str, Any] = {"suffix": suffix, "orientation": turned}
    if suffix != ".png":
        compression["quality"] = quality
    truth = replace(
        truth, file=path.name, conditions={**truth.conditions, "compression": compression}
    )
    write_truth(truth, path.with_suffix(".truth.json"))
    return truth


def lamp_raw(emitter: Emitter, eye: Sensor, level: float, exposure: float) -> NDArray[np.float64]:
    """Raw radiance of a lens whose strongest channel reaches `level` times clipping."""
    return np.asarray(raw_colour(emitter, eye) * (level / exposure))


def lens_for(layers: Layers, mast: int, head: int, colour: Colour | None) -> LensLayer:
    """Lens of a head that shows a colour; of a dark head its first lens."""
    if colour is not None:
        return layers.lens(mast, head, colour)
    return next(le for le in layers.lenses if le.mast == mast and le.head == head)


def lamp_contrasts(
    layers: Layers,
    lit: Sequence[LitLens],
    optics: opt.Optics,
    camera: cam.Camera,
    base: NDArray[np.float32],
    kernel: NDArray[np.float32] | None,
) -> dict[tuple[int, int], float]:
    """How far each lit lamp lifts the finished picture, by (mast, head); see `TrueHead`."""
    out: dict[tuple[int, int], float] = {}
    quiet = replace(camera, mosaic=False, brighten=0.0)
    for one in lit:
        lens = one.lens
        reach = int(np.ceil(1.5 * lens.radius_px)) + 6
        if lens.spots:
            reach = max(lens.light.shape) // 2
        x0, y0 = max(0, round(lens.x) - reach), max(0, round(lens.y) - reach)
        x1 = min(layers.width, round(lens.x) + reach + 1)
        y1 = min(layers.height, round(lens.y) + reach + 1)
        without = opt.focus(np.ascontiguousarray(base[y0:y1, x0:x1]), optics)
        glow = opt.lens_glow(lens, optics, 1.0, reach=4 * reach)
        crop = np.zeros_like(without)
        opt.add_glow(crop, replace(glow, x0=glow.x0 - x0, y0=glow.y0 - y0), one.raw * one.share)
        if kernel is not None:
            crop = np.asarray(cv2.filter2D(crop, -1, kernel), np.float32)
        dark = cam.develop(without, quiet, None).astype(np.int16)
        bright = cam.develop(np.asarray(without + crop, np.float32), quiet, None).astype(np.int16)
        out[(lens.mast, lens.head)] = max(0.0, float((bright - dark).max()) / 255.0)
    return out


def motion_kernel(rng: Rng, length: float) -> NDArray[np.float32]:
    """Kernel of a short, slightly bent camera movement during the exposure."""
    half = int(np.ceil(length)) + 2
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    turn, bend = rng.uniform(0.0, np.pi), rng.normal(0.0, 0.25)
    for t in np.linspace(-0.5, 0.5, 64):
        x = half + length * t * np.cos(turn) - bend * length * t * t * np.sin(turn)
        y = half + length * t * np.sin(turn) + bend * length * t * t * np.cos(turn)
        ix, iy = int(np.floor(x)), int(np.floor(y))
        fx, fy = x - ix, y - iy
        kernel[iy, ix] += (1 - fx) * (1 - fy)
        kernel[iy, ix + 1] += fx * (1 - fy)
        kernel[iy + 1, ix] += (1 - fx) * fy
        kernel[iy + 1, ix + 1] += fx * fy
    return np.asarray(kernel / kernel.sum(), np.float32)


def _photo_lamps(
    rng: Rng,
    layers: Layers,
    setup: Setup,
    tables: Sequence[Mapping[Colour, Emitter]],
    exposure: float,
) -> tuple[list[LitLens], list[list[tuple[HeadShow, bool]]]]:
    """Light the lamps for the moment of a photo; also what each head truly shows."""
    lit: list[LitLens] = []
    shown: list[list[tuple[HeadShow, bool]]] = []
    for number, mast in enumerate(setup.masts, start=1):
        row = []
        level = setup.level * float(np.exp(rng.normal(0.0, 0.25)))
        for head, show in enumerate(mast.aspects[0], start=1):
            share = 0.0 if show.colour is None else 1.0
            if show.flashing and rng.random() > 0.55:
                share = 0.0
            elif show.flashing and mast.kind == "filament" and rng.random() < 0.12:
                share = float(rng.uniform(0.2, 0.9))
            if show.colour is not None and share > 0.0:
                own = level * float(np.exp(rng.normal(0.0, 0.12)))
                raw = lamp_raw(tables[number - 1][show.colour], setup.sensor, own, exposure)
                lit.append(LitLens(layers.lens(number, head, show.colour), share, raw))
            row.append((show, share > 0.0))
        shown.append(row)
    return lit, shown


def _photo_mast(
    layers: Layers,
    setup: Setup,
    index: int,
    shown: Sequence[tuple[HeadShow, bool]],
    contrasts: Mapping[tuple[int, int], float],
) -> TrueMast:
    """Truth of one mast of a photo."""
    number = index + 1
    heads = []
    for head, (show, lit_now) in enumerate(shown, start=1):
        lens = lens_for(layers, number, head, show.colour)
        behaviour = "dark" if show.colour is None else ("flashing" if show.flashing else "steady")
        heads.append(
            TrueHead(
                head=head,
                colour=show.colour,
                behaviour=behaviour,  # type: ignore[arg-type]
                rate_hz=None,
                duty=None,
                lit_now=lit_now,
                x=lens.x,
                y=lens.y,
                radius=lens.radius_px,
                contrast=contrasts.get((number, head), 0.0),
            )
        )
    span = TrueSpan(None, None, words(heads), tuple(heads))
    return true_mast(layers, index, (span,))


def draw_mirror(rng: Rng, layers: Layers, setup: Setup) -> tuple[float, float, float] | None:
    """Draw whether the ground mirrors the lamps; arguments of `optics.mirror_glow`, or None."""
    often = {"night": 0.12, "dusk": 0.1, "overcast": 0.06, "fog": 0.05}.get(setup.light, 0.0)
    if rng.random() >= often or not layers.masts:
        return None
    mast = layers.masts[int(rng.integers(len(layers.masts)))]
    low = max(h.y + 4.0 * h.radius_px for h in mast.heads)
    row = float(max(low, mast.box[3] - rng.uniform(0.0, 0.3) * (mast.box[3] - mast.box[1])))
    return row, float(rng.uniform(1.5, 7.0)), float(10 ** rng.uniform(-2.5, -0.7))


def mirror_truth(
    lenses: Sequence[LensLayer], mirrored: tuple[float, float, float] | None, height: int
) -> list[TrueDistractor]:
    """Truth of the reflections that lie in the picture."""
    if mirrored is None:
        return []
    spots = [(lens.x, 2.0 * mirrored[0] - lens.y) for lens in lenses]
    return [TrueDistractor(x, y, "reflection of a lamp", False) for x, y in spots if y < height]


def true_mast(
    layers: Layers,
    index: int,
    spans: tuple[TrueSpan, ...],
    hidden: tuple[tuple[float, float], ...] = (),
) -> TrueMast:
    """Truth of one mast with the given spans."""
    info = layers.masts[index]
    return TrueMast(
        mast=info.mast,
        box=info.box,
        kind=info.kind,
        arrangement=info.arrangement,
        plates=info.plates,
        heads=tuple(TrueHeadPlace(h.head, h.x, h.y, h.radius_px, h.type) for h in info.heads),
        spans=spans,
        hidden=hidden,
    )


def _ghosts(rng: Rng, raw: NDArray[np.float32], lit: Sequence[LitLens], setup: Setup) -> None:
    """Add reflections between lens elements: faint discs on the far side of the middle."""
    cx, cy = (setup.width - 1) / 2.0, (setup.height - 1) / 2.0
    for one in lit:
        if setup.level * one.share < 5.0:
            continue
        for _ in range(int(rng.integers(1, 4))):
            k = float(rng.uniform(-1.2, 0.8))
            x, y = cx + k * (one.lens.x - cx), cy + k * (one.lens.y - cy)
            r = float(rng.uniform(1.5, 8.0)) * max(1.5, one.lens.radius_px)
            tint = rng.uniform(0.4, 1.0, 3)
            share = 10 ** rng.uniform(-3.5, -2.4) * (one.lens.radius_px / r) ** 2
            glow = opt.Glow(opt.disc_kernel(r), round(x - r), round(y - r))
            peak = float(glow.light.max())
            opt.add_glow(
                raw, replace(glow, light=glow.light / np.float32(peak)), one.raw * tint * share
            )


def _vignette(rng: Rng, height: int, width: int) -> NDArray[np.float32]:
    """Fall-off of light towards the corners, (H, W, 1)."""
    depth = float(rng.uniform(0.0, 0.35)) if rng.random() < 0.6 else 0.0
    y = (np.arange(height) - (height - 1) / 2.0) / (width / 2.0)
    x = (np.arange(width) - (width - 1) / 2.0) / (width / 2.0)
    r2 = y[:, None] ** 2 + x[None, :] ** 2
    return np.asarray(1.0 - depth * np.minimum(1.0, r2 / 1.5), np.float32)[:, :, None]
