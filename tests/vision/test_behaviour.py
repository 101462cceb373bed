"""What a head did, from light curves drawn by hand: each kind of course that footage holds."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.vision.behaviour import stretches
from mastread.vision.curves import Curve, edges
from mastread.vision.odds import photo_odds

FPS = 30.0


def curve(lit: NDArray[np.bool_] | NDArray[np.float64], fps: float = FPS) -> Curve:
    """Curve with one sample a frame; NaN where the lamp was not to be seen."""
    values = np.asarray(lit, np.float32)
    return Curve(np.arange(len(values)) / fps, values, values)


def times(seconds: float, fps: float = FPS) -> NDArray[np.float64]:
    return np.arange(round(seconds * fps)) / fps


def flashing(
    seconds: float, rate_hz: float = 1.0, duty: float = 0.5, phase: float = 0.2
) -> NDArray[np.bool_]:
    return ((times(seconds) * rate_hz + phase) % 1.0) < duty


def test_a_lamp_lit_throughout_is_steady() -> None:
    (part,) = stretches([curve(np.ones(150))])
    assert part.odds["steady"] > 0.95
    assert part.lens == 0


def test_a_look_too_short_to_exclude_a_flash_leaves_it_open() -> None:
    (part,) = stretches([curve(np.ones(12))])
    assert 0.2 < part.odds["flashing"] < 0.5
    assert part.odds["steady"] < 0.8


def test_an_even_beat_is_flashing_with_its_rate() -> None:
    (part,) = stretches([curve(flashing(6.0, 0.9, 0.55))])
    assert part.odds["flashing"] > 0.95
    assert part.flash is not None
    assert part.flash.rate_hz == pytest.approx(0.9, rel=0.01)
    assert part.flash.duty == pytest.approx(0.55, abs=0.03)


def test_less_than_two_cycles_is_not_called_flashing() -> None:
    for part in stretches([curve(flashing(1.6))]):
        assert part.odds["flashing"] < 0.9
        assert part.odds["steady"] < 0.9


def test_a_change_of_lens_is_two_stretches_with_the_time_of_the_change() -> None:
    t = times(6.0)
    first, second = t < 3.0, t >= 3.2
    parts = stretches([curve(first), curve(second)])
    assert [part.lens for part in parts] == [0, 1]
    assert parts[0].end_s == pytest.approx(3.1, abs=0.05)
    assert parts[1].start_s == parts[0].end_s


def test_steady_then_flashing_are_two_stretches() -> None:
    lit = np.concatenate([np.ones(120, bool), flashing(6.0, phase=0.6)])
    parts = stretches([curve(lit)])
    assert len(parts) == 2
    assert parts[0].odds["steady"] > 0.9
    assert parts[1].odds["flashing"] > 0.9
    # The last lit spell before the first fall cannot be told from the steady light before it.
    assert 3.2 < parts[1].start_s < 4.2


def test_what_a_train_hides_is_not_carried_through() -> None:
    lit = np.ones(240)
    lit[80:140] = np.nan
    before, hidden, after = stretches([curve(lit)])
    assert before.odds["steady"] > 0.95
    assert after.odds["steady"] > 0.95
    assert not hidden.seen
    assert hidden.start_s == pytest.approx(80 / FPS, abs=1 / FPS)
    assert hidden.end_s == pytest.approx(140 / FPS, abs=1 / FPS)
    assert after.end_s == pytest.approx(239 / FPS)


def test_a_pole_that_passes_in_front_does_not_end_a_steady_lamp() -> None:
    lit = np.ones(240)
    lit[80:89] = np.nan
    (part,) = stretches([curve(lit)])
    assert part.odds["steady"] > 0.95
    assert part.end_s == pytest.approx(239 / FPS)


def test_a_lamp_that_goes_out_for_good_is_likely_but_not_surely_dark() -> None:
    """Another lens of the head may be lit that was not found; nobody is told that it is dark."""
    parts = stretches([curve(times(8.0) < 4.0)])
    assert parts[0].odds["steady"] > 0.9
    assert max(parts[-1].odds, key=lambda key: parts[-1].odds[key]) == "dark"
    assert parts[-1].odds["dark"] < 0.9
    assert sum(parts[-1].odds.values()) == pytest.approx(1.0)
    assert parts[-1].lens is None


def test_one_blink_is_neither_steady_nor_flashing() -> None:
    lit = np.ones(36, bool)
    lit[14:24] = False
    (part,) = stretches([curve(lit)])
    assert max(part.odds.values()) < 0.9


def test_a_lost_frame_makes_no_spell() -> None:
    from mastread.vision.curves import light_curve
    from mastread.vision.sites import SAMPLE

    table = np.zeros(90, SAMPLE)
    table["time_s"] = np.arange(90) / FPS
    table["flux"] = 50.0
    table["flux"][40] = 0.0
    table["look"] = 0.2
    found = light_curve(table, [0.1, 0.5, 2.0])
    assert edges(found) == []


def test_something_in_front_is_hidden_and_not_dark() -> None:
    from mastread.vision.curves import light_curve
    from mastread.vision.sites import SAMPLE

    table = np.zeros(150, SAMPLE)
    table["time_s"] = np.arange(150) / FPS
    table["flux"] = 50.0
    table["look"] = 0.4
    table["flux"][60:90] = 1.0
    table["look"][60:90] = 0.12
    found = light_curve(table, [0.1, 0.5, 4.0])
    assert np.isnan(found.lit[65:85]).all()
    assert (found.lit[:55] > 0.9).all()


def test_odds_of_a_photo_never_exclude_a_flash() -> None:
    assert photo_odds(True)["flashing"] == photo_odds(True)["steady"]
    assert photo_odds(False)["flashing"] > 0.3


def test_a_lamp_at_the_edge_of_the_picture_is_followed_without_its_whole_surround() -> None:
    """Sectors of the surround that lie outside are NaN throughout; nothing warns or is hidden."""
    from mastread.vision.curves import light_curve
    from mastread.vision.sites import SAMPLE

    table = np.zeros(60, SAMPLE)
    table["time_s"] = np.arange(60) / FPS
    table["flux"] = 50.0
    table["look"] = 0.3
    table["look"][:, :3] = np.nan
    table["look"][10] = np.nan
    found = light_curve(table, [0.2, 1.0])
    assert (found.lit[1:-1] > 0.9).all()
