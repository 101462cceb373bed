"""The time course of every lens of a clip, and the spans that the truth tells of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Behaviour, Colour
from mastread.tools.scenes import course
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.film import Source
from mastread.tools.scenes.lamps import Emitter
from mastread.tools.scenes.layers import Layers
from mastread.tools.scenes.make import LitLens, lamp_raw, lens_for
from mastread.tools.scenes.setup import MastSetup, Setup
from mastread.tools.scenes.truth import TrueHead, TrueSpan, words

Rng = np.random.Generator
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Span:
    """What a mast shows over a stretch of time, with the flash of each head."""

    start_s: float
    end_s: float
    heads: tuple[tuple[Colour | None, Behaviour, float | None, float | None], ...]


def light_up(
    rng: Rng,
    big: Layers,
    setup: Setup,
    tables: Sequence[Mapping[Colour, Emitter]],
    exposure: float,
    optics: opt.Optics,
    times: Floats,
    end_s: float,
    shutter: float,
    settled: Mapping[str, Any],
) -> tuple[list[list[Span]], list[Source], list[LitLens]]:
    """Draw the time course of every lens; returns spans per mast, sources, and lamps full on."""
    all_spans: list[list[Span]] = []
    sources: list[Source] = []
    full: list[LitLens] = []
    for number, mast in enumerate(setup.masts, start=1):
        level = setup.level * float(np.exp(rng.normal(0.0, 0.25)))
        lamp = course.draw_lamp(rng, mast.kind)
        rate = float(settled.get("rate_hz", rng.uniform(0.6, 1.4)))
        duty = float(rng.uniform(0.4, 0.65))
        phase = float(rng.random())
        changes = _change_times(rng, len(mast.aspects), end_s)
        all_spans.append(_spans(mast, changes, end_s, rate, duty))
        for head in range(1, len(mast.aspects[0]) + 1):
            shows = []
            for start, aspect in zip((0.0, *changes), mast.aspects, strict=True):
                show = aspect[head - 1]
                shows.append(
                    course.Show(start, show.colour, rate if show.flashing else None, duty, phase)
                )
            merged = [s for i, s in enumerate(shows) if i == 0 or _differs(s, shows[i - 1])]
            change = _changeover(rng, mast, head, merged)
            lights = course.light_of(merged, lamp, change, end_s + 1.0)
            for colour, light in lights.items():
                lens = big.lens(number, head, colour)
                own = level * float(np.exp(rng.normal(0.0, 0.12)))
                raw = lamp_raw(tables[number - 1][colour], setup.sensor, own, exposure)
                per_frame = course.through_shutter(light, times, shutter)
                glow = opt.lens_glow(lens, optics, own, reach=1200)
                sources.append(Source(lens, glow, raw, per_frame))
                full.append(LitLens(lens, 1.0, raw))
    return all_spans, sources, full


def _differs(a: course.Show, b: course.Show) -> bool:
    """Whether two shows differ in anything but when they begin."""
    return (a.colour, a.rate_hz) != (b.colour, b.rate_hz)


def _change_times(rng: Rng, aspects: int, end_s: float) -> tuple[float, ...]:
    """Times at which a mast changes, apart from each other and from the ends."""
    if aspects < 2:
        return ()
    edges = np.linspace(0.0, end_s, aspects + 1)[1:-1]
    room = end_s / aspects * 0.3
    return tuple(float(e + rng.uniform(-room, room)) for e in edges)


def _changeover(
    rng: Rng, mast: MastSetup, head: int, shows: Sequence[course.Show]
) -> course.Changeover:
    """Draw how a head changes: at once, with a dark moment, or by a swinging vane."""
    if len(shows) < 2:
        return course.Changeover()
    ends = {shows[0].colour, shows[1].colour}
    colours = mast.plan.colours[head - 1]
    if (
        mast.plan.types[head - 1] == "searchlight"
        and ends == {"green", "yellow"}
        and "red" in colours
        and rng.random() < 0.7
    ):
        # The vane of a searchlight has red in the middle, so green and yellow pass it.
        return course.Changeover(
            float(rng.uniform(0.05, 0.25)), "red", float(rng.uniform(0.1, 0.35))
        )
    return course.Changeover(float(rng.choice([0.0, rng.uniform(0.02, 0.6)])))


def _spans(
    mast: MastSetup, changes: Sequence[float], end_s: float, rate: float, duty: float
) -> list[Span]:
    """Spans of a mast in time order."""
    starts = (0.0, *changes)
    ends = (*changes, end_s)
    out = []
    for start, end, aspect in zip(starts, ends, mast.aspects, strict=True):
        heads: list[tuple[Colour | None, Behaviour, float | None, float | None]] = []
        for show in aspect:
            if show.colour is None:
                heads.append((None, "dark", None, None))
            elif show.flashing:
                heads.append((show.colour, "flashing", rate, duty))
            else:
                heads.append((show.colour, "steady", None, None))
        out.append(Span(start, end, tuple(heads)))
    return out


def true_span(
    home: Layers, mast: int, span: Span, contrasts: Mapping[tuple[int, int], float]
) -> TrueSpan:
    """Truth of one span."""
    heads = []
    for number, (colour, behaviour, rate, duty) in enumerate(span.heads, start=1):
        lens = lens_for(home, mast, number, colour)
        heads.append(
            TrueHead(
                head=number,
                colour=colour,
                behaviour=behaviour,
                rate_hz=rate,
                duty=duty,
                lit_now=None,
                x=lens.x,
                y=lens.y,
                radius=lens.radius_px,
                contrast=contrasts.get((mast, number), 0.0) if colour is not None else 0.0,
            )
        )
    return TrueSpan(span.start_s, span.end_s, words(heads), tuple(heads))
