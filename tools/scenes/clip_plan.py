"""Draws a clip: what it shows when, how the camera moves, how it is stored; and its truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes import busy, course
from mastread.tools.scenes import camera as cam
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.clip_lights import light_up, true_span
from mastread.tools.scenes.encode import Codec, VideoOptions
from mastread.tools.scenes.film import Approach, Clip, Source, in_order
from mastread.tools.scenes.ink import Picture
from mastread.tools.scenes.layers import Distractor, Layers, MastInfo, shift
from mastread.tools.scenes.make import draw_mirror, lamp_contrasts, mirror_truth, true_mast
from mastread.tools.scenes.painter import paint, paint_apart
from mastread.tools.scenes.passing import draw_train
from mastread.tools.scenes.setup import (
    Setup,
    draw_camera,
    draw_emitters,
    draw_optics,
    draw_setup,
)
from mastread.tools.scenes.truth import Motion, TrueDistractor, TrueMast, Truth
from mastread.tools.scenes.weather import FALLING, draw_falling

Rng = np.random.Generator
Floats = NDArray[np.float64]


def plan_clip(seed: int, overrides: Mapping[str, Any]) -> Clip:
    """Draw and prepare a clip; the truth in it has no file name yet.

    Parameters
    ----------
    overrides : see `mastread.tools.scenes.clip.make_clip`
    """
    rng = np.random.default_rng([seed, 3])
    settled = dict(overrides)
    setup = draw_setup(rng, True, settled)
    rates = [24.0, 25.0, 30000 / 1001, 30.0, 50.0, 60.0]
    fps = float(rng.choice(rates, p=[0.1, 0.15, 0.3, 0.3, 0.05, 0.1]))
    fps = float(settled.get("fps", fps))
    duration = float(settled.get("duration_s", rng.uniform(5.0, 9.0)))
    variable = bool(settled.get("variable", rng.random() < 0.25))
    times = course.frame_times(rng, fps, duration, variable)
    end_s = float(times[-1] + 1.0 / fps)
    nearing = float(settled.get("approach", rng.uniform(3.0, 12.0) if rng.random() < 0.04 else 1.0))
    if setup.width > 960 and "size" not in settled and nearing > 1.0:
        nearing = 1.0
    leaves = bool(settled.get("leave", setup.width <= 960 and rng.random() < 0.03))
    moving = _movement(rng, setup, settled, times, nearing > 1.0)
    # The mast stays in view of the hand's shaking; only a long pan away takes it out.
    room = int(np.ceil(max(np.abs(moving.dx).max(), np.abs(moving.dy).max()))) + 3
    border = room
    if leaves:
        moving = course.with_leave(rng, moving, setup.width)
        border = int(np.ceil(np.abs(moving.dx).max())) + 3
    width, height = setup.width + 2 * border, setup.height + 2 * border
    plans = [m.plan for m in setup.masts]
    inset = border + room + _zoom_room(moving, setup)
    sheets: tuple[Picture, Picture] | None = None
    if nearing > 1.0:
        big, rgb, cover = paint_apart(
            rng, width, height, setup.light, plans, setup.radius_px, inset
        )
        sheets = (rgb, cover)
    else:
        big = paint(rng, width, height, setup.light, plans, setup.radius_px, inset)
    exposure = float(big.conditions["exposure"])
    cast = np.asarray(big.conditions["cast"], np.float64)
    camera, words_of_camera = draw_camera(
        rng, setup.sensor, exposure, cast.tolist(), setup.light, True
    )
    optics = draw_optics(rng, setup.light, setup.width)
    shutter = _shutter(rng, setup.light, fps)
    dark = setup.light in ("night", "dusk", "fog")
    extra: list[Source] = []
    things: list[Distractor | TrueDistractor] = []
    if not sheets and not leaves and settled.get("busy", True):
        extra, lights = busy.draw_busy(
            rng, big.surround, big.masts, setup.sensor, optics, exposure, times, shutter, dark
        )
        things += lights
    tint = cast.astype(np.float32)
    base = np.asarray(cam.to_raw(big.surround, camera) * tint, np.float32)
    ground = opt.blur(base, optics)
    tables = draw_emitters(rng, setup.masts)
    spans, sources, lit = light_up(
        rng, big, setup, tables, exposure, optics, times, end_s, shutter, settled
    )
    mirrored = draw_mirror(rng, big, setup) if not sheets else None
    streaks = []
    if mirrored is not None:
        streaks = [replace(s, glow=opt.mirror_glow(s.lens, *mirrored)) for s in sources]
        things += mirror_truth([s.lens for s in sources], mirrored, height)
    all_sources = tuple(busy.home(s, border) for s in (*sources, *extra, *streaks))
    home = shift(big, border, border, setup.width, setup.height)
    train = None
    if settled.get("train", not sheets and rng.random() < 0.1) and home.masts:
        train = draw_train(rng, home, times)
    near = None
    if sheets is not None:
        moving, near = _approach(rng, home, setup, moving, times, nearing, sheets, camera, tint)
        base = base * (1.0 - sheets[1][:, :, None]) + near.rgb
    falling = None
    kind: Literal["snow", "rain"] = "snow" if setup.light == "snow" else "rain"
    if settled.get("falling", rng.random() < FALLING.get(setup.light, 0.02)):
        falling = draw_falling(rng, kind, setup.width, setup.height, ground)
    contrasts = lamp_contrasts(big, lit, optics, camera, base, None)
    masts = []
    for i, info in enumerate(home.masts):
        gone = _out_of_view(info, moving, setup, times)
        if train is not None:
            gone = tuple(sorted((*gone, *train.hides(info, times))))
        told = tuple(true_span(home, i + 1, s, contrasts) for s in spans[i])
        masts.append(true_mast(home, i, told, gone))
    conditions = {
        "light": setup.light,
        "maker": big.conditions.get("maker", ""),
        "lens_px": big.conditions.get("lens_px"),
        "level": round(setup.level, 3),
        "shake": round(float(max(np.ptp(moving.dx), np.ptp(moving.dy))), 2),
        "zoom": round(float(moving.zoom.max() / moving.zoom.min()), 3),
        "exposure": round(exposure, 4),
        "shutter_s": round(shutter, 5),
        "fps": round(fps, 4),
        "variable_rate": variable,
        "train": train is not None,
        "approach": nearing > 1.0,
        "leaves": leaves,
        "falling": kind if falling is not None else None,
        **words_of_camera,
    }
    stutter = bool(settled.get("stutter", rng.random() < 0.06))
    if stutter:
        order = course.repeats(rng, len(times))
        moving = course.Path(
            moving.dx[order], moving.dy[order], moving.zoom[order], moving.gain[order]
        )
        all_sources = tuple(in_order(s, order) for s in all_sources)
        train = replace(train, head=train.head[order]) if train is not None else None
        near = replace(near, behind=near.behind[order]) if near is not None else None
    conditions["stutter"] = stutter
    noise = _noise_field(rng, setup.width, setup.height, camera)
    return Clip(
        layers=home,
        camera=camera,
        optics=optics,
        ground=ground,
        sources=all_sources,
        times=times,
        path=moving,
        margin=border,
        width=setup.width,
        height=setup.height,
        truth=_truth(seed, setup, times, end_s, masts, home, things, border, conditions, moving),
        fps=fps,
        seed=seed,
        noise=noise if settled.get("noise", True) else None,
        train=train,
        falling=falling,
        approach=near,
        options=_storage(rng, setup, settled),
    )


def _truth(
    seed: int,
    setup: Setup,
    times: Floats,
    end_s: float,
    masts: list[TrueMast],
    home: Layers,
    things: Sequence[Distractor | TrueDistractor],
    border: int,
    conditions: dict[str, Any],
    moving: course.Path,
) -> Truth:
    """Put the truth of a clip together."""
    seen = [TrueDistractor(d.x, d.y, d.what, d.lit) for d in home.distractors]
    seen += [TrueDistractor(d.x - border, d.y - border, d.what, d.lit) for d in things]
    return Truth(
        file="",
        kind="video",
        width=setup.width,
        height=setup.height,
        duration_s=end_s,
        frames=len(times),
        seed=seed,
        masts=tuple(masts),
        distractors=tuple(d for d in seen if 0 <= d.x < setup.width and 0 <= d.y < setup.height),
        conditions=conditions,
        motion=Motion(
            tuple(times.tolist()),
            tuple(moving.dx.tolist()),
            tuple(moving.dy.tolist()),
            tuple(moving.zoom.tolist()),
        ),
    )


def _approach(
    rng: Rng,
    home: Layers,
    setup: Setup,
    moving: course.Path,
    times: Floats,
    nearing: float,
    sheets: tuple[Picture, Picture],
    camera: cam.Camera,
    tint: NDArray[np.float32],
) -> tuple[course.Path, Approach]:
    """Turn a path into one that rides up to the masts, from `nearing` times as far."""
    along = (times - times[0]) / max(1e-6, float(times[-1] - times[0]))
    # Even speed: distance falls in a straight line, so size grows as one over it.
    zoom = 1.0 / (nearing + (1.0 - nearing) * along)
    middle = ((setup.width - 1) / 2.0, (setup.height - 1) / 2.0)
    head = home.masts[0].heads[0] if home.masts else None
    aim = (head.x, head.y) if head is not None else middle
    point = (
        float(middle[0] + 0.5 * (aim[0] - middle[0]) + rng.normal(0.0, 0.05) * setup.width),
        float(middle[1] + 0.5 * (aim[1] - middle[1])),
    )
    path = course.Path(
        moving.dx + (1.0 - zoom) * (point[0] - middle[0]),
        moving.dy + (1.0 - zoom) * (point[1] - middle[1]),
        zoom,
        moving.gain,
    )
    rgb = np.asarray(np.maximum(cam.to_raw(sheets[0], camera) * tint, 0.0), np.float32)
    return path, Approach(rgb, sheets[1], point, 1.0 + 0.15 * (zoom - zoom[-1]))


def _out_of_view(
    mast: MastInfo, path: course.Path, setup: Setup, times: Floats
) -> tuple[tuple[float, float], ...]:
    """Stretches in which at least one head of a mast lies outside the picture."""
    cx, cy = (setup.width - 1) / 2.0, (setup.height - 1) / 2.0
    out = np.zeros(len(times), bool)
    for head in mast.heads:
        x = cx + path.zoom * (head.x - cx) + path.dx
        y = cy + path.zoom * (head.y - cy) + path.dy
        r = path.zoom * head.radius_px
        out |= (x < r) | (x > setup.width - 1 - r) | (y < r) | (y > setup.height - 1 - r)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], out.astype(int), [0]])))
    last = len(times) - 1
    return tuple(
        (float(times[a]), float(times[min(b, last)]))
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    )


def _movement(
    rng: Rng, setup: Setup, settled: Mapping[str, Any], times: Floats, nearing: bool
) -> course.Path:
    """Draw how the camera moves in a clip."""
    scale = setup.width / 1280.0
    hand = rng.random()
    shake = (
        0.0
        if hand < 0.25
        else float(rng.uniform(0.5, 6.0) if hand < 0.7 else rng.uniform(6.0, 40.0)) * scale
    )
    pan = float(rng.uniform(20.0, 120.0)) * scale if rng.random() < 0.12 else 0.0
    zoom = float(rng.uniform(1.1, 2.0)) if rng.random() < 0.1 else 1.0
    if nearing:
        pan, zoom, shake = 0.0, 1.0, min(shake, 6.0)
    drift = float(rng.uniform(0.05, 0.5)) if rng.random() < 0.2 else 0.0
    return course.draw_path(
        rng,
        times,
        float(settled.get("shake_px", shake)),
        float(settled.get("pan_px", pan)),
        float(settled.get("zoom", zoom)),
        float(settled.get("drift", drift)),
    )


def _zoom_room(path: course.Path, setup: Setup) -> int:
    """Pixels at each edge that a zoom pushes out of the frame."""
    most = float(path.zoom.max())
    return int(np.ceil((1.0 - 1.0 / most) * min(setup.width, setup.height) / 2.0))


def _shutter(rng: Rng, light: str, fps: float) -> float:
    """Draw the exposure time of a frame in seconds."""
    if light in ("night", "dusk"):
        return float(rng.uniform(0.4, 0.95) / fps)
    if rng.random() < 0.4:
        return float(min(0.95 / fps, rng.choice([1 / 50, 1 / 60, 1 / 100, 1 / 120])))
    return float(min(0.95 / fps, 10 ** rng.uniform(-3.3, -2.0)))


def _noise_field(rng: Rng, width: int, height: int, camera: cam.Camera) -> NDArray[np.float32]:
    """Noise of unit spread, larger than the frame, from which each frame cuts its own piece."""
    field = rng.standard_normal((height + 61, width + 67, 3), np.float32)
    if camera.denoise_px > 0.0:
        field = np.asarray(cv2.GaussianBlur(field, (0, 0), camera.denoise_px), np.float32)
    return field


def _storage(rng: Rng, setup: Setup, settled: Mapping[str, Any]) -> VideoOptions:
    """Draw how a clip is stored."""
    codecs: tuple[Codec, ...] = ("h264", "hevc", "mjpeg")
    codec = codecs[int(rng.choice(3, p=[0.9, 0.07, 0.03]))]
    codec = settled.get("codec", codec)
    crf = int(rng.integers(16, 31)) if codec != "mjpeg" else int(rng.integers(2, 9))
    rotation = int(rng.choice([0, 90, 180, 270], p=[0.92, 0.04, 0.02, 0.02]))
    if setup.height > setup.width and rng.random() < 0.8:
        # Telephones store upright films lying down.
        rotation = 90
    return VideoOptions(
        codec=codec,
        crf=int(settled.get("crf", crf)),
        preset="veryfast",
        matrix="bt709" if setup.height >= 720 or rng.random() < 0.5 else "bt601",
        rotation=int(settled.get("rotation", rotation)),
        fields=settled.get("fields", ""),
        transfer=settled.get("transfer", "sdr"),
    )
