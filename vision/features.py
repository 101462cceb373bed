"""The figures of a spot in the form that the nets judge: ratios and logarithms, no raw counts.

Light ratios do not change with exposure until something clips, and lengths are told in radii, so
that a far lamp at noon and a near one at night can be judged by the same weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Planes

_FLOOR: Final = 0.01  # linear light below which ratios say nothing

FEATURES: Final = (
    "log_radius",
    "elongation",
    "solidity",
    "closed",
    "edge",
    "peak",
    "log_peak_over_ring",
    "log_ring_over_outer",
    "ring_high_over_peak",
    "log_ring",
    "log_noise_over_peak",
    "clipped_red",
    "clipped_green",
    "clipped_blue",
    "core_red",
    "core_green",
    "core_blue",
    "core_height",
    "log_rim_weight",
    "rim_red",
    "rim_green",
    "rim_blue",
    "rim_green_over_red",
    "log_veil_weight",
    "veil_red",
    "veil_green",
    "veil_blue",
    "surround_red",
    "surround_green",
    "surround_blue",
    "log_peak_over_scene",
    "log_scene_middle",
    "log_scene_high",
    "scene_red",
    "scene_blue",
)


@dataclass(frozen=True, slots=True)
class Scene:
    """The picture as a whole.

    Attributes
    ----------
    middle, high : median and 95th percentile of the strongest primary, linear
    cast : mean light of the primaries over that of green, (red, 1, blue)
    """

    middle: float
    high: float
    cast: tuple[float, float, float]


def scene_of(planes: Planes) -> Scene:
    """Figures of the whole picture, from a coarse grid of its planes."""
    step_u = max(1, planes.u.shape[1] // 160)
    u = planes.u[::step_u, ::step_u].astype(np.float32) - 128.0
    v = planes.v[::step_u, ::step_u].astype(np.float32) - 128.0
    rows = np.linspace(0, planes.y.shape[0] - 1, u.shape[0]).astype(int)
    columns = np.linspace(0, planes.y.shape[1] - 1, u.shape[1]).astype(int)
    y = planes.y[np.ix_(rows, columns)].astype(np.float32)
    if not planes.full_range:
        y = (y - 16.0) * (255.0 / 219.0)
    red, green, blue = y + 1.402 * v, y - 0.344 * u - 0.714 * v, y + 1.772 * u
    coded = np.clip(np.stack([red, green, blue], axis=-1) / 255.0, 0.0, 1.0)
    light = coded**2.2
    top = light.max(axis=-1)
    mean = light.reshape(-1, 3).mean(axis=0) + 1e-3
    return Scene(
        float(np.median(top)),
        float(np.percentile(top, 95)),
        (float(mean[0] / mean[1]), 1.0, float(mean[2] / mean[1])),
    )


def features(spot: NDArray[np.void], scene: Scene) -> NDArray[np.float64]:
    """(F,) figures of one spot, in the order of `FEATURES`."""
    peak = float(spot["peak"])
    ring, outer = float(spot["ring"]), float(spot["outer"])
    core = _shares(spot["core"])
    rim = np.clip(spot["rim"].astype(np.float64), 0.0, 1.0)
    veil = np.clip(spot["veil"].astype(np.float64), 0.0, 1.0)
    surround = _shares(spot["surround"])
    clipped = spot["clipped"]
    values = (
        np.log(max(float(spot["radius"]), 0.5)),
        min(float(spot["elongation"]), 4.0),
        float(spot["solidity"]),
        float(spot["closed"]),
        float(np.clip(spot["edge"], -0.5, 1.5)),
        peak,
        _log_ratio(peak, ring),
        _log_ratio(ring, outer),
        min(float(spot["ring_high"]) / max(peak, _FLOOR), 3.0),
        np.log(ring + _FLOOR),
        _log_ratio(float(spot["noise"]), peak),
        float(clipped[0]),
        float(clipped[1]),
        float(clipped[2]),
        core[0],
        core[1],
        core[2],
        float(np.max(spot["core"])),
        np.log(float(spot["rim_weight"]) + 0.3),
        rim[0],
        rim[1],
        rim[2],
        np.log((rim[1] + 0.02) / (rim[0] + 0.02)),
        np.log(float(spot["veil_weight"]) + 0.3),
        veil[0],
        veil[1],
        veil[2],
        surround[0],
        surround[1],
        surround[2],
        _log_ratio(peak, scene.high),
        np.log(scene.middle + _FLOOR),
        np.log(scene.high + _FLOOR),
        float(np.clip(np.log(scene.cast[0]), -1.5, 1.5)),
        float(np.clip(np.log(scene.cast[2]), -1.5, 1.5)),
    )
    return np.array(values, np.float64)


def _shares(light: NDArray[np.float32]) -> NDArray[np.float64]:
    """Primaries over the strongest of them."""
    top = max(float(light.max()), 1e-4)
    return np.clip(light.astype(np.float64) / top, 0.0, 1.0)


def _log_ratio(a: float, b: float) -> float:
    return float(np.log((a + _FLOOR) / (b + _FLOOR)))
