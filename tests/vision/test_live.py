"""Reading a stream on drawn frames: changes told once they are sure, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from drawn import DrawnFrame, disc, texture

from mastread.vision.label import label_head
from mastread.vision.live import SETTLED_S, WINDOW_S, Change, LiveReader
from mastread.vision.types import Hints, MastSeen

FPS = 15.0
SCENE = texture(320, 240)
# A signal red lies beyond the reds of a screen: no green, no blue.
RED, GREEN = (0.9, 0.0, 0.0), (0.06, 0.85, 0.45)
Lights = list[tuple[float, tuple[float, float, float]]]


def run(
    reader: LiveReader,
    seconds: float,
    lights: Callable[[float], Lights],
    *,
    cover: Callable[[float], bool] = lambda time_s: False,
    start_s: float = 0.0,
) -> list[Change]:
    """Show the reader a mast at x = 160 whose lamps (y, light) are lit on black discs."""
    blank = SCENE.copy()
    for y in (80.0, 130.0):
        disc(blank, 160.0, y, 15.0, (-1.0, -1.0, -1.0))
    np.maximum(blank, 0.004, out=blank)
    train = texture(320, 240, seed=9)[:, ::-1] * 2.0
    changes = []
    first = round(start_s * FPS)
    for i in range(first, first + round(seconds * FPS)):
        t = i / FPS
        picture = blank.copy()
        for y, light in lights(t):
            disc(picture, 160.0, y, 5.0, light)
        if cover(t):
            picture[50:, 60:260] = train[50:, 60:260]
        changes += reader.add(DrawnFrame(picture, t, i))
    return changes


def words(mast: MastSeen, span: int = -1) -> list[tuple[str, str]]:
    return [(label_head(h).colour, label_head(h).behaviour) for h in mast.spans[span].heads]


def red_then_green(change_s: float) -> Callable[[float], Lights]:
    return lambda t: [(80.0, RED if t < change_s else GREEN), (130.0, RED)]


def test_each_change_is_told_once_with_its_time() -> None:
    reader = LiveReader(Hints())
    changes = run(reader, 9.0, red_then_green(5.0))
    assert [words(change.mast) for change in changes] == [
        [("red", "steady"), ("red", "steady")],
        [("green", "steady"), ("red", "steady")],
    ]
    assert {change.mast.mast for change in changes} == {1}
    second = changes[1].mast.spans[0]
    assert second.start_s == pytest.approx(5.0, abs=1.0 / FPS)
    # A lamp is sure to be steady after a flash would have gone out, 1.3 s; then within a second.
    assert 5.0 < changes[1].told_s < 5.0 + 1.3 + 1.0
    (mast,) = reader.masts()
    assert len(mast.spans) == 2
    assert mast.spans[0].start_s == pytest.approx(0.0, abs=0.1)
    assert mast.spans[0].end_s == mast.spans[1].start_s == second.start_s


def test_spans_of_long_ago_are_kept_and_their_samples_are_not() -> None:
    reader = LiveReader(Hints())
    length = 3 * WINDOW_S
    run(reader, length, red_then_green(6.0))
    (mast,) = reader.masts()
    assert [words(mast, k)[0][0] for k in range(len(mast.spans))] == ["red", "green"]
    assert mast.spans[0].end_s == pytest.approx(6.0, abs=1.0 / FPS)
    assert mast.spans[-1].end_s == pytest.approx(length, abs=0.2)
    watched = reader._watcher.watched
    most = max(site.count for site in watched.sites)
    assert most <= (WINDOW_S + 1.0) * FPS + 16
    assert len(watched.views) <= 900


def test_a_lamp_that_is_dark_for_longer_than_the_window_stays_a_head() -> None:
    reader = LiveReader(Hints())
    changes = run(
        reader, 2.2 * WINDOW_S, lambda t: [(80.0, RED), *([(130.0, GREEN)] if t < 5.0 else [])]
    )
    (mast,) = reader.masts()
    assert words(mast, 0) == [("red", "steady"), ("green", "steady")]
    assert words(mast)[0] == ("red", "steady")
    # It is still a head, and still looked at: dark by all that is seen.
    assert words(mast)[1][1] in ("dark", "unknown")
    assert mast.spans[-1].heads[1].behaviour_odds["dark"] > 0.7
    assert mast.spans[-1].end_s is not None
    assert mast.spans[-1].end_s > 2.2 * WINDOW_S - 1.0
    assert words(changes[-1].mast) == words(mast)


def test_what_is_hidden_is_told_while_it_is_and_when_it_ends() -> None:
    reader = LiveReader(Hints())
    steady = red_then_green(1e9)
    changes = run(reader, 14.0, steady, cover=lambda t: 5.0 <= t < 9.0)
    told = [
        (["hidden" in head.flags for head in change.mast.spans[0].heads], change.told_s)
        for change in changes
    ]
    assert [any(flags) for flags, _ in told] == [False, True, False]
    assert 5.0 < told[1][1] < 8.0
    assert changes[1].mast.spans[0].start_s == pytest.approx(5.0, abs=0.3)
    (mast,) = reader.masts()
    before, hidden, after = mast.spans
    assert hidden.start_s == pytest.approx(5.0, abs=0.3)
    assert hidden.end_s == pytest.approx(9.0, abs=0.3)
    assert all("hidden" in head.flags for head in hidden.heads)
    assert before.heads[0].flags == after.heads[0].flags == ()


def test_a_reading_may_be_asked_for_at_any_time() -> None:
    reader = LiveReader(Hints())
    assert reader.masts() == ()
    run(reader, 3.0, red_then_green(1e9))
    first = reader.masts()
    assert len(first) == 1
    run(reader, SETTLED_S, red_then_green(1e9), start_s=3.0)
    (mast,) = reader.masts()
    assert len(mast.spans) == 1
    assert mast.mast == first[0].mast
