"""Heads of a mast that are not known from their light: found dark, or said to be possible.

A net looks at the surroundings of the lamps (`mastread.vision.strip_net`): where discs, hoods and
housings are to be seen it finds the heads without light one after the other; where nothing is to be
seen (by night, far off) it says how likely another head is all the same. A lamp that was missed
counts as well: whatever else the mast may show, nothing is to be read from half of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mastread.vision.chains import MOST_HEADS
from mastread.vision.frame import Frame
from mastread.vision.limits import limits
from mastread.vision.strip import Spot, strip
from mastread.vision.strip_net import Look, load_strip_net

#: Masts have up to so many heads; another one is an exception.
_USUAL_HEADS: Final = 3


@dataclass(frozen=True, slots=True)
class DarkHead:
    """Place of a head without light, and the probability that there is one."""

    x: float
    y: float
    radius: float
    odds: float


@dataclass(frozen=True, slots=True)
class Found:
    """What else a mast has.

    Attributes
    ----------
    dark : heads without light, in the order in which they were found
    unseen : probability of a further head, dark or lit, that was not found
    dwarf : probability that the mast is a dwarf
    """

    dark: tuple[DarkHead, ...]
    unseen: float
    dwarf: float


def find_heads(
    frame: Frame,
    lit: Sequence[Spot],
    others: Sequence[Spot] = (),
    *,
    told: int | None = None,
    clip: bool = False,
) -> Found:
    """Look for the other heads of a mast.

    Parameters
    ----------
    lit : (x, y, radius) of its lit heads, at least one
    others : the same of lamps nearby that are on other masts
    told : how many heads the mast has, where a person said so: just so many are then looked for,
        and if they are not found, one is surely there and unseen
    clip : the lamps were watched over time, so that none is dark because it flashes
    """
    net, cut = load_strip_net(), strip(frame, lit)
    radius = float(np.median([r for _, _, r in lit]))
    dark: list[DarkHead] = []
    most = MOST_HEADS if told is None else told
    while True:
        seen = net.look(cut, lit, [(d.x, d.y, d.radius) for d in dark], others)
        dwarf = _moved(seen.odds["dwarf"], "dwarf_slope", "dwarf_shift")
        if len(lit) + len(dark) >= most:
            break
        odds = seen.placed * (1.0 if told is not None else _dark(seen, clip))
        if odds < _needed(seen, lit, radius):
            break
        dark.append(DarkHead(seen.x, seen.y, radius, odds))
    if told is not None:
        return Found(tuple(dark), float(len(lit) + len(dark) < told), dwarf)
    shift = "clip_missed_shift" if clip else "missed_shift"
    missed = _moved(seen.odds["missed_lamp"], "missed_slope", shift)
    unseen = 1.0 - (1.0 - _dark(seen, clip)) * (1.0 - missed)
    if len(lit) + len(dark) >= _USUAL_HEADS:
        unseen *= limits("heads")["fourth_head"]
    if len(lit) + len(dark) >= MOST_HEADS:
        unseen = 0.0
    return Found(tuple(dark), unseen, dwarf)


def _needed(seen: Look, lit: Sequence[Spot], radius: float) -> float:
    """How likely a head without light must be to be taken for one: close to a lit lamp it may be
    another lens of the same head."""
    figures = limits("heads")
    nearest = min(float(np.hypot(seen.x - x, seen.y - y)) for x, y, _ in lit)
    return float(figures["near_dark_at" if nearest < figures["near"] * radius else "dark_at"])


def _dark(seen: Look, clip: bool) -> float:
    """Odds of a head without light, moved to how often there is one; see limits.toml."""
    return _moved(seen.odds["dark_head"], "dark_slope", "clip_shift" if clip else "photo_shift")


def _moved(odds: float, slope: str, shift: str) -> float:
    """Odds whose logarithm is stretched and moved by figures of limits.toml."""
    figures = limits("heads")
    safe = min(max(odds, 1e-9), 1.0 - 1e-9)
    log_odds = figures[slope] * np.log(safe / (1.0 - safe)) + figures[shift]
    return float(1.0 / (1.0 + np.exp(-log_odds)))
