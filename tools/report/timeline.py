"""The timeline of a clip: for each mast a track on which every span is a button that seeks."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.curves import MOST_MARKS, STEPS
from mastread.tools.reading import MastDoc, Reading, SpanDoc
from mastread.tools.report.markup import Html, el, join, percent
from mastread.tools.sentences import aspect_words, span_title
from mastread.tools.texts import clock, say

#: A mark of time further right than this would run out of the page with its words.
LATEST_TICK: Final = 0.94


@dataclass(slots=True)
class Places:
    """Places on the tracks of one file, as classes: a page without inline styles needs them."""

    prefix: str
    length_s: float
    #: Presentation times of the frames, in order; empty where they are not known.
    frames_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    rules: dict[str, str] = field(default_factory=dict)

    def share(self, time_s: float) -> float:
        """Return a time as a share of the clip."""
        return min(1.0, max(0.0, time_s / self.length_s)) if self.length_s > 0 else 0.0

    def at(self, start_s: float, end_s: float | None = None) -> str:
        """Return the class of what starts at `start_s` and, where told, lasts until `end_s`."""
        rule = f"left:{percent(self.share(start_s))}"
        if end_s is not None:
            rule += f";width:{percent(self.share(end_s) - self.share(start_s))}"
        known = self.rules.get(rule)
        if known is None:
            known = self.rules[rule] = f"{self.prefix}p{len(self.rules)}"
        return known

    def first_frame(self, time_s: float) -> float:
        """Return when the first frame that does not start before `time_s` is shown.

        A change is dated between two frames: the one that shows it comes after.
        """
        at = int(np.searchsorted(self.frames_s, time_s - 5e-4))
        return float(self.frames_s[at]) if at < len(self.frames_s) else time_s

    def sheet(self) -> str:
        """Return the style rules of all classes."""
        return "".join(f".{name}{{{rule}}}" for rule, name in self.rules.items())


def length_of(reading: Reading) -> float:
    """Return how long a clip is, seconds: to its stated end, or to that of its last span."""
    ends = [span["end_s"] or 0.0 for mast in reading["masts"] for span in mast["spans"]]
    return max([reading["source"].get("duration_s") or 0.0, *ends])


def span_id(prefix: str, mast: int, span: int) -> str:
    """Return the name by which a span is linked to."""
    return f"{prefix}m{mast}s{span}"


def timeline(reading: Reading, places: Places) -> Html:
    """Return the tracks of all masts with the axis of time below them."""
    rows = [_row(mast, places) for mast in reading["masts"]]
    return el(
        "div",
        *rows,
        axis(places),
        class_="timeline",
        role="group",
        aria_label=say("report.timeline"),
    )


def axis(places: Places) -> Html:
    """Return the marks of time; they are told once more in every span, so they stay unread."""
    step = next((s for s in STEPS if places.length_s / s <= MOST_MARKS), STEPS[-1])
    ticks = []
    for n in range(math.floor(places.length_s / step + 1e-9) + 1):
        if places.share(n * step) > LATEST_TICK:
            break
        words = clock(n * step)
        words = words.removesuffix(".0") if step >= 1 else words
        # On a narrow page there is room for every other one.
        ticks.append(el("span", words, class_=f"tick {places.at(n * step)}{' odd' * (n % 2)}"))
    return el(
        "div",
        el("span", class_="label"),
        el("div", *ticks, class_="track ticks"),
        class_="row",
        aria_hidden="true",
    )


def seek_words(mast: MastDoc, span: SpanDoc) -> str:
    """Return what a screen reader says of a button that seeks."""
    times = say("span.times", start=clock(span["start_s"] or 0), end=clock(span["end_s"] or 0))
    return say(
        "report.seek",
        mast=say("mast", number=mast["mast"]),
        times=times,
        name=span_title(span),
        aspect=aspect_words(span["heads"], photo=False),
    )


def _row(mast: MastDoc, places: Places) -> Html:
    buttons = []
    for n, span in enumerate(mast["spans"], start=1):
        start, end = span["start_s"] or 0.0, span["end_s"] or 0.0
        status = span["indication"]["status"]
        name = span_title(span, rule=False)
        words = seek_words(mast, span)
        buttons.append(
            el(
                "button",
                el("span", "?", class_="doubt", aria_hidden="true") if status != "read" else None,
                name,
                type="button",
                class_=f"span {status} {places.at(start, end)}",
                data_seek=f"{places.first_frame(start):.3f}",
                data_start=f"{start:.3f}",
                data_end=f"{end:.3f}",
                data_span=span_id(places.prefix, mast["mast"], n),
                aria_label=words,
                title=words,
            )
        )
    return el(
        "div",
        el("span", say("mast", number=mast["mast"]), class_="label"),
        el("div", join(*buttons), el("i", class_="playhead", aria_hidden="true"), class_="track"),
        class_="row",
        role="group",
        aria_label=say("mast", number=mast["mast"]),
    )
