"""How strongly a lamp shone: made samples with known dark, lit, glass, exposure and pulse width."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision.levels import shining, veil
from mastread.vision.sites import SAMPLE

FPS = 30.0
RADIUS = 4.0
AREA = np.pi * RADIUS**2


def lens(
    light: NDArray[np.float64], ring: NDArray[np.float64] | float, noise: float = 0.01
) -> NDArray[np.void]:
    """An opaque lens of a given light (linear, clipped at 1) before a surround."""
    rng = np.random.default_rng(2)
    n = len(light)
    shown = np.minimum(light, 1.0)
    table = np.zeros(n, SAMPLE)
    table["time_s"] = np.arange(n) / FPS
    table["r"] = RADIUS
    table["ring"] = ring
    table["flux"] = (shown - ring + noise * rng.standard_normal(n)) * AREA
    table["peak"] = shown - ring + noise * rng.standard_normal(n)
    table["look"] = np.broadcast_to(np.asarray(ring, np.float64), (n,))[:, None]
    return table


def beat(n: int = 180, rate_hz: float = 0.9) -> NDArray[np.bool_]:
    return (np.arange(n) / FPS * rate_hz) % 1.0 < 0.5


def looks(lit: NDArray[np.bool_]) -> list[float]:
    return (np.flatnonzero(lit)[::4] / FPS).tolist()


def told_apart(share: NDArray[np.float64], lit: NDArray[np.bool_]) -> bool:
    return bool((share[lit] > 0.6).all() and (share[~lit] < 0.4).all())


@pytest.mark.parametrize("ring", [0.0, 0.05, 0.3, 0.7, 0.95])
def test_dark_glass_before_any_surround_is_dark(ring: float) -> None:
    """Before a bright sky the lit lamp adds next to nothing, and the dark glass takes away."""
    lit = beat()
    share = shining(lens(np.where(lit, 1.0, 0.05), ring), looks(lit))
    assert told_apart(share, lit)


def test_what_passes_behind_changes_nothing() -> None:
    ring = np.full(180, 0.5)
    ring[60:120] = 0.1
    share = shining(lens(np.full(180, 1.0), ring), [0.5, 1.0, 2.5, 3.0, 5.0])
    assert (share > 0.8).all()


@pytest.mark.parametrize("glass", [0.2, 0.45, 0.6])
def test_sunlit_glass_of_a_dark_lens_is_dark(glass: float) -> None:
    lit = np.arange(180) >= 100
    table = lens(np.where(lit, 1.0, glass), 0.3)
    assert told_apart(shining(table, looks(np.ones(180, bool))), lit)


def test_glass_that_the_looks_deny_is_dark() -> None:
    lit = np.arange(180) >= 100
    table = lens(np.where(lit, 1.0, 0.78), 0.3)
    share = shining(table, looks(lit), looks(~lit))
    assert told_apart(share, lit)


@settings(max_examples=20, deadline=None)
@given(step=st.floats(0.45, 2.2), seed=st.integers(0, 9))
def test_an_exposure_that_steps_makes_no_dark(step: float, seed: int) -> None:
    """Lamp and surround change together: that is the camera."""
    gain = np.where(np.arange(240) < 120, 1.0, step)
    table = lens(0.4 * gain, 0.1 * gain)
    share = shining(table, (np.arange(0, 240, 4) / FPS).tolist())
    assert (share > 0.5).all()


def test_pulse_width_modulation_scatters_light_and_leaves_dark_dark() -> None:
    rng = np.random.default_rng(4)
    lit = beat()
    table = lens(np.where(lit, rng.uniform(0.35, 0.7, 180), 0.0), 0.02)
    share = shining(table, looks(lit))
    assert (share[~lit] < 0.3).all()
    assert (share[lit] > 0.3).all()


def test_what_was_out_of_the_picture_is_not_known() -> None:
    lit = beat()
    table = lens(np.where(lit, 1.0, 0.0), 0.1)
    table["outside"][:30] = True
    share = shining(table, looks(lit))
    assert np.isnan(share[:30]).all()
    assert np.isfinite(share[30:]).all()


def test_nothing_looked_at_is_dark() -> None:
    assert (shining(lens(np.full(30, 0.5), 0.1), []) == 0.0).all()


def test_the_veil_of_a_burnt_out_lamp_follows_its_light() -> None:
    light = np.where(np.arange(120) < 60, 20.0, 20.0 * np.exp(-(np.arange(120) - 60) / 4.0))
    table = lens(light, 0.02)
    rng = np.random.default_rng(5)
    table["ring"] = 0.02 + 0.005 * light + 0.0005 * rng.standard_normal(120)
    table["peak"] = np.minimum(light, 1.0) - table["ring"]
    found = veil(table, light > 0.5)
    assert found is not None
    # Half of its light is gone 2.8 frames after it began to fall; the lens itself clips for 12.
    assert found[63] == pytest.approx(0.5, abs=0.1)
    assert found[:59] == pytest.approx(1.0, abs=0.1)


def test_a_lamp_that_does_not_clip_needs_no_veil() -> None:
    assert veil(lens(np.where(beat(), 0.5, 0.0), 0.02), beat()) is None
