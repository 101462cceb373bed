"""Reading a stream that goes on for hours: what its masts show now, and each change of it.

Frames go through the same watcher as those of a file. Every half second of the stream the last
seconds are made into masts and spans; what lies far enough back is settled, put among the spans
of its mast, and its samples are dropped. A mast keeps its number as long as its lamps are known.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.vision.frame import Frame
from mastread.vision.label import label_head
from mastread.vision.pipeline import DarkKnown, masts_with_sites
from mastread.vision.spans import HIDDEN_NOTE, NO_BEHAVIOUR, NO_COLOUR
from mastread.vision.types import HeadSeen, Hints, MastSeen, SpanSeen
from mastread.vision.watch import Watcher

#: Seconds of the stream that are kept at hand: enough for eight cycles of the slowest flash.
WINDOW_S: Final = 16.0
#: Seconds between two looks at what the masts show.
LOOK_EVERY_S: Final = 0.5
#: What lies this far back is settled: it was seen with as much on either side.
SETTLED_S: Final = 8.0
#: A mast of which the last sight lies so far back is hidden or out of view.
GONE_S: Final = 1.0
#: A doubt that lasts this long is told as such.
DOUBT_S: Final = 4.0
#: Spans kept of one mast, and masts kept that are not seen any more; the oldest go first.
MOST_SPANS: Final = 2000
MOST_MASTS: Final = 200

Key = tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True, slots=True)
class Change:
    """A mast shows something else, or is not to be seen any more.

    Attributes
    ----------
    mast : with one span: what it shows now, up to the present
    told_s : time in the stream at which it was sure
    """

    mast: MastSeen
    told_s: float


@dataclass(slots=True)
class _Mast:
    """What is known of one mast."""

    number: int
    seen: MastSeen
    told: Key | None = None
    settled: deque[SpanSeen] = field(default_factory=lambda: deque(maxlen=MOST_SPANS))
    now: tuple[SpanSeen, ...] = ()

    @property
    def settled_s(self) -> float:
        """Up to when its spans are settled."""
        return (self.settled[-1].end_s or 0.0) if self.settled else -np.inf


class LiveReader:
    """Takes the frames of a stream one by one and tells changes as soon as they are sure.

    Attributes
    ----------
    forgotten : older spans were dropped to keep within memory
    """

    def __init__(self, hints: Hints) -> None:
        self._hints = hints
        self._watcher = Watcher(hints.region)
        self._masts: dict[int, _Mast] = {}
        self._mast_of_site: dict[int, int] = {}
        self._numbers = 0
        self._look_due_s = LOOK_EVERY_S
        self._dark: DarkKnown = {}
        self._now_s = 0.0
        self.forgotten = False

    def add(self, frame: Frame) -> list[Change]:
        """Take the next frame; changes that are sure by now, in no order."""
        self._watcher.add(frame)
        self._now_s = frame.time_s
        if frame.time_s < self._look_due_s:
            return []
        self._look_due_s = frame.time_s + LOOK_EVERY_S
        return self._look()

    def masts(self) -> tuple[MastSeen, ...]:
        """All masts seen so far with all their spans, in order of their numbers."""
        if self._now_s > 0:
            self._look()
        out = []
        for number in sorted(self._masts):
            mast = self._masts[number]
            spans = _joined([*mast.settled, *mast.now])
            if spans:
                out.append(replace(mast.seen, mast=number, spans=tuple(spans)))
        return tuple(out)

    def _look(self) -> list[Change]:
        changes = []
        present: set[int] = set()
        for seen, sites in masts_with_sites(self._watcher.watched, self._hints, self._dark):
            mast = self._mast_of(seen, sites, present)
            present.add(mast.number)
            mast.seen = replace(seen, mast=mast.number, spans=(), curves=(), path=_NO_PATH)
            mast.now = tuple(_after(seen.spans, mast.settled_s))
            self._settle(mast)
        for mast in self._masts.values():
            change = self._change_of(mast)
            if change is not None:
                changes.append(change)
        self._watcher.forget_before(self._now_s - WINDOW_S)
        self._forget(present)
        return changes

    def _mast_of(self, seen: MastSeen, sites: frozenset[int], taken: set[int]) -> _Mast:
        """The mast that most of these lamps are known to belong to; else a new one."""
        votes: dict[int, int] = {}
        for site in sites:
            number = self._mast_of_site.get(site)
            if number is not None and number not in taken:
                votes[number] = votes.get(number, 0) + 1
        if votes:
            number = max(votes, key=lambda n: (votes[n], -n))
        else:
            self._numbers += 1
            number = self._numbers
            self._masts[number] = _Mast(number, seen)
        for site in sites:
            self._mast_of_site[site] = number
        return self._masts[number]

    def _settle(self, mast: _Mast) -> None:
        """Put what lies far enough back among the settled spans."""
        until = self._now_s - SETTLED_S
        for span in mast.now:
            if span.start_s is None or span.end_s is None or span.start_s >= until:
                break
            part = replace(span, end_s=min(span.end_s, until))
            last = mast.settled[-1] if mast.settled else None
            if last is not None and _follows(last, part):
                mast.settled[-1] = replace(part, start_s=last.start_s)
            else:
                self.forgotten |= len(mast.settled) == MOST_SPANS
                mast.settled.append(part)
        mast.now = tuple(_after(mast.now, mast.settled_s))

    def _change_of(self, mast: _Mast) -> Change | None:
        """What there is to tell of a mast at this moment."""
        last = mast.now[-1] if mast.now else (mast.settled[-1] if mast.settled else None)
        if last is None or last.start_s is None or last.end_s is None:
            return None
        if last.end_s < self._now_s - GONE_S:
            last = _hidden(last, last.end_s, self._now_s)
        assert last.start_s is not None
        key = key_of(last)
        if key == mast.told or not self._is_sure(last, last.start_s):
            return None
        mast.told = key
        start_s = last.start_s
        if mast.settled and _follows(mast.settled[-1], last):
            start_s = mast.settled[-1].start_s or 0.0
        span = replace(last, start_s=start_s, end_s=self._now_s)
        return Change(replace(mast.seen, spans=(span,)), self._now_s)

    def _is_sure(self, span: SpanSeen, start_s: float) -> bool:
        """Is all of a span told, or is it in doubt for so long that the doubt will stay?"""
        words = [label_head(head) for head in span.heads if "hidden" not in head.flags]
        open_ = any("unknown" in (word.colour, word.behaviour) for word in words)
        return not open_ or self._now_s - start_s > DOUBT_S

    def _forget(self, present: set[int]) -> None:
        """Keep the books short."""
        known = {site.number for site in self._watcher.watched.sites}
        self._mast_of_site = {s: n for s, n in self._mast_of_site.items() if s in known}
        held = set(self._mast_of_site.values()) | present
        gone = [number for number in self._masts if number not in held]
        for number in gone[: max(0, len(self._masts) - MOST_MASTS)]:
            del self._masts[number]
            self.forgotten = True


_NO_PATH: Final = np.zeros((0, 3))


def key_of(span: SpanSeen) -> Key:
    """What a span shows, head by head, in words."""
    out = []
    for head in span.heads:
        word = label_head(head)
        out.append((word.colour, word.behaviour, "hidden" in head.flags))
    return tuple(out)


def _follows(before: SpanSeen, after: SpanSeen) -> bool:
    """Does one span go on where another ended, with the same to be seen?"""
    near = abs((before.end_s or 0.0) - (after.start_s or 0.0)) < 0.2
    return near and key_of(before) == key_of(after)


def _joined(spans: Iterable[SpanSeen]) -> list[SpanSeen]:
    out: list[SpanSeen] = []
    for span in spans:
        if out and _follows(out[-1], span):
            out[-1] = replace(span, start_s=out[-1].start_s)
        else:
            out.append(span)
    return out


def _after(spans: Iterable[SpanSeen], time_s: float) -> list[SpanSeen]:
    """Spans from a time on; one that lasts over it is cut."""
    out = []
    for span in spans:
        if span.start_s is None or span.end_s is None or span.end_s <= time_s + 1e-6:
            continue
        out.append(replace(span, start_s=max(span.start_s, time_s)))
    return out


def _hidden(last: SpanSeen, start_s: float, end_s: float) -> SpanSeen:
    """A span in which nothing could be seen of a mast that was seen before."""
    heads = tuple(
        HeadSeen(dict(NO_COLOUR), dict(NO_BEHAVIOUR), h.x, h.y, h.radius, flags=("hidden",))
        for h in last.heads
    )
    evidence = MastEvidence(
        heads=tuple(HeadEvidence(head.colour_odds, head.behaviour_odds) for head in heads),
        unseen_head=last.evidence.unseen_head,
        plates=last.evidence.plates,
        staggered=last.evidence.staggered,
        notes=(HIDDEN_NOTE,),
    )
    return SpanSeen(start_s, end_s, heads, evidence)
