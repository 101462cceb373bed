"""Which span of a new reading is which of the old one, so that names and verdicts stay."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from mastread.tools.shelf.views import View

#: Boxes of one mast share at least this part of their union.
_SAME_PLACE: Final = 0.3
#: Spans that are the same share at least this part of their union in time.
_SAME_TIME: Final = 0.5


def match(old: Sequence[View], new: Sequence[View]) -> dict[int, int]:
    """Return for each index in `new` that continues a span of `old` that one's index.

    The pairs that agree best are made first, each span once.
    """
    scores = sorted(
        (-score, i, k)
        for i, one in enumerate(new)
        for k, other in enumerate(old)
        if (score := _likeness(one, other)) > 0.0
    )
    found: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, k in scores:
        if i not in found and k not in taken:
            found[i] = k
            taken.add(k)
    return found


def _likeness(one: View, other: View) -> float:
    """How well two spans agree in place and time, 0 where they are not the same."""
    place = _box_share(one["box"], other["box"])
    time = _time_share(one, other)
    if place < _SAME_PLACE or time < _SAME_TIME:
        return 0.0
    return place * time


def _time_share(one: View, other: View) -> float:
    if one["start_s"] is None or other["start_s"] is None:
        return 1.0 if one["start_s"] == other["start_s"] else 0.0
    a0, a1 = one["start_s"], one["end_s"] or one["start_s"]
    b0, b1 = other["start_s"], other["end_s"] or other["start_s"]
    union = max(a1, b1) - min(a0, b0)
    return max(0.0, min(a1, b1) - max(a0, b0)) / union if union > 0 else 1.0


def _box_share(a: Sequence[float], b: Sequence[float]) -> float:
    width = min(a[2], b[2]) - max(a[0], b[0])
    height = min(a[3], b[3]) - max(a[1], b[1])
    if width <= 0 or height <= 0:
        return 0.0
    both = width * height
    areas = (a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1])
    return both / (areas - both)
