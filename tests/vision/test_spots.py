"""Finding and measuring drawn discs of light whose place, size and colour are known."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import DrawnFrame, Picture, backdrop, disc
from hypothesis import given, settings
from hypothesis import strategies as st

from mastread.vision.measure import CLIPPED, measure
from mastread.vision.motion import View
from mastread.vision.propose import CANDIDATE, propose
from mastread.vision.segment import Seen
from mastread.vision.sites import Site, sample


def test_an_even_picture_has_no_candidates() -> None:
    frame = DrawnFrame(np.full((80, 120, 3), 0.2, np.float32))
    found = propose(frame.planes())
    assert found.dtype == CANDIDATE
    assert len(found) == 0


@pytest.mark.parametrize("size", [(1, 1), (1, 50), (3, 2), (7, 7)])
def test_tiny_pictures_are_searched_without_trouble(size: tuple[int, int]) -> None:
    frame = DrawnFrame(np.full((*size, 3), 0.2, np.float32))
    height, width = size
    assert len(propose(frame.planes())) == 0
    assert (frame.width, frame.height) == (width, height)


@settings(max_examples=40, deadline=None)
@given(
    x=st.floats(60, 180),
    y=st.floats(60, 140),
    radius=st.floats(1.5, 20.0),
    colour=st.sampled_from([(0.9, 0.05, 0.03), (0.8, 0.3, 0.03), (0.05, 0.9, 0.5)]),
)
def test_a_lamp_is_proposed_and_measured(
    x: float, y: float, radius: float, colour: tuple[float, float, float]
) -> None:
    picture = backdrop()
    disc(picture, x, y, radius, colour)
    frame = DrawnFrame(picture)
    found = propose(frame.planes())
    distance = np.hypot(found["x"] - x, found["y"] - y)
    assert (distance < max(0.5 * radius, 1.5)).any()
    best = found[int(np.argmin(distance))]
    spot = measure(frame, float(best["x"]), float(best["y"]), float(best["radius"]))
    assert spot is not None
    # Half a pixel of soft edge moves neither the centre nor the area by more than this.
    assert spot["x"] == pytest.approx(x, abs=0.25)
    assert spot["y"] == pytest.approx(y, abs=0.25)
    assert spot["radius"] == pytest.approx(radius, abs=0.12 * radius + 0.35)
    share = np.array(colour) / max(colour)
    assert spot["core"] / spot["core"].max() == pytest.approx(share, abs=0.05)


def test_a_burnt_out_core_is_read_by_its_rim() -> None:
    """The core clips to yellow-white; the unclipped rim keeps the red."""
    picture = backdrop(level=0.01)
    rows, columns = np.mgrid[:200, :240]
    r2 = (columns - 120.0) ** 2 + (rows - 100.0) ** 2
    profile = 12.0 * np.exp(-r2 / (2 * 6.0**2))
    picture += profile[..., None].astype(np.float32) * np.array([1.0, 0.1, 0.02], np.float32)
    spot = measure(DrawnFrame(picture), 120, 100, 8.0)
    assert spot is not None
    # Of the area over half height, the share inside the clipping radius (both Gaussian).
    expected = np.log(12 / CLIPPED) / np.log(12 / 0.5)
    assert spot["clipped"][0] == pytest.approx(expected, abs=0.03)
    assert spot["core"][1] > 0.35 * spot["core"][0]  # taken alone, the core would pass for yellow
    assert spot["rim"][0] == pytest.approx(1.0)
    assert spot["rim"][1] == pytest.approx(0.1, abs=0.03)


class _Turned(DrawnFrame):
    """Gives its crops as views of a picture that lies on its side in memory."""

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> Picture:
        lying = np.ascontiguousarray(super().linear(x0, y0, x1, y1).swapaxes(0, 1))
        return lying.swapaxes(0, 1)


def test_a_picture_that_lies_on_its_side_in_memory_is_measured_alike() -> None:
    picture = backdrop()
    disc(picture, 120.3, 90.6, 6.0, (0.9, 0.1, 0.05))
    for x, radius in ((120, 6.0), (120, 1.5), (60, 3.0)):
        upright = measure(DrawnFrame(picture), x, 90, radius)
        turned = measure(_Turned(picture), x, 90, radius)
        assert (upright is None) == (turned is None)
        if upright is not None and turned is not None:
            assert turned == upright


def test_a_straight_edge_is_not_a_spot_that_closes() -> None:
    picture = backdrop()
    picture[:, 120:] += 0.5
    spot = measure(DrawnFrame(picture), 122, 100, 6.0)
    assert spot is None or spot["closed"] < 0.7


def test_a_site_is_measured_lit_and_dark_at_the_same_place() -> None:
    still = View(0, np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), 1.0)
    site = Site(0, 0, 120.0, 100.0, 5.0, 0.0, lit_peak=0.8)
    lit = backdrop()
    disc(lit, 121.0, 100.6, 5.0, (0.8, 0.1, 0.05))
    bright = sample(DrawnFrame(lit, 0.0, 0), still, site, np.zeros(2))
    dark = sample(DrawnFrame(backdrop(), 0.1, 1), still, site, site.drift)
    # The lamp stood a little off: the lit frame settles on it, the dark one stays there.
    assert bright["x"] == pytest.approx(121.0, abs=0.2)
    assert dark["x"] == pytest.approx(121.0, abs=0.2)
    assert dark["y"] == pytest.approx(100.6, abs=0.2)
    # A disc of radius 5 has 79 pixels; each holds 0.8 over the surround.
    assert bright["flux"] == pytest.approx(0.8 * np.pi * 5.0**2, rel=0.1)
    assert abs(float(dark["flux"])) < 0.05 * float(bright["flux"])
    assert bright["rgb"][1] / bright["rgb"][0] == pytest.approx(0.125, abs=0.02)


def test_a_place_outside_the_picture_says_so() -> None:
    away = View(0, np.array([[1.0, 0.0, 500.0], [0.0, 1.0, 0.0]]), 1.0)
    site = Site(0, 0, 120.0, 100.0, 5.0, 0.0, lit_peak=0.8)
    row = sample(DrawnFrame(backdrop()), away, site, np.zeros(2))
    assert row["outside"]
    assert np.isnan(row["flux"])


def test_a_detail_at_the_rim_of_a_spot_is_not_followed_again() -> None:
    picture = backdrop()
    disc(picture, 180.0, 90.0, 14.0, (0.9, 0.1, 0.05))
    # A smaller lamp, brighter, in front of a large pale patch is no part of it.
    disc(picture, 70.0, 110.0, 22.0, (0.25, 0.25, 0.25))
    disc(picture, 78.0, 114.0, 4.0, (0.9, 0.1, 0.05))
    frame = DrawnFrame(picture)
    seen = Seen()
    assert measure(frame, 180, 90, 10.0, seen) is not None
    assert measure(frame, 194, 91, 2.0) is not None
    assert measure(frame, 194, 91, 2.0, seen) is None
    assert measure(frame, 58, 106, 16.0, seen) is not None
    inner = measure(frame, 78, 114, 3.0, seen)
    assert inner is not None
    assert inner["radius"] == pytest.approx(4.0, abs=0.8)
