"""Odds of behaviour: they add up, move the right way, and agree with flashes drawn at random."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.vision.limits import limits
from mastread.vision.odds import (
    beat_odds,
    both_quiet,
    likelier,
    quiet_odds,
    restless_odds,
    still_flashing,
)


@given(length=st.floats(0.0, 10.0), lit=st.booleans())
def test_quiet_odds_add_up_and_fall_with_time(length: float, lit: bool) -> None:
    odds = quiet_odds(lit, length)
    assert sum(odds.values()) == pytest.approx(1.0)
    assert odds["dark" if lit else "steady"] == 0.0
    assert still_flashing(lit, length) >= still_flashing(lit, length + 0.3) - 1e-12


def test_the_slowest_published_flash_is_never_called_steady_in_one_lit_half() -> None:
    """33 flashes a minute, lit for two thirds, is lit for 1.2 s (AREMA and MUTCD bounds as in
    limits.toml); a clip that shows no more than that half is not sure."""
    assert quiet_odds(True, 0.8)["steady"] < 0.93
    assert quiet_odds(True, 2.5)["steady"] > 0.99


def test_odds_of_a_lit_spell_are_those_of_drawn_flashes() -> None:
    """Draw flashes as limits.toml has them, look from a random lit moment on."""
    figures = limits("flash")
    rng = np.random.default_rng(8)
    n = 200_000
    period = figures["usual_period_s"] * np.exp(figures["period_spread"] * rng.standard_normal(n))
    inside = (period > figures["shortest_period_s"]) & (period < figures["longest_period_s"])
    period = period[inside]
    duty = rng.uniform(*figures["usual_duty"], len(period))
    # A moment is drawn from all time, so that the chance to be lit in it is the duty.
    phase = rng.random(len(period))
    lit = phase < duty
    left = (duty[lit] - phase[lit]) * period[lit]
    for length in (0.2, 0.5, 0.9):
        lasting = float((left >= length).mean())
        flashing = 0.5 * lasting / (0.5 * lasting + 0.5)
        assert still_flashing(True, length) == pytest.approx(flashing, abs=0.015)


def test_more_edges_make_a_beat_surer() -> None:
    sure = [beat_odds(n, 0.5)["flashing"] for n in range(1, 12)]
    assert sure == sorted(sure)
    assert sure[3] < 0.9 < sure[4]


@pytest.mark.parametrize("duty", [0.1, 0.2, 0.95])
def test_the_gaps_of_a_train_are_no_sure_flash(duty: float) -> None:
    assert beat_odds(20, duty)["flashing"] <= 0.5


def test_flicker_faster_than_any_flasher_is_steady() -> None:
    spells = [(k % 2 == 0, 0.05 + 0.03 * (k % 3)) for k in range(30)]
    assert restless_odds(spells)["steady"] > 0.9


def test_uneven_spells_say_nothing_of_a_flash() -> None:
    odds = restless_odds([(True, 0.5), (False, 0.2), (True, 1.1), (False, 0.7), (True, 0.3)])
    assert odds["flashing"] == 0.5
    assert sum(odds.values()) == pytest.approx(1.0)


@given(a=st.floats(0.1, 2.0), b=st.floats(0.1, 2.0), lit=st.booleans())
def test_two_spells_are_surer_than_either(a: float, b: float, lit: bool) -> None:
    word = "steady" if lit else "dark"
    both = both_quiet(quiet_odds(lit, a), quiet_odds(lit, b))
    assert sum(both.values()) == pytest.approx(1.0)
    assert both[word] >= max(quiet_odds(lit, a)[word], quiet_odds(lit, b)[word]) - 1e-9


@given(length=st.floats(0.0, 3.0))
def test_what_it_did_before_makes_it_likelier_but_never_certain(length: float) -> None:
    odds = quiet_odds(True, length)
    more = likelier(odds, "steady")
    assert more["steady"] >= odds["steady"] - 1e-9
    assert more["flashing"] >= limits("flash")["least_odds"] - 1e-12
    assert sum(more.values()) == pytest.approx(1.0)
