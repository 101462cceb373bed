"""Our many-at-once colorimetry against colour-science and published worked examples."""

from __future__ import annotations

import warnings
from typing import Any

import colour
import numpy as np
import pytest

from mastread.tools.leds import colorimetry as c
from mastread.tools.leds import spectra

OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]


def test_dominant_wavelength_and_purity_are_those_of_the_library() -> None:
    rng = np.random.default_rng(5)
    peaks = rng.uniform(465, 645, 60)
    power = spectra.line(peaks, rng.uniform(14, 38, 60), np.zeros(60), np.zeros(60))
    xy = spectra.xy_of(power)
    ours, purity = c.dominant_wavelengths(xy)
    for point, nm, p in zip(xy, ours, purity, strict=True):
        theirs = float(np.asarray(colour.dominant_wavelength(point, np.array(c.WHITE))[0]))
        # Theirs is the nearest table entry, whole nanometres.
        assert nm == pytest.approx(theirs, abs=0.6)
        reference = float(colour.excitation_purity(point, np.array(c.WHITE)))
        assert p == pytest.approx(reference, abs=0.02)


def test_purples_have_no_dominant_wavelength() -> None:
    dominant, purity = c.dominant_wavelengths(np.array([[0.35, 0.15], [0.3127, 0.3290]]))
    assert np.isnan(dominant).all()
    assert 0.3 < purity[0] < 1.0
    assert purity[1] == pytest.approx(0.0)


# Correlated colour temperatures and chromaticities of CIE 15:2018, Table T.3 and T.8.1 as carried
# by colour-science; temperatures as stated there for A, D50, D65 and the LED illuminants.
@pytest.mark.parametrize(
    ("name", "kelvin"),
    [("A", 2856), ("D50", 5003), ("D65", 6504), ("LED-B1", 2733), ("LED-B3", 4103),
     ("LED-B4", 5109), ("LED-B5", 6598)],
)  # fmt: skip
def test_colour_temperature_of_cie_illuminants(name: str, kelvin: float) -> None:
    xy = np.array(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][name])
    cct, duv = c.temperatures(xy[None])
    assert cct[0] == pytest.approx(kelvin, rel=0.002)
    assert abs(duv[0]) < 0.006


def test_duv_is_that_of_the_library() -> None:
    # Ohno 2014 (LEUKOS 10:47), as implemented in colour-science.
    rng = np.random.default_rng(2)
    xy = np.stack([rng.uniform(0.28, 0.46, 40), np.zeros(40)], axis=1)
    xy[:, 1] = -3.0 * xy[:, 0] ** 2 + 2.87 * xy[:, 0] - 0.275 + rng.uniform(-0.02, 0.02, 40)
    ours = np.stack(c.temperatures(xy), axis=1)
    uv = colour.xy_to_UCS_uv(xy) if hasattr(colour, "xy_to_UCS_uv") else c.uv_of(xy) * [1, 2 / 3]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = colour.temperature.uv_to_CCT(uv, method="Ohno 2013")
    assert ours[:, 0] == pytest.approx(theirs[:, 0], rel=2e-3)
    assert ours[:, 1] == pytest.approx(theirs[:, 1], abs=2e-4)


def test_uv_prime_of_a_worked_example() -> None:
    # CIE 15:2018: u' = 4x / (-2x + 12y + 3), v' = 9y / (-2x + 12y + 3); D65 is 0.1978, 0.4683.
    assert c.uv_of(np.array([0.3127, 0.3290])) == pytest.approx([0.1978, 0.4683], abs=1e-4)


# Sharma, Wu, Dalal 2005, Color Research and Application 30:21, Table 1: pairs 1, 7, 13, 17, 25, 33.
SHARMA: list[Any] = [
    ([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485], 2.0425),
    ([50.0, 0.0, 0.0], [50.0, -1.0, 2.0], 2.3669),
    ([50.0, -0.001, 2.49], [50.0, 0.0011, -2.49], 4.7461),
    ([50.0, 2.5, 0.0], [73.0, 25.0, -18.0], 27.1492),
    ([60.2574, -34.0099, 36.2677], [60.4626, -34.1751, 39.4387], 1.2644),
    ([6.7747, -0.2908, -2.4247], [5.8714, -0.0985, -2.2286], 0.6377),
]


@pytest.mark.parametrize(("first", "second", "published"), SHARMA)
def test_ciede2000_of_the_published_pairs(
    first: list[float], second: list[float], published: float
) -> None:
    ours = c.ciede2000(np.array(first), np.array(second))
    assert float(ours) == pytest.approx(published, abs=1e-4)


def test_lab_on_a_common_luminance_leaves_chromaticity_alone() -> None:
    lab = c.lab_of(np.array([c.WHITE, (0.6, 0.39)]))
    assert lab[0] == pytest.approx([76.0693, 0.0, 0.0], abs=0.02)  # CIE 15: L* of Y = 50
    assert lab[0, 0] == pytest.approx(lab[1, 0])


def test_spectra_at_five_nanometres_have_the_chromaticity_of_one() -> None:
    fine = np.arange(380.0, 730.5, 1.0)
    table = OBSERVER.copy().align(colour.SpectralShape(380, 730, 1)).values
    for peak, fwhm in ((470, 20), (525, 30), (592, 14), (625, 13)):
        power = np.exp(-0.5 * ((fine - peak) / (fwhm / spectra.FWHM)) ** 2)
        xyz = power @ table
        ours = spectra.xy_of(spectra.line(*(np.array([v]) for v in (peak, fwhm, 0.0, 0.0))))[0]
        assert ours == pytest.approx(xyz[:2] / xyz.sum(), abs=3e-4)


def test_light_by_name_and_by_kelvin() -> None:
    assert spectra.light_spectrum("d65") == pytest.approx(spectra.light_spectrum("D65"))
    xy = spectra.xy_of(spectra.light_spectrum("2856K"))
    assert xy == pytest.approx([0.4476, 0.4074], abs=1e-3)  # CIE illuminant A
    for wrong in ("moon", "900K", "K"):
        with pytest.raises(KeyError):
            spectra.light_spectrum(wrong)
