"""Runs of a head: which of its lenses is lit from when to when, or none, or nothing to be seen."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from mastread.vision.curves import Curve, Spell
from mastread.vision.flash import Edge, Flash, find_flashes
from mastread.vision.limits import limits

#: Hidden for less than this is hidden for a moment, seconds.
_MOMENT_S: Final = 0.2


@dataclass(frozen=True, slots=True)
class Run:
    """From `start_s` to `end_s` one lens of the head was lit, or none.

    Attributes
    ----------
    lens : index of the lens, None where all were dark
    seen : False where the head could not be seen
    told : of a dark run, whether its surround shows that nothing stood in front
    flash : the beat that several runs were joined to
    """

    start_s: float
    end_s: float
    lens: int | None
    seen: bool
    told: bool = True
    flash: Flash | None = None

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s


def runs_of(lenses: Sequence[Curve]) -> list[Run]:
    """Runs of the head as a whole, in order of time."""
    tables: list[list[Spell]] = [curve.spells() for curve in lenses]
    times = sorted(
        {t for spells in tables for spell in spells for t in (spell.start_s, spell.end_s)}
    )
    at = [0] * len(tables)
    runs: list[Run] = []
    for start, end in itertools.pairwise(times):
        middle = 0.5 * (start + end)
        lit, seen, hidden = None, False, False
        for number, spells in enumerate(tables):
            while at[number] < len(spells) and spells[at[number]].end_s <= middle:
                at[number] += 1
            if at[number] >= len(spells) or spells[at[number]].start_s > middle:
                continue
            state = spells[at[number]].state
            if state is None:
                hidden = True
                continue
            seen = True
            if state and lit is None:
                lit = number
        # A lens that is hidden may be the one that is lit.
        seen = seen and (lit is not None or not hidden)
        if runs and runs[-1].lens == lit and runs[-1].seen == seen:
            runs[-1] = replace(runs[-1], end_s=end)
        else:
            runs.append(Run(start, end, lit, seen))
    return [
        replace(run, told=_told(lenses, run)) if run.seen and run.lens is None else run
        for run in runs
    ]


def _told(lenses: Sequence[Curve], run: Run) -> bool:
    """Does the surround of some lens show that nothing stood in front during a dark run?"""
    for curve in lenses:
        if curve.told is None:
            return True
        first, last = np.searchsorted(curve.time_s, (run.start_s, run.end_s))
        if last > first and float(curve.told[first:last].mean()) > 0.5:
            return True
    return False


def bridged(runs: Sequence[Run]) -> list[Run]:
    """Runs with what was hidden for a moment, between two runs of the same lens, taken for lit.

    It is shorter than the dark of any flash, and no time to change twice.
    """
    out: list[Run] = []
    for k, run in enumerate(runs):
        if out and not run.seen and run.length_s <= _MOMENT_S and k + 1 < len(runs):
            before, after = out[-1], runs[k + 1]
            if _same(before, after):
                out[-1] = replace(before, end_s=run.end_s)
                continue
        if out and out[-1].end_s == run.start_s and _same(out[-1], run):
            out[-1] = replace(out[-1], end_s=run.end_s)
            continue
        out.append(run)
    return out


def _same(a: Run, b: Run) -> bool:
    return a.lens is not None and a.lens == b.lens and a.seen and b.seen


def beats_of(lenses: Sequence[Curve]) -> list[tuple[int, Flash]]:
    """Even beats of each lens (its index, the beat), in order of time."""
    found: list[tuple[int, Flash]] = []
    for number, curve in enumerate(lenses):
        found += [(number, flash) for flash in _beats(curve.spells())]
    return sorted(found, key=lambda item: item[1].start_s)


def _beats(spells: Sequence[Spell]) -> list[Flash]:
    """Even beats among the spells of one lens.

    Light that flickers faster than any flasher (its supply against the shutter) makes an even row
    by chance now and then; there only a beat that fills most of the time counts.
    """
    found: list[Flash] = []
    edges: list[Edge] = []
    for i, spell in enumerate(spells):
        if not i or spell.state is None:
            continue
        if spells[i - 1].state is None:
            # What could not be seen breaks the beat: an edge of the same kind twice ends it.
            found += find_flashes(edges)
            edges = []
            continue
        edges.append(Edge(spell.start_s, bool(spell.state), spell.sd_s))
    found += find_flashes(edges)
    known = [spell.length_s for spell in spells if spell.state is not None]
    flickers = len(known) > 8 and float(np.mean(known)) < limits("flash")["flicker_s"]
    if flickers:
        found = [flash for flash in found if flash.end_s - flash.start_s > 0.5 * sum(known)]
    return found


def joined(runs: Sequence[Run], flashes: Sequence[tuple[int, Flash]]) -> list[Run]:
    """Runs, with those inside a beat (and the spells that begin and end it) made one."""
    out: list[Run] = []
    remaining = list(runs)
    for lens, flash in flashes:
        period = 1.0 / flash.rate_hz
        lit_s, dark_s = flash.duty * period, (1 - flash.duty) * period
        start, end = flash.start_s, flash.end_s
        for run in remaining:
            longest = 1.25 * (lit_s if run.lens == lens else dark_s) + 0.1
            fits = run.seen and run.lens in (lens, None)
            if abs(run.end_s - flash.start_s) < 1e-6 and fits:
                # The spell before the first edge belongs to the flash as far as it could.
                start = run.start_s if run.length_s <= longest else run.end_s
            if abs(run.start_s - flash.end_s) < 1e-6 and fits:
                end = run.end_s if run.length_s <= longest else run.start_s
        kept: list[Run] = []
        for run in remaining:
            if run.end_s <= start + 1e-6:
                out.append(run)
            elif run.start_s >= end - 1e-6:
                kept.append(run)
            else:
                if run.start_s < start - 1e-6:
                    out.append(replace(run, end_s=start))
                if run.end_s > end + 1e-6:
                    kept.append(replace(run, start_s=end))
        out.append(Run(start, end, lens, True, flash=flash))
        remaining = kept
    return out + remaining
