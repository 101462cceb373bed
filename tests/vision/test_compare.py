"""The lamps of one picture, compared: the order does not matter, and what is no lamp has no say."""

from __future__ import annotations

import json
from importlib.resources import files

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS
from mastread.vision.compare import LEAST_ODDS, load_compare_net
from mastread.vision.features import FEATURES

Drawn = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]


def drawn(seed: int, count: int) -> Drawn:
    """Figures about as spread as real ones, colour scores, and odds to be a lamp."""
    rng = np.random.default_rng(seed)
    net = load_compare_net()
    figures = net.centre + rng.normal(0.0, 1.0, (count, len(FEATURES))) * net.spread
    scores = rng.normal(0.0, 3.0, (count, len(COLOURS)))
    return figures.astype(np.float64), scores, rng.uniform(LEAST_ODDS, 1.0, count)


def test_no_lamps_no_scores() -> None:
    figures, scores, lit = drawn(1, 0)
    assert load_compare_net().correct(figures, scores, lit).shape == (0, len(COLOURS))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 999), count=st.integers(1, 8))
def test_the_order_of_the_lamps_does_not_matter(seed: int, count: int) -> None:
    figures, scores, lit = drawn(seed, count)
    order = np.random.default_rng(seed).permutation(count)
    straight = load_compare_net().correct(figures, scores, lit)
    turned = load_compare_net().correct(figures[order], scores[order], lit[order])
    np.testing.assert_allclose(turned, straight[order], atol=1e-4)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 999), count=st.integers(1, 6))
def test_a_spot_that_is_hardly_a_lamp_says_nothing_of_the_others(seed: int, count: int) -> None:
    figures, scores, lit = drawn(seed, count + 1)
    lit[-1] = LEAST_ODDS - 0.01
    alone = load_compare_net().correct(figures[:-1], scores[:-1], lit[:-1])
    beside = load_compare_net().correct(figures, scores, lit)[:-1]
    np.testing.assert_allclose(beside, alone, atol=1e-4)


def test_a_lamp_beside_it_does_matter() -> None:
    figures, scores, lit = drawn(3, 2)
    alone = load_compare_net().correct(figures[:1], scores[:1], lit[:1])
    beside = load_compare_net().correct(figures, scores, lit)[:1]
    assert np.abs(beside - alone).max() > 0.01


def test_the_card_says_what_it_was_trained_on_and_that_it_helps() -> None:
    room = files("mastread.vision")
    card = json.loads(room.joinpath("compare_net.json").read_text(encoding="utf-8"))
    assert card["features"] == list(FEATURES)
    assert card["trained_on"] > card["checked_on"] > 0
    assert card["report"]["after"]["loss"] < card["report"]["before"]["loss"]
    assert card["report"]["after"]["wrong_of_stated"] < card["report"]["before"]["wrong_of_stated"]
