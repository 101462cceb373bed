"""Strips round a mast: one scale for every size, places that can be found again, edges told."""

from __future__ import annotations

import numpy as np
import pytest
from drawn import DrawnFrame, backdrop, disc

from mastread.vision.strip import HEIGHT, LAYERS, PER_RADIUS, WIDTH, Spot, layers, strip


def frame_with(spots: list[Spot]) -> DrawnFrame:
    picture = backdrop(500, 700, level=0.1)
    for x, y, r in spots:
        disc(picture, x, y, r, (0.8, 0.1, 0.05))
    return DrawnFrame(picture)


@pytest.mark.parametrize("radius", [2.0, 5.0, 12.0])
def test_a_lens_has_one_size_in_every_strip(radius: float) -> None:
    spot = (250.0, 350.0, radius)
    cut = strip(frame_with([spot]), [spot])
    red = cut.picture[:, :, 0] > 170
    assert np.sqrt(red.sum() / np.pi) == pytest.approx(PER_RADIUS, abs=0.5)
    rows, columns = np.nonzero(red)
    assert (columns.mean(), rows.mean()) == pytest.approx(cut.place(250.0, 350.0), abs=0.3)
    assert cut.place(250.0, 350.0) == pytest.approx(((WIDTH - 1) / 2, (HEIGHT - 1) / 2))


def test_places_are_found_again() -> None:
    spots = [(240.0, 300.0, 4.0), (250.0, 360.0, 4.0)]
    cut = strip(frame_with(spots), spots)
    assert cut.frame_place(*cut.place(217.5, 333.25)) == pytest.approx((217.5, 333.25))


def test_what_lies_beyond_the_edge_is_told() -> None:
    spot = (5.0, 350.0, 4.0)
    cut = strip(frame_with([spot]), [spot])
    column = cut.place(0.0, 0.0)[0]
    assert not cut.inside[:, : int(column)].any()
    assert cut.inside[HEIGHT // 2, int(np.ceil(column)) :].all()
    assert not cut.picture[~cut.inside].any()
    # A mast that has left the picture altogether is no trouble.
    away = (-900.0, 350.0, 4.0)
    assert not strip(frame_with([]), [away]).inside.any()


def test_maps_mark_what_is_known() -> None:
    lit, dark, other = (250.0, 330.0, 4.0), (250.0, 370.0, 4.0), (270.0, 350.0, 4.0)
    cut = strip(frame_with([lit]), [lit])
    stack = layers(cut, [lit], [dark], [other])
    assert stack.shape == (LAYERS, HEIGHT, WIDTH)
    assert stack.dtype == np.float32
    for layer, spot in zip(stack[5:], (lit, dark, other), strict=True):
        row, column = divmod(int(np.argmax(layer)), WIDTH)
        assert (column, row) == pytest.approx(cut.place(spot[0], spot[1]), abs=0.51)
        assert layer.max() == pytest.approx(1.0, abs=0.06)
    assert float(stack[:4].max()) <= 1.0
