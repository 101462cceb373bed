"""Rows of position lights: two or three equal lamps of one colour that shine together.

Their angle is what tells, so a row is one head, never several: read as heads of a colour-light mast
it would show an aspect that nobody displayed. Rows are proposed by where lamps stand, by their
sizes and colours; whether one disc carries them is for the picture to say.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mastread.vision.limits import limits

#: Probability that lamps (indices) are one row, from elsewhere (the picture).
Judge = Callable[[tuple[int, ...]], float]


@dataclass(frozen=True, slots=True)
class Row:
    """Lamps, as indices, that may be one head of a position light.

    `angle` is 0, 45, 90 or 135 degrees anticlockwise from horizontal, as the driver sees it.
    """

    members: tuple[int, ...]
    angle: int
    odds: float


def find_rows(lamps: NDArray[np.float64], colours: NDArray[np.float64], judge: Judge) -> list[Row]:
    """Rows among the lamps of a picture, likeliest first; no lamp belongs to two.

    Parameters
    ----------
    lamps : (N, 3) x, y, radius
    colours : (N, 6) odds of their colours
    judge : asked of what may be a row by its geometry
    """
    least = limits("rows")["doubtful_at"]
    found = [
        Row(members, angle, odds)
        for members, angle in _candidates(lamps, colours)
        if (odds := judge(members)) >= least
    ]
    # Of a row of three the pairs in it are rows as well; the longer one is meant.
    found.sort(key=lambda row: (-len(row.members) if row.odds >= 0.5 else 0, -row.odds))
    kept: list[Row] = []
    for row in found:
        if not any(set(row.members) & set(other.members) for other in kept):
            kept.append(row)
    return kept


def _candidates(
    lamps: NDArray[np.float64], colours: NDArray[np.float64]
) -> list[tuple[tuple[int, ...], int]]:
    """Pairs and triples that could be rows, with the angle nearest to theirs."""
    figures = limits("rows")
    pairs: dict[tuple[int, int], int] = {}
    for i, j in itertools.permutations(range(len(lamps)), 2):
        if _comes_first(lamps[i], lamps[j]):
            angle = _angle(lamps[i], lamps[j], figures)
            if angle is not None and float(colours[i] @ colours[j]) >= figures["same_colour"]:
                pairs[i, j] = angle
    triples = [
        ((i, j, k), angle)
        for (i, j), angle in pairs.items()
        for (other, k), same in pairs.items()
        if other == j and same == angle and _even(lamps[[i, j, k]], figures)
    ]
    return [*triples, *pairs.items()]


def _comes_first(a: NDArray[np.float64], b: NDArray[np.float64]) -> bool:
    """From the left end of a row to the right, and straight up from the lower end."""
    across, up = b[0] - a[0], a[1] - b[1]
    return bool(across > 0 if abs(across) > 0.4 * abs(up) else up > 0)


def _angle(a: NDArray[np.float64], b: NDArray[np.float64], figures: dict[str, Any]) -> int | None:
    """The angle of the row from `a` to `b`, or None where they are none."""
    scale = float(np.sqrt(a[2] * b[2]))
    along = float(np.hypot(b[0] - a[0], b[1] - a[1])) / scale
    alike = max(a[2], b[2]) <= figures["same_size"] * min(a[2], b[2]) + 0.5
    if not alike or not figures["nearest"] <= along <= figures["farthest"]:
        return None
    turn = float(np.degrees(np.arctan2(a[1] - b[1], b[0] - a[0]))) % 180.0
    nearest = 45 * round(turn / 45.0)
    return int(nearest % 180) if abs(turn - nearest) <= figures["off_angle"] else None


def _even(lamps: NDArray[np.float64], figures: dict[str, Any]) -> bool:
    """Does the middle lamp of three stand in the middle?"""
    off = np.hypot(*(lamps[1, :2] - 0.5 * (lamps[0, :2] + lamps[2, :2])))
    return bool(off <= figures["off_middle"] * lamps[:, 2].mean())


def forms_of(row: Row) -> dict[str, float]:
    """Odds of what a head is, for `mastread.decoder.evidence.HeadEvidence`."""
    return {f"row {row.angle}": row.odds, "lamp": 1.0 - row.odds}


def colours_of(row: Row, scores: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Log-odds of the colour of a row: its lamps agree, and are worth little more than one."""
    return np.asarray(np.mean([scores[i] for i in row.members], axis=0), np.float64)
