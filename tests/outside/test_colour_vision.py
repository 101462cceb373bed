"""The marks of our pictures as people see them who cannot tell red from green, or blue from yellow.

Simulation: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A Physiologically-based Model for
Simulation of Color Vision Deficiency", IEEE TVCG 15 (2009), as colour-science has it, at full
severity. Colour differences: CIE DE2000, from the same library. Contrast: WCAG 2.2, success
criteria 1.4.3 (text, 4.5:1) and 1.4.11 (graphics, 3:1).
"""

from __future__ import annotations

import warnings
from itertools import combinations
from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.tools import drawing

EYES = (None, "Protanomaly", "Deuteranomaly", "Tritanomaly")
SIZE = 48

#: Two marks count as told apart where at least this share of their area differs ...
AREA = 0.08
#: ... by this much: DE2000 of 10 is seen at a glance (common practice, no source).
AT_A_GLANCE = 10.0

#: Colours that lie next to each other on masts differ even where no shape can be made out.
RED_AND_GREEN_APART = 15.0


def _simulate(rgb: NDArray[np.float64], eye: str | None) -> NDArray[np.float64]:
    """What an eye makes of sRGB (..., 3) in 0..1: linear RGB."""
    linear = colour.models.eotf_sRGB(rgb)
    if eye is None:
        return np.asarray(linear)
    with warnings.catch_warnings():
        # The library says that the model is only an approximation for the third kind.
        warnings.simplefilter("ignore", colour.utilities.ColourUsageWarning)
        matrix = colour.blindness.matrix_cvd_Machado2009(eye, 1.0)
    return np.clip(linear @ np.asarray(matrix).T, 0.0, 1.0)


def _lab(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    space = colour.RGB_COLOURSPACES["sRGB"]
    xyz = linear @ np.asarray(space.matrix_RGB_to_XYZ).T
    return np.asarray(colour.XYZ_to_Lab(xyz, space.whitepoint))


def _mark(name: str, *, flashing: bool = False) -> NDArray[np.float64]:
    image = np.full((SIZE, SIZE, 3), drawing.PAPER, np.uint8)
    drawing.lens_shape(image, (SIZE / 2, SIZE / 2), SIZE * 0.8, name, flashing=flashing)
    return image / 255.0


def _differing(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Share of the marks' own area that differs at a glance."""
    paper = _lab(_simulate(np.array(drawing.PAPER) / 255.0, None))
    apart: Any = colour.delta_E(a, b, method="CIE 2000")
    inked = (colour.delta_E(a, paper, method="CIE 2000") > AT_A_GLANCE) | (
        colour.delta_E(b, paper, method="CIE 2000") > AT_A_GLANCE
    )
    return float((apart > AT_A_GLANCE)[inked].mean())


@pytest.mark.parametrize("eye", EYES)
def test_no_two_marks_look_alike(eye: str | None) -> None:
    seen = {
        (name, flashing): _lab(_simulate(_mark(name, flashing=flashing), eye))
        for name in drawing.LENS_INK
        for flashing in (False, True)
        if not (flashing and name == "none")
    }
    worst = min((_differing(seen[a], seen[b]), a, b) for a, b in combinations(seen, 2))
    assert worst[0] > AREA, worst


@pytest.mark.parametrize("eye", EYES)
def test_inks_of_the_colours_that_masts_show_differ_by_themselves(eye: str | None) -> None:
    """Red, yellow and green also apart from their shapes: thin tints in light curves have none."""
    inks = {
        name: _lab(_simulate(np.array(drawing.LENS_INK[name]) / 255.0, eye))
        for name in ("red", "yellow", "green")
    }
    for a, b in combinations(inks, 2):
        apart = float(colour.delta_E(inks[a], inks[b], method="CIE 2000"))
        assert apart > RED_AND_GREEN_APART, (eye, a, b, apart)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("ground", [drawing.PAPER, drawing.RAISED])
def test_marks_and_words_stand_out_from_their_ground(eye: str | None, ground: drawing.Ink) -> None:
    weights = np.array([0.2126, 0.7152, 0.0722])

    def contrast(ink: drawing.Ink) -> float:
        light, dark = (float(_simulate(np.array(c) / 255.0, eye) @ weights) for c in (ink, ground))
        return (max(light, dark) + 0.05) / (min(light, dark) + 0.05)

    for ink in drawing.LENS_INK.values():
        assert contrast(ink) >= 3.0, ink
    for ink in (drawing.TEXT, drawing.FAINT, drawing.DOUBT):
        assert contrast(ink) >= 4.5, ink


def test_the_simulation_simulates() -> None:
    """Red and green of equal lightness, which differ most to most people, nearly fall together."""
    pair = np.array([[0.80, 0.36, 0.30], [0.36, 0.58, 0.25]])
    apart = [
        float(colour.delta_E(*_lab(_simulate(pair, eye)), method="CIE 2000"))
        for eye in (None, "Deuteranomaly")
    ]
    assert apart[0] > 40
    assert apart[1] < 0.5 * apart[0]
