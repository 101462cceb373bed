"""Places that may hold a lit lamp, found on the cheap planes of one picture.

A lit lamp is a compact spot that stands out from what surrounds it in the light of its
strongest primary (any lamp against a dark disc, hood or night sky) or in colourfulness (a
coloured lamp against a bright sky). Both are searched at every scale; what a spot really is,
`mastread.vision.measure` and `mastread.vision.verify` decide on full-resolution crops.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Planes

#: Fields of a candidate. ``x``, ``y``, ``radius`` in upright full-resolution pixels;
#: ``strength`` is the height of the spot over its surround, linear, 0..1.
CANDIDATE: Final = np.dtype(
    [("x", "f4"), ("y", "f4"), ("radius", "f4"), ("strength", "f4"), ("relative", "f4")]
)

#: Smallest and largest lens radius that is searched for, full-resolution pixels.
SMALLEST_RADIUS: Final = 1.0
LARGEST_RADIUS: Final = 45.0

#: A spot must stand out by this much of full scale, and by this share of its own surround.
LEAST_STRENGTH: Final = 0.015
LEAST_RELATIVE: Final = 0.075

#: Blur of the spot and of its surround, in pixels of the level, two steps per octave: the
#: second step is the first times the root of two.
_SIGMAS: Final = (0.9, 1.27)
_SURROUND: Final = 1.8  # surround blur over spot blur
_RADIUS_PER_SIGMA: Final = 1.5  # radius of a flat disc that answers strongest to such a pair

_NEIGHBOURS: Final = np.ones((3, 3), np.uint8)
_LINEAR: Final = (np.linspace(0.0, 1.0, 256) ** 2.2).astype(np.float32)


def propose(planes: Planes, *, most: int = 400) -> NDArray[np.void]:
    """Candidate spots of one picture, strongest first.

    Parameters
    ----------
    planes : planes of the upright picture
    most : how many candidates are handed on at the most

    Returns
    -------
    (N,) array of dtype `CANDIDATE`; N = 0 where nothing stands out
    """
    brightest, colourful, step = _search_maps(planes)
    found = [_spots(brightest, step), _spots(colourful, step)]
    spots = np.concatenate(found)
    return _thin(spots, most)


def _search_maps(planes: Planes) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """Light of the strongest primary, and its excess over the weakest, at colour resolution.

    Returns the two maps (linear, 0..1) and how many full-resolution pixels one of their
    pixels spans.
    """
    height, width = planes.u.shape
    y = planes.y
    if y.shape != planes.u.shape:
        y = cv2.resize(y, (width, height), interpolation=cv2.INTER_AREA)
    # Single precision: OpenCV reckons with ten bits where it is given bytes.
    stored = cv2.merge((y, planes.u, planes.v)).astype(np.float32)
    coded = cv2.transform(stored, _rgb_matrix(planes.full_range))
    coded = cv2.add(coded, 0, dtype=cv2.CV_8U)
    red, green, blue = cv2.split(coded)
    brightest = cv2.LUT(cv2.max(cv2.max(red, green), blue), _LINEAR)
    weakest = cv2.LUT(cv2.min(cv2.min(red, green), blue), _LINEAR)
    excess = cv2.subtract(brightest, weakest)
    return np.asarray(brightest), np.asarray(excess), planes.y.shape[1] / width


@cache
def _rgb_matrix(full_range: bool) -> NDArray[np.float64]:
    """R, G, B codes of (Y, U, V, 1), (3, 4), made to be rounded down.

    BT.601 weights serve for the search whatever the file's own matrix: the difference moves a
    primary by a few percent, and the odds of a colour are not taken from here.
    """
    luma, chroma = (1.0, 1.0) if full_range else (255.0 / 219.0, 255.0 / 224.0)
    turn = np.array([[1.0, 0.0, 1.402], [1.0, -0.344, -0.714], [1.0, 1.772, 0.0]])
    turn = turn * (luma, chroma, chroma)
    zero = turn @ (0.0 if full_range else 16.0, 128.0, 128.0)
    # OpenCV rounds to the nearest; less a half, that is down.
    return np.column_stack([turn, -zero - 0.499])


def _spots(image: NDArray[np.float32], step: float) -> NDArray[np.void]:
    """Local maxima of spot-minus-surround over a pyramid of one map."""
    out: list[NDArray[np.void]] = []
    level = image
    scale = step
    while min(level.shape) >= 3:
        for sigma in _SIGMAS:
            radius = sigma * _RADIUS_PER_SIGMA * scale
            if radius > LARGEST_RADIUS:
                break
            spot = cv2.GaussianBlur(level, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
            around = cv2.GaussianBlur(
                level, (0, 0), sigma * _SURROUND, borderType=cv2.BORDER_REPLICATE
            )
            excess = cv2.subtract(spot, around)
            rows, columns = _peaks(excess, around)
            table = np.zeros(len(rows), CANDIDATE)
            # The centre of a pixel of the map lies half a map pixel from its corner.
            table["x"] = (columns + 0.5) * scale - 0.5
            table["y"] = (rows + 0.5) * scale - 0.5
            table["radius"] = radius
            table["strength"] = excess[rows, columns]
            table["relative"] = excess[rows, columns] / (around[rows, columns] + 0.02)
            out.append(table)
        if 2.0 * scale * _SIGMAS[0] * _RADIUS_PER_SIGMA > LARGEST_RADIUS:
            break
        level = cv2.resize(
            level,
            (max(1, level.shape[1] // 2), max(1, level.shape[0] // 2)),
            interpolation=cv2.INTER_AREA,
        )
        scale *= 2.0
    if not out:
        return np.zeros(0, CANDIDATE)
    return np.concatenate(out)


def _peaks(excess: Any, around: Any) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the local maxima that stand out enough."""
    # Over LEAST_RELATIVE of the surround (and a little), but LEAST_STRENGTH at the least.
    least = cv2.max(
        cv2.addWeighted(around, LEAST_RELATIVE, around, 0.0, LEAST_RELATIVE * 0.02), LEAST_STRENGTH
    )
    hit = cv2.compare(excess, cv2.dilate(excess, _NEIGHBOURS), cv2.CMP_GE)
    hit = cv2.bitwise_and(hit, cv2.compare(excess, least, cv2.CMP_GT))
    places = cv2.findNonZero(hit)
    if places is None:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    x, y = places.reshape(-1, 2).T.astype(np.intp)
    return y, x


def _thin(spots: NDArray[np.void], most: int) -> NDArray[np.void]:
    """Keep the strongest spot where several scales or maps answered to the same one."""
    order = np.argsort(-(spots["strength"] * np.sqrt(spots["relative"])), kind="stable")
    spots = spots[order]
    kept: list[int] = []
    grid: dict[tuple[int, int], list[int]] = {}
    cell = 8.0
    for i in range(len(spots)):
        x, y, r = float(spots["x"][i]), float(spots["y"][i]), float(spots["radius"][i])
        cx, cy = int(x // cell), int(y // cell)
        reach = int(max(r, 2.0) // cell) + 1
        near = False
        for gx in range(cx - reach, cx + reach + 1):
            for gy in range(cy - reach, cy + reach + 1):
                for j in grid.get((gx, gy), ()):
                    limit = max(0.8 * max(r, float(spots["radius"][j])), 1.5)
                    if (spots["x"][j] - x) ** 2 + (spots["y"][j] - y) ** 2 < limit**2:
                        near = True
                        break
                if near:
                    break
            if near:
                break
        if near:
            continue
        kept.append(i)
        grid.setdefault((cx, cy), []).append(i)
        if len(kept) >= most:
            break
    return spots[kept]
