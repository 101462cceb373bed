"""How well lamps fit on one mast by where they stand: log-likelihood ratios of chains of heads.

A chain is the lit heads of one mast, top to bottom. Its ratio sets what is known of how masts are
built against lamps that stand anywhere in one another's neighbourhood. All lengths are in lens
radii as they appear, so that the figures hold at every zoom; they stand in limits.toml (section
``chains``), each with its reason.
"""

from __future__ import annotations

import itertools
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.limits import limits

MOST_HEADS: Final = 4
#: Links outside of these, in radii and as the tangent of the slope, are none at all.
NEAREST: Final = 2.2
FARTHEST: Final = 44.0
STEEPEST: Final = 1.8
#: Lens radii on one mast agree to this factor, as they appear.
SAME_SIZE: Final = 2.0

Places = NDArray[np.float64]


def may_link(upper: Places, lower: Places) -> bool:
    """Could two lamps, each (x, y, radius), be neighbours on one mast at all?"""
    scale = float(np.sqrt(upper[2] * lower[2]))
    step, aside = (lower[1] - upper[1]) / scale, abs(lower[0] - upper[0]) / scale
    room = 1.0 / scale
    alike = max(upper[2], lower[2]) <= SAME_SIZE * min(upper[2], lower[2]) + 0.7
    reach = limits("chains")["farthest_aside"]
    return bool(
        alike
        and step + room >= NEAREST
        and step <= FARTHEST
        and aside <= min(STEEPEST * step, reach) + room
    )


def chain_score(lamps: Places) -> tuple[float, float]:
    """Log-likelihood ratio of one mast, and the probability that its heads are staggered.

    Parameters
    ----------
    lamps : (N, 3) x, y, radius, top to bottom; 2 to `MOST_HEADS` of them, each a possible
        neighbour of the one above

    Returns
    -------
    Ratio of "one mast" against "each on a mast of its own", in nats; and odds of stagger if it
    is one mast
    """
    scale = float(np.exp(np.log(lamps[:, 2]).mean()))
    steps = np.maximum(np.diff(lamps[:, 1]) / scale, 0.5)
    offsets = np.diff(lamps[:, 0]) / scale
    # A pixel or so of error in each place weighs more where lamps are small.
    noise = 0.5 / scale
    figures = limits("chains")
    common = _steps(steps) + _sizes(lamps[:, 2], figures)
    common -= len(steps) * float(np.log(figures["crowding"]))
    if len(lamps) >= MOST_HEADS:
        common += figures["four_heads"]
    in_line = _in_line(steps, offsets, noise, figures) + np.log1p(-figures["staggered"])
    staggered = _staggered(steps, offsets, noise, figures) + np.log(figures["staggered"])
    both = float(np.logaddexp(in_line, staggered))
    return common + both, float(np.exp(staggered - both))


def _steps(steps: Places) -> float:
    """Log-density of the distances between heads, per radius."""
    figures = limits("chains")
    first = _mixture(np.log(steps[0]), figures["step"]) - np.log(steps[0])
    total = float(first)
    for before, step in itertools.pairwise(steps):
        # Heads of one mast are alike, and so are the distances between them.
        total += _mixture(np.log(step / before), figures["step_ratio"]) - float(np.log(step))
    return total


def _sizes(radii: Places, figures: dict[str, Any]) -> float:
    """Log-ratio of the sizes as they appear: alike on one mast, and often elsewhere as well."""
    off = np.log(radii / np.exp(np.log(radii).mean()))
    noise = figures["size"] + 0.25 / radii
    return float(-0.5 * figures["size_weight"] * np.sum((off / noise) ** 2))


def _in_line(steps: Places, offsets: Places, noise: float, figures: dict[str, Any]) -> float:
    """Log-density of the sideways steps of heads that stand above one another, per radius."""
    # What the camera leans it leans for the whole mast: taken out as far as that is likely.
    lean = float(steps @ offsets / (steps @ steps + (noise**2 + 0.05) / figures["lean"] ** 2))
    total = -0.5 * (lean / figures["lean"]) ** 2
    spread = np.sqrt(
        noise**2 + figures["in_line"] ** 2 + (figures["lean"] * steps) ** 2 / len(steps)
    )
    wide = np.sqrt(noise**2 + figures["in_head"] ** 2)
    off = offsets - lean * steps
    # Heads with lenses side by side are so on the whole mast, as a rule.
    plain = np.log1p(-figures["lens_aside"]) + _normal(off, spread).sum()
    aside = np.log(figures["lens_aside"]) + _normal(off, wide).sum()
    return float(total + np.logaddexp(plain, aside))


def _staggered(steps: Places, offsets: Places, noise: float, figures: dict[str, Any]) -> float:
    """Log-density of the sideways steps of heads on alternate sides, per radius."""
    size = np.maximum(np.abs(offsets), 1e-3)
    total = _mixture(np.log(size[0]), figures["aside"]) - np.log(size[0]) - np.log(2.0)
    for before, here in itertools.pairwise(offsets):
        # Each step goes back to the side that the one before came from.
        near = _normal(here + before, np.hypot(noise, figures["in_line"]))
        far = _normal(here + before, np.hypot(noise, figures["in_head"]))
        total += np.logaddexp(
            np.log1p(-figures["lens_aside"]) + near, np.log(figures["lens_aside"]) + far
        )
    return float(total)


def _normal(x: Places, spread: Places) -> Places:
    """Log of the normal density."""
    return np.asarray(-0.5 * (x / spread) ** 2 - np.log(spread) - 0.919, np.float64)


def _mixture(x: float, parts: list[list[float]]) -> float:
    """Log-density of a mixture of normals, each [share, middle, spread]."""
    logs = [np.log(share) + _normal(np.asarray(x - m), np.asarray(s)) for share, m, s in parts]
    return float(np.logaddexp.reduce(logs))
