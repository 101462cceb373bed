"""Desks for the tests: a shelf with hand-made readings, and the desk that answers for it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from shelves import make_record, make_shelf, paint

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.words import COLOURS
from mastread.vision.types import HeadSeen, MastSeen, Seen, SourceInfo, SpanSeen

ASPECTS = (
    "flashing yellow over red over red",
    "green over red over red",
    "yellow over red",
    "red over red over red",
    "green",
    "yellow over yellow over red",
    "red over flashing red",
    "green over red",
    "red over yellow over red",
    "yellow over green",
)


def make_seen(
    *aspects: str, length: float = 6.0, unsure: bool = False, rate_hz: float = 1.0
) -> Seen:
    """A clip of one mast that shows these aspects one after the other."""
    spans = []
    for k, aspect in enumerate(aspects):
        heads = []
        for n, words in enumerate(aspect.split(" over ")):
            *before, colour = words.split()
            share = 0.55 if unsure else 0.99
            odds: Any = dict.fromkeys(COLOURS, 0.0) | {colour: share}
            odds["blue" if colour != "blue" else "red"] += 1 - share
            kind: Any = {before[0] if before else "steady": 1.0}
            rate = rate_hz if before else None
            heads.append(HeadSeen(odds, kind, 300.0, 200.0 + 40 * n, 6.0, rate, 0.01, 0.5))
        evidence = MastEvidence(
            tuple(HeadEvidence(h.colour_odds, h.behaviour_odds) for h in heads),
            plates=frozenset(),
        )
        spans.append(SpanSeen(length * k, length * (k + 1), tuple(heads), evidence))
    most = max(len(span.heads) for span in spans)
    box = (285.0, 185.0, 315.0, 215.0 + 40 * most)
    total = length * len(spans)
    source = SourceInfo("a.mp4", "video", 1280, 720, total, round(total * 25))
    return Seen(source, (MastSeen(1, box, tuple(spans), (), np.zeros((0, 3))),))


def fill_shelf(
    folder: Path, aspects: Sequence[str] = ASPECTS, *, painted: bool = False, name: str = "clip"
) -> list[str]:
    """Make a shelf with one clip for each aspect; return the names of its spans, by row."""
    records = [
        make_record(make_seen(aspect, unsure=n == 3), f"{name}-{n}")
        for n, aspect in enumerate(aspects)
    ]
    with make_shelf(folder, records) as shelf:
        if painted:
            paint(shelf)
        rows = shelf.database.execute("SELECT id FROM span ORDER BY row").fetchall()
    return [row["id"] for row in rows]


def client_of(app: Any, host: str) -> Any:
    """Flask's test client, asking as a browser does that opened the desk at `host`."""
    from flask.testing import FlaskClient

    class Client(FlaskClient):
        def open(self, *args: Any, **told: Any) -> Any:
            told.setdefault("base_url", f"http://{host}")
            return super().open(*args, **told)

    app.test_client_class = Client
    return app.test_client()
