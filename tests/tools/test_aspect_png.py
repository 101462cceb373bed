"""The picture of an aspect as pixels."""

from __future__ import annotations

import cv2
import numpy as np

from mastread.decoder.language import parse_aspect
from mastread.decoder.picture import LENS, Circle, draw_aspect
from mastread.tools.aspect_png import paint_picture, picture_png


def test_each_lens_has_its_colour_where_the_picture_says() -> None:
    picture = draw_aspect(parse_aspect("flashing yellow over dark over green with R plate"))
    image = paint_picture(picture, 3.0)
    assert image.shape == (round(picture.height * 3), round(picture.width * 3), 3)
    lenses = [s for s in picture.shapes if isinstance(s, Circle)]
    assert [s.fill for s in lenses] == [LENS["yellow"][0], "#3a3f46", LENS["green"][0]]
    for lens in lenses:
        # Beside the letter, within the lens.
        pixel = image[round(lens.y * 3), round((lens.x - lens.radius * 0.8) * 3)]
        assert pixel.tolist() == [int(lens.fill[i : i + 2], 16) for i in (1, 3, 5)]


def test_the_png_reads_back_the_same() -> None:
    picture = draw_aspect(parse_aspect("red arm at 0 degrees over yellow row at 45 degrees"))
    data = np.frombuffer(picture_png(picture, 2.0), np.uint8)
    read = cv2.imdecode(data, cv2.IMREAD_COLOR)
    assert read is not None
    assert np.array_equal(read[:, :, ::-1], paint_picture(picture, 2.0))
