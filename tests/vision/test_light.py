"""Transfers, matrices and primaries: what must hold whatever a standard says."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from numpy.typing import NDArray

from mastread.vision import light
from mastread.vision.light import Matrix, Primaries, Transfer

#: The published constants of BT.709's curve are rounded and leave a step where its parts meet.
BREAK = 1e-4
COLOURS = hnp.arrays(np.float64, (4, 3), elements=st.floats(0, 1))


@pytest.mark.parametrize("transfer", Transfer)
def test_dark_is_dark_and_more_code_is_more_light(transfer: Transfer) -> None:
    table = light.decode_table(transfer)
    assert table[0] == pytest.approx(0, abs=1e-6)
    assert (np.diff(table) >= -BREAK).all()
    top = light.PQ_TOP / light.PQ_CLIP if transfer is Transfer.PQ else 1.0
    assert table[-1] == pytest.approx(top, abs=1e-6)


@pytest.mark.parametrize("transfer", Transfer)
def test_values_outside_the_range_are_the_nearer_end(transfer: Transfer) -> None:
    ends = light.decode(np.array([0.0, 1.0]), transfer)
    np.testing.assert_array_equal(light.decode(np.array([-0.2, 1.3]), transfer), ends)


@pytest.mark.parametrize("full_range", [True, False])
@pytest.mark.parametrize("bits", [8, 10, 12])
@pytest.mark.parametrize("matrix", Matrix)
@given(rgb=COLOURS)
def test_colours_come_back_from_their_codes(
    matrix: Matrix, bits: int, full_range: bool, rgb: NDArray[np.float64]
) -> None:
    scale = light.ycc_scale(matrix, full_range, bits)
    codes = light.rgb_to_ycc(rgb, scale, matrix)
    back = light.ycc_to_rgb(codes[..., 0], codes[..., 1], codes[..., 2], scale)
    np.testing.assert_allclose(back, rgb, atol=1e-9)


@pytest.mark.parametrize(("bits", "shift"), [(8, 0), (10, 0), (10, 6), (16, 0)])
@pytest.mark.parametrize("matrix", Matrix)
def test_one_affine_map_does_the_same(matrix: Matrix, bits: int, shift: int) -> None:
    codes = np.random.default_rng(1).integers(0, 1 << bits, (50, 3)).astype(np.float64)
    scale = light.ycc_scale(matrix, False, bits)
    expected = light.ycc_to_rgb(codes[:, 0], codes[:, 1], codes[:, 2], scale)
    table = light.ycc_matrix(matrix, False, bits, shift)
    stored = np.column_stack([codes * (1 << shift), np.ones(50)])
    np.testing.assert_allclose(stored @ table.T, expected, atol=2e-6)


@pytest.mark.parametrize("matrix", Matrix)
def test_grey_has_no_colour_difference(matrix: Matrix) -> None:
    scale = light.ycc_scale(matrix, False, 8)
    white, black = light.rgb_to_ycc(np.array([[1.0, 1, 1], [0, 0, 0]]), scale, matrix)
    np.testing.assert_allclose(white, [235, 128, 128], atol=1e-9)
    np.testing.assert_allclose(black, [16, 128, 128], atol=1e-9)


@pytest.mark.parametrize("primaries", Primaries)
def test_white_stays_white_between_primaries(primaries: Primaries) -> None:
    np.testing.assert_allclose(light.primaries_matrix(primaries).sum(axis=1), 1, atol=1e-12)
    there = light.primaries_matrix(primaries)
    back = light.primaries_matrix(Primaries.BT709, primaries)
    np.testing.assert_allclose(there @ back, np.eye(3), atol=1e-12)


def test_shared_tables_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        light.decode_table(Transfer.SRGB)[0] = 1
    with pytest.raises(ValueError, match="read-only"):
        light.primaries_matrix(Primaries.P3)[0, 0] = 1
