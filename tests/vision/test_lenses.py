"""Lenses and heads out of light curves drawn by hand: who takes turns, and who changes colour."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS, Colour
from mastread.vision.colourturn import colour_changes
from mastread.vision.curves import light_curve
from mastread.vision.lenses import heads_of, lenses_of
from mastread.vision.limits import limits
from mastread.vision.look import Lamp, colour_odds
from mastread.vision.measure import SPOT
from mastread.vision.sites import SAMPLE, Site

FPS = 30.0
#: Length of the light on each side of a moment that is compared there, seconds.
SIDE_S = 0.45
#: Light of lamps as a plain camera sees it (red, green, blue).
LIGHT: dict[Colour, tuple[float, float, float]] = {
    "red": (1.0, 0.06, 0.01),
    "yellow": (1.0, 0.32, 0.02),
    "green": (0.15, 1.0, 0.6),
}


def lamp(colour: Colour, sureness: float = 4.0) -> Lamp:
    scores = np.zeros(len(COLOURS))
    scores[COLOURS.index(colour)] = sureness
    return Lamp(np.zeros((), SPOT), 0.95, scores)


def site(
    shows: list[Colour | None],
    *,
    number: int = 0,
    x: float = 100.0,
    y: float = 100.0,
    radius: float = 5.0,
    rgb: NDArray[np.float64] | None = None,
    looks: list[Colour] | None = None,
) -> Site:
    """A place that showed one colour a frame (None: dark), with a look at every fifth lit frame.

    `rgb` are other directions of light than those of the colours; `looks` what the looks said.
    """
    table = np.zeros(len(shows), SAMPLE)
    out = Site(number, 0, x, y, radius, 0.0, lit_peak=0.8)
    for i, colour in enumerate(shows):
        table[i]["frame"], table[i]["time_s"] = i, i / FPS
        table[i]["x"], table[i]["y"] = x, y
        table[i]["look"], table[i]["ring"] = 0.2, 0.2
        if colour is None:
            continue
        direction = np.array(LIGHT[colour]) if rgb is None else rgb[i]
        table[i]["flux"], table[i]["rgb"] = 60.0, 60.0 * direction
        table[i]["peak"] = 0.8
        if i % 5 == 0:
            out.spots.append((i / FPS, lamp(looks[i] if looks else colour)))
            out.lamp_odds.append(0.95)
    out.samples = list(table)
    return out


def best(scores: NDArray[np.float64]) -> Colour:
    odds = colour_odds(scores)
    return max(odds, key=lambda colour: odds[colour])


@pytest.mark.parametrize(
    ("first", "second"), [("red", "yellow"), ("yellow", "green"), ("green", "red")]
)
def test_a_lens_that_changes_its_colour_is_two_lenses(first: Colour, second: Colour) -> None:
    shows: list[Colour | None] = [*[first] * 75, *[second] * 75]
    before, after = lenses_of(site(shows))
    assert (best(before.colour_scores()), best(after.colour_scores())) == (first, second)
    lit_before, lit_after = before.curve.lit > 0.5, after.curve.lit > 0.5
    assert not (lit_before & lit_after).any()
    change = float(before.curve.time_s[lit_before][-1])
    assert change == pytest.approx(74.5 / FPS, abs=1.5 / FPS)
    assert (lit_before | lit_after).all()


def test_a_change_through_a_dark_moment_splits_as_well() -> None:
    shows: list[Colour | None] = [*["red"] * 60, *[None] * 12, *["green"] * 60]
    first, second = lenses_of(site(shows))
    assert (best(first.colour_scores()), best(second.colour_scores())) == ("red", "green")


def test_a_filament_that_warms_is_one_lens() -> None:
    # The light of a filament that warms for half a second turns from near red to yellow by more
    # than the two colours must lie apart; the looks at it say yellow all the time.
    n = 120
    share = np.clip(np.arange(n) / 15.0, 0.0, 1.0)[:, None]
    rgb = (1 - share) * np.array(LIGHT["red"]) + share * np.array(LIGHT["yellow"])
    warming = site(["yellow"] * n, rgb=rgb)
    times = [t for t, _ in warming.spots]
    curve = light_curve(warming.table(), times)
    assert colour_changes(warming.table(), curve, warming.spots) == []
    (lens,) = lenses_of(warming)
    assert best(lens.colour_scores()) == "yellow"
    assert (lens.curve.lit > 0.5).all()
    # The same turn with looks that do differ is a change.
    looks: list[Colour] = [*["red"] * 10, *["yellow"] * 110]
    assert len(lenses_of(site(["yellow"] * n, rgb=rgb, looks=looks))) == 2


def test_looks_alone_make_no_change() -> None:
    # A few looks that a wire spoilt say another colour; the light did not turn.
    looks: list[Colour] = ["green"] * 150
    looks[50:56] = ["lunar"] * 6
    (lens,) = lenses_of(site(["green"] * 150, looks=looks))
    assert best(lens.colour_scores()) == "green"


@settings(max_examples=25, deadline=None)
@given(colour=st.sampled_from(sorted(LIGHT)), noise=st.floats(0.0, 0.04), seed=st.integers(0, 99))
def test_noise_makes_no_change_of_colour(colour: Colour, noise: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    rgb = np.array(LIGHT[colour]) + rng.normal(0.0, noise, (90, 3))
    assert len(lenses_of(site([colour] * 90, rgb=rgb))) == 1


def test_many_looks_are_surer_than_one_but_not_without_end() -> None:
    def odds(looks: int) -> float:
        (lens,) = lenses_of(site(["red"] * (5 * looks)))
        return colour_odds(lens.colour_scores())["red"]

    assert odds(1) < odds(9)
    # Looks that are all alike err alike: thirty of them say no more than nine.
    assert odds(9) == pytest.approx(odds(30))


def test_the_middle_of_noisy_looks_counts_for_more_than_each() -> None:
    """What noise takes from single looks, their middle gives back; but never more than so much."""
    rng = np.random.default_rng(5)

    def pooled(noise: float) -> float:
        place = site(["red"] * 200)
        place.spots = [
            (t, Lamp(look.spot, 0.95, look.colour_scores + rng.normal(0.0, noise, len(COLOURS))))
            for t, look in place.spots
        ]
        (lens,) = lenses_of(place)
        odds = colour_odds(lens.colour_scores())
        return float(np.log(odds["red"] / max(p for c, p in odds.items() if c != "red")))

    pool = limits("colours")["pool"]
    assert pooled(0.02) == pytest.approx(pool["base"] * 4.0, abs=0.1)
    assert (pool["base"] + 0.05) * 4.0 < pooled(1.5) < (pool["most"] + 0.1) * 4.0


def turns(distance: float, overlap: int) -> int:
    """Heads of two lenses one above the other, lit in turn but for `overlap` common frames."""
    red: list[Colour | None] = [*["red"] * 60, *[None] * 60]
    green: list[Colour | None] = [*[None] * (60 - overlap), *["green"] * (60 + overlap)]
    upper = site(green, number=1, y=100.0 - distance)
    return len(heads_of([site(red), upper]))


def test_lenses_that_take_turns_are_one_head() -> None:
    assert turns(15.0, 0) == 1


def test_lenses_lit_together_are_two_heads() -> None:
    assert turns(15.0, 20) == 2


def test_lenses_far_apart_are_two_heads() -> None:
    assert turns(45.0, 0) == 2
