"""Odds that a mast has a head that was not found, put together from all that is doubtful."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from mastread.vision import masts
from mastread.vision.limits import limits
from mastread.vision.strip import Spot


def with_doubtful(
    unseen: float, heads: Sequence[Spot], spots: Sequence[tuple[float, float, float, float]]
) -> float:
    """Odds of a head that was not found, with spots in line that may be lit heads of the mast.

    `heads` are (x, y, radius), `spots` (x, y, radius, odds of being a lamp).
    """
    in_line = [odds for x, y, radius, odds in spots if masts.fits(heads, (x, y, radius))]
    return 1.0 - (1.0 - unseen) * float(np.prod([1.0 - odds for odds in in_line]))


def or_else(unseen: float, group: masts.Group) -> float:
    """Odds of a head that was not found, or that a mast has other heads than was thought.

    A lamp of the next mast may be one of its heads; whatever that changes, it is not to be read.
    """
    settled = group.odds >= limits("chains")["settled"]
    return unseen if settled else 1.0 - (1.0 - unseen) * group.odds
