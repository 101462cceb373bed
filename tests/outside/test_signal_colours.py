"""The lamps of made scenes against the signal colours of published standards.

The limits and their sources stand in ``signal_colours.toml``. Chromaticities are taken with the
tabulated CIE 1931 observer of colour-science, not with the analytic fit that makes the scenes.
That every lamp lies in its ICAO region for filament lamps is checked in
``tests/tools/test_scenes_camera.py``.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from mastread.tools.scenes import lamps

colour = pytest.importorskip("colour")

DATA = tomllib.loads(Path(__file__).with_name("signal_colours.toml").read_text(encoding="utf-8"))
REGIONS: list[dict[str, Any]] = DATA["region"]
#: Published corners are printed with three decimals; lines drawn through them miss by this.
PRINTED = 0.0015
#: Our curves: every 2 nm from 380 to 730. Theirs: every nm over the whole table of the observer.
SAMPLING = 2e-4
#: Four decimals in the table of LED colours, and its own sampling.
TABLE = 2e-4

FINE = colour.SpectralShape(360, 830, 1)
OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]


def xy(power: NDArray[np.float64], shape: Any) -> tuple[float, float]:
    xyz = power @ OBSERVER.copy().align(shape).values
    return float(xyz[0] / xyz.sum()), float(xyz[1] / xyz.sum())


def lamp_xy(name: str) -> tuple[float, float]:
    return xy(lamps.emitters()[name].power, colour.SpectralShape(380, 730, 2))


def excess(limit: list[Any], x: float, y: float) -> float:
    """How far a colour lies beyond one limit; negative inside."""
    axis, relation, constant, slope, *cap = limit
    value, other = (x, y) if axis == "x" else (y, x)
    bound = min([constant + slope * other, *cap])
    return float(value - bound if relation == "<=" else bound - value)


def inside(region: dict[str, Any], x: float, y: float) -> bool:
    return all(excess(limit, x, y) <= 0.0 for limit in region["limits"])


def named(emitter: lamps.Emitter) -> str:
    # No standard at hand gives lunar a region of its own; all hold it inside white.
    return "white" if emitter.colour == "lunar" else emitter.colour


def title(region: dict[str, Any]) -> str:
    return f"{region['source'].split(',')[0][:24]} {region['colour']}"


@pytest.mark.parametrize("region", REGIONS, ids=title)
def test_lamps_lie_in_the_region_of_their_colour_or_a_reason_is_given(
    region: dict[str, Any],
) -> None:
    ours = {name: e for name, e in lamps.emitters().items() if named(e) == region["colour"]}
    assert ours
    without = {name for name in ours if not inside(region, *lamp_xy(name))}
    assert without == set(region["outside"])


@pytest.mark.parametrize("name", sorted(lamps.emitters()))
def test_no_lamp_lies_in_the_region_of_another_colour(name: str) -> None:
    own = named(lamps.emitters()[name])
    met = {region["colour"] for region in REGIONS if inside(region, *lamp_xy(name))}
    assert met <= {own}


@pytest.mark.parametrize("region", [r for r in REGIONS if "corners" in r], ids=title)
def test_lines_run_through_the_published_corners(region: dict[str, Any]) -> None:
    # Guards the limits above against slips of the pen: corner points are a second print of them.
    # Spectral reds end a region too: they lie on x + y = 1.
    edges = [*region["limits"], ["y", "<=", 1.0, -1.0]]
    for x, y in region["corners"]:
        assert max(excess(edge, x, y) for edge in edges) == pytest.approx(0.0, abs=PRINTED), (x, y)


def test_no_published_region_reaches_between_yellow_and_green_or_yellow_and_red() -> None:
    # Spectral light of 600 to 608 nm and of 560 to 583 nm has no name in any of these standards:
    # a lamp that shows it must be left undecided. It is where the edges of all regions leave off.
    table = OBSERVER.copy().align(FINE)
    for first, last in ((600, 608), (560, 583)):
        for wavelength in range(first, last + 1):
            x, y, z = table[wavelength]
            spot = (x / (x + y + z), y / (x + y + z))
            assert not [title(r) for r in REGIONS if inside(r, *spot)], wavelength


def half_width_of_formula() -> float:
    """Full width at half maximum of Ohno's line over its parameter, the half spectral width."""
    half = brentq(lambda d: (np.exp(-(d**2)) + 2 * np.exp(-5 * d**2)) / 3 - 0.5, 0.0, 1.0)
    return float(2 * half)


@pytest.mark.parametrize("row", DATA["led"]["rows"], ids=lambda row: f"{row[0]:.0f} nm")
def test_led_colours_are_those_of_the_reference_library(row: list[float]) -> None:
    peak, width, x, y = row
    parameter = width / half_width_of_formula()
    theirs = colour.sd_single_led(
        peak, FINE, half_spectral_width=parameter, method="Ohno 2005"
    ).values
    ours = lamps._spectrum({"peak": peak, "fwhm": parameter})
    reference = xy(theirs, FINE)
    assert reference == pytest.approx((x, y), abs=TABLE)
    assert xy(ours, colour.SpectralShape(380, 730, 2)) == pytest.approx(reference, abs=SAMPLING)
