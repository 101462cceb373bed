"""When the light of one lens turned to another colour.

The looks at full resolution say which colour, the samples of every frame say when. The likeliest
course of colours is found over all looks together (Viterbi 1967, "Error bounds for convolutional
codes"): a turn costs more than what a few spoilt looks could win, and less where the light of the
samples turned its direction at the same moment.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.curves import Curve
from mastread.vision.look import Lamp

#: What one look may say for or against a colour at the most, in nats, and how much of it counts:
#: looks that follow one another err alike.
_LOOK_AT_MOST: Final = 6.0
_LOOK_COUNTS: Final = 0.45
#: Cost of a turn that only the looks tell of, and of one that the samples show as well, in nats.
_TURN_COST: Final = 6.0
_SEEN_TURN_COST: Final = 2.0
#: Angle between the directions of light, radians, that is a turn: yellow and red LEDs lie 0.2 apart
#: on a plain camera, noise and compression move a pooled direction by under 0.1.
_TURN: Final = 0.16
#: Light that is compared on each side of a moment, seconds.
_SIDE_S: Final = 0.45


def colour_changes(
    table: NDArray[np.void], curve: Curve, looks: Sequence[tuple[float, Lamp]]
) -> list[float]:
    """Times at which the light of a lens turned to another colour, rising.

    Parameters
    ----------
    table : (N,) of `mastread.vision.sites.SAMPLE`, in order of time; `curve` is its curve
    looks : looks at the lamp with their times, in order of time
    """
    if len(looks) < 2:
        return []
    times = np.array([time_s for time_s, _ in looks])
    light = _Light(table, curve)
    cost = np.full(len(looks) - 1, _TURN_COST)
    scores = np.stack([lamp.colour_scores for _, lamp in looks])
    scores = scores - scores.max(axis=1, keepdims=True)
    # Only where the looks disagree need the samples be asked.
    for k in np.flatnonzero(np.diff(scores.argmax(axis=1))):
        if light.turn(times[k], times[k + 1]) > _TURN:
            cost[k] = _SEEN_TURN_COST
    path = _likeliest(np.maximum(scores, -_LOOK_AT_MOST) * _LOOK_COUNTS, cost)
    return [light.moment(times[k], times[k + 1]) for k in np.flatnonzero(np.diff(path))]


def _likeliest(scores: NDArray[np.float64], cost: NDArray[np.float64]) -> NDArray[np.intp]:
    """(N,) likeliest colours of (N, 6) scores where a turn after look k costs ``cost[k]``."""
    n, colours = scores.shape
    stay = np.arange(colours)
    best = scores[0].copy()
    came = np.zeros((n, colours), np.intp)
    for k in range(1, n):
        from_other = int(np.argmax(best))
        turned = best[from_other] - cost[k - 1]
        came[k] = np.where(best >= turned, stay, from_other)
        best = np.maximum(best, turned) + scores[k]
    path = np.zeros(n, np.intp)
    path[-1] = int(np.argmax(best))
    for k in range(n - 1, 0, -1):
        path[k - 1] = came[k, path[k]]
    return path


class _Light:
    """Direction and strength of the light of the lit frames."""

    def __init__(self, table: NDArray[np.void], curve: Curve) -> None:
        lit = np.nan_to_num(curve.lit, nan=0.0) > 0.5
        lit &= np.isfinite(curve.flux)
        rgb = np.maximum(table["rgb"].astype(np.float64), 0.0)
        norm = np.linalg.norm(rgb, axis=1)
        self._all_s, self._lit = curve.time_s, lit
        index = np.flatnonzero(lit & (norm > 0))
        self._time_s = curve.time_s[index]
        self._direction = rgb[index] / norm[index, None]
        self._share = curve.flux[index].astype(np.float64)

    def turn(self, before_s: float, after_s: float) -> float:
        """Angle, radians, between the light up to one time and from a later one on."""
        t = self._time_s
        before = self._direction[(t <= before_s + 1e-9) & (t > before_s - _SIDE_S)]
        after = self._direction[(t >= after_s - 1e-9) & (t < after_s + _SIDE_S)]
        if len(before) < 3 or len(after) < 3:
            return 0.0
        a, b = np.median(before, axis=0), np.median(after, axis=0)
        norms = float(np.linalg.norm(a)) * float(np.linalg.norm(b))
        return float(np.arccos(np.clip(float(a @ b) / max(norms, 1e-12), -1.0, 1.0)))

    def moment(self, before_s: float, after_s: float) -> float:
        """When between two looks of different colours the light turned.

        In the middle of the dark between them, if there is any; else where the frames part best
        into two kinds by direction and strength.
        """
        between = (self._all_s > before_s) & (self._all_s < after_s)
        dark = self._all_s[between & ~self._lit]
        if len(dark):
            return float(0.5 * (dark[0] + dark[-1]))
        t = self._time_s
        near = np.flatnonzero((t >= before_s - _SIDE_S) & (t <= after_s + _SIDE_S))
        cuts = [k for k in range(1, len(near)) if before_s < t[near[k]] <= after_s + 1e-9]
        if not cuts:
            return 0.5 * (before_s + after_s)
        marks = np.column_stack([self._direction[near], 0.5 * self._share[near]])
        spread = [_spread(marks[:k]) + _spread(marks[k:]) for k in cuts]
        k = cuts[int(np.argmin(spread))]
        return float(0.5 * (t[near[k - 1]] + t[near[k]]))


def _spread(marks: NDArray[np.float64]) -> float:
    """Sum of distances from the middle: one odd frame counts for one."""
    return float(np.abs(marks - np.median(marks, axis=0)).sum())
