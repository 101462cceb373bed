"""The bench of light curves: drawn ones have the truth they claim, and are read right."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from mastread.tools.curves_bench import drawn_case, main, report
from mastread.tools.scenes.light_courses import draw_courses


@pytest.mark.parametrize("seed", range(6))
def test_the_same_seed_draws_the_same(seed: int) -> None:
    truth, watched = draw_courses(seed)
    again, watched_again = draw_courses(seed)
    assert truth == again
    for one, two in zip(watched.sites, watched_again.sites, strict=True):
        np.testing.assert_array_equal(one.table(), two.table())


def test_a_drawn_flash_has_its_rate_in_its_light() -> None:
    """Rises of the light over half, counted without the reader, follow the true period."""
    for seed in range(40):
        overrides = {"kind": "flashing", "cover": False, "heads": 1, "duration_s": 10.0}
        truth, watched = draw_courses(seed, overrides)
        (head,) = truth.masts[0].spans[0].heads
        if truth.conditions["level"] > 3.0 or truth.conditions["maker"] != "led":
            continue
        table = watched.sites[0].table()
        light = table["peak"] > 0.4 * np.percentile(table["peak"], 95)
        rises = table["time_s"][1:][light[1:] & ~light[:-1]]
        long = np.diff(rises)
        assert head.rate_hz is not None
        # Modulation of the supply adds short gaps; whole periods are most of the rest.
        whole = long[long > 0.3 / head.rate_hz]
        if len(whole) >= 4 and len(whole) == len(long):
            assert float(np.median(whole)) == pytest.approx(1.0 / head.rate_hz, rel=0.06)


def test_no_head_is_read_less_restrictive_and_behaviours_are_right() -> None:
    """Seeds that were never looked at one by one; the bars of the project are 0 and 0.2 %."""
    cases = [drawn_case(seed, "cror") for seed in range(600, 640)]
    lamps = [row for case in cases for row in case.lamps]
    assert [row.wrong_side for row in lamps if row.wrong_side] == []
    told = [row.behaviour for row in lamps if row.behaviour in ("right", "wrong")]
    assert len(told) > 60
    assert told.count("wrong") == 0
    errors = [abs(row.rate_error) for row in lamps if row.rate_error is not None]
    assert len(errors) > 6
    assert np.mean(np.array(errors) < 0.01) > 0.9


def test_the_report_says_what_was_counted() -> None:
    lines = list(report([drawn_case(seed, "cror") for seed in range(3)]))
    assert lines[0].startswith("6 px and up: behaviour wrong ")
    assert any(line.startswith("changes: ") for line in lines)


def test_a_folder_without_clips_is_refused_in_one_line(tmp_path: object) -> None:
    result = CliRunner().invoke(main, ["watched", str(tmp_path)])
    assert result.exit_code == 1
    assert "NAME.truth.json" in result.output
