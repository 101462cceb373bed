"""Rows of position lights by place, size and colour; what the picture says is made up here."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.vision.rows import Row, find_rows, forms_of

YELLOW, RED = np.eye(6)[1], np.eye(6)[0]


def row_at(
    angle: float, count: int, pitch: float = 14.0, radius: float = 5.0
) -> NDArray[np.float64]:
    """Lamps in a row about (200, 200), `angle` degrees anticlockwise from horizontal."""
    along = (np.arange(count) - (count - 1) / 2.0) * pitch
    turn = np.radians(angle)
    x, y = 200.0 + along * np.cos(turn), 200.0 - along * np.sin(turn)
    return np.stack([x, y, np.full(count, 5.0)], axis=1)


def colours(count: int) -> NDArray[np.float64]:
    return np.tile(YELLOW, (count, 1))


@pytest.mark.parametrize("angle", [0, 45, 90, 135])
@pytest.mark.parametrize("tilt", [-6.0, 0.0, 6.0])
def test_three_lamps_in_a_row_are_one_head_at_their_angle(angle: int, tilt: float) -> None:
    (row,) = find_rows(row_at(angle + tilt, 3), colours(3), lambda _: 0.9)
    assert sorted(row.members) == [0, 1, 2]
    assert row.angle == angle
    assert forms_of(row) == {f"row {angle}": pytest.approx(0.9), "lamp": pytest.approx(0.1)}


@pytest.mark.parametrize("angle", [0, 45, 90, 135])
def test_two_lamps_may_be_a_row(angle: int) -> None:
    (row,) = find_rows(row_at(angle, 2, pitch=28.0), colours(2), lambda _: 0.6)
    assert row == Row(row.members, angle, 0.6)


def test_what_the_picture_says_decides() -> None:
    lamps = row_at(90, 3)
    assert find_rows(lamps, colours(3), lambda _: 0.001) == []


def test_lamps_of_two_colours_or_sizes_are_no_row() -> None:
    lamps = row_at(0, 2, pitch=20.0)
    assert find_rows(lamps, np.stack([YELLOW, RED]), lambda _: 0.9) == []
    lamps[1, 2] = 9.0
    assert find_rows(lamps, colours(2), lambda _: 0.9) == []


@pytest.mark.parametrize(("angle", "pitch"), [(22, 20.0), (67, 20.0), (0, 60.0), (0, 5.0)])
def test_lamps_at_other_angles_or_distances_are_no_row(angle: float, pitch: float) -> None:
    assert find_rows(row_at(angle, 2, pitch=pitch), colours(2), lambda _: 0.9) == []


def test_no_lamp_belongs_to_two_rows() -> None:
    upright = row_at(90, 3)
    upright[:, 0] += 100.0
    lamps = np.concatenate([row_at(0, 3), upright])
    rows = find_rows(lamps, colours(6), lambda members: 0.9 if len(members) == 3 else 0.2)
    assert sorted(sorted(row.members) for row in rows) == [[0, 1, 2], [3, 4, 5]]
    assert find_rows(np.zeros((0, 3)), np.zeros((0, 6)), lambda _: 1.0) == []
