"""How doubts about lamps and groupings become odds of a head that was not found."""

from __future__ import annotations

import pytest

from mastread.vision.limits import limits
from mastread.vision.masts import Group
from mastread.vision.unseen import or_else, with_doubtful


def test_spots_in_line_that_were_not_made_out_may_be_heads() -> None:
    heads = [(100.0, 200.0, 5.0)]
    in_line, aside = (101.0, 120.0, 5.0, 0.4), (400.0, 120.0, 5.0, 0.4)
    assert with_doubtful(0.01, heads, []) == pytest.approx(0.01)
    assert with_doubtful(0.01, heads, [aside]) == pytest.approx(0.01)
    assert with_doubtful(0.01, heads, [in_line, aside]) == pytest.approx(1 - 0.99 * 0.6)


def test_a_grouping_in_doubt_is_not_read() -> None:
    settled = limits("chains")["settled"]
    assert or_else(0.01, Group((0, 1), 0.0, settled)) == 0.01
    assert or_else(0.01, Group((0, 1), 0.0, 0.6)) == pytest.approx(1.0 - 0.99 * 0.6)
    assert or_else(1.0, Group((0, 1), 0.0, 0.6)) == 1.0
