"""When a head turned: drawn falls and rises of LED and filament with exactly known begin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision.curves import Curve
from mastread.vision.flash import Flash
from mastread.vision.turns import beat_bounds, turn_of, unrest_bounds

FPS = 30.0


def times(seconds: float = 6.0) -> NDArray[np.float64]:
    return np.arange(round(seconds * FPS)) / FPS


def curve(share: NDArray[np.float64]) -> Curve:
    lit = np.where(share > 0.5, 0.95, 0.05)
    return Curve(np.arange(len(share)) / FPS, share.astype(np.float32), lit.astype(np.float32))


@settings(max_examples=40, deadline=None)
@given(at=st.floats(2.0, 4.0), gap=st.floats(0.0, 0.5), noise=st.floats(0.0, 0.015))
def test_a_swap_of_leds_is_timed_within_a_frame(at: float, gap: float, noise: float) -> None:
    rng = np.random.default_rng(1)
    t = times()
    first = (t < at - gap / 2) + noise * rng.standard_normal(len(t))
    second = (t >= at + gap / 2) + noise * rng.standard_normal(len(t))
    found = turn_of(curve(first.astype(float)), curve(second.astype(float)), at + 0.05)
    assert found == pytest.approx(at, abs=1.0 / FPS)


@settings(max_examples=40, deadline=None)
@given(at=st.floats(2.0, 4.0), warm=st.floats(0.05, 0.12), cool=st.floats(0.07, 0.18))
def test_filaments_are_timed_by_what_moves_first(at: float, warm: float, cool: float) -> None:
    """First-order warming and cooling; half light comes later than two frames after the order."""
    t = times()
    fall = np.where(t < at, 1.0, np.exp(-np.maximum(t - at, 0.0) / cool))
    rise = np.where(t < at, 0.0, 1.0 - np.exp(-np.maximum(t - at, 0.0) / warm))
    found = turn_of(curve(fall), curve(rise), at + 0.08)
    assert found == pytest.approx(at, abs=1.2 / FPS)


def test_over_exposed_light_that_falls_late_does_not_delay_the_turn() -> None:
    t = times()
    fall = np.minimum(30.0 * np.exp(-np.maximum(t - 3.0, 0.0) / 0.08), 1.0)
    rise = np.minimum(30.0 * (1.0 - np.exp(-np.maximum(t - 3.0, 0.0) / 0.08)), 1.0)
    assert turn_of(curve(fall), curve(rise), 3.3) == pytest.approx(3.0, abs=1.5 / FPS)


def test_no_change_of_strength_leaves_the_time_as_it_is() -> None:
    steady = curve(np.ones(180))
    assert turn_of(steady, steady, 2.345) == 2.345


def flashing(rate_hz: float, until: float, phase: float = 0.0) -> NDArray[np.float64]:
    t = times(8.0)
    return (((t * rate_hz + phase) % 1.0 < 0.5) & (t < until)).astype(float)


@settings(max_examples=30, deadline=None)
@given(end=st.floats(3.0, 5.0))
def test_the_end_of_a_flash_lies_within_its_bounds(end: float) -> None:
    """Flashing yellow gives way to steady red at once."""
    t = times(8.0)
    yellow, red = curve(flashing(1.0, end)), curve((t >= end).astype(float))
    beat = Flash(0.5, 3.0, 1.0, 0.002, 0.5, 8)
    low, high = beat_bounds((0, beat), (1, None), [yellow, red], end)
    assert low - 1.5 / FPS <= end <= high + 1.5 / FPS


def test_a_flash_that_stays_lit_ended_between_its_last_fall_and_the_next() -> None:
    t = times(8.0)
    share = np.where(t < 4.2, flashing(1.0, 8.0), 1.0)
    beat = Flash(0.5, 3.0, 1.0, 0.002, 0.5, 8)
    low, high = beat_bounds((0, beat), (0, None), [curve(share)], 4.0)
    assert low <= 4.2 <= high
    assert high - low < 1.2


def test_unrest_is_bounded_by_the_lenses_that_were_lit() -> None:
    t = times()
    first, second = curve((t < 2.0).astype(float)), curve((t >= 2.8).astype(float))
    low, high = unrest_bounds(0, 1, [first, second], 2.4)
    assert (low, high) == (pytest.approx(2.0, abs=0.04), pytest.approx(2.8, abs=0.04))
    low, high = unrest_bounds(0, 0, [first], 2.4)
    assert low < 2.4 < high
