"""Where tags may stand: not where anything passes."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.tools.quiet import AHEAD_S, MOST_LOOKS, map_motion
from mastread.tools.tags import choose_places
from mastread.vision.frame import Planes

WIDE, HIGH = 1280, 720
NOWHERE = np.zeros((0, 3))


class Shown:
    """A frame that is nothing but luma."""

    def __init__(self, luma: NDArray[np.uint8], index: int) -> None:
        self._luma = luma
        self.index, self.time_s = index, index / 10
        self.height, self.width = luma.shape

    def planes(self) -> Planes:
        none = np.full((2, 2), 128, np.uint8)
        return Planes(self._luma, none, none, False)


def _clip(shake: bool = False, train: bool = True) -> Iterator[Shown]:
    """A patterned ground; a bright block crosses the lower half; noise; a camera that sways."""
    rng = np.random.default_rng(4)
    ground = np.kron(rng.integers(60, 140, (HIGH // 40, WIDE // 40)), np.ones((40, 40)))
    for n in range(40):
        image = ground + rng.normal(0, 4, ground.shape)
        if train:
            left = -300 + 45 * n
            image[420:560, max(0, left) : max(0, left + 300)] = 220
        if shake:
            image = np.roll(image, (3 * (n % 3), 10 * (n % 4)), axis=(0, 1))
        # Exposure moves, too.
        yield Shown(np.clip(image + 0.3 * n, 0, 255).astype(np.uint8), n)


def _path() -> NDArray[np.float64]:
    return np.array([[n / 10, 10.0 * (n % 4), 3.0 * (n % 3)] for n in range(40)])


def test_only_where_and_while_the_train_passes_it_is_busy() -> None:
    for found in (
        map_motion(_clip(), NOWHERE),  # type: ignore[arg-type]
        map_motion(_clip(shake=True), _path()),  # type: ignore[arg-type]
    ):
        assert found is not None
        ((start, end),) = found.busy_times([(400, 430, 560, 470)])
        # The front of the block comes to x = 400 at 0.9 s, its end leaves x = 560 at 1.9 s.
        assert start == pytest.approx(0.9 - AHEAD_S, abs=0.3)
        assert end == pytest.approx(1.9 + AHEAD_S, abs=0.3)
        assert found.busy_times([(800, 860, 1120, 940)], 2.0) == [(start, end)]
        assert 0.5 < found.free([(400, 430, 560, 470)]) < 0.9
        for y in (60, 200, 340, 620):
            assert found.free([(400, y, 560, y + 40)]) == 1.0, y
            assert found.busy_times([(400, y, 560, y + 40)]) == []
        # Beyond the picture nothing moves.
        assert found.free([(WIDE + 10, 0, WIDE + 90, 40)]) == 1.0
    assert map_motion([], NOWHERE) is None


def test_what_the_lamps_of_a_mast_do_does_not_count() -> None:
    found = map_motion(_clip(), NOWHERE)  # type: ignore[arg-type]
    assert found is not None
    rest = found.without([(440.0, 440.0, 480.0, 540.0)])
    assert rest.busy_times([(450, 450, 470, 500)]) == []
    assert rest.busy_times([(600, 450, 640, 500)]) == found.busy_times([(600, 450, 640, 500)])
    assert found.busy_times([(450, 450, 470, 500)])


def test_a_long_clip_is_looked_at_less_often() -> None:
    found = map_motion(_clip(), NOWHERE, MOST_LOOKS * 0.5)  # type: ignore[arg-type]
    assert found is not None
    assert np.diff(found.time_s) == pytest.approx(0.5)
    # Between two looks something may have come: tags go that much earlier.
    ((start, end),) = found.busy_times([(400, 430, 560, 470)])
    assert start < 0.9 - AHEAD_S
    assert end > 1.9 + AHEAD_S


def test_a_still_clip_is_free_everywhere() -> None:
    found = map_motion(_clip(train=False), NOWHERE)  # type: ignore[arg-type]
    assert found is not None
    assert found.free([(0, 0, WIDE, HIGH)]) == 1.0


def test_tags_keep_off_what_moves() -> None:
    """The near side of a mast is busy: its tags go to the other side, or nowhere."""
    head = {
        "head": 1,
        "colour": "red",
        "behaviour": "steady",
        "colour_odds": {"red": 1.0, "green": 0.0},
        "behaviour_odds": {"steady": 1.0, "dark": 0.0},
        "x": 700.0,
        "y": 300.0,
        "radius": 5.0,
    }
    mast = {"mast": 1, "box": [690, 290, 710, 310], "spans": [{"heads": [head]}]}
    reading = {"source": {"kind": "video"}, "masts": [mast]}

    def sides(busy: tuple[float, float], share: float = 0.1) -> str | None:
        (place,) = choose_places(
            reading,  # type: ignore[arg-type]
            1.0,
            WIDE,
            HIGH,
            32,
            free=lambda rects: (
                share if any(r[2] >= busy[0] and r[0] <= busy[1] for r in rects) else 1.0
            ),
        )
        return place and place.side

    assert sides((-2, -1)) == "left"
    assert sides((0, 690)) == "right"
    assert sides((710, WIDE)) == "left"
    assert sides((0, WIDE)) is None
    # Where the train is gone for most of the time, tags may stand, and go while it passes.
    assert sides((0, WIDE), 0.6) == "left"


def test_a_swaying_mast_keeps_its_tags_in_the_picture() -> None:
    head = {
        "head": 1,
        "colour": "red",
        "behaviour": "steady",
        "colour_odds": {"red": 1.0, "green": 0.0},
        "behaviour_odds": {"steady": 1.0, "dark": 0.0},
        "x": 260.0,
        "y": 300.0,
        "radius": 5.0,
    }
    mast = {"mast": 1, "box": [250, 290, 270, 310], "spans": [{"heads": [head]}]}
    reading = {"source": {"kind": "video"}, "masts": [mast]}
    calm, sways = (
        choose_places(reading, 1.0, 480, HIGH, 32, [sway])[0]  # type: ignore[arg-type]
        for sway in ((0.0, 0.0, 0.0, 0.0), (-150.0, 0.0, 0.0, 0.0))
    )
    assert calm is not None
    assert calm.side == "left"
    assert sways is not None
    assert sways.side == "right"
