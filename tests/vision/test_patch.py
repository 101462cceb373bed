"""A spot brought to one size: its middle in the middle, whatever its size and place."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import DrawnFrame, backdrop, disc
from hypothesis import given, settings
from hypothesis import strategies as st

from mastread.vision.patch import CHANNELS, REACH, SIZE, WIDE, around, patch, views


@settings(max_examples=30, deadline=None)
@given(x=st.floats(70, 170), y=st.floats(70, 130), radius=st.floats(3.0, 15.0))
def test_a_lamp_stands_in_the_middle_at_one_size(x: float, y: float, radius: float) -> None:
    picture = backdrop(level=0.0)
    disc(picture, x, y, radius, (0.9, 0.0, 0.0))
    cut = patch(DrawnFrame(picture), x, y, radius)
    assert cut.shape == (SIZE, SIZE, 3)
    assert cut.dtype == np.uint8
    light = (cut[..., 0] / 255.0) ** 2.2
    rows, columns = np.mgrid[:SIZE, :SIZE]
    middle = (SIZE - 1) / 2
    assert float((light * columns).sum() / light.sum()) == pytest.approx(middle, abs=0.25)
    assert float((light * rows).sum() / light.sum()) == pytest.approx(middle, abs=0.25)
    # The cut reaches REACH radii, so that the lens fills a disc of SIZE / 2 / REACH pixels. The
    # drawn edge is a pixel soft and the cut's own pixels add to that.
    apparent = np.sqrt(float((light > 0.45).sum()) / np.pi)
    assert apparent == pytest.approx(SIZE / 2 / REACH, rel=0.12)


def test_values_are_coded_and_in_red_green_blue_order() -> None:
    picture = np.zeros((60, 80, 3), np.float32)
    picture[:] = (0.5, 0.2, 0.05)
    cut = patch(DrawnFrame(picture), 40.0, 30.0, 3.0)
    expected = np.rint(255 * np.array([0.5, 0.2, 0.05]) ** (1 / 2.2))
    assert np.abs(cut.astype(float) - expected).max() <= 1.0


def test_beyond_the_border_the_last_pixels_are_repeated() -> None:
    # The left half of the cut lies outside; every row of the picture has a light of its own.
    picture = np.zeros((100, 100, 3), np.float32)
    picture[:] = np.linspace(0.1, 0.9, 100, dtype=np.float32)[:, None, None]
    picture[:, 0] = 0.0
    cut = patch(DrawnFrame(picture), -0.5, 50.0, 5.0)
    outside = cut[:, : SIZE // 2 - 1]
    assert int(outside.max()) == 0
    inside = cut[:, SIZE // 2 + 2 :, 0]
    assert (np.diff(inside[:, 0].astype(int)) >= 0).all()
    assert inside[-1, 0] > inside[0, 0] + 20


@pytest.mark.parametrize("place", [(0.0, 0.0), (79.0, 59.0), (-30.0, -30.0), (120.0, 90.0)])
def test_no_place_is_too_far_out(place: tuple[float, float]) -> None:
    picture = np.full((60, 80, 3), 0.3, np.float32)
    cut = patch(DrawnFrame(picture), *place, 2.0)
    assert np.ptp(cut) == 0


@pytest.mark.parametrize("radius", [0.3, 0.8])
def test_a_spot_below_a_pixel_is_not_blown_up_without_end(radius: float) -> None:
    picture = backdrop(level=0.0)
    disc(picture, 100.0, 80.0, 0.8, (0.9, 0.9, 0.9))
    frame = DrawnFrame(picture)
    assert (patch(frame, 100.0, 80.0, radius) == patch(frame, 100.0, 80.0, 0.8)).all()


@settings(max_examples=20, deadline=None)
@given(x=st.floats(60, 180), y=st.floats(60, 140), radius=st.floats(1.5, 6.0))
def test_the_wide_view_shows_what_stands_beside_the_spot(x: float, y: float, radius: float) -> None:
    picture = backdrop(level=0.0)
    away = 0.7 * WIDE * radius
    disc(picture, x, y, radius, (0.0, 0.9, 0.0))
    disc(picture, x, min(y + away, 199.0), 1.5 * radius, (0.9, 0.0, 0.0))
    frame = DrawnFrame(picture)
    both = views(frame, x, y, radius)
    assert both.shape == (SIZE, SIZE, CHANNELS)
    assert (both[..., :3] == patch(frame, x, y, radius)).all()
    red = both[..., 3].astype(int) - both[..., 4]
    rows, columns = np.nonzero(red > 60)
    middle, per_radius = (SIZE - 1) / 2, SIZE / (2 * WIDE)
    if y + away + 1.5 * radius < 195.0:
        assert rows.mean() == pytest.approx(middle + 0.7 * WIDE * per_radius, abs=1.0)
        assert columns.mean() == pytest.approx(middle, abs=1.0)
    # Red is out of the near view's reach.
    assert int((both[..., 0].astype(int) - both[..., 1]).max()) < 60


@pytest.mark.parametrize("place", [(0.0, 0.0), (79.0, 59.0), (-30.0, -30.0), (120.0, 90.0)])
def test_the_wide_view_may_reach_beyond_the_picture(place: tuple[float, float]) -> None:
    picture = np.full((60, 80, 3), 0.3, np.float32)
    cut = around(DrawnFrame(picture), *place, 2.0)
    assert np.ptp(cut) <= 1
