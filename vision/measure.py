"""Measure one candidate spot on a full-resolution crop, in linear light.

What is measured here says what the spot looks like; what it *is* (a lit lamp or something
else, and of which colour) is decided from these figures in `mastread.vision.verify` and
`mastread.vision.colour`.
"""

from __future__ import annotations

from dataclasses import dataclass
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


def _quantiles(values: NDArray[np.float32], *shares: float) -> NDArray[np.float32]:
    """`quantile` for several shares in rising order, (shares,), or (shares, 3) of (N, 3)."""
    last = len(values) - 1
    ranks = [min(int(share * len(values)), last) for share in shares]
    return np.asarray(np.partition(values, ranks, axis=0)[ranks])


def measure(frame: Frame, x: float, y: float, radius: float) -> NDArray[np.void] | None:
    """Measure the spot at (x, y) of roughly the given radius.

    Returns
    -------
    A 0-d record of dtype `SPOT`, or None where no spot closes round this place (the edge of
    something larger, a line, nothing at all).
    """
    crop: _Crop | None = None
    spot: _Spot | None = None
    for _ in range(3):
        crop = _crop(frame, x, y, radius, crop)
        if crop is None:
            return None
        spot = _segment(crop, x - crop.left, y - crop.top_row, radius)
        if spot is None:
            return None
        grown = max(float(np.sqrt(spot.area / np.pi)), 0.6)
        if spot.touches and grown > 0.4 * min(crop.top.shape):
            if radius > 0.25 * _LARGEST_CROP:
                return None
            radius *= 1.8
            continue
        settled = abs(grown - radius) < 0.25 * radius + 0.5
        radius = grown
        if settled:
            break
    assert crop is not None
    assert spot is not None
    return _figures(frame, crop, spot, radius)


@dataclass(frozen=True, slots=True, eq=False)
class _Crop:
    """Light of a part of the picture: (H, W, 3), that of the strongest primary, and its corner."""

    light: NDArray[np.float32]
    top: NDArray[np.float32]
    left: int
    top_row: int


@dataclass(frozen=True, slots=True, eq=False)
class _Spot:
    """Pixels of a spot: those set in `mask`, whose corner lies at (x0, y0) of the crop."""

    mask: NDArray[np.uint8]
    x0: int
    y0: int
    area: int
    touches: bool


def _crop(
    frame: Frame, x: float, y: float, radius: float, known: _Crop | None = None
) -> _Crop | None:
    half = int(np.clip(np.ceil(5.5 * radius + 3), 8, _LARGEST_CROP))
    left, top = max(0, round(x) - half), max(0, round(y) - half)
    right, bottom = min(frame.width, round(x) + half + 1), min(frame.height, round(y) + half + 1)
    if right - left < 3 or bottom - top < 3:
        return None
    if known is not None:
        dx, dy = left - known.left, top - known.top_row
        height, width = known.top.shape
        if dx >= 0 and dy >= 0 and right - known.left <= width and bottom - known.top_row <= height:
            part = np.s_[dy : bottom - known.top_row, dx : right - known.left]
            return _Crop(known.light[part], known.top[part], left, top)
    # A picture of floating-point numbers may hold more than the clipping level; a turned one comes
    # with its columns in memory order, which OpenCV does not take.
    whole = np.ascontiguousarray(frame.linear(left, top, right, bottom))
    light = np.minimum(whole, np.float32(1.0))
    return _Crop(light, strongest(light), left, top)


def _segment(crop: _Crop, x: float, y: float, radius: float) -> _Spot | None:
    """Pixels of the spot at half its height over the near surround, and whether it touches
    the edge of the crop."""
    height, width = crop.top.shape
    reach = max(1, round(0.6 * radius))
    cx, cy = round(x), round(y)
    x0, x1 = max(0, cx - reach), min(width, cx + reach + 1)
    y0, y1 = max(0, cy - reach), min(height, cy + reach + 1)
    if x1 <= x0 or y1 <= y0:
        return None
    # Height is taken in the light of the strongest primary, or where that is lost against a
    # bright sky, in the colour excess.
    for excess in (False, True):
        image = crop.top - weakest(crop.light) if excess else crop.top
        window = image[y0:y1, x0:x1]
        k = int(np.argmax(window))
        py, px = y0 + k // window.shape[1], x0 + k % window.shape[1]
        peak = float(image[py, px])
        r = max(radius, 1.0)
        ring = _annulus(image, float(px), float(py), 1.6 * r + 0.5, 2.8 * r + 1.5)
        if ring.size < 6:
            continue
        level = quantile(ring, 0.35)
        if peak - level < 0.012 or peak < 1.25 * level:
            continue
        spot = _flood(image > level + 0.5 * (peak - level), px, py)
        if spot.area > 0.45 * image.size:
            continue
        return spot
    return None


def _flood(high: NDArray[np.bool_], x: int, y: int) -> _Spot:
    """The pixels that hang together (by their sides) with one of those that are set."""
    height, width = high.shape
    filled = np.zeros((height + 2, width + 2), np.uint8)
    flags = 4 | cv2.FLOODFILL_MASK_ONLY | (1 << 8)
    # The crop of a turned clip lies in memory by columns.
    whole = np.ascontiguousarray(high).view(np.uint8)
    area, _, _, (x0, y0, w, h) = cv2.floodFill(whole, filled, (x, y), 1, flags=flags)
    touches = x0 == 0 or y0 == 0 or x0 + w == width or y0 + h == height
    return _Spot(filled[1 + y0 : 1 + y0 + h, 1 + x0 : 1 + x0 + w], x0, y0, int(area), touches)


def _near(shape: tuple[int, ...], cx: float, cy: float, reach: float) -> tuple[slice, slice]:
    """The rows and columns of a picture that lie within a distance of a place."""
    return (
        slice(max(0, int(cy - reach)), max(0, min(shape[0], int(cy + reach) + 2))),
        slice(max(0, int(cx - reach)), max(0, min(shape[1], int(cx + reach) + 2))),
    )


def _distance2(part: tuple[slice, slice], cx: float, cy: float) -> NDArray[np.float64]:
    """Squared distance of the pixels of a part of a picture from a place."""
    rows, columns = part
    dy = np.arange(rows.start, rows.stop) - cy
    dx = np.arange(columns.start, columns.stop) - cx
    return np.asarray(np.add.outer(dy * dy, dx * dx), np.float64)


def _annulus(
    image: NDArray[np.float32], cx: float, cy: float, inner: float, outer: float
) -> NDArray[np.float32]:
    """The pixels that lie farther than `inner` and nearer than `outer`, (N,) or (N, 3)."""
    part = _near(image.shape, cx, cy, outer)
    distance2 = _distance2(part, cx, cy)
    inside = distance2 > inner * inner
    inside &= distance2 < outer * outer
    return image[part][inside]


def _figures(frame: Frame, crop: _Crop, spot: _Spot, radius: float) -> NDArray[np.void] | None:
    top, light = crop.top, crop.light
    part = np.s_[spot.y0 : spot.y0 + spot.mask.shape[0], spot.x0 : spot.x0 + spot.mask.shape[1]]
    chosen = spot.mask.view(np.bool_)
    spot_top = top[part][chosen]
    # OpenCV takes single-precision pictures of two columns for a list of points.
    weighted = cv2.moments(np.multiply(top[part], spot.mask, dtype=np.float64))
    cx = spot.x0 + weighted["m10"] / weighted["m00"]
    cy = spot.y0 + weighted["m01"] / weighted["m00"]

    r = max(radius, 0.8)
    ring_light = _annulus(light, cx, cy, 1.7 * r + 0.8, 2.8 * r + 1.5)
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
    outer = _annulus(top, cx, cy, 3.6 * r + 1.5, 5.2 * r + 3)
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
    crop: _Crop,
    cx: float,
    cy: float,
    r: float,
    surround: NDArray[np.float32],
    ring_level: float,
    peak: float,
) -> None:
    """Steepness, rim and veil: what the light does from the middle of the spot outward."""
    noise = float(out["noise"])
    part = _near(crop.top.shape, cx, cy, 3.2 * r + 3.0)
    distance2 = _distance2(part, cx, cy)
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


def _shape(spot: _Spot) -> tuple[float, float]:
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
