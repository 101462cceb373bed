"""The small picture of an aspect as pixels: the same shapes as its SVG."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from mastread.decoder.picture import Box, Circle, Label, Line, Picture
from mastread.tools.drawing import Image, Ink, text_width, write

#: Bits of sub-pixel accuracy in OpenCV's drawing calls.
_SHIFT: Final = 4


def paint_picture(picture: Picture, scale: float = 2.0) -> Image:
    """Paint a picture of an aspect.

    Parameters
    ----------
    picture : Picture
    scale : float
        Pixels per unit of the picture.

    Returns
    -------
    (rows, columns, 3) uint8 in R, G, B order
    """
    size = (round(picture.height * scale), round(picture.width * scale), 3)
    image: Image = np.full(size, 255, np.uint8)
    for shape in picture.shapes:
        if isinstance(shape, Box):
            _box(image, shape, scale)
        elif isinstance(shape, Circle):
            centre = _fixed(shape.x * scale, shape.y * scale)
            radius = round(shape.radius * scale * (1 << _SHIFT))
            cv2.circle(image, centre, radius, _ink(shape.fill), -1, cv2.LINE_AA, _SHIFT)
            if shape.line:
                width = max(1, round(scale))
                cv2.circle(image, centre, radius, _ink(shape.line), width, cv2.LINE_AA, _SHIFT)
        elif isinstance(shape, Line):
            cv2.line(
                image,
                _fixed(shape.x0 * scale, shape.y0 * scale),
                _fixed(shape.x1 * scale, shape.y1 * scale),
                _ink(shape.colour),
                max(1, round(shape.width * scale)),
                cv2.LINE_AA,
                _SHIFT,
            )
        else:
            _label(image, shape, scale)
    return image


def picture_png(picture: Picture, scale: float = 2.0) -> bytes:
    """Return the picture as a PNG file."""
    done, data = cv2.imencode(".png", paint_picture(picture, scale)[:, :, ::-1])
    if not done:
        raise RuntimeError("OpenCV could not write a PNG")
    return data.tobytes()


def _box(image: Image, box: Box, scale: float) -> None:
    x0, y0 = box.x * scale, box.y * scale
    x1, y1 = x0 + box.width * scale, y0 + box.height * scale
    r = box.round * scale
    ink = _ink(box.fill)
    if r == 0:
        cv2.rectangle(image, _fixed(x0, y0), _fixed(x1, y1), ink, -1, cv2.LINE_AA, _SHIFT)
    else:
        for a, b, c, d in ((x0 + r, y0, x1 - r, y1), (x0, y0 + r, x1, y1 - r)):
            cv2.rectangle(image, _fixed(a, b), _fixed(c, d), ink, -1, cv2.LINE_AA, _SHIFT)
        for x in (x0 + r, x1 - r):
            for y in (y0 + r, y1 - r):
                radius = round(r * (1 << _SHIFT))
                cv2.circle(image, _fixed(x, y), radius, ink, -1, cv2.LINE_AA, _SHIFT)
    if box.line:
        width = max(1, round(scale))
        cv2.rectangle(
            image, _fixed(x0, y0), _fixed(x1, y1), _ink(box.line), width, cv2.LINE_AA, _SHIFT
        )


def _label(image: Image, label: Label, scale: float) -> None:
    size = round(label.size * scale)
    x = label.x * scale
    if label.centred:
        x -= text_width(label.text, size) / 2
    write(image, (x, label.y * scale), label.text, size, _ink(label.colour))


def _ink(colour: str) -> Ink:
    return (int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16))


def _fixed(x: float, y: float) -> tuple[int, int]:
    return (round(x * (1 << _SHIFT)), round(y * (1 << _SHIFT)))
