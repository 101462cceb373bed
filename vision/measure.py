"""Measure one candidate spot on a full-resolution crop, in linear light.

What is measured here says what the spot looks like; what it *is* (a lit lamp or something
else, and of which colour) is decided from these figures in `mastread.vision.verify` and
`mastread.vision.colour`.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame

#: One row a spot. Lengths in pixels, light linear with 1 = clipping level.
SPOT: Final = np.dtype(
    [
        ("x", "f4"),  # light-weighted centre of the spot
        ("y", "f4"),
        ("radius", "f4"),  # of a disc with the area of the spot at half its height
        ("elongation", "f4"),  # longer over shorter axis, 1 = round
        ("solidity", "f4"),  # area over the area of its convex hull
        ("peak", "f4"),  # strongest primary at the top of the spot
        ("ring", "f4"),  # the same of the near surround (a disc, a hood, the night)
        ("ring_high", "f4"),  # upper quartile of the near surround
        ("outer", "f4"),  # the same of the far surround
        ("closed", "f4"),  # share of directions in which the spot ends within twice its radius
        ("edge", "f4"),  # steepness: share of the height lost between 0.8 and 1.4 radii
        ("clipped", "f4", 3),  # share of the spot's pixels at the clipping level, by primary
        ("core", "f4", 3),  # mean light of the spot over its surround
        ("rim", "f4", 3),  # summed light of its unclipped pixels over the surround, max = 1
        ("rim_weight", "f4"),  # how many full-strength pixels the rim is worth
        ("veil", "f4", 3),  # the same for the faint glow farther out, max = 1
        ("veil_weight", "f4"),
        ("surround", "f4", 3),  # colour of the near surround
        ("flux", "f4"),  # light of the spot, strongest primary, summed over its pixels
        ("noise", "f4"),  # scatter of the near surround, strongest primary
        ("border", "?"),  # the spot touches the edge of the picture
    ]
)

#: Light above which a pixel counts as clipped: 0.94 linear is 248 of 255, and compression
#: scatters a clipped plateau by a few steps.
CLIPPED: Final = 0.94
#: The rim is read where the strongest primary stays below this: tone curves bend just under
#: the clipping level.
UNBENT: Final = 0.8
_LARGEST_CROP: Final = 170


def strongest(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light of the strongest primary, (H, W) of (H, W, 3); quicker than a reduction."""
    return np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])


def weakest(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Light of the weakest primary, (H, W) of (H, W, 3)."""
    return np.minimum(np.minimum(light[..., 0], light[..., 1]), light[..., 2])


def quantile(values: NDArray[np.float32], share: float) -> float:
    """The value below which that share of the values lies, without interpolation."""
    k = min(int(share * len(values)), len(values) - 1)
    return float(np.partition(values, k)[k])


def measure(frame: Frame, x: float, y: float, radius: float) -> NDArray[np.void] | None:
    """Measure the spot at (x, y) of roughly the given radius.

    Returns
    -------
    A 0-d record of dtype `SPOT`, or None where no spot closes round this place (the edge of
    something larger, a line, nothing at all).
    """
    for _ in range(3):
        crop = _crop(frame, x, y, radius)
        if crop is None:
            return None
        light, left, top = crop
        found = _segment(light, x - left, y - top, radius)
        if found is None:
            return None
        mask, touches = found
        area = float(np.count_nonzero(mask))
        grown = max(float(np.sqrt(area / np.pi)), 0.6)
        if touches and grown > 0.4 * min(light.shape[:2]):
            if radius > 0.25 * _LARGEST_CROP:
                return None
            radius *= 1.8
            continue
        settled = abs(grown - radius) < 0.25 * radius + 0.5
        radius = grown
        if settled:
            break
    return _figures(frame, light, left, top, mask, radius)


def _crop(
    frame: Frame, x: float, y: float, radius: float
) -> tuple[NDArray[np.float32], int, int] | None:
    half = int(np.clip(np.ceil(5.5 * radius + 3), 8, _LARGEST_CROP))
    left, top = max(0, round(x) - half), max(0, round(y) - half)
    right, bottom = min(frame.width, round(x) + half + 1), min(frame.height, round(y) + half + 1)
    if right - left < 3 or bottom - top < 3:
        return None
    # A picture of floating-point numbers may hold more than the clipping level.
    return np.minimum(frame.linear(left, top, right, bottom), np.float32(1.0)), left, top


def _segment(
    light: NDArray[np.float32], x: float, y: float, radius: float
) -> tuple[NDArray[np.bool_], bool] | None:
    """Pixels of the spot at half its height over the near surround, and whether it touches
    the edge of the crop."""
    top = strongest(light)
    height, width = top.shape
    reach = max(1, round(0.6 * radius))
    cx, cy = round(x), round(y)
    x0, x1 = max(0, cx - reach), min(width, cx + reach + 1)
    y0, y1 = max(0, cy - reach), min(height, cy + reach + 1)
    if x1 <= x0 or y1 <= y0:
        return None
    # Height is taken in the light of the strongest primary, or where that is lost against a
    # bright sky, in the colour excess.
    for image in (top, top - weakest(light)):
        window = image[y0:y1, x0:x1]
        k = int(np.argmax(window))
        py, px = y0 + k // window.shape[1], x0 + k % window.shape[1]
        peak = float(window.flat[k])
        rows, columns = np.ogrid[:height, :width]
        distance2 = (rows - py) ** 2 + (columns - px) ** 2
        r = max(radius, 1.0)
        ring = image[(distance2 > (1.6 * r + 0.5) ** 2) & (distance2 < (2.8 * r + 1.5) ** 2)]
        if ring.size < 6:
            continue
        level = quantile(ring, 0.35)
        if peak - level < 0.012 or peak < 1.25 * level:
            continue
        count, labels = cv2.connectedComponents(
            (image > level + 0.5 * (peak - level)).astype(np.uint8), connectivity=4
        )
        if count < 2:
            continue
        mask = labels == labels[py, px]
        area = int(np.count_nonzero(mask))
        if area > 0.45 * mask.size:
            continue
        edge = bool(mask[0].any() or mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())
        return mask, edge
    return None


def _figures(
    frame: Frame,
    light: NDArray[np.float32],
    left: int,
    top_row: int,
    mask: NDArray[np.bool_],
    radius: float,
) -> NDArray[np.void] | None:
    top = strongest(light)
    height, width = top.shape
    rows, columns = np.nonzero(mask)
    weight = top[mask].astype(np.float64)
    cx = float(np.average(columns, weights=weight))
    cy = float(np.average(rows, weights=weight))

    grid_y, grid_x = np.ogrid[:height, :width]
    distance = np.sqrt((grid_y - cy) ** 2 + (grid_x - cx) ** 2)
    r = max(radius, 0.8)
    ring = (distance > 1.7 * r + 0.8) & (distance < 2.8 * r + 1.5)
    outer = (distance > 3.6 * r + 1.5) & (distance < 5.2 * r + 3)
    if np.count_nonzero(ring) < 6:
        return None
    ring_light = light[ring]
    ring_top = top[ring]
    surround = np.array([quantile(ring_light[:, k], 0.35) for k in range(3)])
    ring_level = quantile(ring_top, 0.35)

    out = np.zeros((), SPOT)
    out["x"], out["y"], out["radius"] = left + cx, top_row + cy, radius
    out["elongation"], out["solidity"] = _shape(mask, rows, columns)
    peak = quantile(top[mask], 0.9)
    out["peak"], out["ring"] = peak, ring_level
    out["ring_high"] = quantile(ring_top, 0.75)
    out["outer"] = quantile(top[outer], 0.5) if outer.any() else ring_level
    # Scatter of the darker half alone: a ring that is half disc and half sky is not noisy.
    dark = ring_top[ring_top <= quantile(ring_top, 0.5)]
    out["noise"] = 1.48 * quantile(np.abs(dark - quantile(dark, 0.5)), 0.5) + 1e-4
    out["closed"] = _closed(top, cx, cy, r, ring_level, peak)
    near = top[(distance >= 0.6 * r) & (distance <= 0.9 * r + 0.5)]
    beyond = top[(distance >= 1.3 * r + 0.3) & (distance <= 1.6 * r + 1.0)]
    if near.size and beyond.size:
        out["edge"] = (near.mean() - beyond.mean()) / max(peak - ring_level, 1e-3)
    out["clipped"] = (light[mask] > CLIPPED).mean(axis=0)
    over = light - surround.astype(np.float32)
    out["core"] = np.maximum(over[mask].mean(axis=0), 0.0)
    out["flux"] = float(np.maximum(top[mask] - ring_level, 0.0).sum())
    out["surround"] = surround

    rise = top - ring_level
    step = max(0.06 * (peak - ring_level), 3.0 * float(out["noise"]))
    if peak > CLIPPED:
        # Round a burnt-out core the glass of the lens and the sky mix in at the foot of the rim.
        step = max(step, 0.2 * (UNBENT - ring_level))
    rim = (distance < 2.0 * r + 1.0) & (top < UNBENT) & (rise > step)
    out["rim"], out["rim_weight"] = _pool(over, rise, rim, peak - ring_level)
    veil = (
        (distance >= 1.2 * r + 0.5)
        & (distance < 3.2 * r + 3.0)
        & (rise > 2.0 * float(out["noise"]))
        & (top < 0.5)
    )
    out["veil"], out["veil_weight"] = _pool(over, rise, veil, peak - ring_level)
    out["border"] = bool(
        out["x"] < 1.5 * r
        or out["y"] < 1.5 * r
        or out["x"] > frame.width - 1 - 1.5 * r
        or out["y"] > frame.height - 1 - 1.5 * r
    )
    return out


def _shape(
    mask: NDArray[np.bool_], rows: NDArray[np.intp], columns: NDArray[np.intp]
) -> tuple[float, float]:
    """Elongation and solidity; a pixel's own extent (variance 1/12) keeps dots finite."""
    if len(rows) < 3:
        return 1.0, 1.0
    covariance = np.cov(np.stack([columns, rows])) + np.eye(2) / 12.0
    values = np.linalg.eigvalsh(covariance)
    contours, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(np.concatenate(contours))
    # Contours run through pixel centres; half the boundary plus one gives the pixel area.
    hull_area = cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, True) + 1.0
    return float(np.sqrt(values[1] / values[0])), float(min(len(rows) / hull_area, 1.0))


def _closed(
    top: NDArray[np.float32], cx: float, cy: float, radius: float, ring: float, peak: float
) -> float:
    """Share of 16 directions in which the light falls under half height within 2 radii."""
    angles = np.arange(16) * (2.0 * np.pi / 16)
    steps = np.linspace(1.15 * radius + 0.5, 2.0 * radius + 1.5, 4)
    xs = cx + np.cos(angles)[:, None] * steps
    ys = cy + np.sin(angles)[:, None] * steps
    height, width = top.shape
    inside = (xs >= 0) & (ys >= 0) & (xs <= width - 1) & (ys <= height - 1)
    values = top[
        np.clip(np.rint(ys), 0, height - 1).astype(int),
        np.clip(np.rint(xs), 0, width - 1).astype(int),
    ]
    low = (values < ring + 0.5 * (peak - ring)) & inside
    return float(low.any(axis=1).mean())


def _pool(
    over: NDArray[np.float32],
    rise: NDArray[np.float32],
    where: NDArray[np.bool_],
    height: float,
) -> tuple[NDArray[np.float64], float]:
    """Light of the chosen pixels, weighted by itself, scaled to a largest primary of 1."""
    if not where.any():
        return np.zeros(3), 0.0
    weights = rise[where].astype(np.float64)
    total = (over[where] * weights[:, None]).sum(axis=0)
    largest = float(total.max())
    if largest <= 0:
        return np.zeros(3), 0.0
    return total / largest, float(weights.sum() / max(height, 1e-3))
