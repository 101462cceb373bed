"""What an annotated clip tells at a given time: spans, open questions, masts out of sight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mastread.tools.reading import Reading, SpanDoc
from mastread.tools.wishes import Style
from mastread.vision.types import LightCurve

#: In the style ``question`` the answer comes this long after a span has begun, seconds.
QUESTION_S: Final = 3.0
#: ... but never later than after this share of the span, so that a short one gets its answer.
QUESTION_SHARE: Final = 2 / 3

#: A mast is called out of sight where at least this share of its heads could not be measured ...
HIDDEN_SHARE: Final = 0.5
#: ... for at least this long, seconds; shorter gaps in it count as out of sight, too.
LEAST_HIDDEN_S: Final = 0.3

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Moment:
    """One moment of a clip, or a photo.

    Attributes
    ----------
    spans : for each mast what it shows, None where that is not told
    waits : for each mast the whole seconds until its answer comes, 0 where it is shown
    hidden : for each mast whether it is out of sight
    bare : for each mast whether its tags are off, since something passes where they stand
    """

    spans: tuple[SpanDoc | None, ...]
    waits: tuple[int, ...]
    hidden: tuple[bool, ...]
    bare: tuple[bool, ...] = ()

    def key(self) -> tuple[int, ...]:
        """Equal for moments that look alike in the panel."""
        return (*(id(span) for span in self.spans), *self.waits, *self.hidden)


def photo_moment(reading: Reading, *, asked: bool = False) -> Moment:
    """Return the one moment of a photo; `asked`: with the answers withheld."""
    count = len(reading["masts"])
    spans = tuple(mast["spans"][0] for mast in reading["masts"])
    return Moment(spans, (int(asked),) * count, (False,) * count)


def moment_at(
    reading: Reading,
    time_s: float,
    style: Style = "full",
    hidden: Sequence[Sequence[Interval]] = (),
    bare: Sequence[Sequence[Interval]] = (),
) -> Moment:
    """Return the moment at `time_s`.

    `hidden` holds for each mast the intervals in which it is out of sight, `bare` those in which
    its tags are off.
    """
    spans = spans_at(reading, time_s)
    waits = [0] * len(spans)
    if style == "question":
        waits = [0 if span is None else wait_at(span, time_s) for span in spans]
    away, off = (
        tuple(
            any(start <= time_s < end for start, end in (told[k] if k < len(told) else ()))
            for k in range(len(spans))
        )
        for told in (hidden, bare)
    )
    return Moment(tuple(spans), tuple(waits), away, off)


def answer_s(span: SpanDoc) -> float:
    """Return when the answer to the question of a span comes, seconds of the clip."""
    start, end = span["start_s"] or 0.0, span["end_s"] or 0.0
    return start + min(QUESTION_S, QUESTION_SHARE * (end - start))


def wait_at(span: SpanDoc, time_s: float) -> int:
    """Return the seconds, rounded up, until the answer comes; 0 once it is there."""
    # Times in the document are rounded to a millisecond.
    return max(0, math.ceil(answer_s(span) - time_s - 5e-4))


def moments(reading: Reading) -> list[list[SpanDoc | None]]:
    """Return every combination of spans that is on view at some time, in order of time."""
    masts = reading["masts"]
    if reading["source"]["kind"] == "photo":
        return [[mast["spans"][0] for mast in masts]]
    edges = {0.0}
    for mast in masts:
        for span in mast["spans"]:
            edges |= {span["start_s"] or 0.0, span["end_s"] or 0.0}
    return [spans_at(reading, edge) for edge in sorted(edges)]


def spans_at(reading: Reading, time_s: float) -> list[SpanDoc | None]:
    """Return for each mast the span that holds `time_s`, or None."""
    found: list[SpanDoc | None] = []
    for mast in reading["masts"]:
        holding = None
        for span in mast["spans"]:
            start, end = span["start_s"], span["end_s"]
            if start is None or end is None or start - 5e-4 <= time_s < end - 5e-4:
                holding = span
        if holding is None and mast["spans"]:
            last = mast["spans"][-1]
            # The last frame of a clip belongs to the last span though it starts at its end.
            if last["end_s"] is not None and abs(time_s - last["end_s"]) < 1e-3:
                holding = last
        found.append(holding)
    return found


def hidden_times(curves: Sequence[LightCurve]) -> list[Interval]:
    """Return when a mast was out of sight: nothing could be told of half its lamps or more.

    Parameters
    ----------
    curves : the light curves of its heads; a head that was never measured does not count

    Returns
    -------
    list of (start_s, end_s), in order, apart from each other
    """
    known = [c for c in curves if len(c.time_s) and np.isfinite(c.lit).any()]
    if not known:
        return []
    times = np.unique(np.concatenate([c.time_s for c in known]))
    missing = np.zeros(len(times))
    for curve in known:
        nearest = np.clip(np.searchsorted(curve.time_s, times), 0, len(curve.time_s) - 1)
        missing += np.isnan(curve.lit[nearest])
    gone = missing >= HIDDEN_SHARE * len(known)
    step = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    found: list[Interval] = []
    for n in np.flatnonzero(gone):
        start, end = float(times[n]), float(times[n + 1] if n + 1 < len(times) else times[n] + step)
        if found and start - found[-1][1] < LEAST_HIDDEN_S:
            found[-1] = (found[-1][0], end)
        else:
            found.append((start, end))
    return [(start, end) for start, end in found if end - start >= LEAST_HIDDEN_S]
