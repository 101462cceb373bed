"""Heads without light on a drawn mast of equal discs: found by day, and never by night."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import DrawnFrame, backdrop, disc
from numpy.typing import NDArray

from mastread.vision.darkheads import (
    DARK_FEATURES,
    alike_places,
    find_dark_heads,
    shifted_odds,
)

X, R = 120.0, 5.0
HEADS = (50.0, 100.0, 150.0)
FIGURE = {name: k for k, name in enumerate(DARK_FEATURES)}


def mast(
    lit: tuple[float, ...],
    *,
    sky: float = 0.35,
    discs: float = 0.02,
    heads: tuple[float, ...] = HEADS,
) -> DrawnFrame:
    """A mast of round backing discs with a lens in the middle of each, against an even sky."""
    picture = backdrop(level=sky)
    for y in heads:
        disc(picture, X, y, 2.9 * R, (discs - sky,) * 3)
        disc(picture, X, y, R, (0.01, 0.01, 0.01))
    for y in lit:
        disc(picture, X, y, R, (0.9, 0.06, 0.03))
    return DrawnFrame(np.maximum(picture, 0.0))


def spots(lit: tuple[float, ...]) -> list[tuple[float, float, float]]:
    return [(X, y, R) for y in lit]


def nearest(places: NDArray[np.float64], y: float) -> int:
    return int(np.argmin(np.hypot(places[:, 0] - X, places[:, 1] - y)))


@pytest.mark.parametrize("dark", HEADS)
def test_the_dark_disc_is_among_the_places(dark: float) -> None:
    lit = tuple(y for y in HEADS if y != dark)
    places, table, told = alike_places(mast(lit), spots(lit))
    assert told
    assert table.shape == (len(places), len(DARK_FEATURES))
    k = nearest(places, dark)
    assert places[k] == pytest.approx((X, dark), abs=1.5)
    # The likest place of all, standing in line, between the lit ones or beyond them.
    assert k == 0
    row = table[k]
    assert row[FIGURE["likeness"]] > 0.9
    assert row[FIGURE["off_line"]] < 0.4
    assert row[FIGURE["between"]] == (dark == HEADS[1])
    assert row[FIGURE["gaps_known"]] == 1.0
    assert row[FIGURE["lit_heads"]] == 2.0
    assert row[FIGURE["log_distance"]] == pytest.approx(np.log(50.0 / R), abs=0.05)


def test_lit_heads_are_no_dark_ones() -> None:
    places, _, told = alike_places(mast(HEADS), spots(HEADS))
    assert told
    for y in HEADS:
        assert (np.hypot(places[:, 0] - X, places[:, 1] - y) > 3 * R).all()


def test_a_dark_head_is_likelier_where_a_disc_stands_than_where_none_does() -> None:
    lit = HEADS[:2]

    def odds(heads: tuple[float, ...]) -> float:
        found, told = find_dark_heads(mast(lit, heads=heads), spots(lit))
        assert told
        assert [one.odds for one in found] == sorted((one.odds for one in found), reverse=True)
        near = [one.odds for one in found if abs(one.y - HEADS[2]) < R and abs(one.x - X) < R]
        return max(near, default=0.0)

    # The net never saw a picture as plain as this one: asked is only that it weighs the disc.
    assert odds(HEADS) > 0.1
    assert odds(lit) < 0.01


def test_by_night_nothing_is_found_and_this_is_said() -> None:
    lit = HEADS[:2]
    frame = mast(lit, sky=0.0004, discs=0.0001)
    places, table, told = alike_places(frame, spots(lit))
    assert (len(places), table.shape) == (0, (0, len(DARK_FEATURES)))
    assert not told
    assert find_dark_heads(frame, spots(lit)) == ([], False)


def test_lamps_of_a_pixel_show_too_little() -> None:
    lit = HEADS[:2]
    assert find_dark_heads(mast(lit), [(X, y, 1.5) for y in lit]) == ([], False)
    assert find_dark_heads(mast(lit), []) == ([], False)


def test_a_mast_at_the_edge_of_the_picture_is_no_trouble() -> None:
    whole = mast(HEADS[:2]).picture
    narrow = DrawnFrame(whole[:, int(X) - 3 : int(X) + 4])
    assert find_dark_heads(narrow, [(3.0, y, R) for y in HEADS[:2]]) == ([], False)


def test_a_place_that_may_be_a_head_counts_for_less_outside_of_made_scenes() -> None:
    odds = np.linspace(0.0, 1.0, 21)
    shifted = np.array([shifted_odds(float(p)) for p in odds])
    assert (np.diff(shifted) > 0).all()
    assert (shifted[1:-1] < odds[1:-1]).all()
    assert shifted[0] == pytest.approx(0.0, abs=1e-6)
    assert shifted[-1] == pytest.approx(1.0, abs=1e-6)
