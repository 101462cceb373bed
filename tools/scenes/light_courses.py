"""Light curves without pictures: what the sites of a clip would have shown, drawn with its truth.

A clip takes half a minute to make and read; the light of its lamps against time takes a few
milliseconds. Whatever moves light in a film is drawn here straight into the samples that
`mastread.vision.watch` hands on: LED and filament, flash, change of aspect (at once, with a dark
moment, through a swinging vane), mains and pulse width modulation against the shutter, clipping,
noise, drift and steps of the exposure, dropped and repeated frames, and trains with and without
gaps.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS, Colour
from mastread.tools.scenes import course
from mastread.tools.scenes.truth import (
    Motion,
    TrueHead,
    TrueHeadPlace,
    TrueMast,
    TrueSpan,
    Truth,
    words,
)
from mastread.vision.look import Lamp
from mastread.vision.measure import SPOT
from mastread.vision.motion import View
from mastread.vision.sites import SAMPLE, Site
from mastread.vision.watch import Watched

Rng = np.random.Generator
Floats = NDArray[np.float64]

WIDTH: Final = 640
HEIGHT: Final = 480

#: Light of lamps as a plain camera sees it; each camera bends it a little.
_LIGHT: Final[Mapping[Colour, tuple[float, float, float]]] = {
    "red": (1.0, 0.08, 0.03),
    "yellow": (1.0, 0.42, 0.04),
    "green": (0.14, 1.0, 0.62),
    "lunar": (0.85, 0.95, 1.0),
    "white": (1.0, 0.9, 0.72),
    "blue": (0.08, 0.3, 1.0),
}

#: Times after the start at which a search may first meet a lamp, and how often the surroundings of
#: known lamps are searched; how far back a lamp is followed that was found late; how often one is
#: looked at.
_SEARCHES_S: Final = (0.0, 0.17, 0.41, 0.73, 1.13, 1.61, 2.17)
_NEAR_S: Final = 0.2
_BACK_S: Final = 0.6
_LOOK_S: Final = 0.13

Show = course.Show


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one head is to do: its shows in turn, and whether all come out of one lens."""

    shows: tuple[Show, ...]
    one_lens: bool


@dataclass(frozen=True, slots=True)
class _Film:
    """What all lamps of a film share.

    Attributes
    ----------
    times : (N,) presentation times; `moments`: the times that the frames truly show
    gain : (N,) exposure against the middle
    ground : light of the surround, linear
    noise : of one pixel, linear
    shake : relative scatter of a lamp's summed light, frame by frame
    """

    times: Floats
    moments: Floats
    shutter_s: float
    gain: Floats
    ground: float
    noise: float
    shake: float
    cover: _Cover | None


@dataclass(frozen=True, slots=True)
class _Cover:
    """Something passing: (N, 9) share covered of the lens and of eight sectors, and its light."""

    share: Floats
    light: Floats


def draw_courses(seed: int, overrides: Mapping[str, Any] | None = None) -> tuple[Truth, Watched]:
    """Draw one mast's light curves and their truth.

    Parameters
    ----------
    seed : draws everything
    overrides : ``kind`` ("steady", "flashing", "change"), ``cover`` (bool), ``fps``,
        ``duration_s``, ``rate_hz``, ``heads``
    """
    settled = dict(overrides or {})
    rng = np.random.default_rng([seed, 11])
    fps = float(settled.get("fps", rng.choice([24.0, 25.0, 29.97, 30.0, 50.0, 60.0, 120.0])))
    duration = float(settled.get("duration_s", rng.uniform(5.0, 12.0)))
    film = _film(rng, fps, duration, settled)
    end_s = float(film.times[-1] + 1.0 / fps)
    count = int(settled.get("heads", rng.choice([1, 2, 3], p=[0.4, 0.45, 0.15])))
    kind = str(settled.get("kind", rng.choice(["steady", "flashing", "change"], p=[0.3, 0.3, 0.4])))
    changes = float(rng.uniform(0.3, 0.7) * end_s) if kind == "change" else None
    lamp = course.draw_lamp(rng, "filament" if rng.random() < 0.4 else "led")
    radius = float(np.exp(rng.uniform(np.log(1.5), np.log(14.0))))
    level = float(np.exp(rng.uniform(np.log(0.3), np.log(60.0))))
    rate = float(settled.get("rate_hz", rng.uniform(0.55, 1.5)))
    duty = float(rng.uniform(0.35, 0.65))
    phase = float(rng.random())
    heads = _wanted(rng, count, kind, changes, (rate, duty, phase))
    sites: list[Site] = []
    places: list[TrueHeadPlace] = []
    lenses: list[dict[Colour, float]] = []
    x = 320.0
    for number, wanted in enumerate(heads, start=1):
        y = 120.0 + (number - 1) * 12.0 * radius
        places.append(TrueHeadPlace(number, x, y, radius, "vertical"))
        change = _changeover(rng, wanted)
        lights = course.light_of(wanted.shows, lamp, change, end_s + 1.0)
        lens_y: dict[Colour, float] = {}
        by_place: dict[float, list[tuple[Colour, Floats]]] = {}
        for k, (colour, light) in enumerate(sorted(lights.items())):
            drop = 0.0 if wanted.one_lens or colour == change.through else 2.6 * radius * k
            lens_y[colour] = y + drop
            seen = course.through_shutter(light, film.moments, film.shutter_s)
            by_place.setdefault(y + drop, []).append((colour, seen))
        lenses.append(lens_y)
        for place, shown in by_place.items():
            own = level * float(np.exp(rng.normal(0.0, 0.2)))
            site = _site(rng, film, len(sites), (x, place, radius), own, shown)
            if site is not None:
                sites.append(site)
    truth = _truth(seed, film, heads, places, lenses, end_s, changes, kind, lamp, level)
    view = View(0, np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), 1.0)
    watched = Watched(sites=sites, views=deque((float(t), view) for t in film.times))
    return truth, watched


def _film(rng: Rng, fps: float, duration: float, settled: Mapping[str, Any]) -> _Film:
    times = course.frame_times(rng, fps, duration, rng.random() < 0.3)
    order = np.arange(len(times))
    if rng.random() < 0.15:
        order = course.repeats(rng, len(times))
    shutter = float(min(0.95 / fps, 10 ** rng.uniform(-3.3, -1.5)))
    gain = course.draw_path(rng, times, 0.0, 0.0, 1.0, 0.4 * float(rng.random() ** 2)).gain
    if rng.random() < 0.2:
        # The camera settles on a new exposure, within one frame or over half a second.
        at, over = float(rng.uniform(0.0, duration)), float(rng.uniform(0.01, 0.5))
        step = float(np.exp(rng.choice([-1.0, 1.0]) * rng.uniform(0.1, 0.7)))
        gain = gain * step ** np.clip((times - at) / over, 0.0, 1.0)
    ground = float(np.exp(rng.uniform(np.log(0.002), np.log(0.4))))
    cover = None
    if settled.get("cover", rng.random() < 0.25):
        cover = _draw_cover(rng, times, ground)
    noise = float(10 ** rng.uniform(-3.0, -1.7))
    return _Film(
        times,
        times[order],
        shutter,
        gain,
        ground,
        noise,
        float(10 ** rng.uniform(-2.3, -1.0)),
        cover,
    )


def _draw_cover(rng: Rng, times: Floats, ground: float) -> _Cover:
    """A train, or a few cars with sky between them, that runs past for some seconds."""
    n = len(times)
    start = float(rng.uniform(times[0] - 0.5, times[-1] - 0.5))
    car_s = float(rng.uniform(0.25, 1.6))
    cars = int(rng.integers(1, 9))
    gap = float(rng.uniform(0.04, 0.25))
    open_gap = bool(rng.random() < 0.6)
    # How long an edge takes from the first sector of the surround to the last.
    across = float(rng.uniform(0.02, 0.25))
    angle = 2.0 * np.pi * np.arange(8) / 8
    offset = np.concatenate([[0.0], 0.5 * across * np.cos(angle)])
    place = (times[:, None] - start + offset[None, :]) / car_s
    within = np.mod(place, 1.0)
    edge = np.clip(across / 6.0 / car_s, 0.01, 0.2)
    body = np.clip(within / edge, 0.0, 1.0) * np.clip((1.0 - gap - within) / edge, 0.0, 1.0)
    inside = (place >= 0.0) & (place < cars)
    cover = np.where(inside, body if open_gap else 1.0, 0.0)
    light = ground * float(np.exp(rng.uniform(np.log(0.15), np.log(3.0))))
    texture = 1.0 + 0.25 * rng.standard_normal((n, 9))
    paint = np.where(body > 0.5, light, 0.2 * light)
    return _Cover(cover, np.maximum(paint * texture, 0.0))


def _wanted(
    rng: Rng, count: int, kind: str, change_s: float | None, beat: tuple[float, float, float]
) -> list[Wanted]:
    """What each head shows; at least one of them does what `kind` says."""
    rate, duty, phase = beat
    busy = int(rng.integers(count))
    out = []
    for k in range(count):
        shows = [_show(rng, 0.0)]
        if kind == "flashing" and (k == busy or rng.random() < 0.15):
            shows = [Show(0.0, _lit(rng), rate, duty, phase)]
        if change_s is not None and (k == busy or rng.random() < 0.3):
            first, second = _two(rng, k == busy, change_s, beat)
            shows = [first, second]
        out.append(Wanted(tuple(shows), bool(rng.random() < 0.45)))
    return out


def _lit(rng: Rng) -> Colour:
    return COLOURS[int(rng.choice(4, p=[0.4, 0.27, 0.27, 0.06]))]


def _show(rng: Rng, start_s: float) -> Show:
    return Show(start_s, _lit(rng))


def _two(
    rng: Rng, sure: bool, change_s: float, beat: tuple[float, float, float]
) -> tuple[Show, Show]:
    """Two shows that differ."""
    rate, duty, phase = beat
    first = _lit(rng)
    pick = rng.random()
    if pick < 0.6 or not sure:
        second = _lit(rng)
        while second == first:
            second = _lit(rng)
        return Show(0.0, first), Show(change_s, second)
    if pick < 0.75:
        return Show(0.0, first), Show(change_s, _lit(rng), rate, duty, phase)
    if pick < 0.88:
        return Show(0.0, first, rate, duty, phase), Show(change_s, _lit(rng))
    return Show(0.0, first), Show(change_s, None)


def _changeover(rng: Rng, wanted: Wanted) -> course.Changeover:
    if len(wanted.shows) < 2:
        return course.Changeover()
    ends = {show.colour for show in wanted.shows}
    steady = all(show.rate_hz is None for show in wanted.shows)
    if wanted.one_lens and steady and ends == {"green", "yellow"} and rng.random() < 0.7:
        return course.Changeover(
            float(rng.uniform(0.05, 0.25)), "red", float(rng.uniform(0.1, 0.35))
        )
    return course.Changeover(float(rng.choice([0.0, rng.uniform(0.02, 0.6)])))


def _site(
    rng: Rng,
    film: _Film,
    number: int,
    place: tuple[float, float, float],
    level: float,
    shown: list[tuple[Colour, Floats]],
) -> Site | None:
    """Samples and looks of one lens; None where no search met it lit."""
    x, y, radius = place
    n = len(film.times)
    light = np.zeros((n, 3))
    strength = np.zeros(n)
    camera = np.exp(rng.normal(0.0, 0.15, 3))
    for colour, course_of in shown:
        light += np.outer(course_of, np.array(_LIGHT[colour]) * camera)
        strength += course_of
    covered = np.zeros((n, 9)) if film.cover is None else film.cover.share
    ground = np.full((n, 9), film.ground)
    if film.cover is not None:
        ground = ground * (1.0 - covered) + film.cover.light * covered
    ground = np.minimum(ground * film.gain[:, None], 0.98)
    lamp = light * (level * film.gain * (1.0 - covered[:, 0]))[:, None]
    rgb, veil = _through_lens(lamp, radius, ground[:, 0])
    scatter = 1.0 + film.shake * rng.standard_normal(n)
    area = np.pi * (1.25 * radius + 0.7) ** 2
    texture = film.noise * np.sqrt(area) * (1.0 + 3.0 * (covered[:, 0] > 0.02))
    rgb = rgb * scatter[:, None] + texture[:, None] * rng.standard_normal((n, 3))
    table = np.zeros(n, SAMPLE)
    table["frame"], table["time_s"] = np.arange(n), film.times
    table["x"], table["y"], table["r"] = x, y, radius
    table["rgb"], table["flux"] = rgb, rgb.max(axis=1)
    table["peak"] = np.minimum(lamp.max(axis=1), 1.0 - ground[:, 0])
    # The veil of the lamp's own light falls off outwards.
    table["ring"] = ground[:, 0] + 1.6 * veil
    table["look"] = ground[:, 1:] + veil[:, None] + film.noise * rng.standard_normal((n, 8)) / 4
    lit = (strength > 0.5) & (covered[:, 0] < 0.3)
    due = [s for s in _SEARCHES_S if s < film.times[-1]]
    due += list(np.arange(_NEAR_S, film.times[-1], _NEAR_S))
    met = [int(np.searchsorted(film.times, s)) for s in sorted(due)]
    first = next((i for i in met if i < n and lit[i]), None)
    if first is None:
        return None
    found = float(film.times[first])
    kept = film.times >= found - _BACK_S
    site = Site(number, 0, x, y, radius, found, samples=list(table[kept]))
    site.lit_peak = float(np.median(table["peak"][lit]))
    bias = rng.normal(0.0, 0.8, len(COLOURS))
    at = found
    for i in range(first, n):
        if not lit[i] or film.times[i] < at:
            continue
        at = float(film.times[i]) + _LOOK_S
        best = max(shown, key=lambda entry: float(entry[1][i]))[0]
        scores = bias + rng.normal(0.0, 0.5, len(COLOURS))
        scores[COLOURS.index(best)] += 9.0
        site.spots.append((float(film.times[i]), Lamp(np.zeros((), SPOT), 0.98, scores)))
        site.lamp_odds.append(0.98)
    return site if len(site.spots) >= 3 else None


def _through_lens(lamp: Floats, radius: float, ground: Floats) -> tuple[Floats, Floats]:
    """Summed light (N, 3) over the surround of a clipped disc with soft edges, and its veil."""
    r = (np.arange(40) + 0.5) / 40 * (1.25 * radius + 0.7)
    soft = 1.0 / (1.0 + np.exp((r - radius) / (0.25 * radius + 0.25)))
    profile = soft + 0.02 * (radius / np.maximum(r, 0.5)) ** 1.5 / (1.0 + (r / radius) ** 2)
    share = 2.0 * np.pi * r * (r[1] - r[0])
    room = np.maximum(1.0 - ground, 0.02)
    values = np.minimum(lamp[:, :, None] * profile[None, None, :], room[:, None, None])
    far = 0.02 * 0.25**1.5 / 10.0
    veil = np.minimum(lamp.max(axis=1) * far, 0.3)
    return (values * share).sum(axis=2), veil


def _truth(
    seed: int,
    film: _Film,
    heads: list[Wanted],
    places: list[TrueHeadPlace],
    lenses: list[dict[Colour, float]],
    end_s: float,
    change_s: float | None,
    kind: str,
    lamp: course.Lamp,
    level: float,
) -> Truth:
    bounds = [0.0, end_s] if change_s is None else [0.0, change_s, end_s]
    spans = []
    for k, start in enumerate(bounds[:-1]):
        told = []
        for place, wanted, lens_y in zip(places, heads, lenses, strict=True):
            show = wanted.shows[min(k, len(wanted.shows) - 1)]
            behaviour: Literal["steady", "flashing", "dark"] = "dark"
            if show.colour is not None:
                behaviour = "flashing" if show.rate_hz else "steady"
            told.append(
                TrueHead(
                    place.head,
                    show.colour,
                    behaviour,
                    show.rate_hz,
                    show.duty if show.rate_hz else None,
                    None,
                    place.x,
                    place.y if show.colour is None else lens_y[show.colour],
                    place.radius,
                    1.0 if show.colour else 0.0,
                )
            )
        spans.append(TrueSpan(start, bounds[k + 1], words(told), tuple(told)))
    hidden: list[tuple[float, float]] = []
    if film.cover is not None:
        covered = np.concatenate([[0], (film.cover.share[:, 0] > 0.1).astype(int), [0]])
        turns = np.flatnonzero(np.diff(covered))
        last = len(film.times) - 1
        hidden = [
            (float(film.times[a]), float(film.times[min(b, last)]))
            for a, b in zip(turns[::2], turns[1::2], strict=True)
        ]
    top, bottom = places[0], places[-1]
    mast = TrueMast(
        1,
        (300.0, top.y - 20, 340.0, bottom.y + 20),
        "high",
        "inline",
        (),
        tuple(places),
        tuple(spans),
        tuple(hidden),
    )
    flat = tuple(0.0 for _ in film.times)
    return Truth(
        file=f"course-{seed}",
        kind="video",
        width=WIDTH,
        height=HEIGHT,
        duration_s=end_s,
        frames=len(film.times),
        seed=seed,
        masts=(mast,),
        conditions={
            "light": kind,
            "maker": lamp.kind,
            "train": film.cover is not None,
            "fps": round(len(film.times) / end_s),
            "level": round(level, 2),
        },
        motion=Motion(tuple(film.times.tolist()), flat, flat, tuple(1.0 for _ in film.times)),
    )
