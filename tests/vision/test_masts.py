"""Grouping by place: layouts whose masts are known because they were laid out here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision import masts

Place = tuple[float, float, float]


def grouped(places: list[Place]) -> list[tuple[int, ...]]:
    x, y, r = (np.array(column, np.float64) for column in zip(*places, strict=True))
    return [group.members for group in masts.group(x, y, r)]


def test_nothing_gives_no_masts() -> None:
    nothing: NDArray[np.float64] = np.zeros(0)
    assert masts.group(nothing, nothing, nothing) == []


@given(
    scale=st.floats(1.0, 20.0),
    lean=st.floats(-0.08, 0.08),
    spacing=st.floats(5.0, 30.0),
    order=st.permutations([0, 1, 2]),
)
def test_three_heads_in_line_are_one_mast_top_to_bottom(
    scale: float, lean: float, spacing: float, order: list[int]
) -> None:
    places = [(500 + lean * k * spacing * scale, 300 + k * spacing * scale, scale) for k in order]
    (members,) = grouped(places)
    heights = [places[i][1] for i in members]
    assert heights == sorted(heights)
    assert len(members) == 3


def test_two_masts_side_by_side_are_two_masts_left_to_right() -> None:
    r = 5.0
    left = [(400.0, 300.0, r), (401.0, 380.0, r), (402.0, 460.0, r)]
    right = [(540.0, 310.0, r), (541.0, 392.0, r)]
    groups = grouped([*right, *left])
    assert groups == [(2, 3, 4), (0, 1)]


def test_heads_on_alternate_sides_are_one_mast_and_said_to_be_staggered() -> None:
    x = np.array([400.0, 440.0])
    y = np.array([300.0, 390.0])
    r = np.array([5.0, 5.0])
    (group,) = masts.group(x, y, r)
    assert group.members == (0, 1)
    assert group.staggered is not None
    assert group.staggered > 0.9


def test_heads_in_line_are_said_not_to_be_staggered() -> None:
    (group,) = masts.group(
        np.array([400.0, 401.0, 402.0]), np.array([300.0, 380.0, 460.0]), np.full(3, 5.0)
    )
    assert group.staggered is not None
    assert group.staggered < 0.1


def test_a_single_head_has_no_arrangement() -> None:
    (group,) = masts.group(np.array([10.0]), np.array([20.0]), np.array([3.0]))
    assert group.staggered is None


@pytest.mark.parametrize("ratio", [3.0, 0.3])
def test_lamps_of_unlike_size_are_not_one_mast(ratio: float) -> None:
    assert len(grouped([(400.0, 300.0, 6.0), (400.0, 400.0, 6.0 * ratio)])) == 2


def test_lamps_at_one_height_are_never_one_mast() -> None:
    assert len(grouped([(400.0, 300.0, 5.0), (430.0, 300.0, 5.0)])) == 2


MAST: list[Place] = [(400.0, 300.0, 5.0), (401.0, 380.0, 5.0)]


@pytest.mark.parametrize(
    ("spot", "fits"),
    [
        ((402.0, 460.0, 5.0), True),  # the next below
        ((399.0, 220.0, 5.0), True),  # the next above
        ((400.5, 540.0, 5.0), True),  # one between is dark
        ((440.0, 460.0, 5.0), False),  # off the line, but the others are on it
        ((400.5, 340.0, 11.0), False),  # another size
        ((402.0, 384.0, 5.0), False),  # on top of a head
        ((402.0, 460.0 + 44.0 * 5.0, 5.0), False),  # too far below
        ((470.0, 300.0, 5.0), False),  # beside it
    ],
)
def test_a_further_head_stands_where_heads_stand(spot: Place, fits: bool) -> None:
    assert masts.fits(MAST, spot) is fits


def test_a_mast_has_no_fifth_head() -> None:
    four = [(400.0, 300.0 + 80.0 * k, 5.0) for k in range(4)]
    assert masts.fits(four[:3], four[3])
    assert not masts.fits(four, (400.0, 620.0, 5.0))


@given(
    x=st.floats(340, 460),
    y=st.floats(100, 700),
    radius=st.floats(3, 9),
    right=st.integers(-500, 500),
    down=st.integers(-500, 500),
)
def test_whether_a_spot_fits_depends_on_no_place_in_the_picture(
    x: float, y: float, radius: float, right: int, down: int
) -> None:
    # Places in quarters of a pixel, so that moving them is exact.
    x, y, radius = round(4 * x) / 4, round(4 * y) / 4, round(4 * radius) / 4
    moved = [(a + right, b + down, r) for a, b, r in MAST]
    mirrored = [(-a, b, r) for a, b, r in MAST]
    fits = masts.fits(MAST, (x, y, radius))
    assert masts.fits(moved, (x + right, y + down, radius)) == fits
    assert masts.fits(mirrored, (-x, y, radius)) == fits


def odds_of(places: list[Place], witness: masts.Witness | None = None) -> list[float]:
    x, y, r = (np.array(column, np.float64) for column in zip(*places, strict=True))
    return [group.odds for group in masts.group(x, y, r, witness)]


def test_masts_far_apart_are_told_apart_for_sure() -> None:
    places = [(200.0, 300.0, 5.0), (200.0, 350.0, 5.0), (900.0, 300.0, 5.0), (900.0, 350.0, 5.0)]
    assert grouped(places) == [(0, 1), (2, 3)]
    assert min(odds_of(places)) > 0.97


def test_lamps_that_may_be_two_masts_or_a_staggered_one_are_doubtful() -> None:
    (first, *_) = odds_of([(400.0, 300.0, 5.0), (430.0, 345.0, 5.0)])
    assert 0.3 < first < 0.97


def test_what_is_seen_between_two_lamps_settles_whose_they_are() -> None:
    places = [(400.0, 300.0, 5.0), (430.0, 345.0, 5.0)]
    joined = masts.group(*(np.array(c) for c in zip(*places, strict=True)), lambda *_: 4.0)
    apart = masts.group(*(np.array(c) for c in zip(*places, strict=True)), lambda *_: -6.0)
    assert [g.members for g in joined] == [(0, 1)]
    assert [g.members for g in apart] == [(0,), (1,)]
    assert joined[0].odds > 0.9


def test_a_staggered_mast_goes_from_side_to_side_and_no_further() -> None:
    # The third head returns to the side of the first; a stair of lamps is no mast.
    zigzag = [(400.0, 300.0, 5.0), (425.0, 350.0, 5.0), (400.0, 400.0, 5.0)]
    stair = [(400.0, 300.0, 5.0), (425.0, 350.0, 5.0), (450.0, 400.0, 5.0)]
    assert grouped(zigzag) == [(0, 1, 2)]
    assert len(grouped(stair)) > 1


def test_many_lamps_in_one_neighbourhood_are_still_grouped() -> None:
    # Five masts of three heads on one gantry, 20 radii apart: more than are weighed in full.
    places = [(100.0 + 100.0 * k, 300.0 + 50.0 * i, 5.0) for k in range(5) for i in range(3)]
    assert grouped(places) == [(3 * k, 3 * k + 1, 3 * k + 2) for k in range(5)]
