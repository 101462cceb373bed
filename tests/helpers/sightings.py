"""Sightings in clips, for tests that need no pixels."""

from __future__ import annotations

from typing import Any

import numpy as np

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.words import COLOURS
from mastread.vision.types import HeadSeen, MastSeen, Seen, SourceInfo, SpanSeen


def seen_in_clip(aspect: str) -> Seen:
    """A sighting of one mast for twelve seconds."""
    heads = []
    for n, words in enumerate(aspect.split(" over ")):
        *before, colour = words.split()
        dark = colour == "dark"
        odds: Any = dict.fromkeys(COLOURS, 1 / 6 if dark else 0.0)
        if not dark:
            odds |= {colour: 0.99, "blue": 0.01}
        kind: Any = {before[0] if before else "dark" if dark else "steady": 1.0}
        if before == ["lit"]:
            kind = {"steady": 0.55, "flashing": 0.45}
        rate = 1.0 if before == ["flashing"] else None
        heads.append(HeadSeen(odds, kind, 300.0, 200.0 + 40 * n, 6.0, rate, 0.01, 0.5))
    evidence = MastEvidence(
        tuple(HeadEvidence(h.colour_odds, h.behaviour_odds) for h in heads), plates=frozenset()
    )
    span = SpanSeen(0.0, 12.0, tuple(heads), evidence)
    box = (285.0, 185.0, 315.0, 215.0 + 40 * len(heads))
    source = SourceInfo("a.mp4", "video", 1280, 720, 12.0, 300)
    return Seen(source, (MastSeen(1, box, (span,), (), np.zeros((0, 3))),))
