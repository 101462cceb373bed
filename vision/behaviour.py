"""What one head did over time: steady, flashing, dark, or more than one of these in turn.

The head's spells (lit by this lens, dark, not to be seen) are cut into stretches within each of
which it did one thing. An even beat is a flash; a lens that stays lit is steady once it has been
watched longer than a flash keeps any lamp lit; what is too short or too uneven to tell keeps its
odds open.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mastread.decoder.words import Behaviour
from mastread.vision.curves import Curve, Spell
from mastread.vision.flash import Edge, Flash, find_flashes

#: Longest lit and dark spells of a flash: two thirds of the slowest published rate (33 a
#: minute), and its half; with a margin. Seen unbroken for longer, it is no flash.
LONGEST_LIT_FLASH_S: Final = 1.3
LONGEST_DARK_FLASH_S: Final = 1.3
#: A lens that goes out while another of its head comes on leaves a moment that is not a state.
LONGEST_SWING_S: Final = 0.7
#: Something that passes in front covers a lamp within this.
LONGEST_COVERING_S: Final = 0.8
#: Unseen for longer than this, a signal may have changed and changed back; seconds. No
#: interlocking does so faster (common practice, no source).
LONGEST_UNSEEN_S: Final = 0.5
#: Odds that a lamp of which nothing is known yet flashes: no information either way.
FLASHING_UNSEEN: Final = 0.5
#: Odds of a flash by the number of edges of an even beat that is too short to be one.
_SHORT_BEAT: Final = {2: 0.6, 3: 0.75, 4: 0.85}


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `start_s` to `end_s` the head did one thing.

    Attributes
    ----------
    lens : index of the lens that shone, None where all were dark
    odds : behaviour odds
    flash : the beat, where it flashed
    seen : False where the head could not be seen at all
    """

    start_s: float
    end_s: float
    lens: int | None
    odds: Mapping[Behaviour, float]
    flash: Flash | None = None
    seen: bool = True

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s


def photo_odds(lit: bool) -> dict[Behaviour, float]:
    """Behaviour odds of a head in a single picture, which cannot show a flash."""
    if lit:
        return {"steady": 1.0 - FLASHING_UNSEEN, "flashing": FLASHING_UNSEEN, "dark": 0.0}
    return {"steady": 0.0, "flashing": FLASHING_UNSEEN, "dark": 1.0 - FLASHING_UNSEEN}


def stretches(lenses: Sequence[Curve]) -> list[Stretch]:
    """Stretches of one head, in order of time, covering the time it was watched.

    Parameters
    ----------
    lenses : the curves of its lenses (at most one of them lit at a time), on one time base
    """
    flashes = _flashes(lenses)
    merged = _merge_spells(lenses)
    pieces = _pieces(merged, flashes)
    return _join(_covered(_settle(pieces)))


@dataclass(frozen=True, slots=True)
class _Run:
    start_s: float
    end_s: float
    lens: int | None
    seen: bool
    flash: Flash | None = None

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


def _flashes(lenses: Sequence[Curve]) -> list[tuple[int, Flash]]:
    found: list[tuple[int, Flash]] = []
    for number, curve in enumerate(lenses):
        edges: list[Edge] = []
        spells = curve.spells()
        for i, spell in enumerate(spells):
            if not i or spell.state is None:
                continue
            if spells[i - 1].state is None:
                # What could not be seen breaks the beat: an edge of the same kind twice ends it.
                found += [(number, flash) for flash in find_flashes(edges)]
                edges = []
                continue
            edges.append(Edge(spell.start_s, bool(spell.state), spell.sd_s))
        found += [(number, flash) for flash in find_flashes(edges)]
    return sorted(found, key=lambda item: item[1].start_s)


def _merge_spells(lenses: Sequence[Curve]) -> list[_Run]:
    """Runs of the head as a whole: which lens is lit, none, or not seen."""
    marks: set[float] = set()
    tables: list[list[Spell]] = [curve.spells() for curve in lenses]
    for spells in tables:
        for spell in spells:
            marks.update((spell.start_s, spell.end_s))
    times = sorted(marks)
    runs: list[_Run] = []
    for start, end in itertools.pairwise(times):
        if end - start <= 0:
            continue
        middle = 0.5 * (start + end)
        lit, seen = None, False
        for number, spells in enumerate(tables):
            state = _state_at(spells, middle)
            if state is None:
                continue
            seen = True
            if state and lit is None:
                lit = number
        if runs and runs[-1].lens == lit and runs[-1].seen == seen:
            runs[-1] = _Run(runs[-1].start_s, end, lit, seen)
        else:
            runs.append(_Run(start, end, lit, seen))
    return runs


def _state_at(spells: Sequence[Spell], time_s: float) -> bool | None:
    for spell in spells:
        if spell.start_s <= time_s < spell.end_s:
            return spell.state
    return None


def _pieces(runs: Sequence[_Run], flashes: Sequence[tuple[int, Flash]]) -> list[_Run]:
    """Runs, with those inside a flash (and the spells that begin and end it) made one."""
    out: list[_Run] = []
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
        kept: list[_Run] = []
        for run in remaining:
            if run.end_s <= start + 1e-6:
                out.append(run)
            elif run.start_s >= end - 1e-6:
                kept.append(run)
            else:
                if run.start_s < start - 1e-6:
                    out.append(_Run(run.start_s, start, run.lens, run.seen))
                if run.end_s > end + 1e-6:
                    kept.append(_Run(end, run.end_s, run.lens, run.seen))
        out.append(_Run(start, end, lens, True, flash))
        remaining = kept
    return out + remaining


def _settle(pieces: Sequence[_Run]) -> list[Stretch]:
    """Odds for every piece; short dark spells between two lit ones are swings or blinks."""
    out: list[Stretch] = []
    i = 0
    while i < len(pieces):
        piece = pieces[i]
        if piece.flash is not None:
            odds: dict[Behaviour, float] = {"steady": 0.01, "flashing": 0.99, "dark": 0.0}
            out.append(Stretch(piece.start_s, piece.end_s, piece.lens, odds, piece.flash))
            i += 1
            continue
        if not piece.seen:
            out.append(Stretch(piece.start_s, piece.end_s, None, _open_odds(), seen=False))
            i += 1
            continue
        j, restless = _restless_end(pieces, i)
        if restless > 1:
            out.append(_restless(pieces[i : j + 1]))
            i = j + 1
            continue
        out.append(_quiet(piece))
        i += 1
    return out


def _restless_end(pieces: Sequence[_Run], first: int) -> tuple[int, int]:
    """Last piece, and number of edges, of lit and dark spells of one lens that may be a flash."""
    lens = pieces[first].lens
    last, count = first, 0
    for k in range(first + 1, len(pieces)):
        piece = pieces[k]
        if piece.flash is not None or not piece.seen:
            break
        if piece.lens is not None and lens is not None and piece.lens != lens:
            break
        inner = pieces[first:k]
        limit = LONGEST_LIT_FLASH_S if inner[-1].lens is not None else LONGEST_DARK_FLASH_S
        if k - 1 > first and inner[-1].length_s > limit:
            break
        lens = lens if lens is not None else piece.lens
        last, count = k, count + 1
    # A long last or first spell is a state of its own, not a part of the unrest.
    while count and pieces[last].length_s > LONGEST_LIT_FLASH_S:
        last, count = last - 1, count - 1
    if count and pieces[first].length_s > LONGEST_LIT_FLASH_S:
        return first, 0
    return last, count


def _restless(pieces: Sequence[_Run]) -> Stretch:
    edges = [Edge(piece.start_s, piece.lens is not None, 0.02) for piece in pieces[1:]]
    periods = [edges[k + 2].time_s - edges[k].time_s for k in range(len(edges) - 2)]
    even = not periods or float(np.ptp(periods)) <= 0.3 * float(np.median(periods))
    flashing = _SHORT_BEAT.get(len(edges), FLASHING_UNSEEN) if even else FLASHING_UNSEEN
    lens = next((piece.lens for piece in pieces if piece.lens is not None), None)
    lit_s = sum(piece.length_s for piece in pieces if piece.lens is not None)
    share = lit_s / max(sum(piece.length_s for piece in pieces), 1e-6)
    odds: dict[Behaviour, float] = {
        "flashing": flashing,
        "steady": (1 - flashing) * share,
        "dark": (1 - flashing) * (1 - share),
    }
    return Stretch(pieces[0].start_s, pieces[-1].end_s, lens, odds)


def _quiet(piece: _Run) -> Stretch:
    """One unbroken spell: the longer it lasts, the less can it be part of a flash."""
    lit = piece.lens is not None
    longest = LONGEST_LIT_FLASH_S if lit else LONGEST_DARK_FLASH_S
    still = FLASHING_UNSEEN * max(0.0, 1.0 - piece.length_s / longest)
    flashing = still / (still + 1.0 - FLASHING_UNSEEN) + 0.002
    rest = 1.0 - flashing
    odds: dict[Behaviour, float] = {
        "flashing": flashing,
        "steady": rest if lit else 0.0,
        "dark": 0.0 if lit else rest,
    }
    return Stretch(piece.start_s, piece.end_s, piece.lens, odds)


def _covered(parts: Sequence[Stretch]) -> list[Stretch]:
    """Short dark spells at the edge of what could not be seen belong to what covered the lamp.

    The first car of a train takes a moment to cover lamp and surround; until it has, the lamp
    alone is gone. Stretches that cannot be seen are then put together.
    """
    out: list[Stretch] = []
    for k, part in enumerate(parts):
        beside = [parts[j] for j in (k - 1, k + 1) if 0 <= j < len(parts)]
        dark = part.lens is None and part.length_s <= LONGEST_COVERING_S
        if dark and any(not other.seen for other in beside):
            part = Stretch(part.start_s, part.end_s, None, _open_odds(), seen=False)
        if out and not out[-1].seen and not part.seen:
            out[-1] = _until(out[-1], part.end_s)
        else:
            out.append(part)
    return out


def _join(parts: Sequence[Stretch]) -> list[Stretch]:
    """Bridge what could not be seen for a moment, and give swings to the state that follows.

    What could not be seen for longer stays a stretch of its own, even where the same is seen
    before and after: the signal may have changed and changed back.
    """
    out: list[Stretch] = []
    for k, part in enumerate(parts):
        following = parts[k + 1] if k + 1 < len(parts) else None
        if not part.seen:
            brief = part.length_s <= LONGEST_UNSEEN_S
            if brief and out and following is not None and _alike(out[-1], following):
                continue  # the same before and after, and no time to change twice
            if not out or following is None:
                continue  # before it was first, or after it was last seen: nothing to say
        elif (
            part.lens is None
            and part.length_s <= LONGEST_SWING_S
            and out
            and following is not None
            and following.lens is not None
            and out[-1].lens is not None
        ):
            if _alike(out[-1], following):
                continue
            out[-1] = _until(out[-1], 0.5 * (part.start_s + part.end_s))
            continue
        if out and _alike(out[-1], part):
            out[-1] = _one(out[-1], part)
            continue
        if out and out[-1].end_s < part.start_s:
            gap_middle = 0.5 * (out[-1].end_s + part.start_s)
            out[-1] = _until(out[-1], gap_middle)
            part = _from(part, gap_middle)
        out.append(part)
    return out


def _alike(a: Stretch, b: Stretch) -> bool:
    if a.lens != b.lens or a.seen != b.seen:
        return False
    return _word(a) == _word(b)


def _word(part: Stretch) -> Behaviour:
    return max(sorted(part.odds), key=lambda key: part.odds[key])


def _one(a: Stretch, b: Stretch) -> Stretch:
    """Two stretches of the same behaviour as one; the better watched gives the odds."""
    better = a if a.odds[_word(a)] >= b.odds[_word(b)] else b
    flash = a.flash if b.flash is None or (a.flash and a.flash.edges >= b.flash.edges) else b.flash
    return Stretch(a.start_s, b.end_s, a.lens, better.odds, flash, a.seen)


def _until(part: Stretch, end_s: float) -> Stretch:
    return Stretch(part.start_s, end_s, part.lens, part.odds, part.flash, part.seen)


def _from(part: Stretch, start_s: float) -> Stretch:
    return Stretch(start_s, part.end_s, part.lens, part.odds, part.flash, part.seen)


def _open_odds() -> dict[Behaviour, float]:
    return {"steady": 1 / 3, "flashing": 1 / 3, "dark": 1 / 3}
