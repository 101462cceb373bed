"""Sites that stood on one lamp become one, and no others do."""

from __future__ import annotations

import numpy as np

from mastread.vision.look import Lamp
from mastread.vision.measure import SPOT
from mastread.vision.sites import SAMPLE, Site, without_twins


def site(number: int, frames: range, x: float, y: float = 50.0, radius: float = 5.0) -> Site:
    table = np.zeros(len(frames), SAMPLE)
    table["frame"] = list(frames)
    table["time_s"] = table["frame"] / 30.0
    table["x"], table["y"] = x, y
    out = Site(number, 0, x, y, radius, float(table["time_s"][0]), samples=list(table))
    for t in table["time_s"][::20]:
        out.spots.append((float(t), Lamp(np.zeros((), SPOT), 0.9, np.zeros(6))))
    return out


def test_the_site_watched_longer_stays_and_takes_the_looks_of_its_twin() -> None:
    new, old = site(0, range(60, 120), 101.0), site(1, range(120), 100.0)
    looks = sorted(t for one in (new, old) for t, _ in one.spots)
    (kept,) = without_twins([new, old])
    assert kept is old
    assert [t for t, _ in kept.spots] == looks


def test_lamps_side_by_side_both_stay_in_the_order_of_their_numbers() -> None:
    sites = [site(0, range(60), 100.0), site(1, range(90), 104.0), site(2, range(70), 100.0, 65.0)]
    assert [one.number for one in without_twins(sites)] == [0, 1, 2]


def test_sites_that_were_never_watched_together_both_stay() -> None:
    # One scene before a cut and one after it: the same place says nothing.
    sites = [site(0, range(60), 100.0), site(1, range(60, 120), 100.0)]
    assert len(without_twins(sites)) == 2


def test_a_short_stay_on_the_lamp_of_another_makes_no_twin() -> None:
    first, second = site(0, range(100), 100.0), site(1, range(100), 140.0)
    for row in second.samples[:40]:
        row["x"] = 100.5
    assert len(without_twins([first, second])) == 2
    for row in second.samples[:60]:
        row["x"] = 100.5
    assert len(without_twins([first, second])) == 1


def test_nothing_stays_nothing() -> None:
    assert without_twins([]) == []
