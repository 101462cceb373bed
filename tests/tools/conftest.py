"""Hand-made sightings with exact truth for the tests of the tools."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import COLOURS
from mastread.vision.types import HeadSeen, LightCurve, MastSeen, Seen, SourceInfo, SpanSeen

#: Behaviour odds behind a word: of `lit` nobody can say whether it flashes.
BEHAVIOUR_ODDS: Mapping[str, Mapping[str, float]] = {
    "steady": {"steady": 0.99, "flashing": 0.01},
    "flashing": {"flashing": 1.0},
    "dark": {"dark": 1.0},
    "lit": {"steady": 0.55, "flashing": 0.45},
}


def make_head(words: str, x: float, y: float, radius: float = 6.0) -> HeadSeen:
    """A head from words such as ``flashing yellow``, ``red``, ``dark``, ``lit green``."""
    *before, last = words.split()
    behaviour = "dark" if last == "dark" else (before[0] if before else "steady")
    colour = (
        dict.fromkeys(COLOURS, 1 / len(COLOURS))
        if last in ("dark", "unknown")
        else {last: 0.985, "blue" if last != "blue" else "red": 0.015}
    )
    flashing = behaviour == "flashing"
    return HeadSeen(
        colour,  # type: ignore[arg-type]
        BEHAVIOUR_ODDS[behaviour],  # type: ignore[arg-type]
        x,
        y,
        radius,
        rate_hz=0.9731234 if flashing else None,
        rate_sd_hz=0.0123456 if flashing else None,
        duty=0.48765 if flashing else None,
    )


def make_span(
    aspect: str, x: float, y: float, start: float | None = None, end: float | None = None
) -> SpanSeen:
    """A span from an aspect such as ``yellow over red over red``; the top head at (x, y)."""
    heads = tuple(make_head(words, x, y + 40 * n) for n, words in enumerate(aspect.split(" over ")))
    evidence = tuple(HeadEvidence(h.colour_odds, h.behaviour_odds) for h in heads)
    return SpanSeen(start, end, heads, MastEvidence(evidence, plates=frozenset()))


def make_mast(number: int, *spans: SpanSeen) -> MastSeen:
    """A mast whose box just holds its heads."""
    heads = [head for span in spans for head in span.heads]
    box = (
        min(h.x for h in heads) - 15,
        min(h.y for h in heads) - 15,
        max(h.x for h in heads) + 15,
        max(h.y for h in heads) + 15,
    )
    return MastSeen(number, box, spans)


@pytest.fixture(scope="session")
def book() -> Rulebook:
    return load_book("cror")


@pytest.fixture
def photo_seen() -> Callable[..., Seen]:
    """Make a sighting in a photo from the aspects of its masts, left to right."""

    def make(*aspects: str, width: int = 1200, height: int = 800) -> Seen:
        masts = tuple(
            make_mast(n, make_span(aspect, 300.0 * n, 200.0)) for n, aspect in enumerate(aspects, 1)
        )
        return Seen(SourceInfo("a/photo.jpg", "photo", width, height), masts)

    return make


@pytest.fixture
def clip_seen() -> Callable[..., Seen]:
    """Make a sighting in a clip: for each mast a list of (start_s, end_s, aspect)."""

    def make(*masts: list[tuple[float, float, str]], duration: float = 12.0) -> Seen:
        found = []
        for n, spans in enumerate(masts, 1):
            mast = make_mast(n, *(make_span(a, 300.0 * n, 200.0, s, e) for s, e, a in spans))
            times = np.arange(0, duration, 0.04)
            curves = []
            for k, head in enumerate(mast.spans[0].heads, 1):
                lit = np.ones(len(times), np.float32)
                if head.rate_hz is not None:
                    lit = ((times * head.rate_hz) % 1 < 0.5).astype(np.float32)
                curves.append(LightCurve(n, k, times, lit * np.float32(1.02), lit))
            found.append(replace(mast, curves=tuple(curves)))
        source = SourceInfo("a/clip.mp4", "video", 1280, 720, duration, round(duration * 25))
        return Seen(source, tuple(found))

    return make
