"""Cover or dark: made samples whose surround changes as a train, a veil or nothing changes it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision.cover import covered, runs
from mastread.vision.sites import SAMPLE

FPS = 30.0


def samples(lit: NDArray[np.bool_], ground: float, noise: float, seed: int = 1) -> NDArray[np.void]:
    """A lamp before an even ground; the surround is the same whether it is lit or not."""
    rng = np.random.default_rng(seed)
    table = np.zeros(len(lit), SAMPLE)
    table["time_s"] = np.arange(len(lit)) / FPS
    table["flux"] = np.where(lit, 50.0, 0.0)
    table["rgb"] = table["flux"][:, None] * np.array([1.0, 0.1, 0.05])
    table["ring"] = ground
    table["look"] = ground * (1.0 + noise * rng.standard_normal((len(lit), 8)))
    return table


def gone(seconds: tuple[float, float], whole_s: float = 6.0) -> NDArray[np.bool_]:
    t = np.arange(round(whole_s * FPS)) / FPS
    return (t < seconds[0]) | (t >= seconds[1])


@settings(max_examples=30, deadline=None)
@given(ground=st.floats(0.05, 0.6), noise=st.floats(0.002, 0.02), seed=st.integers(0, 99))
def test_a_lamp_that_goes_out_by_day_is_told_to_be_dark(
    ground: float, noise: float, seed: int
) -> None:
    lit = gone((2.0, 3.5))
    hidden, told = covered(samples(lit, ground, noise, seed), lit.astype(float))
    assert not hidden.any()
    assert told[~lit].all()
    assert not told[lit].any()


@settings(max_examples=30, deadline=None)
@given(factor=st.floats(0.25, 0.6) | st.floats(1.3, 3.0), seed=st.integers(0, 99))
def test_something_darker_or_brighter_in_front_hides(factor: float, seed: int) -> None:
    lit = gone((2.0, 3.5))
    table = samples(lit, 0.2, 0.01, seed)
    table["look"][~lit] *= factor
    table["ring"][~lit] *= factor
    hidden, told = covered(table, lit.astype(float))
    assert hidden[~lit].all()
    assert not hidden[lit].any()
    assert not told.any()


def test_cars_of_the_same_brightness_flicker() -> None:
    lit = gone((2.0, 3.5))
    table = samples(lit, 0.2, 0.01)
    rng = np.random.default_rng(3)
    table["look"][~lit] *= 1.0 + 0.15 * rng.standard_normal((int((~lit).sum()), 8))
    assert covered(table, lit.astype(float))[0][~lit].all()


def test_the_veil_of_a_lamp_by_night_is_no_train() -> None:
    """Its own light is gone from the surround, and more of it from near than from far."""
    lit = gone((2.0, 3.5))
    table = samples(lit, 0.01, 0.02)
    table["look"][lit] += 0.05
    table["ring"][lit] += 0.12
    hidden, _ = covered(table, lit.astype(float))
    assert not hidden.any()


def test_by_night_nothing_is_told() -> None:
    lit = gone((2.0, 3.5))
    hidden, told = covered(samples(lit, 0.005, 0.02), lit.astype(float))
    assert not hidden.any()
    assert not told.any()


def test_a_lamp_that_is_hardly_ever_lit_tells_nothing() -> None:
    lit = np.zeros(60, bool)
    lit[30:32] = True
    hidden, told = covered(samples(lit, 0.2, 0.01), lit.astype(float))
    assert not hidden.any()
    assert not told.any()


@pytest.mark.parametrize(
    ("flags", "found"),
    [([], []), ([0, 1, 1, 0, 1], [(1, 2), (4, 4)]), ([1, 1], [(0, 1)]), ([0, 0], [])],
)
def test_runs(flags: list[int], found: list[tuple[int, int]]) -> None:
    assert runs(np.array(flags, bool)) == found
