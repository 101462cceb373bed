"""Flash rate, on-fraction and edges against exact synthetic timing; flicker and its cure.

Frames gather light over their shutter; the truth of each case is exact, and the stated bounds
must hold it in every case.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.tools.leds import beat, flicker

Floats = NDArray[np.float64]

RATES: dict[str, Fraction] = {
    "24": Fraction(24),
    "25": Fraction(25),
    "29.97": Fraction(30000, 1001),
    "30": Fraction(30),
    "50": Fraction(50),
    "59.94": Fraction(60000, 1001),
    "60": Fraction(60),
    "120": Fraction(120),
}


def exposed(
    light: Any, fps: float, shutter_s: float, seconds: float = 8.0
) -> tuple[Floats, Floats]:
    """Frame times and mean light over each frame's shutter, worked out in fine steps."""
    time_s = np.arange(int(seconds * fps)) / fps
    steps = (np.arange(400) + 0.5) / 400 * shutter_s
    return time_s, light(time_s[:, None] + steps).mean(axis=1)


def flash(hz: float, on: float, phase: float, rise_s: float = 0.0) -> Any:
    """Light of a flash with straight rises and falls; `on` is the share over half light."""

    def light(t: Floats) -> Floats:
        cycle = np.mod(t * hz + phase, 1.0) / hz
        lit = on / hz
        if rise_s == 0.0:
            return (cycle < lit).astype(float)
        up = np.clip(cycle / rise_s, 0, 1)
        down = np.clip((cycle - lit) / rise_s, 0, 1)
        return up - down

    return light


@pytest.mark.parametrize("rate", RATES)
def test_rate_and_on_fraction_lie_within_the_stated_bounds(rate: str) -> None:
    fps = float(RATES[rate])
    rng = np.random.default_rng(20000 + round(fps))
    for _ in range(12):
        hz, on = rng.uniform(0.6, 1.45), rng.uniform(0.35, 0.66)
        shutter = rng.choice([0.02, 0.3, 1.0]) / fps
        time_s, flux = exposed(flash(hz, on, rng.uniform()), fps, shutter)
        flux = 40.0 * flux + 3.0 + rng.normal(0, 0.6, len(flux))
        found = beat.beat_of(time_s, flux)
        assert found is not None, (hz, on)
        assert found.rate_hz.low <= hz <= found.rate_hz.high
        assert found.on_fraction.low <= on <= found.on_fraction.high
        # Bounds worth having: two edges at least seven cycles apart, each known to one frame.
        assert found.rate_hz.half / hz < 1.3 / (fps * 5.0)
        assert found.on_fraction.half < 1.6 * hz / fps
        assert found.cycles >= 3


@pytest.mark.parametrize("rate", RATES)
def test_beats_in_step_with_the_frames(rate: str) -> None:
    # The worst case for straight-line fits: every edge falls at the same place between two frames.
    fps = float(RATES[rate])
    for count in (round(fps * 0.8), round(fps)):
        hz = fps / count
        time_s, flux = exposed(flash(hz, 0.5, 0.013), fps, 0.02 / fps)
        found = beat.beat_of(time_s, flux)
        assert found is not None
        assert found.rate_hz.low <= hz <= found.rate_hz.high
        assert found.on_fraction.low <= 0.5 <= found.on_fraction.high


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("rise_s", [0.0, 0.06, 0.15])
def test_rise_and_fall_lie_within_the_stated_bounds(rate: str, rise_s: float) -> None:
    fps = float(RATES[rate])
    tenth_to_nine = 0.8 * rise_s
    for shutter in (0.05 / fps, 0.9 / fps):
        for phase in (0.0, 0.37):
            time_s, flux = exposed(flash(0.91, 0.5, phase, rise_s), fps, shutter)
            found = beat.beat_of(time_s, flux)
            assert found is not None
            for edge in (found.rise_s, found.fall_s):
                assert edge.low <= tenth_to_nine + 1e-9
                assert edge.high >= tenth_to_nine - 1e-9
            if rise_s == 0.15 and fps >= 50:
                assert found.rise_s.low > 0.02


@pytest.mark.parametrize("burnt", [False, True])
def test_a_filament_s_on_fraction_covers_that_of_its_current(burnt: bool) -> None:
    # A filament warms in about 60 ms and cools in about 100 (common practice, no source).
    for fps in (25.0, 30.0, 60.0):
        step = 1e-3
        t = np.arange(0, 8, step)
        current = np.mod(t * 1.0 + 0.1, 1.0) < 0.5
        light = np.zeros(len(t))
        for k in range(1, len(t)):
            pace = 0.06 if current[k] else 0.10
            light[k] = light[k - 1] + step / pace * (float(current[k]) - light[k - 1])
        seen = np.minimum(light, 0.35) if burnt else light
        time_s = np.arange(int(7.9 * fps)) / fps
        flux = np.interp(time_s, t, seen)
        found = beat.beat_of(time_s, flux, burnt=burnt)
        assert found is not None
        assert found.on_fraction.low <= 0.5 <= found.on_fraction.high
        assert found.rate_hz.low <= 1.0 <= found.rate_hz.high


def test_lost_and_hidden_frames_do_not_matter() -> None:
    rng = np.random.default_rng(20003)
    time_s, flux = exposed(flash(1.0, 0.5, 0.2), 30.0, 0.01)
    kept = rng.random(len(time_s)) > 0.08
    found = beat.beat_of(time_s[kept], flux[kept])
    assert found is not None
    assert found.rate_hz.low <= 1.0 <= found.rate_hz.high


@pytest.mark.parametrize("kind", ["steady", "one change", "short", "random"])
def test_what_is_no_even_flash_is_none(kind: str) -> None:
    time_s = np.arange(240) / 30.0
    flux = np.ones(240)
    if kind == "one change":
        flux[100:] = 0.02
    if kind == "short":
        flux = (np.mod(time_s, 6.0) < 3.0).astype(float)
    if kind == "random":
        spells = np.random.default_rng(4).integers(4, 40, 30)
        flux = np.repeat(np.arange(30) % 2, spells)[:240].astype(float)
    assert beat.beat_of(time_s, flux) is None


def test_an_uneven_beat_has_wider_bounds() -> None:
    rng = np.random.default_rng(20004)
    even, _ = exposed(flash(1.0, 0.5, 0.2), 60.0, 0.001)
    edges = np.arange(1.0, 15.0) * 0.5 + rng.uniform(-0.05, 0.05, 14)
    flux = (np.searchsorted(edges, even) % 2).astype(float)
    found = beat.beat_of(even, flux)
    assert found is not None
    assert found.uneven_s > 0.01
    assert found.rate_hz.low <= 1.0 <= found.rate_hz.high
    assert found.on_fraction.half > 0.02


# --- flicker -----------------------------------------------------------------------------------


def pulsed(hz: float, duty: float) -> Any:
    return lambda t: (np.mod(t * hz + 0.1, 1.0) < duty).astype(float)


def rippled(hz: float) -> Any:
    return lambda t: np.sin(np.pi * hz * t + 0.4) ** 2


@pytest.mark.parametrize(
    ("mains", "fps"), [(50.0, 30.0), (50.0, 24.0), (60.0, 25.0), (60.0, 50.0), (50.0, 59.94)]
)
def test_mains_flicker_is_named_and_its_shutter_hides_it(mains: float, fps: float) -> None:
    # An LED on rectified mains follows the current: light goes as sin squared at twice the mains.
    light = rippled(2 * mains)
    rng = np.random.default_rng(20011)
    time_s, flux = exposed(light, fps, 1 / 1000)
    found = flicker.flicker_of(time_s, flux * (1 + rng.normal(0, 0.01, len(flux))))
    assert found is not None
    assert found.mains_hz == mains
    assert found.drives_hz[0] == 2 * mains
    assert found.depth > 0.2
    assert found.left < 0.01
    _, cured = exposed(light, fps, found.shutter_s)
    assert np.ptp(cured) / cured.mean() < 0.02
    assert flicker.flicker_of(time_s, cured * (1 + rng.normal(0, 0.01, len(cured)))) is None


def test_pulse_dimming_is_named_and_weakened() -> None:
    time_s, flux = exposed(pulsed(244.0, 0.4), 25.0, 1 / 2000)
    found = flicker.flicker_of(time_s, flux + np.random.default_rng(1).normal(0, 0.01, len(flux)))
    assert found is not None
    assert found.mains_hz is None
    assert any(abs(drive - 244.0) < 0.3 for drive in found.drives_hz)
    _, cured = exposed(pulsed(244.0, 0.4), 25.0, found.shutter_s)
    assert np.ptp(cured) / cured.mean() < 0.25 * np.ptp(flux) / flux.mean()


def test_steady_and_drifting_light_is_no_flicker() -> None:
    rng = np.random.default_rng(20012)
    time_s = np.arange(300) / 30.0
    drift = 1.0 + 0.2 * np.sin(0.3 * time_s)
    for light in (np.ones(300), drift):
        assert flicker.flicker_of(time_s, light * (1 + rng.normal(0, 0.01, 300))) is None


# The formula |f - fps round(f / fps)| is that of sampling; worked values by hand.
@pytest.mark.parametrize(
    ("drive", "fps", "seen"),
    [(100, 24, 4.0), (100, 25, 0.0), (120, 25, 5.0), (100, 30, 10.0), (244, 30, 4.0),
     (120, 30000 / 1001, 0.1199)],
)  # fmt: skip
def test_apparent_frequency(drive: float, fps: float, seen: float) -> None:
    assert flicker.apparent_hz(drive, fps) == pytest.approx(seen, abs=1e-3)


def test_a_whole_cycle_of_the_shutter_lets_nothing_through() -> None:
    for drive, shutter in ((100, 1 / 50), (100, 1 / 100), (120, 1 / 60), (120, 1 / 120)):
        assert flicker.let_through(drive, shutter) == pytest.approx(0.0, abs=1e-9)
    assert flicker.let_through(100, 1 / 1000) == pytest.approx(0.984, abs=1e-3)


def test_stripes_of_a_rolling_shutter_are_found_and_plain_lamps_have_none() -> None:
    y, x = np.mgrid[-30:31, -30:31]
    disc = np.clip(25.5 - np.hypot(x, y), 0, 1) * 0.6
    lit = 0.65 + 0.35 * np.sign(np.sin(2 * np.pi * (y + 30) / 9.0 + 0.5))
    found = flicker.bands_of(disc * lit)
    assert found is not None
    assert found.rows == pytest.approx(9.0, abs=0.4)
    noise = np.random.default_rng(3).normal(0, 0.01, disc.shape)
    assert flicker.bands_of(disc + noise) is None
    assert flicker.bands_of(disc * np.exp(-(x**2 + y**2) / 900.0) + noise) is None
