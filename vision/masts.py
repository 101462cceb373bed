"""Which lamps stand on one mast, and in which order.

Heads of a mast stand above one another, on one line or on alternate sides of it, at like
distances, with lenses of one size. Distances are judged in lens radii, so that the rules hold at
every zoom. Real proportions (lens 8 3/8 in, heads some 4 to 8 ft apart, a staggered head 1 to 3 ft
off the line, two masts of a bracket 6 ft apart and more; common practice, no source) leave wide
room, because bloom makes a lens look up to three times its size.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.types import Box

#: Heads of one mast are this far apart, in radii as they appear.
NEAREST: Final = 2.6
FARTHEST: Final = 44.0
#: A mast leans (camera roll, lens) by at most about this; tangent.
LEAN: Final = 0.1
#: Lens radii on one mast agree to this factor, as they appear.
SAME_SIZE: Final = 1.9
#: A staggered head stands off its neighbours by at most this share of the distance between them,
#: and by at most so many radii.
STAGGER: Final = 1.0
STAGGER_RADII: Final = 13.0
MOST_HEADS: Final = 4
#: Two links of a chain of heads differ by at most this factor (one head may be dark between).
SPACING: Final = 2.6
#: Offset from the mast's own line, in radii, above which heads stand on alternate sides.
OFF_LINE: Final = 1.6


@dataclass(frozen=True, slots=True)
class Group:
    """Heads of one mast, top to bottom, as indices into the table that was grouped.

    `staggered` is the probability that they stand on alternate sides; None for a single head.
    """

    members: tuple[int, ...]
    staggered: float | None


def group(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: NDArray[np.float64],
) -> list[Group]:
    """Masts of one view, left to right.

    Parameters
    ----------
    x, y, radius : (N,) places and apparent radii of heads that are there at the same time
    """
    clusters: list[list[int]] = [[i] for i in range(len(x))]
    while True:
        best: tuple[float, int, int] | None = None
        for a in range(len(clusters)):
            for b in range(a + 1, len(clusters)):
                cost = _cost(clusters[a], clusters[b], x, y, radius)
                if cost is not None and (best is None or cost < best[0]):
                    best = (cost, a, b)
        if best is None:
            break
        _, a, b = best
        clusters[a] = sorted(clusters[a] + clusters[b], key=lambda i: float(y[i]))
        del clusters[b]
    groups = [Group(tuple(members), _staggered(members, x, y, radius)) for members in clusters]
    return sorted(groups, key=lambda g: float(np.mean(x[list(g.members)])))


def fits(heads: Sequence[tuple[float, float, float]], spot: tuple[float, float, float]) -> bool:
    """Could a spot be a further head of a mast whose heads are these? All as (x, y, radius)."""
    x, y, radius = (np.array(column, np.float64) for column in zip(*heads, spot, strict=True))
    mast = list(range(len(heads)))
    return len(heads) < MOST_HEADS and _cost(mast, [len(heads)], x, y, radius) is not None


def _cost(
    a: list[int],
    b: list[int],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: NDArray[np.float64],
) -> float | None:
    """How badly two groups fit on one mast; None where they cannot."""
    members = sorted(a + b, key=lambda i: float(y[i]))
    if len(members) > MOST_HEADS:
        return None
    r = radius[members]
    if r.max() > SAME_SIZE * r.min() + 0.7:
        return None
    scale = float(np.median(r))
    steps = np.diff(y[members])
    offsets = np.diff(x[members])
    if (steps < NEAREST * scale).any() or (steps > FARTHEST * scale).any():
        return None
    if len(steps) > 1 and steps.max() > SPACING * steps.min():
        return None
    room = 1.2 * scale + LEAN * steps
    in_line = np.abs(offsets) <= room
    if in_line.all() and _straight(members, x, y, scale):
        return float(np.mean(np.abs(offsets) / room) + steps.max() / (FARTHEST * scale))
    if (np.abs(offsets) > np.minimum(STAGGER * steps, STAGGER_RADII * scale)).any():
        return None
    # Heads on alternate sides: each step goes the other way from the one before.
    if len(offsets) > 1 and not (np.sign(offsets[1:]) == -np.sign(offsets[:-1])).all():
        return None
    return float(3.0 + np.mean(np.abs(offsets) / steps) + steps.max() / (FARTHEST * scale))


def _straight(
    members: list[int], x: NDArray[np.float64], y: NDArray[np.float64], scale: float
) -> bool:
    if len(members) < 3:
        return True
    fit = np.polyfit(y[members], x[members], 1)
    off = x[members] - np.polyval(fit, y[members])
    return bool(np.abs(off).max() < 1.2 * scale + 0.5)


def _staggered(
    members: list[int],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    radius: NDArray[np.float64],
) -> float | None:
    if len(members) < 2:
        return None
    scale = float(np.median(radius[members]))
    steps = np.diff(y[members])
    offsets = np.abs(np.diff(x[members]))
    # What a leaning camera explains is no stagger.
    beyond = (offsets - LEAN * steps) / scale
    return float(np.clip(0.5 + (beyond.max() - OFF_LINE) / 1.6, 0.02, 0.98))


def box(x: NDArray[np.float64], y: NDArray[np.float64], radius: NDArray[np.float64]) -> Box:
    """Box round the heads with the room that their hoods and discs take, pixels."""
    room = 3.2 * float(radius.max())
    return (
        float(x.min() - room),
        float(y.min() - room),
        float(x.max() + room),
        float(y.max() + room),
    )
