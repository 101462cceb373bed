"""Many photographs of one place: the lamps stand where they are said to, each time lit anew."""

from __future__ import annotations

import numpy as np
import pytest

from mastread.decoder.words import COLOURS
from mastread.tools.train_shots import shots
from mastread.tools.train_spots import Place, spots_of
from mastread.vision.features import FEATURES
from mastread.vision.patch import CHANNELS, SIZE

#: Tuning seeds: a place with masts by day, and one by night.
SEEDS = (11, 12)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_lamp_that_lifts_the_picture_is_brighter_than_what_is_round_it(seed: int) -> None:
    seen = 0
    for frame, lamps in shots(seed, 3, False, None):
        for lamp in lamps:
            reach = int(np.ceil(3.0 * lamp.radius)) + 2
            x, y = round(lamp.x), round(lamp.y)
            inside = reach <= x < frame.width - reach and reach <= y < frame.height - reach
            if not inside or lamp.contrast < 0.5 or lamp.radius < 2.0:
                continue
            crop = frame.coded(x - reach, y - reach, x + reach + 1, y + reach + 1).max(axis=2)
            rows, columns = np.mgrid[-reach : reach + 1, -reach : reach + 1]
            away = np.hypot(rows, columns)
            disc = crop[away < 0.6 * lamp.radius].mean()
            ring = np.median(crop[(away > 1.6 * lamp.radius) & (away < 2.4 * lamp.radius)])
            seen += 1
            assert disc > ring
    assert seen


def test_each_shot_lights_other_lamps() -> None:
    told = {tuple(lamp.colour for lamp in lamps) for _, lamps in shots(SEEDS[0], 5, True, None)}
    assert len(told) > 1


def test_spots_carry_both_views_and_a_label() -> None:
    x, patches, y = spots_of(Place("photo", SEEDS[0], shots=2))
    assert x.shape == (len(y), len(FEATURES))
    assert patches.shape == (len(y), SIZE, SIZE, CHANNELS)
    assert set(y.tolist()) <= set(range(len(COLOURS) + 1))
    assert (y > 0).any()
