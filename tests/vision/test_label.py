"""From odds to words: a word is stated only where the odds carry it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.decoder.words import BEHAVIOURS, COLOURS, Behaviour, Colour
from mastread.vision.label import STATE_AT, HeadLabel, label_head
from mastread.vision.types import HeadSeen


def head(colour: dict[Colour, float], behaviour: dict[Behaviour, float]) -> HeadSeen:
    return HeadSeen(colour, behaviour, 0.0, 0.0, 5.0)


STEADY: dict[Behaviour, float] = {"steady": 0.97, "flashing": 0.03, "dark": 0.0}


@pytest.mark.parametrize(
    ("red", "stated"), [(0.901, "red"), (0.9, "red"), (0.899, "unknown"), (0.5, "unknown")]
)
def test_a_colour_is_stated_from_nine_in_ten(red: float, stated: str) -> None:
    label = label_head(head({"red": red, "yellow": 1 - red}, STEADY))
    assert label.colour == stated
    assert label.behaviour == "steady"
    assert label.confidence == pytest.approx(red * 0.97 if stated == "red" else max(red, 1 - red))


def test_a_photo_states_the_colour_and_leaves_the_behaviour_open() -> None:
    label = label_head(
        head({"green": 0.98, "lunar": 0.02}, {"steady": 0.5, "flashing": 0.5, "dark": 0.0})
    )
    assert label == HeadLabel("green", "unknown", 0.98)


def test_a_dark_head_has_no_colour_whatever_its_odds() -> None:
    label = label_head(
        head({"green": 1.0}, {"steady": 0.0, "flashing": 0.05, "dark": 0.95}),
    )
    assert label == HeadLabel("none", "dark", 0.95)


def test_a_head_that_may_be_dark_is_not_given_a_colour() -> None:
    # The colour is sure *if* the head was lit; whether it was is not.
    label = label_head(head({"green": 1.0}, {"steady": 0.8, "flashing": 0.0, "dark": 0.2}))
    assert label == HeadLabel("unknown", "unknown", pytest.approx(0.8))


def odds(words: tuple[str, ...]) -> st.SearchStrategy[dict[str, float]]:
    parts = st.lists(st.floats(0.0, 1.0), min_size=len(words), max_size=len(words))
    return parts.filter(lambda values: sum(values) > 0.01).map(
        lambda values: {w: v / sum(values) for w, v in zip(words, values, strict=True)}
    )


@given(colour=odds(COLOURS), behaviour=odds(BEHAVIOURS))
def test_what_is_stated_is_what_the_odds_say(
    colour: dict[Colour, float], behaviour: dict[Behaviour, float]
) -> None:
    label = label_head(head(colour, behaviour))
    assert 0.0 <= label.confidence <= 1.0
    if label.behaviour != "unknown":
        assert behaviour[label.behaviour] >= STATE_AT
    if label.colour == "none":
        assert label.behaviour == "dark"
    elif label.colour != "unknown":
        assert colour[label.colour] * (1 - behaviour["dark"]) >= STATE_AT
        assert label.behaviour != "dark"
