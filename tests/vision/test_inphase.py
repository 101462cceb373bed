"""Beats that a whole mast shares are left open: a train, not a flasher, may have made them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.decoder.words import COLOURS, Colour
from mastread.vision.beside import Stretch
from mastread.vision.curves import Curve
from mastread.vision.flash import Flash
from mastread.vision.inphase import doubt_common_beats
from mastread.vision.lenses import Lens
from mastread.vision.look import Lamp
from mastread.vision.measure import SPOT
from mastread.vision.sites import Site
from mastread.vision.spans import Head

NOTHING = Curve(np.zeros(0), np.zeros(0, np.float32), np.zeros(0, np.float32))


def head(colour: Colour, flash: Flash | None) -> Head:
    scores = np.zeros(len(COLOURS))
    scores[COLOURS.index(colour)] = 6.0
    lens = Lens(
        Site(0, 0, 100.0, 100.0, 5.0, 0.0),
        NOTHING,
        ((0.0, Lamp(np.zeros((), SPOT), 0.95, scores)),),
    )
    if flash is None:
        part = Stretch(0.0, 8.0, 0, {"steady": 0.99, "flashing": 0.01, "dark": 0.0})
    else:
        part = Stretch(0.0, 8.0, 0, {"steady": 0.01, "flashing": 0.99, "dark": 0.0}, flash)
    return Head((lens,), (part,))


def beat(start_s: float = 0.3, rate_hz: float = 0.8, duty: float = 0.5) -> Flash:
    return Flash(start_s, start_s + 7.0, rate_hz, 0.002, duty, 11)


def flashing(heads: list[Head]) -> list[float]:
    return [part.odds["flashing"] for one in heads for part in one.parts]


def test_three_heads_in_step_are_left_open() -> None:
    colours: list[Colour] = ["green", "yellow", "red"]
    out = doubt_common_beats([head(colour, beat()) for colour in colours])
    assert flashing(out) == [0.5, 0.5, 0.5]
    assert all(part.flash is None for one in out for part in one.parts)


def test_one_head_that_stays_lit_makes_the_beat_a_flash() -> None:
    heads = [head("yellow", beat()), head("yellow", beat()), head("red", None)]
    assert doubt_common_beats(heads) == heads


def test_two_heads_in_step_are_left_open_where_one_is_red() -> None:
    assert flashing(doubt_common_beats([head("yellow", beat()), head("red", beat())])) == [0.5, 0.5]


def test_two_yellow_heads_may_flash_together() -> None:
    heads = [head("yellow", beat()), head("yellow", beat())]
    assert doubt_common_beats(heads) == heads


@pytest.mark.parametrize("heads", [[], [head("red", beat())]])
def test_one_head_has_nothing_to_be_in_step_with(heads: list[Head]) -> None:
    assert doubt_common_beats(heads) == heads


@given(lag=st.floats(-0.1, 0.1), cycles=st.integers(0, 3))
def test_whole_cycles_later_is_in_step(lag: float, cycles: int) -> None:
    later = beat(0.3 + (cycles + lag) / 0.8)
    assert flashing(doubt_common_beats([head("red", beat()), head("green", later)])) == [0.5, 0.5]


@given(lag=st.floats(0.2, 0.3))
def test_a_quarter_of_a_cycle_later_is_not_in_step(lag: float) -> None:
    heads = [head("red", beat()), head("green", beat(0.3 + lag / 0.8))]
    assert doubt_common_beats(heads) == heads


def test_another_rate_is_not_in_step() -> None:
    heads = [head("red", beat(rate_hz=0.8)), head("green", beat(rate_hz=0.9))]
    assert doubt_common_beats(heads) == heads
