"""From heads to the spans in which a mast showed one thing, on curves drawn by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS, Colour
from mastread.vision.curves import Curve
from mastread.vision.darkheads import DarkHead
from mastread.vision.label import label_head
from mastread.vision.lenses import Lens
from mastread.vision.look import Lamp
from mastread.vision.measure import SPOT
from mastread.vision.sites import SAMPLE, Site
from mastread.vision.spans import ONE_CHANGE_S, SHORTEST_SPAN_S, Head, head_of, spans_of
from mastread.vision.types import Hints, SpanSeen

FPS = 30.0


def lens(colour: Colour, lit: NDArray[np.bool_] | NDArray[np.float64], y: float) -> Lens:
    values = np.asarray(lit, np.float32)
    times = np.arange(len(values)) / FPS
    table = np.zeros(len(values), SAMPLE)
    table["frame"], table["time_s"] = np.arange(len(values)), times
    table["x"], table["y"] = 100.0 + times, y
    scores = np.zeros(len(COLOURS))
    scores[COLOURS.index(colour)] = 8.0
    site = Site(0, 0, 100.0, y, 5.0, 0.0, samples=list(table))
    return Lens(
        site,
        Curve(times, values, values),
        ((0.0, Lamp(np.zeros((), SPOT), 0.95, scores)),),
    )


def times(seconds: float) -> NDArray[np.float64]:
    return np.arange(round(seconds * FPS)) / FPS


def spans(heads: list[Head], dark: list[DarkHead] | None = None) -> list[SpanSeen]:
    return spans_of(heads, dark or [], 0.02, 0.0, Hints())


def words(span: SpanSeen) -> list[tuple[str, str]]:
    return [(label_head(head).colour, label_head(head).behaviour) for head in span.heads]


@settings(max_examples=20, deadline=None)
@given(change=st.floats(2.0, 6.0))
def test_a_change_of_aspect_is_two_spans_at_the_time_of_the_change(change: float) -> None:
    t = times(8.0)
    first, second = spans(
        [
            head_of([lens("red", t < change, 100.0), lens("green", t >= change, 90.0)]),
            head_of([lens("red", np.ones(len(t)), 160.0)]),
        ]
    )
    assert words(first) == [("red", "steady"), ("red", "steady")]
    assert words(second) == [("green", "steady"), ("red", "steady")]
    assert first.start_s == 0.0
    assert first.end_s == second.start_s
    assert first.end_s == pytest.approx(change, abs=1.0 / FPS)
    assert second.end_s == pytest.approx(8.0, abs=1.01 / FPS)


def test_a_mast_that_shows_one_thing_has_one_span() -> None:
    (span,) = spans([head_of([lens("yellow", np.ones(120), 100.0)])])
    assert words(span) == [("yellow", "steady")]
    assert (span.start_s, span.end_s) == (0.0, pytest.approx(119 / FPS))
    # Its place is that of the middle of the span.
    assert span.heads[0].x == pytest.approx(100.0 + 60 / FPS, abs=1.5 / FPS)


@pytest.mark.parametrize(("lag", "number"), [(0.3, 2), (0.55, 2), (1.8, 3)])
def test_heads_that_change_nearly_together_make_one_change(lag: float, number: int) -> None:
    assert (lag <= ONE_CHANGE_S) == (number == 2)
    t = times(9.0)
    upper = [lens("red", t < 3.0, 100.0), lens("green", t >= 3.0, 90.0)]
    lower = [lens("yellow", t < 3.0 + lag, 160.0), lens("red", t >= 3.0 + lag, 150.0)]
    found = spans([head_of(upper), head_of(lower)])
    assert len(found) == number
    assert words(found[0]) == [("red", "steady"), ("yellow", "steady")]
    assert words(found[-1]) == [("green", "steady"), ("red", "steady")]
    for before, after in itertools.pairwise(found):
        assert before.end_s == after.start_s


def test_a_change_in_the_last_moment_makes_no_span() -> None:
    t = times(5.0)
    late = 5.0 - 0.5 * SHORTEST_SPAN_S
    (span,) = spans([head_of([lens("red", t < late, 100.0), lens("green", t >= late, 90.0)])])
    assert words(span)[0][0] == "red"


def test_a_flash_is_one_span_with_its_rate() -> None:
    lit = (times(8.0) * 0.9) % 1.0 < 0.5
    (span,) = spans(
        [head_of([lens("yellow", lit, 100.0)]), head_of([lens("red", np.ones(len(lit)), 160.0)])]
    )
    assert words(span) == [("yellow", "flashing"), ("red", "steady")]
    assert span.heads[0].rate_hz == pytest.approx(0.9, rel=0.01)
    assert span.heads[1].rate_hz is None


def test_a_head_that_was_never_lit_stands_in_its_place_and_is_dark() -> None:
    steady = np.ones(240)
    dark = DarkHead(100.0, 130.0, 5.0, 0.97)
    heads = [head_of([lens("red", steady, 100.0)]), head_of([lens("green", steady, 160.0)])]
    (span,) = spans(heads, [dark])
    assert words(span) == [("red", "steady"), ("none", "dark"), ("green", "steady")]
    # It moves with the mast: half way through the clip everything has gone to the right.
    assert span.heads[1].x == pytest.approx(span.heads[0].x)
    assert span.heads[1].y == pytest.approx(130.0)
    assert len(span.evidence.heads) == 3


def test_a_short_look_leaves_a_dark_head_open() -> None:
    dark = DarkHead(100.0, 130.0, 5.0, 0.97)
    (span,) = spans([head_of([lens("red", np.ones(12), 100.0)])], [dark])
    assert label_head(span.heads[1]).behaviour == "unknown"
    assert span.heads[1].behaviour_odds["flashing"] > 0.1


def test_nothing_watched_gives_no_spans() -> None:
    assert spans([]) == []


def test_hints_and_odds_reach_the_evidence() -> None:
    head = head_of([lens("red", np.ones(60), 100.0)])
    hints = Hints(plates=frozenset({"R"}))
    (span,) = spans_of([head], [], 0.9, 0.25, hints)
    evidence = span.evidence
    assert (evidence.plates, evidence.staggered, evidence.unseen_head) == ({"R"}, 0.9, 0.25)
    assert evidence.dwarf is None
