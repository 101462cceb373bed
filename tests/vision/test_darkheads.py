"""Heads without light on made masts of the readable kind: found by day, and possible by night.

The strip net is asked here as a whole; how well it does on hard scenes is measured by the accuracy
benchmark. Seeds are of the tuning range.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from drawn import DrawnFrame, backdrop, disc

from mastread.tools.scenes.make import make_photo
from mastread.tools.scenes.still import encode_still
from mastread.vision.darkheads import Found, find_heads
from mastread.vision.photo import open_photo
from mastread.vision.strip import Spot

DAY: dict[str, Any] = {
    "light": "overcast",
    "size": (480, 640),
    "masts": 1,
    "kind": "high",
    "type": "searchlight",
    "lens_px": 14.0,
    "level": 1.2,
}


@cache
def looked(seed: int, aspect: str, told: int | None = None, **more: Any) -> tuple[Found, Any]:
    """What is found round the true lamps of a made photo, and its truth."""
    rgb, truth = make_photo(seed, aspect=aspect, **{**DAY, **more})
    with TemporaryDirectory() as folder:
        path = Path(folder) / "mast.png"
        path.write_bytes(encode_still(rgb, ".png", 95, True, 1))
        frame = open_photo(path)
        heads = truth.masts[0].spans[0].heads
        lit: list[Spot] = [(h.x, h.y, 1.15 * h.radius) for h in heads if h.lit_now]
        return find_heads(frame, lit, told=told), truth


@pytest.mark.parametrize("seed", [1, 2, 5])
@pytest.mark.parametrize(
    ("aspect", "dark"),
    [
        ("dark over red over red", 0),
        ("red over dark over red", 1),
        ("red over green over dark", 2),
    ],
)
def test_by_day_the_dark_disc_is_found(seed: int, aspect: str, dark: int) -> None:
    found, truth = looked(seed, aspect)
    (one,) = found.dark
    place = truth.masts[0].heads[dark]
    assert (one.x, one.y) == pytest.approx((place.x, place.y), abs=1.5 * place.radius)
    assert one.odds >= 0.5


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_a_mast_whose_heads_are_all_lit_has_no_dark_one(seed: int) -> None:
    found, _ = looked(seed, "red over green over red")
    assert found.dark == ()
    assert found.unseen < 0.1


def test_the_dark_lenses_of_a_lit_head_are_no_heads() -> None:
    found, _ = looked(3, "red over green", type="vertical")
    assert found.dark == ()


def test_by_night_a_head_may_be_there_that_nobody_sees() -> None:
    night: dict[str, Any] = {"light": "night", "level": 60.0, "lens_px": 8.0}
    found, truth = looked(4, "red over dark", **night)
    # Its outline may show after all; then it is in its place, else it is said to be possible.
    near = [
        abs(one.x - place.x) + abs(one.y - place.y) < 4.0 * place.radius
        for one in found.dark
        for place in truth.masts[0].heads[1:]
    ]
    assert any(near) or found.unseen > 0.1


def test_just_so_many_heads_are_found_as_were_told() -> None:
    found, _ = looked(1, "red over dark over red", told=3)
    assert (len(found.dark), found.unseen) == (1, 0.0)
    found, _ = looked(1, "red over dark over red", told=2)
    assert (found.dark, found.unseen) == ((), 0.0)


def test_a_mast_at_the_edge_of_the_picture_is_no_trouble() -> None:
    picture = backdrop(level=0.3)
    disc(picture, 3.0, 100.0, 5.0, (0.9, 0.06, 0.03))
    found = find_heads(DrawnFrame(np.maximum(picture, 0.0)[:, :7]), [(3.0, 100.0, 5.0)])
    assert 0.0 <= found.unseen <= 1.0
