"""The colour arithmetic of `mastread.vision.light` against colour-science.

colour-science (https://www.colour-science.org) computes from the same published standards
independently: IEC 61966-2-1, ITU-R BT.601, BT.709, BT.2020 and BT.2100, SMPTE ST 2084.
"""

from __future__ import annotations

from collections.abc import Callable

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from mastread.vision import light
from mastread.vision.light import Matrix, Primaries, Transfer

#: What the project promises.
TOLERANCE = 1e-6
#: float32 at the far ends of steep curves.
SINGLE_TOLERANCE = 2e-6
#: Half a step of the lookup table, at the steepest place of any curve (HLG at the top: slope 6).
TABLE_TOLERANCE = 3.0 / light.TABLE_STEPS

STEPS = np.linspace(0, 1, 1025)
Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]
CURVES: dict[Transfer, Curve] = {
    Transfer.SRGB: colour.models.eotf_sRGB,
    Transfer.BT709: colour.models.oetf_inverse_BT709,
    Transfer.HLG: colour.models.oetf_inverse_BT2100_HLG,
    Transfer.PQ: lambda v: colour.models.eotf_BT2100_PQ(v) / light.PQ_CLIP,
    Transfer.GAMMA18: lambda v: colour.gamma_function(v, 1.8),
    Transfer.GAMMA22: lambda v: colour.gamma_function(v, 2.2),
    Transfer.GAMMA28: lambda v: colour.gamma_function(v, 2.8),
    Transfer.LINEAR: lambda v: v,
}
SPACES = {
    Primaries.BT709: "ITU-R BT.709",
    Primaries.BT601_625: "ITU-R BT.470 - 625",
    Primaries.BT601_525: "SMPTE C",
    Primaries.BT2020: "ITU-R BT.2020",
    Primaries.P3: "Display P3",
}
WEIGHTS = {
    Matrix.BT601: "ITU-R BT.601",
    Matrix.BT709: "ITU-R BT.709",
    Matrix.BT2020: "ITU-R BT.2020",
}


def test_every_transfer_is_checked() -> None:
    assert set(CURVES) == set(Transfer)


@pytest.mark.parametrize("transfer", Transfer)
def test_decoding_agrees(transfer: Transfer) -> None:
    expected = CURVES[transfer](STEPS)
    np.testing.assert_allclose(light.decode(STEPS, transfer), expected, atol=TOLERANCE, rtol=0)


@pytest.mark.parametrize("transfer", Transfer)
def test_single_precision_stays_single_and_close(transfer: Transfer) -> None:
    got = light.decode(STEPS.astype(np.float32), transfer)
    assert got.dtype == np.float32
    # PQ raises to the 79th power, which costs two digits of float32.
    tolerance = 1e-3 if transfer is Transfer.PQ else SINGLE_TOLERANCE
    np.testing.assert_allclose(got, CURVES[transfer](STEPS), atol=tolerance, rtol=0)


@pytest.mark.parametrize("transfer", Transfer)
def test_lookup_is_as_good_as_its_steps(transfer: Transfer) -> None:
    coded = np.linspace(0, 1, 9973, dtype=np.float32)
    got = light.decode_steps(coded * np.float32(light.TABLE_STEPS), transfer)
    # PQ runs to 10 and has slope 95 there.
    tolerance = TABLE_TOLERANCE * (16 if transfer is Transfer.PQ else 1)
    np.testing.assert_allclose(got, CURVES[transfer](coded.astype(float)), atol=tolerance, rtol=0)


@pytest.mark.parametrize("transfer", Transfer)
def test_eight_bit_table_agrees(transfer: Transfer) -> None:
    got = light.decode_table_for_bits(transfer, 8)
    np.testing.assert_allclose(
        got, CURVES[transfer](np.arange(256) / 255), atol=SINGLE_TOLERANCE, rtol=SINGLE_TOLERANCE
    )


@pytest.mark.parametrize("transfer", Transfer)
@given(value=st.floats(0, 1))
def test_encoding_undoes_decoding(transfer: Transfer, value: float) -> None:
    coded = np.array([value])
    back = light.encode(light.decode(coded, transfer), transfer)
    # The published break of BT.709 is rounded to three digits and leaves a step of 1e-4 there;
    # PQ is nearly flat at its foot.
    tolerance = {Transfer.BT709: 2e-4, Transfer.PQ: 1e-4}.get(transfer, 1e-5)
    np.testing.assert_allclose(back, coded, atol=tolerance)


@pytest.mark.parametrize("full_range", [True, False])
@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("matrix", WEIGHTS)
def test_luma_and_colour_difference_agree(matrix: Matrix, bits: int, full_range: bool) -> None:
    rng = np.random.default_rng(7)
    top = (1 << bits) - 1
    codes = rng.integers(0, top + 1, (500, 3)).astype(np.float64)
    scale = light.ycc_scale(matrix, full_range, bits)
    got = light.ycc_to_rgb(codes[:, 0], codes[:, 1], codes[:, 2], scale)
    half = 1 << (bits - 1)
    if full_range:
        # JFIF: codes over their top, colour difference around the middle code.
        signals = np.stack([codes[:, 0], codes[:, 1] - half, codes[:, 2] - half], axis=1) / top
    else:
        unit = 1 << (bits - 8)
        signals = np.stack(
            [
                (codes[:, 0] / unit - 16) / 219,
                (codes[:, 1] / unit - 128) / 224,
                (codes[:, 2] / unit - 128) / 224,
            ],
            axis=1,
        )
    expected = colour.YCbCr_to_RGB(
        signals,
        K=colour.WEIGHTS_YCBCR[WEIGHTS[matrix]],
        in_legal=False,
        in_int=False,
        out_legal=False,
        out_int=False,
    )
    np.testing.assert_allclose(got, expected, atol=TOLERANCE, rtol=0)


@pytest.mark.parametrize("matrix", WEIGHTS)
def test_integer_studio_codes_agree(matrix: Matrix) -> None:
    """The limited-range codes themselves, as colour-science makes them at 8 and 10 bits."""
    rgb = np.random.default_rng(8).uniform(0, 1, (300, 3))
    for bits in (8, 10):
        codes = colour.RGB_to_YCbCr(
            rgb,
            K=colour.WEIGHTS_YCBCR[WEIGHTS[matrix]],
            in_legal=False,
            in_int=False,
            out_bits=bits,
            out_legal=True,
            out_int=True,
        ).astype(np.float64)
        scale = light.ycc_scale(matrix, False, bits)
        ours = light.rgb_to_ycc(rgb, scale, matrix)
        # Rounded to whole codes by one side only.
        np.testing.assert_allclose(ours, codes, atol=0.5 + 1e-6)


@pytest.mark.parametrize("primaries", Primaries)
def test_primaries_to_xyz_agree(primaries: Primaries) -> None:
    space = colour.RGB_COLOURSPACES[SPACES[primaries]]
    expected = colour.normalised_primary_matrix(space.primaries, light.D65_XY)
    np.testing.assert_allclose(light.rgb_to_xyz_matrix(primaries), expected, atol=TOLERANCE, rtol=0)


@pytest.mark.parametrize("primaries", Primaries)
def test_primaries_to_bt709_agree(primaries: Primaries) -> None:
    source = colour.normalised_primary_matrix(
        colour.RGB_COLOURSPACES[SPACES[primaries]].primaries, light.D65_XY
    )
    target = colour.normalised_primary_matrix(
        colour.RGB_COLOURSPACES["ITU-R BT.709"].primaries, light.D65_XY
    )
    np.testing.assert_allclose(
        light.primaries_matrix(primaries), np.linalg.inv(target) @ source, atol=TOLERANCE, rtol=0
    )


@given(rgb=hnp.arrays(np.float64, (5, 3), elements=st.floats(0.001, 4)))
def test_chromaticities_agree(rgb: NDArray[np.float64]) -> None:
    expected = colour.XYZ_to_xy(rgb @ light.rgb_to_xyz_matrix(Primaries.BT709).T)
    np.testing.assert_allclose(light.rgb_to_xy(rgb), expected, atol=TOLERANCE, rtol=0)


def test_white_is_d65_and_no_light_has_no_colour() -> None:
    np.testing.assert_allclose(light.rgb_to_xy(np.ones((1, 3))), [light.D65_XY], atol=TOLERANCE)
    assert np.isnan(light.rgb_to_xy(np.zeros((1, 3)))).all()
