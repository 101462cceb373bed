"""What one head did over time: steady, flashing, dark, or more than one of these in turn.

The head's spells (lit by this lens, dark, not to be seen) are cut into stretches within each of
which it did one thing. An even beat is a flash; a lens that stays lit is steady once it has been
watched longer than a flash keeps any lamp lit; what is too short or too uneven to tell keeps its
odds open. Darkness that a passing train may have made, where the surround does not tell, is not
called dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from mastread.vision.beside import Stretch, as_before, went_out
from mastread.vision.curves import Curve
from mastread.vision.flash import Flash
from mastread.vision.limits import limits
from mastread.vision.odds import (
    beat_odds,
    both_quiet,
    open_odds,
    quiet_odds,
    restless_odds,
    word,
)
from mastread.vision.runs import Run, beats_of, bridged, joined, runs_of
from mastread.vision.turns import beat_bounds, turn_of, unrest_bounds

#: Longest lit and dark spells of a flash: two thirds of the slowest published rate (33 a
#: minute), and its half; with a margin. Seen unbroken for longer, it is no flash.
LONGEST_LIT_FLASH_S: Final = 1.3
LONGEST_DARK_FLASH_S: Final = 1.3
#: A lens that goes out while another of its head comes on leaves a moment that is not a state.
LONGEST_SWING_S: Final = 1.0
#: Something that passes in front covers a lamp within this.
LONGEST_COVERING_S: Final = 0.8
#: Unseen for longer than this, a signal may have changed and changed back; seconds. No
#: interlocking does so faster (common practice, no source).
LONGEST_UNSEEN_S: Final = 0.5


def stretches(lenses: Sequence[Curve]) -> list[Stretch]:
    """Stretches of one head, in order of time, covering the time it was watched.

    Parameters
    ----------
    lenses : the curves of its lenses (at most one of them lit at a time), on one time base
    """
    runs, flashes = _without_gaps(runs_of(lenses), beats_of(lenses))
    parts = _covered(_settle(joined(bridged(runs), flashes)))
    return _timed(went_out(_join(as_before(parts))), lenses)


def _without_gaps(
    runs: Sequence[Run], flashes: Sequence[tuple[int, Flash]]
) -> tuple[list[Run], list[tuple[int, Flash]]]:
    """Beats that are gaps between cars taken for what they are: dark runs as not to be seen.

    The gaps of a train let a mast through in an even beat, but each for a moment only.
    """
    gaps, kept = [], []
    for lens, flash in flashes:
        inside = [
            run
            for run in runs
            if run.lens is None
            and run.seen
            and run.end_s > flash.start_s - 1e-6
            and run.start_s < flash.end_s + 1e-6
        ]
        if flash.duty < limits("flash")["gap_duty"] and not any(run.told for run in inside):
            gaps += inside
        else:
            kept.append((lens, flash))
    return [replace(run, seen=False) if run in gaps else run for run in runs], kept


def _settle(pieces: Sequence[Run]) -> list[Stretch]:
    """Odds for every piece; short dark spells between two lit ones are swings or blinks."""
    out: list[Stretch] = []
    i = 0
    while i < len(pieces):
        piece = pieces[i]
        if piece.flash is not None:
            odds = beat_odds(piece.flash.edges, piece.flash.duty)
            out.append(Stretch(piece.start_s, piece.end_s, piece.lens, odds, piece.flash))
            i += 1
            continue
        if not piece.seen:
            out.append(_unseen(piece.start_s, piece.end_s))
            i += 1
            continue
        j, restless = _restless_end(pieces, i)
        if restless > 1:
            out.append(_restless(pieces[i : j + 1]))
            i = j + 1
            continue
        lit = piece.lens is not None
        odds = quiet_odds(lit, piece.length_s)
        out.append(Stretch(piece.start_s, piece.end_s, piece.lens, odds, told=piece.told))
        i += 1
    return out


def _restless_end(pieces: Sequence[Run], first: int) -> tuple[int, int]:
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


def _restless(pieces: Sequence[Run]) -> Stretch:
    odds = restless_odds([(piece.lens is not None, piece.length_s) for piece in pieces])
    lens = next((piece.lens for piece in pieces if piece.lens is not None), None)
    told = any(piece.told for piece in pieces if piece.lens is None)
    whole = tuple((piece.lens is not None, piece.length_s) for piece in pieces[1:-1])
    return Stretch(pieces[0].start_s, pieces[-1].end_s, lens, odds, told=told, spells=whole)


def _covered(parts: Sequence[Stretch]) -> list[Stretch]:
    """Dark that something passing in front may have made, as not to be seen.

    The first car of a train takes a moment to cover lamp and surround; until it has, the lamp
    alone is gone. By night a train is as dark as what it hides: there a lamp that is dark for
    longer than a flash, or between two times at which it is steady in the same lens, may have
    been covered as well. Stretches that cannot be seen are then put together.
    """
    out: list[Stretch] = []
    for k, part in enumerate(parts):
        beside = [parts[j] for j in (k - 1, k + 1) if 0 <= j < len(parts)]
        if part.lens is None and part.seen:
            covering = part.length_s <= LONGEST_COVERING_S
            between = len(beside) == 2 and beside[0].lens == beside[1].lens
            long = part.length_s > (LONGEST_SWING_S if between else LONGEST_DARK_FLASH_S)
            if (covering and any(not other.seen for other in beside)) or (long and not part.told):
                part = _unseen(part.start_s, part.end_s)
        elif _is_unrest(part) and not part.told and _between_steady(part, beside):
            # A flash in between would take two changes; a train takes none.
            part = _unseen(part.start_s, part.end_s)
        if out and not out[-1].seen and not part.seen:
            out[-1] = replace(out[-1], end_s=part.end_s)
        else:
            out.append(part)
    return out


def _join(parts: Sequence[Stretch]) -> list[Stretch]:
    """Bridge what could not be seen for a moment, and give swings to the states beside them.

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
            if not out or (brief and following is None):
                continue  # before it was first seen: nothing to say
        elif (
            _is_swing(part)
            and out
            and out[-1].lens is not None
            and following is not None
            and following.lens is not None
        ):
            continue  # shared out between what stands on both sides of it, below
        if out and _alike(out[-1], part):
            out[-1] = _one(out[-1], part)
            continue
        if out and out[-1].end_s < part.start_s:
            gap_middle = 0.5 * (out[-1].end_s + part.start_s)
            out[-1] = replace(out[-1], end_s=gap_middle)
            part = replace(part, start_s=gap_middle)
        out.append(part)
    return out


def _is_swing(part: Stretch) -> bool:
    """Is it a moment of dark between two lights, too short to be a state?"""
    return part.lens is None and part.length_s <= LONGEST_SWING_S


def _timed(parts: Sequence[Stretch], lenses: Sequence[Curve]) -> list[Stretch]:
    """Stretches with the time of each turn settled by what the light did about it."""
    out = list(parts)
    for k in range(1, len(out)):
        before, after = out[k - 1], out[k]
        if not before.seen or not after.seen:
            continue
        if before.flash is not None or after.flash is not None:
            low, high = beat_bounds(
                (before.lens, before.flash), (after.lens, after.flash), lenses, after.start_s
            )
            if before.start_s < low <= high < after.end_s:
                out[k] = replace(after, since_s=(low, high))
            continue
        if _is_unrest(before) or _is_unrest(after):
            low, high = unrest_bounds(before.lens, after.lens, lenses, after.start_s)
            if before.start_s < low <= high < after.end_s:
                out[k] = replace(after, since_s=(low, high))
            continue
        if before.lens == after.lens:
            continue
        turn = turn_of(
            None if before.lens is None else lenses[before.lens],
            None if after.lens is None else lenses[after.lens],
            after.start_s,
        )
        if before.start_s < turn < after.end_s:
            out[k - 1], out[k] = replace(before, end_s=turn), replace(after, start_s=turn)
    return out


def _between_steady(part: Stretch, beside: Sequence[Stretch]) -> bool:
    """Is light steady in the same lens both before and after?"""
    return len(beside) == 2 and all(
        other.lens == part.lens and other.odds["steady"] > 0.95 for other in beside
    )


def _is_unrest(part: Stretch) -> bool:
    """Did light come and go in it without a whole beat?"""
    return part.flash is None and part.lens is not None and part.odds["flashing"] >= 0.5


def _alike(a: Stretch, b: Stretch) -> bool:
    if a.lens != b.lens or a.seen != b.seen or (a.flash is None) != (b.flash is None):
        return False
    return word(a.odds) == word(b.odds)


def _one(a: Stretch, b: Stretch) -> Stretch:
    """Two stretches of the same behaviour as one; the better watched gives the odds."""
    better = a if a.odds[word(a.odds)] >= b.odds[word(b.odds)] else b
    odds = better.odds
    if a.flash is None and b.flash is None and word(a.odds) != "flashing":
        odds = both_quiet(a.odds, b.odds)
    flash = a.flash if b.flash is None or (a.flash and a.flash.edges >= b.flash.edges) else b.flash
    return replace(a, end_s=b.end_s, odds=odds, flash=flash, told=a.told and b.told)


def _unseen(start_s: float, end_s: float) -> Stretch:
    return Stretch(start_s, end_s, None, open_odds(), seen=False)
