"""Finds which claimed head is which true head.

A *slot* is one head of one mast of a reading, over all spans of that mast. It belongs to the
true head that it lies nearest to, weighed over its spans and following the truth's motion, if
that is near enough (accuracy.toml). The pairing is one to one at any moment: two slots may share
a head only at different times, as when a mast left the picture and was taken for a new one when
it came back. A position light shines with several lamps, each of which may be claimed; as heads of
their own they are a fault of grouping, not invented lamps.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from mastread.decoder.words import COLOURS
from mastread.tools.scenes.truth import TrueHead, TrueMast, Truth
from mastread.tools.score_rows import figures
from mastread.tools.score_truth import Stage, is_lit, times_of

Claims = Literal["lit", "dark", "nothing"]


@dataclass(frozen=True, slots=True)
class Claim:
    """One head of a reading over one span; times are 0 and 1 in a photo."""

    start_s: float
    end_s: float
    claims: Claims
    doc: Mapping[str, Any]

    @property
    def middle_s(self) -> float:
        """The time that the claimed place belongs to."""
        return 0.5 * (self.start_s + self.end_s)

    @property
    def length_s(self) -> float:
        """Seconds from start to end, never quite 0."""
        return max(self.end_s - self.start_s, 1e-6)


@dataclass(frozen=True, slots=True)
class Slot:
    """One head of one mast of a reading, over its spans in order of time."""

    mast: int
    head: int
    claims: tuple[Claim, ...]

    @property
    def lit(self) -> bool:
        """Whether it is claimed as lit at any time."""
        return any(claim.claims == "lit" for claim in self.claims)

    def during(
        self, start_s: float, end_s: float, hidden: Sequence[tuple[float, float]] = ()
    ) -> Claim | None:
        """The claim that shares the most time with a stretch; None where none does.

        Time in which the mast was hidden counts for little: what is said of it is no answer.
        """
        best = max(
            self.claims, key=lambda claim: _in_view(claim, start_s, end_s, hidden), default=None
        )
        return best if best is not None and _shared(best, start_s, end_s) > 0.0 else None


@dataclass(frozen=True, slots=True)
class Place:
    """A true head: its mast and number, and the home places at which it may be seen.

    Attributes
    ----------
    lit_places, all_places : centres of the lenses that it shows lit at some time; besides, the
        middle of the head and the lens that would be lit
    radius : of a lens, in the home frame
    spread : whether it has several lenses
    row : whether it is a position light, whose lamps shine together round the middle
    lit : whether it is lit at some time
    spacing : distance to the nearest other head; infinite where there is none
    """

    mast: int
    head: int
    lit_places: tuple[tuple[float, float], ...]
    all_places: tuple[tuple[float, float], ...]
    radius: float
    spread: bool
    row: bool
    lit: bool
    spacing: float


@dataclass(slots=True)
class Pairs:
    """The pairing.

    Attributes
    ----------
    slots : slots of each true head, by (mast, head)
    heads : true head of each slot that has one, by (mast, head) of the reading
    free : slots that belong to no true head
    doubled : those of `free` that lie on a lamp which has a slot already
    """

    slots: dict[tuple[int, int], list[Slot]] = field(default_factory=dict)
    heads: dict[tuple[int, int], tuple[int, int]] = field(default_factory=dict)
    free: list[Slot] = field(default_factory=list)
    doubled: set[tuple[int, int]] = field(default_factory=set)


def claims_of(head: Mapping[str, Any], photo: bool) -> Claims:
    """Whether a head of a reading claims to be lit, claims to be dark, or says nothing.

    A head in a photo may be neither steady nor flashing by its words, so its odds decide: a lamp
    that shines may be steady, one that does not may be dark. In a clip a head is claimed as lit
    if a colour or a way of shining is stated, or if being dark is nearly ruled out.
    """
    if head["colour"] in COLOURS or head["behaviour"] in ("steady", "flashing"):
        return "lit"
    if head["colour"] == "none" or head["behaviour"] == "dark":
        return "dark"
    odds = head["behaviour_odds"]
    if photo:
        return "lit" if odds["steady"] >= odds["dark"] else "dark"
    if odds["dark"] < 0.1:
        return "lit"
    return "dark" if odds["dark"] >= 0.5 else "nothing"


def slots_of(reading: Mapping[str, Any]) -> list[Slot]:
    """Every slot of a reading."""
    photo = reading["source"]["kind"] == "photo"
    slots = []
    for mast in reading["masts"]:
        by_head: dict[int, list[Claim]] = {}
        for span in mast["spans"]:
            start, end = (0.0, 1.0) if photo else (span["start_s"], span["end_s"])
            for head in span["heads"]:
                claim = Claim(start, end, claims_of(head, photo), head)
                by_head.setdefault(head["head"], []).append(claim)
        for number, claims in by_head.items():
            slots.append(Slot(mast["mast"], number, tuple(claims)))
    return slots


def places_of(truth: Truth) -> list[Place]:
    """Every true head as a place."""
    out = []
    homes = [home for mast in truth.masts for home in mast.heads]
    for mast in truth.masts:
        for home in mast.heads:
            shows = heads_shown(mast, home.head)
            lit = tuple(dict.fromkeys((show.x, show.y) for show in shows if is_lit(show)))
            every = dict.fromkeys([*lit, *((show.x, show.y) for show in shows), (home.x, home.y)])
            others = (math.hypot(o.x - home.x, o.y - home.y) for o in homes if o is not home)
            out.append(
                Place(
                    mast=mast.mast,
                    head=home.head,
                    lit_places=lit,
                    all_places=tuple(every),
                    radius=home.radius,
                    spread=home.type in ("vertical", "triangular", "dwarf"),
                    row=home.type == "position",
                    lit=bool(lit),
                    spacing=min(others, default=math.inf),
                )
            )
    return out


def heads_shown(mast: TrueMast, head: int) -> list[TrueHead]:
    """What one head showed, span by span."""
    return [show for span in mast.spans for show in span.heads if show.head == head]


def pair(truth: Truth, stage: Stage, slots: Sequence[Slot]) -> Pairs:
    """Pair slots with true heads: lamps claimed as lit with lit lamps first, then the rest."""
    places = places_of(truth)
    pairs = Pairs()
    rest = list(slots)
    for first in (True, False):
        options = [
            (distance, n, k)
            for n, slot in enumerate(rest)
            for k, place in enumerate(places)
            if (slot.lit and place.lit) == first
            for distance in [_distance(slot, place, stage, lit=first)]
            if distance <= 1.0
        ]
        taken = set()
        for _, n, k in sorted(options):
            slot, place = rest[n], places[k]
            held = pairs.slots.setdefault((place.mast, place.head), [])
            if n in taken or (not place.row and any(_clash(slot, other) for other in held)):
                continue
            taken.add(n)
            held.append(slot)
            pairs.heads[slot.mast, slot.head] = (place.mast, place.head)
        if first:
            near = {n for _, n, _ in options} - taken
            pairs.doubled = {(rest[n].mast, rest[n].head) for n in near}
        rest = [slot for n, slot in enumerate(rest) if n not in taken]
    pairs.free = rest
    pairs.doubled &= {(slot.mast, slot.head) for slot in rest}
    return pairs


def _distance(slot: Slot, place: Place, stage: Stage, *, lit: bool) -> float:
    """Distance between a slot and a true head in units of the limit: median over time."""
    match = figures()["match"]
    homes = place.lit_places if lit else place.all_places
    radii = match["dark_radii"] if place.spread and not lit else match["radii"]
    radii = match["row_radii"] if place.row else radii
    apart = []
    for claim in slot.claims:
        if lit and claim.claims != "lit":
            continue
        best, sight = math.inf, 1.0
        for home_x, home_y in homes:
            x, y, zoom = stage.at(home_x, home_y, claim.middle_s)
            limit = max(radii * place.radius * zoom, match["least_px"])
            if not stage.holds(x, y):
                # Its way outside of the picture is reckoned, or it is told where it was seen last.
                sight = match["unseen_weight"]
                last = stage.at(home_x, home_y, claim.middle_s, seen=True)
                best = min(best, _apart(claim, last[0], last[1]) / limit)
                drift = match["unseen_drift"] * math.hypot(x - last[0], y - last[1])
                # Never so far that it might as well be the next head.
                limit = max(limit, min(drift, 0.5 * place.spacing * zoom))
            best = min(best, _apart(claim, x, y) / limit)
        apart.append((best, sight * claim.length_s))
    if not apart:
        return math.inf
    apart.sort()
    half = 0.5 * sum(length for _, length in apart)
    sums = itertools.accumulate(length for _, length in apart)
    return next(d for (d, _), total in zip(apart, sums, strict=True) if total >= half)


def _apart(claim: Claim, x: float, y: float) -> float:
    return math.hypot(claim.doc["x"] - x, claim.doc["y"] - y)


def _clash(a: Slot, b: Slot) -> bool:
    """Whether two slots claim something of the same time."""
    shared = sum(
        max(0.0, _shared(one, two.start_s, two.end_s)) for one in a.claims for two in b.claims
    )
    shorter = min(sum(c.length_s for c in slot.claims) for slot in (a, b))
    return bool(shared > figures()["match"]["shared_time"] * shorter)


def _shared(claim: Claim, start_s: float, end_s: float) -> float:
    return min(claim.end_s, end_s) - max(claim.start_s, start_s)


def _in_view(
    claim: Claim, start_s: float, end_s: float, hidden: Sequence[tuple[float, float]]
) -> float:
    return time_in_view(claim.start_s, claim.end_s, (start_s, end_s), hidden)


def time_in_view(
    start_s: float,
    end_s: float,
    stretch: tuple[float, float],
    hidden: Sequence[tuple[float, float]],
) -> float:
    """Seconds that a claim shares with a stretch; those in which the mast was hidden count little.

    Negative where they are apart.
    """
    a, b = max(start_s, stretch[0]), min(end_s, stretch[1])
    if b <= a:
        return b - a
    unseen = sum(max(0.0, min(b, end) - max(a, start)) for start, end in hidden)
    weight = float(figures()["match"]["hidden_weight"])
    return b - a - weight * min(unseen, b - a)


def span_claims(
    pairs: Pairs, mast: TrueMast, span: int
) -> list[tuple[TrueHead, Slot | None, Claim | None]]:
    """For each head of a true span the slot and claim that share the most time with it."""
    start, end = times_of(mast.spans[span])
    out: list[tuple[TrueHead, Slot | None, Claim | None]] = []
    for head in mast.spans[span].heads:
        found: tuple[Slot | None, Claim | None] = (None, None)
        most = 0.0
        for slot in pairs.slots.get((mast.mast, head.head), []):
            claim = slot.during(start, end, mast.hidden)
            if claim is not None and _in_view(claim, start, end, mast.hidden) > most:
                most, found = _in_view(claim, start, end, mast.hidden), (slot, claim)
        out.append((head, *found))
    return out
