"""Clips whose frames lie too far apart to tell a flash: a time-lapse, a stream full of gaps.

A flash is lit or dark for as little as a quarter of a second. Looked at less often than that, a
flashing lamp may be caught lit every time, or beat slowly against the frames.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from mastread.vision.odds import photo_odds
from mastread.vision.spans import Head

#: Seconds between two looks, above which nothing is said about flashing: half the period of the
#: fastest published flash (75 a minute), at the shorter of its two parts, with a margin.
COARSE_S: Final = 0.25


def doubt_coarse(head: Head) -> Head:
    """The head with steady, flashing and dark left open where it was not looked at often enough."""
    times = np.unique(np.concatenate([lens.curve.time_s for lens in head.lenses]))
    seen = [lens.curve.time_s[np.isfinite(lens.curve.lit)] for lens in head.lenses]
    looked = np.unique(np.concatenate(seen)) if seen else times
    if len(looked) < 2 or float(np.median(np.diff(looked))) <= COARSE_S:
        return head
    return replace(
        head,
        parts=tuple(
            replace(part, odds=photo_odds(part.lens is not None), flash=None) if part.seen else part
            for part in head.parts
        ),
    )
