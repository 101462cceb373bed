"""What a lens does to light before it reaches the sensor: blur, veil, rays, ghosts.

Everything works on linear light, before clipping; that is what makes the white core with its
coloured rim and the wide coloured veil round an over-exposed lamp.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.layers import LensLayer

Picture = NDArray[np.float32]

#: Half-size in px of the box in which a veil is computed pixel by pixel; beyond, every 8th.
_NEAR_PX = 96
_FAR_STEP = 8


@dataclass(frozen=True, slots=True)
class Optics:
    """A photographic lens.

    Attributes
    ----------
    sigma_px : blur of the lens and the sensor's own filter, standard deviation
    defocus_px : radius of the disc that a point out of focus becomes; 0 in focus
    veil : share of a lamp's light that is scattered into the wide tail
    veil_radius_px : radius inside which the tail is flat
    veil_power : the tail falls as ``(1 + (r/veil_radius)^2) ** -veil_power``; above 1
    rays : number of rays of an aperture star; 0 none
    ray_share : share of the light in the rays
    ray_angle : direction of the first ray in radians
    """

    sigma_px: float = 0.7
    defocus_px: float = 0.0
    veil: float = 0.03
    veil_radius_px: float = 4.0
    veil_power: float = 1.5
    rays: int = 0
    ray_share: float = 0.0
    ray_angle: float = 0.0


@dataclass(frozen=True, slots=True)
class Glow:
    """Light of one lens as it falls on the sensor, per unit of lens radiance.

    Attributes
    ----------
    light : (h, w) float32
    x0, y0 : pixel of ``light[0, 0]``
    """

    light: Picture
    x0: int
    y0: int


def blur(picture: Picture, optics: Optics) -> Picture:
    """Blur a (H, W, 3) or (H, W) picture by focus and lens blur, and spread its veil.

    The veil of an extended scene is smooth, so it is computed on a small picture.
    """
    sharp = focus(picture, optics)
    if optics.veil <= 0.0:
        return sharp
    h, w = picture.shape[:2]
    small = cv2.resize(
        picture, (max(2, w // 16), max(2, h // 16)), interpolation=cv2.INTER_AREA
    ).astype(np.float32)
    wide = cv2.GaussianBlur(small, (0, 0), max(1.0, min(small.shape[:2]) / 8.0))
    haze = cv2.resize(wide, (w, h), interpolation=cv2.INTER_LINEAR)
    out = cv2.addWeighted(sharp, 1.0 - optics.veil, haze, optics.veil, 0.0)
    return np.asarray(out, np.float32)


def focus(picture: Picture, optics: Optics) -> Picture:
    """Blur by focus and lens blur alone."""
    out = picture
    if optics.defocus_px > 0.3:
        out = np.asarray(cv2.filter2D(out, -1, disc_kernel(optics.defocus_px)), np.float32)
    if optics.sigma_px > 0.15:
        out = np.asarray(cv2.GaussianBlur(out, (0, 0), optics.sigma_px), np.float32)
    return out


def disc_kernel(radius: float) -> Picture:
    """Return a disc of the given radius with soft edge, summing to 1."""
    half = int(np.ceil(radius + 1))
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    disc = np.clip(radius + 0.5 - np.hypot(x, y), 0.0, 1.0).astype(np.float32)
    return np.asarray(disc / disc.sum(), np.float32)


def lens_glow(
    lens: LensLayer, optics: Optics, strength: float, floor: float = 2e-4, reach: int = 4096
) -> Glow:
    """Return a lens as the sensor gets it: blurred core, veil, rays.

    Parameters
    ----------
    strength : greatest radiance that the lens will have, in units of the clipping level; the
        glow is carried out to where it falls below `floor` of that level
    reach : greatest half-size in px
    """
    pad = int(np.ceil(4.0 * optics.sigma_px + optics.defocus_px + 2))
    core = np.pad(lens.light, pad)
    core = focus(core, optics)
    flux = float(lens.light.sum())
    tail_share = optics.veil + optics.ray_share
    core *= 1.0 - tail_share
    near = Glow(core, lens.x0 - pad, lens.y0 - pad)
    if flux <= 0.0 or tail_share <= 0.0:
        return near
    half = _tail_reach(lens, optics, flux * strength, floor, reach)
    half = max(half, core.shape[0] // 2 + 2, core.shape[1] // 2 + 2)
    cx, cy = round(lens.x), round(lens.y)
    left = min(cx - half, near.x0)
    top = min(cy - half, near.y0)
    right = max(cx + half + 1, near.x0 + core.shape[1])
    bottom = max(cy + half + 1, near.y0 + core.shape[0])
    light = _tail_picture(lens, optics, left, top, right, bottom)
    light *= flux
    y, x = near.y0 - top, near.x0 - left
    light[y : y + core.shape[0], x : x + core.shape[1]] += core
    return Glow(light, left, top)


def mirror_glow(lens: LensLayer, row: float, stretch: float, share: float) -> Glow:
    """Return the reflection of a lens in wet or shiny ground, a streak below row `row`.

    Parameters
    ----------
    row : where the ground mirrors, in px; the streak lies as far below as the lens is above
    stretch : height of the streak in lens radii
    share : radiance of its middle per unit of lens radiance
    """
    half_x = int(np.ceil(2.5 * lens.radius_px)) + 2
    half_y = int(np.ceil(2.5 * stretch * lens.radius_px)) + 2
    y = np.arange(-half_y, half_y + 1)[:, None] / (stretch * lens.radius_px)
    x = np.arange(-half_x, half_x + 1)[None, :] / lens.radius_px
    light = share * np.exp(-0.5 * (x**2 + y**2) / 0.6)
    below = 2.0 * row - lens.y
    return Glow(light.astype(np.float32), round(lens.x) - half_x, round(below) - half_y)


def add_glow(
    picture: Picture,
    glow: Glow,
    rgb: Sequence[float] | NDArray[np.float64] | Picture,
    dx: float = 0.0,
    dy: float = 0.0,
) -> None:
    """Add a glow to a (H, W, 3) picture in place, moved by a subpixel shift.

    Parameters
    ----------
    rgb : radiance of the lens, three numbers
    """
    ix, iy = int(np.floor(dx)), int(np.floor(dy))
    fx, fy = dx - ix, dy - iy
    light = glow.light
    h, w = light.shape
    top, left = max(0, glow.y0 + iy), max(0, glow.x0 + ix)
    bottom = min(picture.shape[0], glow.y0 + iy + h + 1)
    right = min(picture.shape[1], glow.x0 + ix + w + 1)
    if top >= bottom or left >= right:
        return
    if fx < 1e-6 and fy < 1e-6:
        bottom, right = min(bottom, glow.y0 + iy + h), min(right, glow.x0 + ix + w)
        if top >= bottom or left >= right:
            return
        y, x = top - glow.y0 - iy, left - glow.x0 - ix
        part = light[y : y + bottom - top, x : x + right - left]
    else:
        move = np.array(
            [[1.0, 0.0, glow.x0 + dx - left], [0.0, 1.0, glow.y0 + dy - top]], np.float64
        )
        size = (right - left, bottom - top)
        part = np.asarray(cv2.warpAffine(light, move, size, flags=cv2.INTER_LINEAR), np.float32)
    picture[top:bottom, left:right] += part[:, :, None] * np.asarray(rgb, np.float32)


def _tail(r2: NDArray[np.float64], lens: LensLayer, optics: Optics) -> NDArray[np.float64]:
    """Radial profile of veil alone, total 1, widened by the size of the lens."""
    r0 = np.hypot(optics.veil_radius_px, 0.6 * lens.radius_px)
    p = optics.veil_power
    return np.asarray((p - 1.0) / (np.pi * r0**2) * (1.0 + r2 / r0**2) ** -p)


def _tail_picture(
    lens: LensLayer, optics: Optics, left: int, top: int, right: int, bottom: int
) -> Picture:
    """Veil and rays per unit of flux over a box of pixels."""

    centres = lens.spots or ((lens.x, lens.y),)

    def at(x: NDArray[Any], y: NDArray[Any]) -> Picture:
        total = np.zeros((len(y), len(x)), np.float32)
        for centre in centres:
            total += around(x, y, *centre)
        return total / np.float32(len(centres))

    def around(x: NDArray[Any], y: NDArray[Any], mx: float, my: float) -> Picture:
        px, py = x[None, :] - mx, y[:, None] - my
        r2 = px**2 + py**2
        total = optics.veil * _tail(r2, lens, optics)
        if optics.rays:
            angle = np.arctan2(py, px) - optics.ray_angle
            # Rays narrow with distance; 8 lens radii out they are a few degrees wide.
            sharp = 8.0 + 3.0 * np.sqrt(r2) / (1.0 + lens.radius_px)
            comb = np.abs(np.cos(angle * optics.rays / 2.0)) ** sharp
            total = total + optics.ray_share * comb * _tail(r2, lens, optics) * 4.0
        return np.asarray(total, np.float32)

    cx, cy = round(lens.x), round(lens.y)
    wide = _NEAR_PX + max(lens.light.shape) // 2
    l2, t2 = max(left, cx - wide), max(top, cy - wide)
    r2, b2 = min(right, cx + wide + 1), min(bottom, cy + wide + 1)
    near = at(np.arange(l2, r2, dtype=np.float64), np.arange(t2, b2, dtype=np.float64))
    if (l2, t2, r2, b2) == (left, top, right, bottom):
        return near
    # Coarse samples at block centres, as resize expects them, for the smooth far part.
    nx, ny = -(-(right - left) // _FAR_STEP), -(-(bottom - top) // _FAR_STEP)
    xs = left + (np.arange(nx) + 0.5) * _FAR_STEP - 0.5
    ys = top + (np.arange(ny) + 0.5) * _FAR_STEP - 0.5
    far = cv2.resize(at(xs, ys), (nx * _FAR_STEP, ny * _FAR_STEP), interpolation=cv2.INTER_LINEAR)
    out = np.ascontiguousarray(far[: bottom - top, : right - left], np.float32)
    out[t2 - top : b2 - top, l2 - left : r2 - left] = near
    return out


def _tail_reach(lens: LensLayer, optics: Optics, light: float, floor: float, reach: int) -> int:
    """Half-size in px beyond which the tail stays below the floor."""
    share = optics.veil + 5.0 * optics.ray_share
    r0 = float(np.hypot(optics.veil_radius_px, 0.6 * lens.radius_px))
    p = optics.veil_power
    top = light * share * (p - 1.0) / (np.pi * r0**2)
    if top <= floor:
        return 0
    return int(min(reach, np.ceil(r0 * np.sqrt((top / floor) ** (1.0 / p) - 1.0))))
