"""Light curves as SVG: what flashed, how fast, how sure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.curves import LARGEST_TOP, LEAST_TOP, thinned, usual_head
from mastread.tools.panel_lines import VERY_SURE
from mastread.tools.reading import HeadDoc, MastDoc
from mastread.tools.report.markup import Html, el, join
from mastread.tools.report.style import mark
from mastread.tools.report.timeline import Places
from mastread.tools.sentences import head_words
from mastread.tools.texts import say
from mastread.vision.types import LightCurve

#: Size of a curve in its own units; it is stretched to the width of the page.
WIDE: Final = 1000.0
HIGH: Final = 100.0

#: The lowest light that is drawn, in units of a lamp's typical lit level.
BOTTOM: Final = -0.15

#: From this probability on the ground is tinted: the lamp was lit.
LIT: Final = 0.5


def light_curves(curves: tuple[LightCurve, ...], doc: MastDoc, places: Places) -> Html | None:
    """Return the curves of one mast below one another; None where nothing was measured."""
    rows = [_row(curve, doc, places) for curve in curves if len(curve.time_s)]
    if not rows:
        return None
    return el(
        "figure",
        join(*rows),
        el("figcaption", say("report.curves.caption")),
        class_="curves",
    )


def head_facts(head: HeadDoc) -> list[str]:
    """Return how fast a head flashed, for how long it was lit, and how sure that is."""
    facts = []
    if head["rate_hz"] is not None:
        key = "curves.rate" if head["rate_sd_hz"] is not None else "curves.rate.no_error"
        facts.append(say(key, hz=head["rate_hz"], sd=head["rate_sd_hz"] or 0.0))
    if head["duty"] is not None:
        facts.append(say("report.duty", percent=100 * head["duty"]))
    if head["confidence"] > VERY_SURE:
        facts.append(say("report.very_sure"))
    else:
        facts.append(say("report.sure", percent=100 * head["confidence"]))
    return facts


def _row(curve: LightCurve, doc: MastDoc, places: Places) -> Html:
    head = usual_head(doc, curve.head)
    name = say("curves.head", head=curve.head)
    label: list[Html | str] = [el("b", name)]
    told = name
    if head is not None:
        words = head_words(head, photo=False, short=True)
        facts = ", ".join(head_facts(head))
        chip = join(mark(head["colour"], flashing=head["behaviour"] == "flashing"), words)
        label += [el("span", chip, class_="chip"), el("small", facts)]
        told = say("report.curve", head=name, words=words, facts=facts)
    picture = el(
        "svg",
        el("title", told),
        join(*_lit(curve, doc, places)),
        join(*_hidden(curve, places)),
        join(*_lines(curve, places)),
        viewBox=f"0 0 {WIDE:g} {HIGH:g}",
        preserveAspectRatio="none",
        role="img",
        aria_label=told,
    )
    return el(
        "div",
        el("div", *label, class_="label"),
        el("div", picture, el("i", class_="playhead", aria_hidden="true"), class_="track curve"),
        class_="row",
    )


def _across(curve: LightCurve, places: Places) -> NDArray[np.float64]:
    length = places.length_s or 1.0
    return np.clip(curve.time_s / length, 0.0, 1.0) * WIDE


def _runs(mask: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last+1 of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _bars(mask: NDArray[np.bool_], x: NDArray[np.float64]) -> Iterator[tuple[float, float]]:
    """Left end and width of each run, from sample to sample."""
    for first, last in _runs(mask):
        left, right = float(x[first]), float(x[min(last, len(x) - 1)])
        if right > left:
            yield left, right - left


def _lit(curve: LightCurve, doc: MastDoc, places: Places) -> Iterator[Html]:
    """The ground where the lamp was lit, in the ink of what the head showed then."""
    x = _across(curve, places)
    with np.errstate(invalid="ignore"):
        lit = np.asarray(curve.lit) > LIT
    for span in doc["spans"]:
        start, end = span["start_s"] or 0.0, span["end_s"] or 0.0
        within = (curve.time_s >= start - 5e-4) & (curve.time_s < end)
        for head in span["heads"]:
            if head["head"] != curve.head or head["behaviour"] == "dark":
                continue
            for left, wide in _bars(lit & within, x):
                yield el(
                    "rect",
                    x=f"{left:.1f}",
                    y="0",
                    width=f"{wide:.1f}",
                    height=f"{HIGH:g}",
                    class_=f"lit ink-{head['colour']}",
                )


def _hidden(curve: LightCurve, places: Places) -> Iterator[Html]:
    """Where nothing could be told, hatched."""
    for left, wide in _bars(np.isnan(curve.lit), _across(curve, places)):
        yield el(
            "rect",
            x=f"{left:.1f}",
            y="0",
            width=f"{wide:.1f}",
            height=f"{HIGH:g}",
            fill="url(#hatch)",
            opacity="0.5",
        )


def _lines(curve: LightCurve, places: Places) -> Iterator[Html]:
    flux = np.asarray(curve.flux, np.float64)
    known = np.isfinite(flux)
    if not known.any():
        return
    top = float(np.clip(np.percentile(flux[known], 99.5) * 1.15, LEAST_TOP, LARGEST_TOP))
    x = _across(curve, places)
    y = HIGH * (top - np.clip(flux, BOTTOM, top)) / (top - BOTTOM)
    zero = HIGH * top / (top - BOTTOM)
    yield el("line", x1="0", y1=f"{zero:.1f}", x2=f"{WIDE:g}", y2=f"{zero:.1f}", class_="zero")
    for first, last in _runs(known):
        part = np.arange(first, last)
        points = " ".join(f"{x[i]:.1f},{y[i]:.1f}" for i in thinned(part, x, y))
        yield el("polyline", points=points, class_="flux")
