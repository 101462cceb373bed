"""Watching drawn clips frame by frame: when lamps are found, followed and measured back."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from drawn import DrawnFrame, disc, texture

from mastread.vision.sites import Site
from mastread.vision.watch import Watched, Watcher

SCENE = texture(320, 240)
FPS = 20.0
RED, GREEN = (0.9, 0.05, 0.03), (0.06, 0.85, 0.45)


def watch(
    seconds: float,
    lamps: Callable[[float], list[tuple[float, float, tuple[float, float, float]]]],
    *,
    region: tuple[int, int, int, int] | None = None,
    shift: Callable[[float], int] = lambda time_s: 0,
) -> Watched:
    """Watch a clip in which the given lamps are lit, on discs that are always there."""
    watcher = Watcher(region)
    for i in range(round(seconds * FPS)):
        t = i / FPS
        picture = SCENE.copy()
        for y in (80.0, 130.0):
            disc(picture, 160.0, y, 15.0, (-1.0, -1.0, -1.0))
        np.maximum(picture, 0.004, out=picture)
        for x, y, light in lamps(t):
            disc(picture, x, y, 5.0, light)
        watcher.add(DrawnFrame(np.roll(picture, shift(t), axis=1), t, i))
    return watcher.watched


def at(watched: Watched, y: float) -> Site:
    (site,) = [one for one in watched.sites if abs(one.x - 160.0) < 3 and abs(one.y - y) < 3]
    return site


def test_a_lamp_lit_from_the_start_is_found_at_once_and_measured_in_every_frame() -> None:
    watched = watch(1.0, lambda t: [(160.0, 80.0, RED)])
    site = at(watched, 80.0)
    table = site.table()
    assert site.found_s == 0.0
    assert table["frame"].tolist() == list(range(20))
    assert table["x"] == pytest.approx(160.0, abs=0.3)
    assert table["y"] == pytest.approx(80.0, abs=0.3)
    assert table["flux"] == pytest.approx(0.9 * np.pi * 25.0, rel=0.1)
    assert len(watched.views) == 20
    # Looks at its colour go on while it is lit.
    assert len(site.spots) >= 5


def test_a_lamp_that_is_found_late_is_measured_back_to_before_its_rise() -> None:
    rise = 0.52
    watched = watch(
        1.5, lambda t: [(160.0, 80.0, RED), *([(160.0, 130.0, GREEN)] if t >= rise else [])]
    )
    site = at(watched, 130.0)
    table = site.table()
    first = round(np.ceil(rise * FPS))
    assert site.found_s > rise + 1.0 / FPS
    lit = table["flux"] > 0.5 * np.median(table["flux"][-8:])
    frames = table["frame"]
    assert frames[0] < first
    assert frames.tolist() == list(range(int(frames[0]), 30))
    assert (lit == (frames >= first)).all()


def test_a_lamp_that_goes_out_is_measured_on_in_its_place() -> None:
    watched = watch(1.5, lambda t: [(160.0, 80.0, RED)] if t < 0.7 else [])
    table = at(watched, 80.0).table()
    dark = table["time_s"] >= 0.7
    assert table["frame"].tolist() == list(range(30))
    assert np.abs(table["flux"][dark]).max() < 0.05 * table["flux"][~dark].min()
    assert table["x"][dark] == pytest.approx(160.0, abs=0.5)


def test_the_frame_with_most_lamps_is_kept() -> None:
    # All are lit only for a moment round the fourth search.
    watched = watch(
        1.4, lambda t: [(160.0, 80.0, RED), *([(160.0, 130.0, RED)] if 0.5 < t < 1.0 else [])]
    )
    frame, view = watched.best_frames[0]
    assert 0.5 < frame.time_s < 1.0
    assert view.scene == 0


def test_a_region_limits_where_lamps_are_looked_for() -> None:
    both = [(60.0, 60.0, RED), (160.0, 130.0, RED)]
    whole = watch(0.6, lambda t: both)
    sure = [site for site in whole.sites if max(site.lamp_odds) > 0.8]
    assert sorted(round(site.x) for site in sure) == [60, 160]
    watched = watch(0.6, lambda t: both, region=(120, 100, 80, 60))
    assert round(at(watched, 130.0).x) == 160
    assert all(120 - 1 <= site.x <= 200 and 100 - 1 <= site.y <= 160 for site in watched.sites)


def test_a_lamp_is_followed_when_the_camera_moves() -> None:
    watched = watch(1.5, lambda t: [(160.0, 80.0, RED)], shift=lambda t: round(20 * t))
    table = at(watched, 80.0).table()
    moved = np.rint(20 * table["time_s"])
    assert len(table) == 30
    assert np.abs(table["x"] - 160.0 - moved).max() < 0.6
    assert {view.scene for _, view in watched.views} == {0}


def test_a_scene_without_lamps_has_no_sure_site() -> None:
    watched = watch(0.6, lambda t: [])
    assert all(max(site.lamp_odds) < 0.8 for site in watched.sites)


def test_what_no_frame_shows_is_not_seen() -> None:
    picture = SCENE.copy()
    disc(picture, 160.0, 80.0, 5.0, RED)
    watcher = Watcher()
    times = [i / FPS for i in range(30) if not 10 <= i < 22]
    for i, t in enumerate(times):
        watcher.add(DrawnFrame(picture, t, i))
    table = at(watcher.watched, 80.0).table()
    missed = table[table["outside"]]
    assert len(missed) == 2
    assert missed["time_s"] == pytest.approx([9 / FPS, 22 / FPS], abs=0.01)
    assert np.isnan(missed["flux"]).all()


def test_a_lamp_is_the_same_one_after_a_cut_away_and_back() -> None:
    picture, other = SCENE.copy(), 0.3 - texture(320, 240, seed=8)
    for shown, x, y, light in ((picture, 160.0, 80.0, RED), (other, 90.0, 170.0, GREEN)):
        disc(shown, x, y, 15.0, (-1.0, -1.0, -1.0))
        np.maximum(shown, 0.004, out=shown)
        disc(shown, x, y, 5.0, light)
    watcher = Watcher()
    for i in range(60):
        shown = other if 20 <= i < 40 else picture
        watcher.add(DrawnFrame(shown, i / FPS, i))
    watched = watcher.watched
    assert [view.scene for _, view in watched.views] == [0] * 20 + [1] * 20 + [0] * 20
    lamps = [site for site in watched.sites if max(site.lamp_odds) > 0.8]
    assert sorted((round(site.x), site.scene) for site in lamps) == [(90, 1), (160, 0)]
    table = at(watched, 80.0).table()
    away = (table["time_s"] >= 20 / FPS) & (table["time_s"] < 39.5 / FPS)
    assert table["outside"][away].all()
    assert not table["outside"][~away][:20].any()
    # Measured again from the first frame after the cut back.
    assert (~table["outside"] & (table["time_s"] >= 40 / FPS - 1e-6)).sum() == 20


def test_a_lamp_that_comes_nearer_is_one_site_whose_size_is_followed() -> None:
    watcher = Watcher()
    for i in range(80):
        zoom = 1.0 / (1.0 - 0.0105 * i)
        picture = SCENE.copy()
        for k in range(2):
            place = (160.0 + 6.0 * zoom, 100.0 + (24.0 * k - 10.0) * zoom)
            disc(picture, *place, 2.2 * zoom * 2.2, (-1.0, -1.0, -1.0))
            np.maximum(picture, 0.004, out=picture)
        for k in range(2):
            disc(picture, 160.0 + 6.0 * zoom, 100.0 + (24.0 * k - 10.0) * zoom, 2.2 * zoom, RED)
        watcher.add(DrawnFrame(picture, i / FPS, i))
    lamps = [site for site in watcher.watched.sites if np.median(site.lamp_odds) > 0.5]
    assert len(lamps) == 2
    for site in lamps:
        table = site.table()
        assert site.growth > 3.0
        assert table["r"][-1] == pytest.approx(2.2 * zoom, rel=0.35)
        lit = table["flux"] > 0.45 * np.median(table["flux"])
        # As bright all the way, though it covers thirty times as many pixels in the end.
        assert lit.mean() > 0.95
