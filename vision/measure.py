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
from mastread.vision.segment import (
    LARGEST_CROP,
    Crop,
    Seen,
    Spot,
    annulus,
    crop_of,
    near,
    quantile,
    segment,
    squared_distance,
)

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


def _quantiles(values: NDArray[np.float32], *shares: float) -> NDArray[np.float32]:
    """`quantile` for several shares in rising order, (shares,), or (shares, 3) of (N, 3)."""
    last = len(values) - 1
    ranks = [min(int(share * len(values)), last) for share in shares]
    return np.asarray(np.partition(values, ranks, axis=0)[ranks])


def measure(
    frame: Frame, x: float, y: float, radius: float, seen: Seen | None = None
) -> NDArray[np.void] | None:
    """Measure the spot at (x, y) of roughly the given radius.

    Parameters
    ----------
    seen : spots of the same picture that were measured before; this one is added to them

    Returns
    -------
    A 0-d record of dtype `SPOT`, or None where no spot closes round this place (the edge of
    something larger, a line, nothing at all), or where it grows into a spot that was seen before.
    """
    crop: Crop | None = None
    spot: Spot | None = None
    for _ in range(3):
        crop = crop_of(frame, x, y, radius, crop)
        if crop is None:
            return None
        spot = segment(crop, x - crop.left, y - crop.top_row, radius)
        if spot is None:
            return None
        if seen is not None and seen.holds(spot, crop, radius):
            return None
        grown = max(float(np.sqrt(spot.area / np.pi)), 0.6)
        if spot.touches and grown > 0.4 * min(crop.top.shape):
            if radius > 0.25 * LARGEST_CROP:
                return None
            radius *= 1.8
            continue
        settled = abs(grown - radius) < 0.25 * radius + 0.5
        radius = grown
        if settled:
            break
    assert crop is not None
    assert spot is not None
    if seen is not None:
        seen.add(spot, crop)
    return _figures(frame, crop, spot, radius)


def _figures(frame: Frame, crop: Crop, spot: Spot, radius: float) -> NDArray[np.void] | None:
    top, light = crop.top, crop.light
    part = np.s_[spot.y0 : spot.y0 + spot.mask.shape[0], spot.x0 : spot.x0 + spot.mask.shape[1]]
    chosen = spot.mask.view(np.bool_)
    spot_top = top[part][chosen]
    # OpenCV takes single-precision pictures of two columns for a list of points.
    weighted = cv2.moments(np.multiply(top[part], spot.mask, dtype=np.float64))
    cx = spot.x0 + weighted["m10"] / weighted["m00"]
    cy = spot.y0 + weighted["m01"] / weighted["m00"]

    r = max(radius, 0.8)
    ring_light = annulus(light, cx, cy, 1.7 * r + 0.8, 2.8 * r + 1.5)
    if len(ring_light) < 6:
        return None
    ring_top = np.maximum(np.maximum(ring_light[:, 0], ring_light[:, 1]), ring_light[:, 2])
    surround = _quantiles(ring_light, 0.35)[0]
    ring_level, middle, ring_high = (float(v) for v in _quantiles(ring_top, 0.35, 0.5, 0.75))

    out = np.zeros((), SPOT)
    out["x"], out["y"], out["radius"] = crop.left + cx, crop.top_row + cy, radius
    out["elongation"], out["solidity"] = _shape(spot)
    peak = quantile(spot_top, 0.9)
    out["peak"], out["ring"], out["ring_high"] = peak, ring_level, ring_high
    outer = annulus(top, cx, cy, 3.6 * r + 1.5, 5.2 * r + 3)
    out["outer"] = quantile(outer, 0.5) if len(outer) else ring_level
    # Scatter of the darker half alone: a ring that is half disc and half sky is not noisy.
    dark = ring_top[ring_top <= middle]
    noise = np.float32(1.48 * quantile(np.abs(dark - quantile(dark, 0.5)), 0.5) + 1e-4)
    out["noise"] = noise
    out["closed"] = _closed(top, cx, cy, r, ring_level, peak)
    if spot_top.max() > CLIPPED:
        out["clipped"] = np.count_nonzero(light[part][chosen] > CLIPPED, axis=0) / spot.area
    core = cv2.mean(light[part], spot.mask)[:3]
    out["core"] = np.maximum(np.array(core) - surround, 0.0)
    out["flux"] = float(np.maximum(spot_top - ring_level, 0.0).sum())
    out["surround"] = surround
    _glow(out, crop, cx, cy, r, surround, ring_level, peak)
    out["border"] = bool(
        out["x"] < 1.5 * r
        or out["y"] < 1.5 * r
        or out["x"] > frame.width - 1 - 1.5 * r
        or out["y"] > frame.height - 1 - 1.5 * r
    )
    return out


def _glow(
    out: NDArray[np.void],
    crop: Crop,
    cx: float,
    cy: float,
    r: float,
    surround: NDArray[np.float32],
    ring_level: float,
    peak: float,
) -> None:
    """Steepness, rim and veil: what the light does from the middle of the spot outward."""
    noise = float(out["noise"])
    part = near(crop.top.shape, cx, cy, 3.2 * r + 3.0)
    distance2 = squared_distance(part, cx, cy)
    top, light = crop.top[part], crop.light[part]
    within = distance2 <= (0.9 * r + 0.5) ** 2
    within &= distance2 >= (0.6 * r) ** 2
    beyond = distance2 <= (1.6 * r + 1.0) ** 2
    beyond &= distance2 >= (1.3 * r + 0.3) ** 2
    inner, outer = top[within], top[beyond]
    if inner.size and outer.size:
        out["edge"] = (inner.mean() - outer.mean()) / max(peak - ring_level, 1e-3)
    rise = top - ring_level
    step = max(0.06 * (peak - ring_level), 3.0 * noise)
    if peak > CLIPPED:
        # Round a burnt-out core the glass of the lens and the sky mix in at the foot of the rim.
        step = max(step, 0.2 * (UNBENT - ring_level))
    rim = distance2 < (2.0 * r + 1.0) ** 2
    rim &= top < UNBENT
    rim &= rise > step
    out["rim"], out["rim_weight"] = _pool(light, surround, rise, rim, peak - ring_level)
    veil = distance2 < (3.2 * r + 3.0) ** 2
    veil &= distance2 >= (1.2 * r + 0.5) ** 2
    veil &= top < 0.5
    veil &= rise > 2.0 * noise
    out["veil"], out["veil_weight"] = _pool(light, surround, rise, veil, peak - ring_level)


def _shape(spot: Spot) -> tuple[float, float]:
    """Elongation and solidity; a pixel's own extent (variance 1/12) keeps dots finite."""
    mask, count = spot.mask, spot.area
    if count < 3:
        return 1.0, 1.0
    moments = cv2.moments(mask, binaryImage=True)
    xx, yy = (moments[name] / (count - 1) + 1.0 / 12.0 for name in ("mu20", "mu02"))
    xy = moments["mu11"] / (count - 1)
    middle, half = 0.5 * (xx + yy), float(np.hypot(0.5 * (xx - yy), xy))
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(contours[0] if len(contours) == 1 else np.concatenate(contours))
    # Contours run through pixel centres; half the boundary plus one gives the pixel area.
    hull_area = cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, True) + 1.0
    elongation = float(np.sqrt((middle + half) / (middle - half)))
    return elongation, float(min(count / hull_area, 1.0))


_TURN: Final = np.arange(16) * (2.0 * np.pi / 16)
_COS: Final = np.cos(_TURN)[:, None]
_SIN: Final = np.sin(_TURN)[:, None]


def _closed(
    top: NDArray[np.float32], cx: float, cy: float, radius: float, ring: float, peak: float
) -> float:
    """Share of 16 directions in which the light falls under half height within 2 radii."""
    first, last = 1.15 * radius + 0.5, 2.0 * radius + 1.5
    steps = first + np.arange(4) * ((last - first) / 3.0)
    xs, ys = cx + _COS * steps, cy + _SIN * steps
    height, width = top.shape
    inside = (xs >= 0) & (ys >= 0) & (xs <= width - 1) & (ys <= height - 1)
    columns, rows = np.rint(xs).astype(np.intp), np.rint(ys).astype(np.intp)
    values = top.take(rows * width + columns, mode="clip")
    low = (values < ring + 0.5 * (peak - ring)) & inside
    return float(np.count_nonzero(low.any(axis=1))) / len(_TURN)


def _pool(
    light: NDArray[np.float32],
    surround: NDArray[np.float32],
    rise: NDArray[np.float32],
    where: NDArray[np.bool_],
    height: float,
) -> tuple[NDArray[np.float64], float]:
    """Light over the surround of the chosen pixels, weighted by itself, scaled to a largest
    primary of 1."""
    weights = rise[where].astype(np.float64)
    if not len(weights):
        return np.zeros(3), 0.0
    total = np.einsum("i,ij->j", weights, light[where] - surround)
    largest = float(total.max())
    if largest <= 0:
        return np.zeros(3), 0.0
    return total / largest, float(weights.sum() / max(height, 1e-3))
