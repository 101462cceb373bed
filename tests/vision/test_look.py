"""One look at one picture: what it may not see, and how other lights in it count."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import DrawnFrame, backdrop, disc
from hypothesis import given
from hypothesis import strategies as st

from mastread.decoder.words import COLOURS
from mastread.vision import look as module
from mastread.vision.frame import Planes
from mastread.vision.limits import limits
from mastread.vision.look import GREY, LEAST_ODDS, candidates_in, colour_odds, cut, is_grey, look

RED = (0.85, 0.05, 0.03)


def grey_frame() -> DrawnFrame:
    """Lamps on a mast as a picture without colour shows them."""
    picture = backdrop()
    for y in (60.0, 100.0, 140.0):
        disc(picture, 120.0, y, 16.0, (-0.04, -0.04, -0.04))
        disc(picture, 120.0, y, 6.0, RED)
    grey = picture @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    return DrawnFrame(np.repeat(4.0 * grey[..., None], 3, axis=2))


def test_a_grey_picture_has_no_lamps_however_bright_its_spots() -> None:
    frame = grey_frame()
    assert float(frame.linear(0, 0, 240, 200).max()) > 0.8
    assert is_grey(frame.planes())
    assert len(candidates_in(frame, None, 400)) == 0
    assert look(frame) == []


@pytest.mark.parametrize(("off", "grey"), [(0, True), (GREY, True), (GREY + 1, False)])
def test_one_coloured_spot_makes_a_picture_coloured(off: int, grey: bool) -> None:
    neutral = np.full((60, 80), 128, np.uint8)
    v = neutral.copy()
    v[20, 30] = 128 - off
    luma = np.full((120, 160), 90, np.uint8)
    assert is_grey(Planes(luma, neutral, v, True)) is grey


def odds_in_a_crowd(crowd: int) -> np.ndarray:
    """Odds of one lamp of each colour, told apart without doubt, in a crowd of that size."""
    lamp = np.full(len(COLOURS), 0.9)
    return module._with_rarity(lamp, 30.0 * np.eye(len(COLOURS)), crowd)


def test_a_crowd_of_like_spots_lowers_the_odds_of_every_one() -> None:
    allowed = int(limits("lamps")["crowd"])
    alone, at_limit = odds_in_a_crowd(1), odds_in_a_crowd(allowed)
    np.testing.assert_allclose(alone, at_limit)
    crowded = [odds_in_a_crowd(n) for n in (allowed + 1, 2 * allowed, 8 * allowed)]
    for fewer, more in zip([at_limit, *crowded], crowded, strict=False):
        assert (more < fewer).all()

    # Each doubling takes the same number of log-odds.
    def log_odds(p: np.ndarray) -> np.ndarray:
        return np.log(p / (1 - p))

    lost = log_odds(at_limit) - log_odds(crowded[1])
    np.testing.assert_allclose(log_odds(at_limit) - log_odds(crowded[2]), 3 * lost, rtol=1e-6)
    np.testing.assert_allclose(lost, limits("lamps")["crowd_slope"] * np.log(2), rtol=1e-6)


def test_white_spots_are_believed_least() -> None:
    odds = dict(zip(COLOURS, odds_in_a_crowd(1), strict=True))
    assert min(odds, key=lambda colour: odds[colour]) == "white"
    assert odds["white"] < 0.5 < odds["red"]


def test_spots_of_one_lamp_are_handed_on_once() -> None:
    picture = backdrop()
    disc(picture, 120.0, 100.0, 16.0, (-0.04, -0.04, -0.04))
    disc(picture, 120.0, 100.0, 6.0, RED)
    lamps = look(DrawnFrame(picture))
    near = [lamp for lamp in lamps if np.hypot(lamp.x - 120, lamp.y - 100) < 8]
    assert len(near) == 1
    assert all(lamp.lamp_odds >= LEAST_ODDS for lamp in lamps)
    assert near[0].radius == pytest.approx(6.0, abs=0.6)
    odds = colour_odds(near[0].colour_scores)
    assert max(odds, key=lambda colour: odds[colour]) == "red"


def test_a_region_keeps_what_lies_in_it_in_coordinates_of_the_picture() -> None:
    picture = backdrop()
    for x in (60.0, 180.0):
        disc(picture, x, 100.0, 6.0, RED)
    found = candidates_in(DrawnFrame(picture), (151, 61, 61, 79), 400)
    assert len(found)
    assert ((found["x"] > 150) & (found["x"] < 212)).all()
    assert np.hypot(found["x"] - 180, found["y"] - 100).min() < 3.0


@given(x=st.integers(0, 158), y=st.integers(0, 118), w=st.integers(1, 160), h=st.integers(1, 120))
def test_a_cut_holds_its_region_and_keeps_colour_beside_luma(
    x: int, y: int, w: int, h: int
) -> None:
    luma = np.arange(120 * 160).reshape(120, 160).astype(np.uint8)
    colour = np.arange(60 * 80).reshape(60, 80).astype(np.uint8)
    part, left, top = cut(Planes(luma, colour, colour, True), (x, y, w, h))
    assert left <= x
    assert top <= y
    assert (left % 2, top % 2) == (0, 0)
    assert part.u.shape == part.v.shape == (-(-part.y.shape[0] // 2), -(-part.y.shape[1] // 2))
    assert part.y[0, 0] == luma[top, left]
    assert part.u[0, 0] == colour[top // 2, left // 2]
    # Up to one colour sample may be missing at the far edge.
    assert left + part.y.shape[1] >= min(x + w, 160) - 1
    assert top + part.y.shape[0] >= min(y + h, 120) - 1


@given(st.lists(st.floats(-50, 50), min_size=6, max_size=6), st.floats(-100, 100))
def test_colour_odds_sum_to_one_and_ignore_a_constant(scores: list[float], move: float) -> None:
    odds = colour_odds(np.array(scores))
    assert sum(odds.values()) == pytest.approx(1.0)
    moved = colour_odds(np.array(scores) + move)
    assert list(moved.values()) == pytest.approx(list(odds.values()))
