"""Makes video clips with exact truth, frame by frame."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Behaviour, Colour
from mastread.tools.scenes import camera as cam
from mastread.tools.scenes import course
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.encode import ClipWriter, Codec, VideoOptions
from mastread.tools.scenes.lamps import Emitter
from mastread.tools.scenes.layers import Layers, LensLayer, shift
from mastread.tools.scenes.make import LitLens, lamp_contrasts, lamp_raw, lens_for, true_mast
from mastread.tools.scenes.painter import paint
from mastread.tools.scenes.passing import Train, draw_train
from mastread.tools.scenes.setup import (
    MastSetup,
    Setup,
    draw_camera,
    draw_emitters,
    draw_optics,
    draw_setup,
)
from mastread.tools.scenes.truth import (
    Motion,
    TrueDistractor,
    TrueHead,
    TrueSpan,
    Truth,
    words,
    write_truth,
)

Rng = np.random.Generator
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Source:
    """One lens in a clip: its glow, its raw radiance at full strength, its light per frame."""

    lens: LensLayer
    glow: opt.Glow
    raw: Floats
    light: Floats


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip ready to be rendered: iterate `frames` for pictures with their times."""

    layers: Layers
    camera: cam.Camera
    ground: NDArray[np.float32]
    sources: tuple[_Source, ...]
    times: Floats
    path: course.Path
    train: Train | None
    noise: NDArray[np.float32] | None
    margin: int
    width: int
    height: int
    truth: Truth
    fps: float
    options: VideoOptions
    seed: int


def make_clip(seed: int, path: str | os.PathLike[str], **overrides: Any) -> Truth:
    """Make a clip, write it to `path` and its truth beside it as ``NAME.truth.json``.

    Parameters
    ----------
    seed : draws everything
    overrides : see `mastread.tools.scenes.setup.draw_setup`; also ``duration_s``, ``fps``,
        ``variable``, ``shake_px``, ``pan_px``, ``zoom``, ``drift``, ``train`` (bool), ``codec``,
        ``crf``, ``rotation``, ``noise`` (bool), ``rate_hz`` (of all flashing heads)
    """
    clip = plan_clip(seed, overrides)
    target = Path(path)
    options = clip.options
    if target.suffix == ".webm":
        options = replace(options, codec="vp9", rotation=0)
    elif target.suffix in (".mkv", ".avi"):
        options = replace(options, rotation=0)
    with ClipWriter(target, clip.width, clip.height, clip.fps, options) as out:
        for time_s, rgb in frames(clip):
            out.write(rgb, time_s)
    truth = replace(
        clip.truth,
        file=target.name,
        conditions={
            **clip.truth.conditions,
            "compression": {"codec": options.codec, "crf": options.crf},
            "rotation": options.rotation,
        },
    )
    write_truth(truth, target.with_suffix(".truth.json"))
    return truth


def plan_clip(seed: int, overrides: Mapping[str, Any]) -> Clip:
    """Draw and prepare a clip; the truth in it has no file name yet."""
    rng = np.random.default_rng([seed, 3])
    settled = dict(overrides)
    setup = draw_setup(rng, True, settled)
    fps = float(
        rng.choice([24.0, 25.0, 30000 / 1001, 30.0, 50.0, 60.0], p=[0.1, 0.15, 0.3, 0.3, 0.05, 0.1])
    )
    fps = float(settled.get("fps", fps))
    duration = float(settled.get("duration_s", rng.uniform(5.0, 9.0)))
    variable = bool(settled.get("variable", rng.random() < 0.25))
    times = course.frame_times(rng, fps, duration, variable)
    end_s = float(times[-1] + 1.0 / fps)
    moving = _movement(rng, setup, settled, times)
    margin = int(np.ceil(max(np.abs(moving.dx).max(), np.abs(moving.dy).max()))) + 3
    zoom_out = float(moving.zoom.min())
    if zoom_out < 1.0:
        margin += int(np.ceil((1.0 / zoom_out - 1.0) * max(setup.width, setup.height) / 2.0))
    big = paint(
        rng,
        setup.width + 2 * margin,
        setup.height + 2 * margin,
        setup.light,
        [m.plan for m in setup.masts],
        setup.radius_px,
        2 * margin + _zoom_room(moving, setup),
    )
    exposure = float(big.conditions["exposure"])
    cast = np.asarray(big.conditions["cast"], np.float64)
    camera, words_of_camera = draw_camera(
        rng, setup.sensor, exposure, cast.tolist(), setup.light, True
    )
    optics = draw_optics(rng, setup.light, setup.width)
    base = np.asarray(cam.to_raw(big.surround, camera) * cast.astype(np.float32), np.float32)
    ground = opt.blur(base, optics)
    tables = draw_emitters(rng, setup.masts)
    shutter = _shutter(rng, setup.light, fps)
    spans, sources, lit = _light_up(
        rng, big, setup, tables, exposure, optics, times, end_s, shutter, settled, margin
    )
    train = None
    if settled.get("train", setup.masts and rng.random() < 0.1):
        train = draw_train(rng, big, margin, setup.width, setup.height, times, setup.light)
    noise = None
    if settled.get("noise", True):
        noise = _noise_field(rng, setup.width, setup.height, camera)
    home = shift(big, margin, margin, setup.width, setup.height)
    contrasts = lamp_contrasts(big, lit, optics, camera, base, None)
    masts = tuple(
        true_mast(
            home,
            i,
            tuple(_true_span(home, i + 1, s, contrasts) for s in spans[i]),
            train.hides(home.masts[i], times) if train is not None else (),
        )
        for i in range(len(setup.masts))
    )
    truth = Truth(
        file="",
        kind="video",
        width=setup.width,
        height=setup.height,
        duration_s=end_s,
        frames=len(times),
        seed=seed,
        masts=masts,
        distractors=tuple(
            TrueDistractor(d.x, d.y, d.what, d.lit)
            for d in home.distractors
            if 0 <= d.x < setup.width and 0 <= d.y < setup.height
        ),
        conditions={
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
            **words_of_camera,
        },
        motion=Motion(
            tuple(times.tolist()),
            tuple(moving.dx.tolist()),
            tuple(moving.dy.tolist()),
            tuple(moving.zoom.tolist()),
        ),
    )
    options = _storage(rng, setup, settled)
    return Clip(
        home,
        camera,
        ground,
        tuple(sources),
        times,
        moving,
        train,
        noise,
        margin,
        setup.width,
        setup.height,
        truth,
        fps,
        options,
        seed,
    )


def frames(clip: Clip) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield (presentation time, (H, W, 3) uint8 picture) of a clip, one by one."""
    rng = np.random.default_rng([clip.seed, 4])
    table = clip.camera.tone.table()
    for i, time_s in enumerate(clip.times):
        raw = raw_frame(clip, i)
        level = np.asarray(raw * np.float32(clip.camera.exposure * clip.path.gain[i]), np.float32)
        level = _with_noise(level, clip, rng)
        coded = cam.tone(cam.render(level, clip.camera), table)
        if clip.camera.sharpen > 0.0:
            coded = cam.sharpen(coded, clip.camera.sharpen, clip.camera.sharpen_px)
        yield float(time_s), coded


def raw_frame(clip: Clip, index: int) -> NDArray[np.float32]:
    """Return the (H, W, 3) raw light of one frame, not yet exposed."""
    zoom = float(clip.path.zoom[index])
    dx, dy = float(clip.path.dx[index]), float(clip.path.dy[index])
    cx, cy = (clip.width - 1) / 2.0, (clip.height - 1) / 2.0
    # Home (x, y) goes to cx + zoom (x - cx) + dx; the ground begins `margin` before home.
    tx = cx - zoom * (cx + clip.margin) + dx
    ty = cy - zoom * (cy + clip.margin) + dy
    move = np.array([[zoom, 0.0, tx], [0.0, zoom, ty]])
    size = (clip.width, clip.height)
    raw = np.asarray(
        cv2.warpAffine(
            clip.ground, move, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ),
        np.float32,
    )
    if clip.train is not None:
        clip.train.draw(raw, index, move, clip.margin)
    for source in clip.sources:
        share = float(source.light[index])
        if clip.train is not None:
            share *= clip.train.seen(source.lens, index)
        if share <= 1e-6:
            continue
        if zoom == 1.0:
            opt.add_glow(raw, source.glow, source.raw * share, dx, dy)
        else:
            _add_zoomed(raw, source, share, move, clip.margin)
    return raw


def _add_zoomed(
    raw: NDArray[np.float32], source: _Source, share: float, move: Floats, margin: int
) -> None:
    """Add a glow through the same warp as the ground."""
    zoom = move[0, 0]
    h, w = source.glow.light.shape
    # Corner of the glow in the frame.
    gx = zoom * (source.glow.x0 + margin) + move[0, 2]
    gy = zoom * (source.glow.y0 + margin) + move[1, 2]
    left, top = max(0, int(np.floor(gx)) - 1), max(0, int(np.floor(gy)) - 1)
    right = min(raw.shape[1], int(np.ceil(gx + zoom * w)) + 2)
    bottom = min(raw.shape[0], int(np.ceil(gy + zoom * h)) + 2)
    if left >= right or top >= bottom:
        return
    local = np.array([[zoom, 0.0, gx - left], [0.0, zoom, gy - top]])
    part = cv2.warpAffine(
        source.glow.light, local, (right - left, bottom - top), flags=cv2.INTER_LINEAR
    )
    raw[top:bottom, left:right] += part[:, :, None] * (source.raw * share).astype(np.float32)


def _movement(rng: Rng, setup: Setup, settled: Mapping[str, Any], times: Floats) -> course.Path:
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


@dataclass(frozen=True, slots=True)
class _Span:
    """What a mast shows over a stretch of time, with the flash of each head."""

    start_s: float
    end_s: float
    heads: tuple[tuple[Colour | None, Behaviour, float | None, float | None], ...]


def _light_up(
    rng: Rng,
    big: Layers,
    setup: Setup,
    tables: Sequence[Mapping[Colour, Emitter]],
    exposure: float,
    optics: opt.Optics,
    times: Floats,
    end_s: float,
    shutter: float,
    settled: Mapping[str, Any],
    margin: int,
) -> tuple[list[list[_Span]], list[_Source], list[LitLens]]:
    """Draw the time course of every lens; returns spans per mast, sources, and lamps full on."""
    all_spans: list[list[_Span]] = []
    sources: list[_Source] = []
    full: list[LitLens] = []
    for number, mast in enumerate(setup.masts, start=1):
        level = setup.level * float(np.exp(rng.normal(0.0, 0.25)))
        lamp = course.draw_lamp(rng, mast.kind)
        rate = float(settled.get("rate_hz", rng.uniform(0.6, 1.4)))
        duty = float(rng.uniform(0.4, 0.65))
        phase = float(rng.random())
        changes = _change_times(rng, len(mast.aspects), end_s)
        all_spans.append(_spans(mast, changes, end_s, rate, duty))
        for head in range(1, len(mast.aspects[0]) + 1):
            shows = []
            for start, aspect in zip((0.0, *changes), mast.aspects, strict=True):
                show = aspect[head - 1]
                shows.append(
                    course.Show(start, show.colour, rate if show.flashing else None, duty, phase)
                )
            merged = [s for i, s in enumerate(shows) if i == 0 or _differs(s, shows[i - 1])]
            change = _changeover(rng, mast, head, merged)
            lights = course.light_of(merged, lamp, change, end_s + 1.0)
            for colour, light in lights.items():
                lens = big.lens(number, head, colour)
                own = level * float(np.exp(rng.normal(0.0, 0.12)))
                raw = lamp_raw(tables[number - 1][colour], setup.sensor, own, exposure)
                per_frame = course.through_shutter(light, times, shutter)
                glow = opt.lens_glow(lens, optics, own, reach=1200)
                glow = replace(glow, x0=glow.x0 - margin, y0=glow.y0 - margin)
                moved = replace(
                    lens,
                    x=lens.x - margin,
                    y=lens.y - margin,
                    x0=lens.x0 - margin,
                    y0=lens.y0 - margin,
                )
                sources.append(_Source(moved, glow, raw, per_frame))
                full.append(LitLens(lens, 1.0, raw))
    return all_spans, sources, full


def _differs(a: course.Show, b: course.Show) -> bool:
    """Whether two shows differ in anything but when they begin."""
    return (a.colour, a.rate_hz) != (b.colour, b.rate_hz)


def _change_times(rng: Rng, aspects: int, end_s: float) -> tuple[float, ...]:
    """Times at which a mast changes, apart from each other and from the ends."""
    if aspects < 2:
        return ()
    edges = np.linspace(0.0, end_s, aspects + 1)[1:-1]
    room = end_s / aspects * 0.3
    return tuple(float(e + rng.uniform(-room, room)) for e in edges)


def _changeover(
    rng: Rng, mast: MastSetup, head: int, shows: Sequence[course.Show]
) -> course.Changeover:
    """Draw how a head changes: at once, with a dark moment, or by a swinging vane."""
    if len(shows) < 2:
        return course.Changeover()
    ends = {shows[0].colour, shows[1].colour}
    colours = mast.plan.colours[head - 1]
    if (
        mast.plan.types[head - 1] == "searchlight"
        and ends == {"green", "yellow"}
        and "red" in colours
        and rng.random() < 0.7
    ):
        # The vane of a searchlight has red in the middle, so green and yellow pass it.
        return course.Changeover(
            float(rng.uniform(0.05, 0.25)), "red", float(rng.uniform(0.1, 0.35))
        )
    return course.Changeover(float(rng.choice([0.0, rng.uniform(0.02, 0.6)])))


def _spans(
    mast: MastSetup, changes: Sequence[float], end_s: float, rate: float, duty: float
) -> list[_Span]:
    """Spans of a mast in time order."""
    starts = (0.0, *changes)
    ends = (*changes, end_s)
    out = []
    for start, end, aspect in zip(starts, ends, mast.aspects, strict=True):
        heads: list[tuple[Colour | None, Behaviour, float | None, float | None]] = []
        for show in aspect:
            if show.colour is None:
                heads.append((None, "dark", None, None))
            elif show.flashing:
                heads.append((show.colour, "flashing", rate, duty))
            else:
                heads.append((show.colour, "steady", None, None))
        out.append(_Span(start, end, tuple(heads)))
    return out


def _true_span(
    home: Layers, mast: int, span: _Span, contrasts: Mapping[tuple[int, int], float]
) -> TrueSpan:
    """Truth of one span."""
    heads = []
    for number, (colour, behaviour, rate, duty) in enumerate(span.heads, start=1):
        lens = lens_for(home, mast, number, colour)
        heads.append(
            TrueHead(
                head=number,
                colour=colour,
                behaviour=behaviour,
                rate_hz=rate,
                duty=duty,
                lit_now=None,
                x=lens.x,
                y=lens.y,
                radius=lens.radius_px,
                contrast=contrasts.get((mast, number), 0.0) if colour is not None else 0.0,
            )
        )
    return TrueSpan(span.start_s, span.end_s, words(heads), tuple(heads))


def _noise_field(rng: Rng, width: int, height: int, camera: cam.Camera) -> NDArray[np.float32]:
    """Noise of unit spread, larger than the frame, from which each frame cuts its own piece."""
    field = rng.standard_normal((height + 61, width + 67, 3), np.float32)
    if camera.denoise_px > 0.0:
        field = np.asarray(cv2.GaussianBlur(field, (0, 0), camera.denoise_px), np.float32)
    return field


def _with_noise(level: NDArray[np.float32], clip: Clip, rng: Rng) -> NDArray[np.float32]:
    """Add noise to exposed light and clip it."""
    if clip.noise is not None:
        well = np.float32(clip.camera.full_well)
        read = np.float32((clip.camera.read_noise / clip.camera.full_well) ** 2)
        y, x = int(rng.integers(0, 61)), int(rng.integers(0, 67))
        piece = clip.noise[y : y + clip.height, x : x + clip.width]
        spread = cv2.sqrt(np.minimum(level, np.float32(1.0)) / well + read)
        sign = np.float32(1.0 if rng.random() < 0.5 else -1.0)
        level = np.asarray(level + spread * piece * sign, np.float32)
    return np.asarray(np.clip(level, 0.0, 1.0), np.float32)


def _storage(rng: Rng, setup: Setup, settled: Mapping[str, Any]) -> VideoOptions:
    """Draw how a clip is stored."""
    codecs: tuple[Codec, ...] = ("h264", "hevc", "mjpeg")
    codec = codecs[int(rng.choice(3, p=[0.9, 0.07, 0.03]))]
    codec = settled.get("codec", codec)
    crf = int(rng.integers(16, 31)) if codec != "mjpeg" else int(rng.integers(2, 9))
    rotation = int(rng.choice([0, 90, 180, 270], p=[0.92, 0.04, 0.02, 0.02]))
    return VideoOptions(
        codec=codec,
        crf=int(settled.get("crf", crf)),
        preset="veryfast",
        matrix="bt709" if setup.height >= 720 or rng.random() < 0.5 else "bt601",
        rotation=int(settled.get("rotation", rotation)),
    )
