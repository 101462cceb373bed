"""From the heads of one mast to the spans in which it showed one thing."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.words import BEHAVIOURS, COLOURS, Behaviour, Colour
from mastread.vision.behaviour import stretches
from mastread.vision.beside import Stretch
from mastread.vision.darkheads import DarkHead
from mastread.vision.lenses import Lens
from mastread.vision.look import colour_odds
from mastread.vision.odds import still_flashing
from mastread.vision.types import HeadSeen, Hints, SpanSeen

#: Changes of several heads that lie within this belong to one change of aspect, seconds.
ONE_CHANGE_S: Final = 0.6
#: A stretch of the whole mast shorter than this is a moment between two aspects.
SHORTEST_SPAN_S: Final = 0.35
#: A time that is known to this is sharp, seconds.
_SHARP_S: Final = 0.06

#: What a span says of heads that could not be seen in it.
HIDDEN_NOTE: Final = (
    "Something stood in front of the mast, or it was out of the picture: what it showed meanwhile "
    "is not known, even where it shows the same before and after."
)

#: Odds of a colour of which nothing is known.
NO_COLOUR: Final[Mapping[Colour, float]] = {colour: 1.0 / len(COLOURS) for colour in COLOURS}

#: Odds of a behaviour of which nothing is known.
NO_BEHAVIOUR: Final[Mapping[Behaviour, float]] = {
    word: 1.0 / len(BEHAVIOURS) for word in BEHAVIOURS
}


@dataclass(frozen=True, slots=True, eq=False)
class Head:
    """One head over the clip.

    Attributes
    ----------
    lenses : its lenses, each in one colour
    parts : what it did, stretch by stretch
    """

    lenses: tuple[Lens, ...]
    parts: tuple[Stretch, ...]

    @property
    def x(self) -> float:
        """Place in the scene's coordinates: the mean of its lenses."""
        return float(np.mean([lens.site.x for lens in self.lenses]))

    @property
    def y(self) -> float:
        """Place in the scene's coordinates: the mean of its lenses."""
        return float(np.mean([lens.site.y for lens in self.lenses]))

    @property
    def radius(self) -> float:
        """Typical radius of a lens, in the scene's coordinates."""
        return float(np.median([lens.site.radius for lens in self.lenses]))


def head_of(lenses: Sequence[Lens]) -> Head:
    """A head and what it did."""
    return Head(tuple(lenses), tuple(stretches([lens.curve for lens in lenses])))


def spans_of(
    heads: Sequence[Head],
    dark: Sequence[DarkHead],
    staggered: float | None,
    unseen_head: float,
    hints: Hints,
) -> list[SpanSeen]:
    """Spans of one mast, in order of time.

    Parameters
    ----------
    heads : its heads that shone at some time, top to bottom
    dark : heads that never did, in the scene's coordinates
    staggered, unseen_head : as in `mastread.decoder.evidence.MastEvidence`
    """
    watched = [part for head in heads for part in head.parts]
    if not watched:
        return []
    start = min(part.start_s for part in watched)
    end = max(part.end_s for part in watched)
    bounds = [start, *_changes(heads, start, end), end]
    spans = []
    for a, b in itertools.pairwise(bounds):
        lit = [_head_seen(head, a, b) for head in heads]
        never = [_dark_seen(place, heads[0], lit[0], b - a) for place in dark]
        seen = tuple(sorted([*lit, *never], key=lambda head: head.y))
        evidence = MastEvidence(
            heads=tuple(HeadEvidence(head.colour_odds, head.behaviour_odds) for head in seen),
            unseen_head=unseen_head,
            plates=hints.plates,
            dwarf=None,
            staggered=staggered,
            notes=(HIDDEN_NOTE,) if any("hidden" in head.flags for head in seen) else (),
        )
        spans.append(SpanSeen(a, b, seen, evidence))
    return spans


def _changes(heads: Sequence[Head], start: float, end: float) -> list[float]:
    """Times at which the mast went from one aspect to another."""
    turns = sorted(
        (part.start_s, part.since_s or (part.start_s, part.start_s))
        for head in heads
        for k, part in enumerate(head.parts)
        if k and start < part.start_s < end
    )
    clusters: list[list[tuple[float, tuple[float, float]]]] = []
    for turn in turns:
        near = bool(clusters) and turn[0] - clusters[-1][0][0] <= ONE_CHANGE_S
        if near or (clusters and _within(clusters[-1], turn)):
            clusters[-1].append(turn)
        else:
            clusters.append([turn])
    changes = [_moment([bounds for _, bounds in cluster]) for cluster in clusters]
    out: list[float] = []
    for t in changes:
        if t - (out[-1] if out else start) < SHORTEST_SPAN_S or end - t < SHORTEST_SPAN_S:
            continue
        out.append(t)
    return out


def _within(
    cluster: Sequence[tuple[float, tuple[float, float]]], turn: tuple[float, tuple[float, float]]
) -> bool:
    """May a turn whose time is not sharp be the same change as those before it?"""
    moment = _moment([bounds for _, bounds in cluster])
    low, high = turn[1]
    return low < high and low - 0.1 <= moment <= high + 0.1


def _moment(bounds: Sequence[tuple[float, float]]) -> float:
    """Time of a change from the bounds that each head sets on it; sharp ones decide."""
    sharp = [low for low, high in bounds if high - low < _SHARP_S]
    if sharp:
        return float(np.median(sharp))
    low, high = max(low for low, _ in bounds), min(high for _, high in bounds)
    if low <= high:
        return 0.5 * (low + high)
    return float(np.median([0.5 * (a + b) for a, b in bounds]))


def _head_seen(head: Head, start_s: float, end_s: float) -> HeadSeen:
    part = _main_part(head, start_s, end_s)
    middle = 0.5 * (start_s + end_s)
    lens = head.lenses[part.lens] if part is not None and part.lens is not None else None
    behaviour = part.odds if part is not None and part.seen else NO_BEHAVIOUR
    x, y, radius = _place(lens or head.lenses[0], middle)
    flash = part.flash if part is not None else None
    flags = () if part is not None and part.seen else ("hidden",)
    return HeadSeen(
        colour_odds=colour_odds(lens.colour_scores()) if lens is not None else dict(NO_COLOUR),
        behaviour_odds=behaviour,
        x=x,
        y=y,
        radius=radius,
        rate_hz=flash.rate_hz if flash else None,
        rate_sd_hz=flash.rate_sd_hz if flash else None,
        duty=flash.duty if flash else None,
        flags=flags,
    )


def _dark_seen(place: DarkHead, head: Head, seen: HeadSeen, watched_s: float) -> HeadSeen:
    """A head that was never lit, placed by where another head of its mast stood in the span."""
    still = still_flashing(lit=False, length_s=watched_s)
    return HeadSeen(
        colour_odds=dict(NO_COLOUR),
        behaviour_odds={"steady": 0.0, "flashing": still, "dark": 1.0 - still},
        x=seen.x + place.x - head.x,
        y=seen.y + place.y - head.y,
        radius=place.radius,
    )


def _main_part(head: Head, start_s: float, end_s: float) -> Stretch | None:
    """The stretch that fills most of a span."""
    best, longest = None, 0.0
    for part in head.parts:
        overlap = min(end_s, part.end_s) - max(start_s, part.start_s)
        if overlap > longest:
            best, longest = part, overlap
    return best


def _place(lens: Lens, time_s: float) -> tuple[float, float, float]:
    """Place and radius in the frame nearest to a time."""
    table: NDArray[np.void] = lens.site.table()
    row = table[int(np.argmin(np.abs(table["time_s"] - time_s)))]
    # A place that was never measured (a drawn table) has the radius of its scene.
    return float(row["x"]), float(row["y"]), float(row["r"]) or lens.radius
