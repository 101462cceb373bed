"""Spots that are no lamps are measured once, and again when they may have changed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision.motion import View
from mastread.vision.propose import CANDIDATE
from mastread.vision.rejects import FORGET_S, GROWN, Rejects


def view(zoom: float = 1.0, dx: float = 0.0, dy: float = 0.0, turn: float = 0.0) -> View:
    c, s = zoom * np.cos(turn), zoom * np.sin(turn)
    return View(0, np.array([[c, -s, dx], [s, c, dy]]), 1.0)


def candidate(x: float, y: float, radius: float = 6.0, strength: float = 0.2) -> NDArray[np.void]:
    out = np.zeros(1, CANDIDATE)
    out["x"], out["y"], out["radius"], out["strength"] = x, y, radius, strength
    return out


def test_nothing_is_known_at_first() -> None:
    spots = candidate(50.0, 60.0)
    assert len(Rejects().new(spots, view(), 0.0)) == 1


@given(
    zoom=st.floats(0.5, 3.0),
    dx=st.floats(-300, 300),
    dy=st.floats(-300, 300),
    turn=st.floats(-0.2, 0.2),
)
def test_a_reject_is_known_again_wherever_the_camera_looks(
    zoom: float, dx: float, dy: float, turn: float
) -> None:
    known, first, later = Rejects(), view(0.8, 20.0, -5.0), view(zoom, dx, dy, turn)
    known.add(candidate(150.0, 80.0, 5.0), first, 0.0)
    scene = first.scene_place(150.0, 80.0)
    x, y = later.place(*scene)
    seen = candidate(x, y, 5.0 / 0.8 * zoom)
    assert len(known.new(seen, later, 1.0)) == 0
    # A spot more than a radius away is another one.
    assert len(known.new(candidate(x + 5.0 / 0.8 * zoom + 1.5, y, 5.0), later, 1.0)) == 1


@pytest.mark.parametrize(
    ("radius", "strength", "after_s", "worth"),
    [
        (6.0, 0.2, 1.0, False),
        (6.0, 0.2 * GROWN * 1.02, 1.0, True),  # it has lit up
        (6.0, 0.2 * GROWN * 0.98, 1.0, False),
        (14.0, 0.2, 1.0, True),  # something larger round it
        (6.0, 0.2, FORGET_S + 0.01, True),
    ],
)
def test_a_spot_is_measured_anew_when_it_may_have_changed(
    radius: float, strength: float, after_s: float, worth: bool
) -> None:
    known = Rejects()
    known.add(candidate(50.0, 60.0), view(), 0.0)
    again = known.new(candidate(50.0, 60.0, radius, strength), view(), after_s)
    assert len(again) == int(worth)


def test_only_what_is_known_is_left_out() -> None:
    known = Rejects()
    known.add(np.concatenate([candidate(50.0, 60.0), candidate(90.0, 60.0)]), view(), 0.0)
    spots = np.concatenate([candidate(50.0, 60.0), candidate(70.0, 60.0), candidate(90.0, 60.0)])
    assert known.new(spots, view(), 0.5)["x"].tolist() == [70.0]
    known.add(spots[:0], view(), 0.5)
    assert len(known.new(spots[:0], view(), 0.5)) == 0
