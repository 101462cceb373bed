"""Masts of one still picture: lamps, rows of position lights, heads without light, evidence."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.words import COLOURS
from mastread.vision import masts
from mastread.vision.darkheads import DarkHead, find_heads
from mastread.vision.frame import Frame
from mastread.vision.limits import limits
from mastread.vision.links import row_judge_of, witness_of
from mastread.vision.look import Lamp, colour_odds, look
from mastread.vision.odds import photo_odds
from mastread.vision.rows import Row, colours_of, find_rows, forms_of
from mastread.vision.spans import NO_COLOUR
from mastread.vision.strip import Spot
from mastread.vision.types import Box, HeadSeen, Hints, MastSeen, Seen, SourceInfo, SpanSeen
from mastread.vision.unseen import or_else, with_doubtful

PHOTO_NOTE: Final = "A photo cannot show whether a lamp flashes."
ROW_NOTE: Final = "Lamps of one colour stand in a row here: they may be one position light."


@dataclass(frozen=True, slots=True, eq=False)
class _Head:
    """A lit head: one lamp, or the lamps of a row together."""

    x: float
    y: float
    radius: float
    lamp_odds: float
    scores: NDArray[np.float64]
    row: Row | None

    @property
    def spot(self) -> Spot:
        return self.x, self.y, self.radius


def see_photo(frame: Frame, source: SourceInfo, hints: Hints) -> Seen:
    """Masts of one still picture."""
    lamp_at, doubtful_at = limits("lamps")["lamp_at"], limits("lamps")["doubtful_at"]
    spots = look(frame, hints.region)
    lamps = [lamp for lamp in spots if lamp.lamp_odds >= lamp_at]
    doubtful = [lamp for lamp in spots if doubtful_at <= lamp.lamp_odds < lamp_at]
    heads, perhaps = _heads_of(frame, lamps)
    x, y, radius = (
        np.array([getattr(head, name) for head in heads], np.float64)
        for name in ("x", "y", "radius")
    )
    seen: list[MastSeen] = []
    for group in masts.group(x, y, radius, witness_of(frame, [head.spot for head in heads])):
        members = [heads[i] for i in group.members]
        others = [head.spot for i, head in enumerate(heads) if i not in group.members]
        if is_mast([head.lamp_odds for head in members], hints):
            mast = _Mast(members, others, doubtful, perhaps, group)
            seen.append(_mast(frame, len(seen) + 1, mast, hints))
    return Seen(source, tuple(seen))


def is_mast(lamp_odds: Iterable[float], hints: Hints) -> bool:
    """Is one of the lamps of a group sure enough that there is a mast at all?

    Where a person pointed to a region, there is; then a likely lamp will do.
    """
    needed = "sure_at" if hints.region is None else "lamp_at"
    return bool(max(lamp_odds) >= limits("lamps")[needed])


def _heads_of(frame: Frame, lamps: Sequence[Lamp]) -> tuple[list[_Head], dict[Spot, float]]:
    """Lit heads, and for the lamps of what may be a row the odds that they are one."""
    table = np.array([(lamp.x, lamp.y, lamp.radius) for lamp in lamps]).reshape(-1, 3)
    scores = [lamp.colour_scores for lamp in lamps]
    odds = np.array([list(colour_odds(one).values()) for one in scores]).reshape(-1, len(COLOURS))
    rows = find_rows(table, odds, row_judge_of(frame, [(x, y, r) for x, y, r in table]))
    sure = [row for row in rows if row.odds >= limits("rows")["row_at"]]
    in_row = {i for row in sure for i in row.members}
    heads = [
        _Head(lamp.x, lamp.y, lamp.radius, lamp.lamp_odds, lamp.colour_scores, None)
        for i, lamp in enumerate(lamps)
        if i not in in_row
    ]
    for row in sure:
        x, y, radius = table[list(row.members)].mean(axis=0)
        best = max(lamps[i].lamp_odds for i in row.members)
        heads.append(_Head(float(x), float(y), float(radius), best, colours_of(row, scores), row))
    perhaps = {
        (lamps[i].x, lamps[i].y, lamps[i].radius): row.odds
        for row in rows
        if row not in sure
        for i in row.members
    }
    return heads, perhaps


@dataclass(frozen=True, slots=True, eq=False)
class _Mast:
    """The lit heads of one mast, and what is near them."""

    heads: list[_Head]
    others: list[Spot]
    doubtful: list[Lamp]
    perhaps_rows: dict[Spot, float]
    group: masts.Group


def _mast(frame: Frame, number: int, mast: _Mast, hints: Hints) -> MastSeen:
    lit = [
        (
            HeadSeen(colour_odds(head.scores), photo_odds(True), head.x, head.y, head.radius),
            None if head.row is None else forms_of(head.row),
        )
        for head in mast.heads
    ]
    found = find_heads(frame, [h.spot for h in mast.heads], mast.others, told=hints.heads)
    heads = sorted([*lit, *((_dark_head(d), None) for d in found.dark)], key=lambda h: h[0].y)
    unseen, notes = found.unseen, [PHOTO_NOTE]
    if hints.heads is None:
        places = [(head.x, head.y, head.radius) for head, _ in heads]
        spots = [(lamp.x, lamp.y, lamp.radius, lamp.lamp_odds) for lamp in mast.doubtful]
        unseen = or_else(with_doubtful(unseen, places, spots), mast.group)
    in_rows = [mast.perhaps_rows.get(head.spot, 0.0) for head in mast.heads]
    if max(in_rows) > 0.0:
        # The lamps may be one head instead of several: nothing is to be read from them.
        unseen = max(unseen, *in_rows)
        notes.append(ROW_NOTE)
    evidence = MastEvidence(
        heads=tuple(HeadEvidence(h.colour_odds, h.behaviour_odds, form) for h, form in heads),
        unseen_head=unseen,
        plates=hints.plates,
        dwarf=found.dwarf,
        staggered=mast.group.staggered,
        notes=tuple(notes),
    )
    span = SpanSeen(None, None, tuple(head for head, _ in heads), evidence)
    return MastSeen(number, box_of(head for head, _ in heads), (span,))


def _dark_head(dark: DarkHead) -> HeadSeen:
    return HeadSeen(dict(NO_COLOUR), photo_odds(False), dark.x, dark.y, dark.radius)


def box_of(heads: Iterable[HeadSeen]) -> Box:
    """Box round the heads of a mast."""
    heads = list(heads)
    return masts.box(
        np.array([head.x for head in heads]),
        np.array([head.y for head in heads]),
        np.array([head.radius for head in heads]),
    )
