"""The limits as data: every edge, 0.001 inside and outside; and figures copied a second time."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mastread.tools.leds.colorimetry import locus
from mastread.tools.leds.limits import Limit, Line, all_limits, read_line

LIMITS = all_limits()
EDGES = [(limit, line) for limit in LIMITS for line in limit.lines]
STEP = 0.001
SECOND = tomllib.loads(
    (Path(__file__).parents[2] / "outside" / "signal_colours.toml").read_text(encoding="utf-8")
)


def edge_points(limit: Limit, line: Line) -> Any:
    """Points of the outline on a line, and unit vectors out of the region there."""
    ring = limit.outline
    on = np.abs(line.margin(ring)) < 1e-6
    points = ring[on]
    slope = np.empty_like(points)
    for k in range(2):
        move = np.zeros(2)
        move[k] = 1e-6
        slope[:, k] = (line.margin(points + move) - line.margin(points - move)) / 2e-6
    return points, -slope / np.hypot(*slope.T)[:, None]


@pytest.mark.parametrize(
    ("limit", "line"), EDGES, ids=lambda v: v.name if isinstance(v, Limit) else v.text
)
def test_a_thousandth_inside_and_outside_each_edge(limit: Limit, line: Line) -> None:
    points, outward = edge_points(limit, line)
    if not len(points):
        # The spectrum locus or another line of the standard cuts this one off everywhere.
        assert (line.margin(limit.outline) > 0).all()
        return
    assert not limit.inside(points + STEP * outward).any()
    # Slivers of deep red are narrower than two steps: there half of the way across is taken.
    across = points - np.linspace(0, STEP, 21)[1:, None, None] * outward
    depth = np.array([limit.inside(p).sum() for p in across])
    assert depth[0] > 0
    inner = points - STEP * outward
    roomy = np.all([other.margin(inner) >= 0 for other in limit.lines if other is not line], axis=0)
    assert limit.inside(inner[roomy]).all()


@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: limit.name)
def test_distance_and_nearest_point_agree_with_inside(limit: Limit) -> None:
    rng = np.random.default_rng(7)
    low, high = limit.outline.min(axis=0) - 0.05, limit.outline.max(axis=0) + 0.05
    for point in rng.uniform(low, high, (60, 2)):
        foot, apart = limit.nearest(point)
        if apart > 0:
            assert not limit.inside(point)[0]
            assert np.hypot(*(foot - point)) == pytest.approx(apart)
            # A hair beyond the foot lies the region, unless the foot is on the locus.
            beyond = foot + (foot - point) / apart * 2e-4
            _, real = locus()
            at_locus = np.hypot(*(real - foot).T).min() < 2e-3
            assert limit.inside(beyond)[0] or at_locus or np.abs(limit.outline - foot).min() < 1e-3


@pytest.mark.parametrize("limit", LIMITS, ids=lambda limit: limit.name)
def test_every_limit_says_where_it_is_from(limit: Limit) -> None:
    assert limit.source
    assert limit.edition
    assert limit.grade
    assert limit.inside(np.array(limit.centre))[0]
    if "recalled" in limit.grade:
        assert not limit.shown


@pytest.mark.parametrize("limit", [m for m in LIMITS if m.printed_corners], ids=lambda m: m.name)
def test_printed_corners_lie_on_the_edge(limit: Limit) -> None:
    # COLREGS 1972 Annex I s.7 and UNECE R48 print corner points beside or instead of equations,
    # with three decimals; spectral corners lie on x + y = 1 within that. Deep red, the corner at
    # the end of the locus is not reached by the clipped outline.
    for corner in limit.printed_corners:
        margins = [float(line.margin(np.array([corner]))[0]) for line in limit.lines]
        assert min(margins) > -0.0015
        _, real = locus()
        on_locus = np.hypot(*(real - np.array(corner)).T).min() < 0.004
        on_line = sum(abs(m) < 0.0015 for m in margins)
        assert on_line + on_locus + (abs(sum(corner) - 1.0) < 0.0015) >= 1


def test_figures_copied_a_second_time_agree() -> None:
    # tests/outside/signal_colours.toml was written down from the sources apart from limits.json.
    starts = {
        "COLREGS": "COLREGS",
        "UNECE": "UNECE R48",
        "ICAO Annex 14 Vol I Appendix 1, filament": "ICAO filament",
        "ICAO Annex 14 Vol I Appendix 1, solid": "ICAO solid state",
        "ITE": "ITE",
    }
    rng = np.random.default_rng(3)
    points = rng.uniform([0.0, 0.0], [0.75, 0.85], (20000, 2))
    met = 0
    for region in SECOND["region"]:
        short = next((n for key, n in starts.items() if region["source"].startswith(key)), None)
        ours = [m for m in LIMITS if m.set == short and m.colour.startswith(region["colour"])]
        if not ours:
            continue
        met += 1
        theirs = np.ones(len(points), bool)
        for axis, relation, constant, slope, *cap in region["limits"]:
            value, other = points.T if axis == "x" else points.T[::-1]
            bound = np.minimum(constant + slope * other, cap[0] if cap else np.inf)
            theirs &= value <= bound if relation == "<=" else value >= bound
        # The restricted green bears the name of plain green there.
        apart = min(float((theirs != limit.inside(points)).mean()) for limit in ours)
        assert apart < 2e-4, (region["source"], region["colour"], apart)
    assert met >= 10


@pytest.mark.parametrize(
    "text", ["z <= 0.002", "y < 0.3", "y <= open(1)", "y <= x", "x >= y0(y)*q"]
)
def test_what_is_no_limit_is_refused(text: str) -> None:
    if text == "y <= x":
        assert read_line(text)[0].margin(np.array([[0.2, 0.1]]))[0] == pytest.approx(0.1)
        return
    with pytest.raises(ValueError, match="limit"):
        read_line(text)
