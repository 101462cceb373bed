"""Heads of one mast that go dark together and come back as they were: something passed in front.

A train, a pole, or light that beats with the shutter takes the light of all heads at once. A signal
does not: its heads change one by one, and when they all change something else is shown after.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.cover import runs
from mastread.vision.spans import Head, head_of

#: Heads are covered one after the other within this, seconds; a filament goes on glowing as long.
_ALIKE_S: Final = 0.25


def without_common_dark(heads: Sequence[Head]) -> list[Head]:
    """The heads of one mast, with dark that all of them share as not to be seen."""
    if len(heads) < 2:
        return list(heads)
    times = _common_times(heads)
    if len(times) < 3:
        return list(heads)
    shown = np.stack([_shown(head, times) for head in heads])
    hidden: list[list[tuple[float, float]]] = [[] for _ in heads]
    for first, last in runs((shown <= _DARK).all(axis=0) & (shown == _DARK).any(axis=0)):
        for k in _covered_then(shown, times, first, last):
            hidden[k].append((float(times[first]), float(times[last])))
    clear = _clear_by_lower(heads, shown)
    out = []
    for head, spells, free in zip(heads, hidden, clear, strict=True):
        out.append(_changed(head, spells, times[free]) if spells or free.any() else head)
    return out


def _clear_by_lower(heads: Sequence[Head], shown: NDArray[np.int64]) -> list[NDArray[np.bool_]]:
    """By head, when it was dark while a lower one shone: no train hides the upper head alone."""
    height = np.array([head.y for head in heads])
    radius = max(head.radius for head in heads)
    return [
        (row == _DARK) & (shown[height > head.y + radius] >= 0).any(axis=0)
        for head, row in zip(heads, shown, strict=True)
    ]


#: What a head shows at a time: the number of its lit lens, or one of these.
_DARK: Final = -1
_UNSEEN: Final = -2


def _common_times(heads: Sequence[Head]) -> NDArray[np.float64]:
    """Times of frames in which every head was followed."""
    common: NDArray[np.float64] | None = None
    for head in heads:
        own = np.unique(np.concatenate([lens.curve.time_s for lens in head.lenses]))
        common = own if common is None else np.intersect1d(common, own, assume_unique=True)
    return np.zeros(0) if common is None else common


def _shown(head: Head, times: NDArray[np.float64]) -> NDArray[np.int64]:
    """(N,) number of the lit lens, or dark, or not to be seen."""
    out = np.full(len(times), _UNSEEN)
    best = np.full(len(times), 0.5)
    for number, lens in enumerate(head.lenses):
        curve = lens.curve
        at = np.clip(np.searchsorted(curve.time_s, times), 0, max(len(curve.time_s) - 1, 0))
        lit = np.where(curve.time_s[at] == times, curve.lit[at].astype(np.float64), np.nan)
        out = np.where(np.isfinite(lit) & (out == _UNSEEN), _DARK, out)
        brighter = np.nan_to_num(lit, nan=0.0) > best
        out, best = np.where(brighter, number, out), np.where(brighter, lit, best)
    return out


def _covered_then(
    shown: NDArray[np.int64], times: NDArray[np.float64], first: int, last: int
) -> list[int]:
    """Heads that a common dark spell hides: those lit shortly before that come back alike.

    At least two heads must have gone dark together, and all that did must come back in the lens in
    which they went; at the begin and the end of the clip it is one side that tells.
    """
    start = int(np.searchsorted(times, times[first] - _ALIKE_S))
    end = int(np.searchsorted(times, times[last] + _ALIKE_S, side="right"))
    before = [_last_lit(row[start:first][::-1]) for row in shown]
    after = [_last_lit(row[last + 1 : end]) for row in shown]
    if first == 0:
        before = after
    if last == len(times) - 1:
        after = before
    lit = [k for k, lens in enumerate(before) if lens is not None]
    if len(lit) < 2 or any(before[k] != after[k] for k in lit):
        return []
    return lit


def _last_lit(row: NDArray[np.int64]) -> int | None:
    """The first lens that is lit in a row."""
    lit = row[row >= 0]
    return int(lit[0]) if len(lit) else None


def _changed(
    head: Head, spells: Sequence[tuple[float, float]], clear_s: NDArray[np.float64]
) -> Head:
    """The head with its dark in and beside given times taken for something in front of it.

    `clear_s` are times at which nothing can have been in front.
    """
    lenses = []
    for lens in head.lenses:
        curve = lens.curve
        lit = curve.lit.copy()
        for start_s, end_s in spells:
            inside = (curve.time_s >= start_s - _ALIKE_S) & (curve.time_s <= end_s + _ALIKE_S)
            lit[inside & (np.nan_to_num(lit, nan=1.0) < 0.5)] = np.nan
        told = curve.told
        if told is not None and len(clear_s):
            told = told | np.isin(curve.time_s, clear_s)
        lenses.append(replace(lens, curve=replace(curve, lit=lit, told=told)))
    return head_of(lenses)
