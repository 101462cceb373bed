"""Renders a planned clip frame by frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes import camera as cam
from mastread.tools.scenes import course
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.encode import VideoOptions
from mastread.tools.scenes.ink import Picture
from mastread.tools.scenes.layers import Layers, LensLayer
from mastread.tools.scenes.passing import Train
from mastread.tools.scenes.truth import Truth
from mastread.tools.scenes.weather import Falling

Rng = np.random.Generator
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Source:
    """One light in a clip.

    Attributes
    ----------
    lens : in home pixels
    glow : as it falls on the sensor at home size
    raw : raw radiance at full strength
    light : (frames,) share of full strength
    away : (frames, 2) shift against the mast in home pixels, for lights that move by themselves
    """

    lens: LensLayer
    glow: opt.Glow
    raw: Floats
    light: Floats
    away: Floats | None = None


@dataclass(frozen=True, slots=True)
class Approach:
    """Masts that come nearer: they grow against a backdrop that hardly does.

    Attributes
    ----------
    rgb, cover : light of the masts weighted by their cover, and that cover, at home size
    point : home pixel towards which we ride
    behind : (frames,) zoom of the backdrop
    """

    rgb: Picture
    cover: Picture
    point: tuple[float, float]
    behind: Floats


@dataclass(frozen=True, slots=True)
class Clip:
    """A clip ready to be rendered: iterate `frames` for pictures with their times.

    Attributes
    ----------
    layers : in home pixels
    ground : raw light of everything but lamps, blurred by the lens; begins `margin` px before home
    path : camera movement per frame
    noise : unit noise, larger than a frame; None for clips without noise
    """

    layers: Layers
    camera: cam.Camera
    optics: opt.Optics
    ground: Picture
    sources: tuple[Source, ...]
    times: Floats
    path: course.Path
    margin: int
    width: int
    height: int
    truth: Truth
    fps: float
    seed: int
    noise: Picture | None = None
    train: Train | None = None
    falling: Falling | None = None
    approach: Approach | None = None
    options: VideoOptions = field(default_factory=VideoOptions)


def in_order(source: Source, order: NDArray[np.intp]) -> Source:
    """Return a source with its frames picked in another order."""
    away = None if source.away is None else source.away[order]
    return replace(source, light=source.light[order], away=away)


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


def raw_frame(clip: Clip, index: int) -> Picture:
    """Return the (H, W, 3) raw light of one frame, not yet exposed."""
    move = home_move(clip, index)
    raw = _backdrop(clip, index, move)
    train = clip.train
    seen = [1.0 if train is None else train.seen(s.lens, index) for s in clip.sources]
    # A lens that the train half hides lies behind it; the veil of a free one lies over the train.
    for source, free in zip(clip.sources, seen, strict=True):
        if 0.0 < free < 1.0:
            _add_source(raw, clip, source, index, move)
    if train is not None:
        train.draw(raw, index, _from_ground(clip, move), clip.margin)
    for source, free in zip(clip.sources, seen, strict=True):
        if free == 1.0:
            _add_source(raw, clip, source, index, move)
    if clip.falling is not None:
        clip.falling.cover(raw, float(clip.times[index]))
    return raw


def _add_source(
    raw: Picture,
    clip: Clip,
    source: Source,
    index: int,
    move: tuple[float, float, float],
) -> None:
    """Add one light to a frame."""
    share = float(source.light[index])
    if share <= 1e-6:
        return
    zoom, tx, ty = move
    if source.away is not None:
        tx += zoom * float(source.away[index, 0])
        ty += zoom * float(source.away[index, 1])
    if clip.approach is not None:
        _add_shrunk(raw, clip, source, share, (zoom, tx, ty))
    elif zoom == 1.0:
        opt.add_glow(raw, source.glow, source.raw * share, tx, ty)
    else:
        _add_zoomed(raw, source, share, (zoom, tx, ty))


def home_move(clip: Clip, index: int) -> tuple[float, float, float]:
    """Return (zoom, tx, ty): home pixel (x, y) is shown at (zoom x + tx, zoom y + ty)."""
    zoom = float(clip.path.zoom[index])
    cx, cy = (clip.width - 1) / 2.0, (clip.height - 1) / 2.0
    return (
        zoom,
        cx - zoom * cx + float(clip.path.dx[index]),
        cy - zoom * cy + float(clip.path.dy[index]),
    )


def shrink(picture: Picture, zoom: float, tx: float, ty: float, size: tuple[int, int]) -> Picture:
    """Warp (x, y) to (zoom x + tx, zoom y + ty) into a picture of `size`, without aliasing."""
    halvings = max(0, int(np.floor(np.log2(1.0 / zoom)))) if zoom < 1.0 else 0
    if halvings:
        step = 1 << halvings
        h, w = picture.shape[:2]
        pads = [(0, -h % step), (0, -w % step)] + [(0, 0)] * (picture.ndim - 2)
        padded = np.pad(picture, pads)
        small = (padded.shape[1] // step, padded.shape[0] // step)
        picture = np.asarray(cv2.resize(padded, small, interpolation=cv2.INTER_AREA), np.float32)
        middle = (step - 1) / 2.0
        tx, ty, zoom = tx + zoom * middle, ty + zoom * middle, zoom * step
    if zoom < 0.98:
        # What is left is less than a halving; a little blur keeps edges from jumping.
        picture = np.asarray(
            cv2.GaussianBlur(picture, (0, 0), 0.5 * float(np.sqrt(zoom**-2 - 1.0))), np.float32
        )
    move = np.array([[zoom, 0.0, tx], [0.0, zoom, ty]])
    return np.asarray(cv2.warpAffine(picture, move, size, flags=cv2.INTER_LINEAR), np.float32)


def _from_ground(clip: Clip, move: tuple[float, float, float]) -> NDArray[np.float64]:
    """Affine matrix from ground pixels to the frame."""
    zoom, tx, ty = move
    m = clip.margin
    return np.array([[zoom, 0.0, tx - zoom * m], [0.0, zoom, ty - zoom * m]])


def _backdrop(clip: Clip, index: int, move: tuple[float, float, float]) -> Picture:
    """Everything but lamps, as raw light."""
    size = (clip.width, clip.height)
    near = clip.approach
    if near is None:
        matrix = _from_ground(clip, move)
    else:
        zoom = float(near.behind[index])
        px, py = near.point
        # The backdrop grows round the point we ride to, and shakes with the camera.
        sx = move[0] * px + move[1] - px
        sy = move[0] * py + move[2] - py
        matrix = _from_ground(clip, (zoom, px - zoom * px + sx, py - zoom * py + sy))
    raw = np.asarray(
        cv2.warpAffine(
            clip.ground, matrix, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ),
        np.float32,
    )
    if near is not None:
        zoom, tx, ty = move
        m = clip.margin
        rgb = shrink(near.rgb, zoom, tx - zoom * m, ty - zoom * m, size)
        cover = shrink(near.cover, zoom, tx - zoom * m, ty - zoom * m, size)
        raw *= 1.0 - opt.focus(cover, clip.optics)[:, :, None]
        raw += opt.focus(rgb, clip.optics)
    return raw


def _add_shrunk(
    raw: Picture, clip: Clip, source: Source, share: float, move: tuple[float, float, float]
) -> None:
    """Add a lens at its size of the moment; lens blur and veil stay those of the camera."""
    zoom, tx, ty = move
    lens = source.lens
    h, w = lens.light.shape
    gx, gy = zoom * lens.x0 + tx, zoom * lens.y0 + ty
    left, top = int(np.floor(gx)) - 1, int(np.floor(gy)) - 1
    size = (int(np.ceil(zoom * w)) + 4, int(np.ceil(zoom * h)) + 4)
    light = shrink(lens.light, zoom, gx - left, gy - top, size)
    now = replace(
        lens,
        light=light,
        x=zoom * lens.x + tx,
        y=zoom * lens.y + ty,
        radius_px=zoom * lens.radius_px,
        x0=left,
        y0=top,
        spots=tuple((zoom * x + tx, zoom * y + ty) for x, y in lens.spots),
    )
    strength = share * float(source.raw.max()) * clip.camera.exposure
    glow = opt.lens_glow(now, clip.optics, strength, reach=400)
    opt.add_glow(raw, glow, source.raw * share)


def _add_zoomed(
    raw: Picture, source: Source, share: float, move: tuple[float, float, float]
) -> None:
    """Add a glow through the same warp as the ground."""
    zoom, tx, ty = move
    h, w = source.glow.light.shape
    gx, gy = zoom * source.glow.x0 + tx, zoom * source.glow.y0 + ty
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


def _with_noise(level: Picture, clip: Clip, rng: Rng) -> Picture:
    """Add noise to exposed light and clip it."""
    if clip.noise is not None:
        well = np.float32(clip.camera.full_well)
        read = np.float32((clip.camera.read_noise / clip.camera.full_well) ** 2)
        # Each frame cuts its own piece of one large sheet of noise.
        spare_y = clip.noise.shape[0] - clip.height
        spare_x = clip.noise.shape[1] - clip.width
        y, x = int(rng.integers(0, spare_y + 1)), int(rng.integers(0, spare_x + 1))
        piece = clip.noise[y : y + clip.height, x : x + clip.width]
        spread = cv2.sqrt(np.minimum(level, np.float32(1.0)) / well + read)
        sign = np.float32(1.0 if rng.random() < 0.5 else -1.0)
        level = np.asarray(level + spread * piece * sign, np.float32)
    return np.asarray(np.clip(level, 0.0, 1.0), np.float32)
