"""Shoot the bundled photos and clips from path-traced layers, with their truth.

The camera, its optics, the lamps and the time courses are those of the other scene makers; what
is added here is the train that passes in front of a mast. Nothing here needs Blender.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour
from mastread.tools.scenes.camera import Camera, Coded, Picture, Tone, develop, to_raw
from mastread.tools.scenes.course import (
    Changeover,
    Floats,
    Lamp,
    Path,
    Show,
    draw_path,
    frame_times,
    light_of,
    through_shutter,
)
from mastread.tools.scenes.lamps import emitters, sensor
from mastread.tools.scenes.layers import Layers, LensLayer, shift
from mastread.tools.scenes.make import lamp_raw, lens_for
from mastread.tools.scenes.optics import Glow, Optics, add_glow, blur, focus, lens_glow
from mastread.tools.scenes.samples_spec import Orders, Sample, railway
from mastread.tools.scenes.samples_train import TrainPass
from mastread.tools.scenes.truth import (
    Motion,
    TrueDistractor,
    TrueHead,
    TrueHeadPlace,
    TrueMast,
    TrueSpan,
    Truth,
    words,
)

_RATE_HZ = 1.0
_DUTY = 0.5
_EMITTERS: dict[str, dict[Colour, str]] = {
    "led": {"red": "red_led_625", "yellow": "yellow_led_592", "green": "green_led_505"},
    "filament": {"red": "red_filament", "yellow": "yellow_filament", "green": "green_filament"},
}
_LAMPS = {"led": Lamp("led", 0.004, 0.004), "filament": Lamp("filament", 0.07, 0.1)}


@dataclass(frozen=True, slots=True)
class _Source:
    """One colour of one head as the sensor gets it."""

    mast: int
    head: int
    colour: Colour
    lens: LensLayer
    glow: Glow
    rgb: NDArray[np.float64]


def _camera(sample: Sample) -> Camera:
    s = sample.settings
    return Camera(
        sensor=sensor(s["sensor"]),
        exposure=s["exposure"],
        gains=tuple(s.get("gains", (1.0, 1.0, 1.0))),
        full_well=s.get("full_well", 5200.0),
        read_noise=s.get("read_noise", 4.0),
        denoise_px=s.get("denoise_px", 0.0),
        saturation=s.get("saturation", 1.08),
        tone=Tone(shoulder=s.get("shoulder", 1.0), contrast=s.get("contrast", 0.42)),
        sharpen=s.get("sharpen", 0.2),
        sharpen_px=1.0,
    )


def _optics(sample: Sample) -> Optics:
    s = sample.settings
    return Optics(
        sigma_px=s.get("sigma_px", 0.6),
        veil=s.get("veil", 0.045),
        veil_radius_px=s.get("veil_radius_px", 4.0),
        veil_power=s.get("veil_power", 1.5),
    )


def _sources(sample: Sample, layers: Layers, optics: Optics, camera: Camera) -> list[_Source]:
    """Return every colour that a head shows at some time."""
    wanted = {(k, o.colour) for k, o in sample.orders.items()}
    if sample.change is not None:
        wanted |= {(k, o.colour) for k, o in sample.change[1].items()}
    kind, level = sample.settings["kind"], float(sample.settings["level"])
    found = []
    for (mast, head), colour in sorted(wanted):
        lens = layers.lens(mast, head, colour)
        emitter = emitters()[_EMITTERS[kind][colour]]
        rgb = lamp_raw(emitter, camera.sensor, level, camera.exposure)
        glow = lens_glow(lens, optics, level)
        found.append(_Source(mast, head, colour, lens, glow, rgb))
    return found


def shoot_photo(sample: Sample, layers: Layers, seed: int) -> tuple[Coded, Truth]:
    """Return the picture (H, W, 3) uint8 and its truth."""
    rng = np.random.default_rng(seed)
    camera, optics = _camera(sample), _optics(sample)
    sources = _sources(sample, layers, optics, camera)
    dark = to_raw(blur(layers.surround, optics), camera)
    raw = dark.copy()
    for source in sources:
        add_glow(raw, source.glow, source.rgb)
    coded = develop(raw, camera, rng)
    lift = _lifts(dark, raw, camera, sources)
    masts = _true_masts(sample, layers, lift, [(None, None, sample.orders)], ())
    truth = Truth(
        sample.file,
        "photo",
        layers.width,
        layers.height,
        None,
        None,
        seed,
        masts,
        _distractors(layers),
        _conditions(sample, layers),
    )
    return coded, truth


def _lifts(
    dark: Picture, raw: Picture, camera: Camera, sources: Sequence[_Source]
) -> dict[tuple[int, int, Colour], float]:
    """How far each lamp lifts the finished picture at its strongest, coded 0..1."""
    change = develop(raw, camera, None).astype(np.float32) - develop(dark, camera, None)
    found = {}
    h, w = change.shape[:2]
    for source in sources:
        x, y, r = source.lens.x, source.lens.y, 1.5 * source.lens.radius_px + 1
        x0, x1 = int(max(0, x - r)), int(min(w, x + r + 1))
        y0, y1 = int(max(0, y - r)), int(min(h, y + r + 1))
        part = change[y0:y1, x0:x1]
        found[source.mast, source.head, source.colour] = (
            float(part.max()) / 255 if part.size else 0.0
        )
    return found


def _true_masts(
    sample: Sample,
    layers: Layers,
    lift: dict[tuple[int, int, Colour], float],
    parts: Sequence[tuple[float | None, float | None, Orders]],
    hidden: Sequence[Sequence[tuple[float, float]]],
) -> tuple[TrueMast, ...]:
    masts = []
    for info in layers.masts:
        spans: list[TrueSpan] = []
        for start, end, orders in parts:
            heads = []
            for head in info.heads:
                order = orders.get((info.mast, head.head))
                if order is None:
                    first = lens_for(layers, info.mast, head.head, None)
                    heads.append(
                        TrueHead(
                            head.head,
                            None,
                            "dark",
                            None,
                            None,
                            False if sample.kind == "photo" else None,
                            first.x,
                            first.y,
                            first.radius_px,
                            0.0,
                        )
                    )
                    continue
                lens = layers.lens(info.mast, head.head, order.colour)
                heads.append(
                    TrueHead(
                        head.head,
                        order.colour,
                        "flashing" if order.flashing else "steady",
                        _RATE_HZ if order.flashing else None,
                        _DUTY if order.flashing else None,
                        True if sample.kind == "photo" else None,
                        lens.x,
                        lens.y,
                        lens.radius_px,
                        lift.get((info.mast, head.head, order.colour)),
                    )
                )
            span = TrueSpan(start, end, words(heads), tuple(heads))
            if spans and spans[-1].aspect == span.aspect:
                span = TrueSpan(spans.pop().start_s, end, span.aspect, span.heads)
            spans.append(span)
        places = tuple(TrueHeadPlace(h.head, h.x, h.y, h.radius_px, h.type) for h in info.heads)
        masts.append(
            TrueMast(
                info.mast,
                info.box,
                info.kind,
                info.arrangement,
                info.plates,
                places,
                tuple(spans),
                tuple(hidden[info.mast - 1]) if hidden else (),
            )
        )
    return tuple(masts)


def _distractors(layers: Layers) -> tuple[TrueDistractor, ...]:
    return tuple(
        TrueDistractor(d.x, d.y, d.what, d.lit)
        for d in layers.distractors
        if 0 <= d.x < layers.width and 0 <= d.y < layers.height
    )


def _conditions(sample: Sample, layers: Layers) -> dict[str, Any]:
    return {
        **layers.conditions,
        "rendered": True,
        "railway": railway(),
        "shows": sample.shows,
        "lamp": sample.settings["kind"],
        "expected": [dict(entry) for entry in sample.expect],
    }


@dataclass(frozen=True, slots=True)
class ClipPlan:
    """Times and camera movement of a clip, known before the train is rendered."""

    time_s: Floats
    path: Path


def plan_clip(sample: Sample, seed: int) -> ClipPlan:
    """Draw the frame times and the path of the hand."""
    rng = np.random.default_rng(seed)
    s = sample.settings
    times = frame_times(rng, s["fps"], s["seconds"], s.get("uneven", False))
    mx, my = s["margin"]
    path = draw_path(rng, times, min(mx, my) * 0.62, s.get("pan_px", 0.3 * mx), 1.0, 0.0)
    limit = [
        min(1.0, (m - 2.0) / max(1e-6, np.abs(d).max())) for m, d in ((mx, path.dx), (my, path.dy))
    ]
    return ClipPlan(times, Path(path.dx * limit[0], path.dy * limit[1], path.zoom, path.gain))


def shoot_clip(
    sample: Sample, layers: Layers, plan: ClipPlan, seed: int, train: TrainPass | None
) -> tuple[Iterator[Coded], Truth]:
    """Return the frames, made one by one, and the truth of the clip."""
    camera, optics = _camera(sample), _optics(sample)
    mx, my = sample.settings["margin"]
    width, height = layers.width - 2 * mx, layers.height - 2 * my
    home = shift(layers, mx, my, width, height)
    sources = _sources(sample, home, optics, camera)
    wide = to_raw(blur(layers.surround, optics), camera)
    dark = wide[my : my + height, mx : mx + width]
    lit = dark.copy()
    for source in sources:
        add_glow(lit, source.glow, source.rgb)
    lift = _lifts(dark, lit, camera, sources)
    end = float(plan.time_s[-1]) + 1.0 / sample.settings["fps"]
    bounds = [0.0] + ([sample.change[0]] if sample.change else []) + [end]
    orders = [sample.orders] + ([sample.change[1]] if sample.change else [])
    parts = [(a, b, o) for (a, b), o in zip(pairwise(bounds), orders, strict=True)]
    cover = _covers(home, plan, train, (mx, my))
    hidden = [_stretches(plan, cover[mast.mast]) for mast in home.masts]
    truth = Truth(
        sample.file,
        "video",
        width,
        height,
        end,
        len(plan.time_s),
        seed,
        _true_masts(sample, home, lift, [(a, b, o) for a, b, o in parts], hidden),
        _distractors(home),
        _conditions(sample, layers),
        Motion(
            tuple(map(float, plan.time_s)),
            tuple(map(float, plan.path.dx)),
            tuple(map(float, plan.path.dy)),
            tuple(map(float, plan.path.zoom)),
        ),
    )
    lights = _lights(sample, plan, parts, end)
    return _frames(sample, plan, seed, wide, sources, lights, camera, optics, train), truth


def _lights(
    sample: Sample, plan: ClipPlan, parts: Sequence[tuple[float, float, Orders]], end: float
) -> dict[tuple[int, int, Colour], Floats]:
    """Light of every colour of every head, per frame."""
    kind = sample.settings["kind"]
    keys = sorted({key for _, _, orders in parts for key in orders})
    open_s = 1.0 / 90.0
    found: dict[tuple[int, int, Colour], Floats] = {}
    for mast, head in keys:
        shows = []
        for start, _, orders in parts:
            order = orders.get((mast, head))
            shows.append(
                Show(
                    start,
                    order.colour if order else None,
                    _RATE_HZ if order and order.flashing else None,
                    _DUTY,
                    0.2,
                )
            )
        kept = [shows[0]] + [
            b for a, b in pairwise(shows) if (a.colour, a.rate_hz) != (b.colour, b.rate_hz)
        ]
        change = Changeover(gap_s=0.06)
        courses = light_of(kept, _LAMPS[kind], change, end + 0.1)
        for colour, light in courses.items():
            found[mast, head, colour] = through_shutter(light, plan.time_s, open_s)
    return found


def _covers(
    home: Layers, plan: ClipPlan, train: TrainPass | None, margin: tuple[int, int]
) -> dict[int, NDArray[np.bool_]]:
    """Per mast and frame: whether at least one lens is more than a fifth hidden."""
    found = {m.mast: np.zeros(len(plan.time_s), bool) for m in home.masts}
    size = (home.width + 2 * margin[0], home.height + 2 * margin[1])
    for frame in range(len(plan.time_s)):
        picture = train.at(frame, *size) if train is not None else None
        if picture is None:
            continue
        for lens in home.lenses:
            x, y = round(lens.x) + margin[0], round(lens.y) + margin[1]
            r = max(1, int(lens.radius_px))
            part = picture[max(0, y - r) : y + r + 1, max(0, x - r) : x + r + 1, 3]
            if part.size and float(part.mean()) > 0.2:
                found[lens.mast][frame] = True
    return found


def _stretches(plan: ClipPlan, hidden: NDArray[np.bool_]) -> list[tuple[float, float]]:
    """Join hidden frames to stretches of time."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], hidden.astype(int), [0]])))
    times = np.append(plan.time_s, plan.time_s[-1])
    return [(float(times[a]), float(times[b])) for a, b in edges.reshape(-1, 2)]


def _frames(
    sample: Sample,
    plan: ClipPlan,
    seed: int,
    wide: Picture,
    sources: Sequence[_Source],
    lights: dict[tuple[int, int, Colour], Floats],
    camera: Camera,
    optics: Optics,
    train: TrainPass | None,
) -> Iterator[Coded]:
    rng = np.random.default_rng(seed + 1)
    mx, my = sample.settings["margin"]
    height, width = wide.shape[0] - 2 * my, wide.shape[1] - 2 * mx
    for i in range(len(plan.time_s)):
        dx, dy = float(plan.path.dx[i]), float(plan.path.dy[i])
        move = np.array([[1.0, 0.0, dx - mx], [0.0, 1.0, dy - my]])
        raw = np.asarray(
            cv2.warpAffine(wide, move, (width, height), flags=cv2.INTER_CUBIC), np.float32
        )
        for source in sources:
            light = float(lights[source.mast, source.head, source.colour][i])
            if light > 1e-4:
                add_glow(raw, source.glow, source.rgb * light, dx, dy)
        picture = train.at(i, wide.shape[1], wide.shape[0]) if train is not None else None
        if picture is not None:
            front = cv2.warpAffine(picture, move, (width, height), flags=cv2.INTER_LINEAR)
            front = focus(np.asarray(front, np.float32), optics)
            raw *= 1.0 - np.clip(front[:, :, 3:], 0.0, 1.0)
            raw += to_raw(np.ascontiguousarray(front[:, :, :3]), camera)
        yield develop(np.maximum(raw, 0.0), camera, rng)
