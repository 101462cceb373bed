"""Heads that go dark together and come back as they were have been covered."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS, Colour
from mastread.vision.curves import Curve
from mastread.vision.inphase import doubt_common_beats
from mastread.vision.lenses import Lens
from mastread.vision.look import Lamp
from mastread.vision.measure import SPOT
from mastread.vision.sites import SAMPLE, Site
from mastread.vision.spans import Head, head_of
from mastread.vision.together import without_common_dark

FPS = 30.0


def times(seconds: float = 8.0) -> NDArray[np.float64]:
    return np.arange(round(seconds * FPS)) / FPS


def head(lit: NDArray[np.bool_], y: float, colour: Colour = "red", told: bool = False) -> Head:
    n = len(lit)
    table = np.zeros(n, SAMPLE)
    table["frame"], table["time_s"] = np.arange(n), np.arange(n) / FPS
    values = lit.astype(np.float32)
    scores = np.zeros(len(COLOURS))
    scores[COLOURS.index(colour)] = 6.0
    lens = Lens(
        Site(0, 0, 100.0, y, 4.0, 0.0, samples=list(table)),
        Curve(np.arange(n) / FPS, values, values, np.full(n, told)),
        ((0.0, Lamp(np.zeros((), SPOT), 0.95, scores)),),
    )
    return head_of([lens])


def words(one: Head) -> list[str]:
    return [
        "hidden" if not part.seen else max(part.odds, key=lambda key: part.odds[key])
        for part in one.parts
    ]


@settings(max_examples=20, deadline=None)
@given(start=st.floats(2.0, 3.0), length=st.floats(0.6, 2.5), lag=st.floats(-0.1, 0.1))
def test_dark_that_two_heads_share_is_cover(start: float, length: float, lag: float) -> None:
    t = times()
    upper = (t < start) | (t >= start + length)
    lower = (t < start + lag) | (t >= start + lag + length)
    out = without_common_dark([head(upper, 100.0), head(lower, 160.0, told=True)])
    assert [words(one) for one in out] == [["steady", "hidden", "steady"]] * 2


def test_a_head_that_goes_dark_alone_is_dark() -> None:
    t = times()
    gone = (t < 2.0) | (t >= 4.5)
    out = without_common_dark([head(gone, 160.0, told=True), head(np.ones(len(t), bool), 100.0)])
    assert words(out[0]) == ["steady", "dark", "steady"]


def test_no_train_hides_the_upper_head_alone() -> None:
    """By night the surround does not tell; the lamp below that goes on shining does."""
    t = times()
    gone = t < 3.0
    out = without_common_dark([head(gone, 100.0), head(np.ones(len(t), bool), 160.0)])
    assert words(out[0]) == ["steady", "dark"]
    alone = without_common_dark([head(gone, 160.0), head(np.ones(len(t), bool), 100.0)])
    assert words(alone[0]) == ["steady", "hidden"]


def test_gaps_between_cars_are_no_flash_of_two_steady_heads() -> None:
    """Lit before and after; behind the train an even beat of gaps, in both heads at once."""
    t = times(12.0)
    gaps = ((t - 4.0) % 0.9) < 0.35
    lit = (t < 4.0) | (t >= 9.0) | gaps
    out = doubt_common_beats([head(lit, 100.0), head(lit, 160.0)])
    for one in out:
        assert "flashing" not in words(one)
        assert words(one)[0] == words(one)[-1] == "steady"


def test_light_that_flickers_alike_in_both_heads_is_steady() -> None:
    """Pulse width modulation of one supply, caught at random by a short shutter."""
    rng = np.random.default_rng(3)
    lit = rng.random(240) < 0.75
    out = doubt_common_beats([head(lit, 100.0), head(lit, 160.0)])
    for one in out:
        assert max(part.odds["flashing"] for part in one.parts if part.seen) < 0.9


def test_one_head_has_nothing_to_share() -> None:
    one = head(times() < 3.0, 100.0)
    assert without_common_dark([one]) == [one]
    assert without_common_dark([]) == []


@pytest.mark.parametrize("duty", [0.4, 0.5, 0.6])
def test_two_yellow_heads_may_flash_in_step(duty: float) -> None:
    lit = (times() * 0.9) % 1.0 < duty
    out = doubt_common_beats([head(lit, 100.0, "yellow"), head(lit, 160.0, "yellow")])
    assert [words(one) for one in out] == [["flashing"], ["flashing"]]
