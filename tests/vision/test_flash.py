"""Beats found among edges: made-up edge times whose truth is known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.vision.flash import Edge, find_flashes, fit_flash


def beat(
    rate_hz: float, duty: float, cycles: float, start_s: float = 0.3, sd_s: float = 0.01
) -> list[Edge]:
    """Edges of a perfect flash, beginning with a rise."""
    period = 1.0 / rate_hz
    edges = []
    for k in range(int(np.ceil(cycles)) + 1):
        edges.append(Edge(start_s + k * period, True, sd_s))
        edges.append(Edge(start_s + (k + duty) * period, False, sd_s))
    end = start_s + cycles * period
    return [edge for edge in edges if edge.time_s <= end + 1e-9]


@given(
    rate_hz=st.floats(0.55, 1.5),
    duty=st.floats(0.3, 0.7),
    cycles=st.floats(2.0, 12.0),
    falls_first=st.booleans(),
)
def test_a_perfect_beat_is_found_with_its_rate_and_duty(
    rate_hz: float, duty: float, cycles: float, falls_first: bool
) -> None:
    edges = beat(rate_hz, duty, cycles + 1.0)
    if falls_first:
        edges = edges[1:]
    (flash,) = find_flashes(edges)
    assert flash.rate_hz == pytest.approx(rate_hz, rel=1e-6)
    assert flash.duty == pytest.approx(duty, abs=1e-6)
    assert flash.edges == len(edges)


def test_fewer_than_two_whole_cycles_are_no_flash() -> None:
    # Two whole cycles have five edges; four are one and a half.
    assert find_flashes(beat(1.0, 0.5, 1.5)) == []
    assert len(find_flashes(beat(1.0, 0.5, 2.0))) == 1


def test_uneven_spells_are_no_flash() -> None:
    times = [0.5, 1.7, 2.0, 4.1, 4.4, 5.9]
    edges = [Edge(t, k % 2 == 0, 0.01) for k, t in enumerate(times)]
    assert find_flashes(edges) == []


@pytest.mark.parametrize("rate_hz", [0.2, 3.0, 10.0])
def test_rates_that_no_flasher_has_are_no_flash(rate_hz: float) -> None:
    assert find_flashes(beat(rate_hz, 0.5, 6.0)) == []


def test_a_steady_time_between_two_beats_parts_them() -> None:
    first = beat(1.0, 0.5, 4.5)
    later = beat(0.8, 0.5, 4.5, start_s=first[-1].time_s + 6.0)
    found = find_flashes([*first, *later])
    assert [round(flash.rate_hz, 6) for flash in found] == [1.0, 0.8]


def test_the_stated_error_covers_the_true_rate() -> None:
    """With edges blurred by frames 1/30 s apart, |error| < 2 sd about 95 times in 100."""
    rng = np.random.default_rng(3)
    frame_s = 1 / 30
    inside, trials = 0, 400
    for _ in range(trials):
        rate = rng.uniform(0.6, 1.4)
        exact = beat(rate, rng.uniform(0.4, 0.6), rng.uniform(4, 9), rng.uniform(0, 1))
        # An edge is put half way between the two frames it fell between.
        seen = [
            Edge((np.floor(e.time_s / frame_s) + 0.5) * frame_s, e.rise, frame_s / np.sqrt(12))
            for e in exact
        ]
        flash = fit_flash(seen)
        assert flash is not None
        inside += abs(flash.rate_hz - rate) < 2 * flash.rate_sd_hz
    # Binomial scatter of 400 trials at 0.95 is 0.011; three of them either way. Quantised
    # edges are less scattered than a normal error, so more may be covered.
    assert 0.915 < inside / trials <= 1.0
