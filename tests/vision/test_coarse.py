"""Clips of few frames a second: what flashes between them is not known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.vision.coarse import COARSE_S, doubt_coarse
from mastread.vision.curves import Curve
from mastread.vision.lenses import Lens
from mastread.vision.sites import SAMPLE, Site
from mastread.vision.spans import Head, head_of


def head(times: NDArray[np.float64], lit: NDArray[np.float64]) -> Head:
    table = np.zeros(len(times), SAMPLE)
    table["frame"], table["time_s"] = np.arange(len(times)), times
    values = lit.astype(np.float32)
    site = Site(0, 0, 100.0, 50.0, 5.0, 0.0, samples=list(table))
    return head_of([Lens(site, Curve(times, values, values), ())])


def test_a_lamp_lit_at_every_look_a_second_apart_may_flash_in_between() -> None:
    # Flashing 60 times a minute and looked at once a second, a lamp is lit every time.
    times = np.arange(40.0)
    before = head(times, np.ones(40))
    after = doubt_coarse(before)
    assert before.parts[0].odds["steady"] > 0.9
    (part,) = after.parts
    assert part.odds["steady"] == part.odds["flashing"] == 0.5
    assert part.flash is None
    assert after.lenses == before.lenses


def test_darkness_between_far_looks_is_left_open_too() -> None:
    times = np.arange(40.0)
    parts = doubt_coarse(head(times, (times < 20).astype(float))).parts
    assert all(max(part.odds.values()) <= 0.5 for part in parts)


@pytest.mark.parametrize("rate_hz", [5.0, 10.0, 25.0, 240.0])
def test_looks_that_are_near_enough_are_believed(rate_hz: float) -> None:
    assert 1.0 / rate_hz <= COARSE_S
    times = np.arange(0.0, 6.0, 1.0 / rate_hz)
    before = head(times, np.ones(len(times)))
    assert doubt_coarse(before) is before
