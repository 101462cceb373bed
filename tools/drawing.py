"""Drawing that every picture shares: inks, text, and a shape for each colour.

Many people cannot tell red from green, so a colour never stands alone: each has a shape of our
own and its word. Text is set in the variable font that OpenCV 5 carries inside itself, so
pictures look the same on every machine.

Images are (rows, columns, 3) uint8 in R, G, B order and are drawn on in place; sizes and places
are in pixels.
"""

from __future__ import annotations

import math
import re
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Ink = tuple[int, int, int]
Point = tuple[float, float]

#: Inks. They were chosen to differ in lightness as well as in hue.
PAPER: Final[Ink] = (20, 24, 30)
RAISED: Final[Ink] = (35, 41, 50)
TEXT: Final[Ink] = (244, 246, 248)
FAINT: Final[Ink] = (172, 180, 190)
DOUBT: Final[Ink] = (255, 190, 92)
LENS_INK: Final[dict[str, Ink]] = {
    "red": (255, 92, 82),
    "yellow": (255, 208, 64),
    "green": (46, 212, 160),
    "lunar": (196, 216, 255),
    "white": (255, 255, 255),
    "blue": (96, 160, 255),
    "none": (150, 158, 168),
    "unknown": (200, 176, 255),
}

REGULAR: Final = 400
STRONG: Final = 650

#: The font's round brackets come with blanks on both sides, this much of the size too wide.
_BRACKETS: Final = "()"
_BRACKET_BEARING: Final = 0.13

#: Sub-pixel bits of the polygon and line drawing.
_SHIFT: Final = 4


@lru_cache(maxsize=1)
def _face() -> cv2.FontFace:
    return cv2.FontFace("sans")


@lru_cache(maxsize=4096)
def text_width(words: str, size: int, weight: int = REGULAR) -> int:
    """Return how wide `words` are when set at `size` pixels."""
    return round(sum(_advance(piece, size, weight) for piece in _set_pieces(words)))


def write(
    image: Image, place: Point, words: str, size: int, ink: Ink, weight: int = REGULAR
) -> None:
    """Set one line of `words`; `place` is the left end of its base line."""
    x = place[0]
    for piece in _set_pieces(words):
        left = x - (_BRACKET_BEARING * size if piece in _BRACKETS else 0.0)
        cv2.putText(image, piece, (round(left), round(place[1])), ink, _face(), size, weight)
        x += _advance(piece, size, weight)


def _set_pieces(words: str) -> list[str]:
    return [piece for piece in re.split(r"([()])", words) if piece]


@lru_cache(maxsize=4096)
def _advance(piece: str, size: int, weight: int) -> float:
    # A bar at the end makes a trailing blank count.
    _, _, width, _ = cv2.getTextSize((0, 0), piece + "|", (0, 0), _face(), size, weight)
    _, _, bar, _ = cv2.getTextSize((0, 0), "|", (0, 0), _face(), size, weight)
    tight = 2 * _BRACKET_BEARING * size if piece in _BRACKETS else 0.0
    return float(width - bar - tight)


def wrap(
    words: str,
    width: float,
    size: int,
    weight: int = REGULAR,
    most: int = 99,
    *,
    balanced: bool = False,
) -> list[str]:
    """Break `words` into lines no wider than `width`; past `most` lines it ends in an ellipsis.

    A single word that is wider than a line is broken where the line ends. `balanced` lines are
    about equally long, so that none holds a lonely word.
    """
    if balanced:
        count = len(wrap(words, width, size, weight, most))
        narrow, wide = width / 2, width
        while count > 1 and wide - narrow > size / 2:
            middle = (narrow + wide) / 2
            if len(wrap(words, middle, size, weight, most)) > count:
                narrow = middle
            else:
                wide = middle
        width = wide
    lines: list[str] = []
    line = ""
    for word in words.split():
        for piece in _pieces(word, width, size, weight):
            trial = f"{line} {piece}" if line else piece
            if line and text_width(trial, size, weight) > width:
                lines.append(line)
                line = piece
            else:
                line = trial
    if line:
        lines.append(line)
    if len(lines) > most:
        lines = lines[:most]
        last = lines[-1]
        while last and text_width(last + " …", size, weight) > width:
            last = last.rsplit(" ", 1)[0] if " " in last else last[:-1]
        lines[-1] = (last + " …").strip()
    return lines


def _pieces(word: str, width: float, size: int, weight: int) -> list[str]:
    pieces = []
    while len(word) > 1 and text_width(word, size, weight) > width:
        cut = len(word) - 1
        while cut > 1 and text_width(word[:cut], size, weight) > width:
            cut -= 1
        pieces.append(word[:cut])
        word = word[cut:]
    return [*pieces, word]


def lens_shape(image: Image, centre: Point, size: float, colour: str, *, flashing: bool) -> None:
    """Draw the shape that stands for a colour within a circle of diameter `size`.

    Red is a square, yellow a triangle, green a disc, lunar a crescent, white a diamond, blue a
    cross, dark an empty struck ring, unknown a ring with a question mark. Rays around the shape
    stand for flashing.
    """
    ink = LENS_INK[colour]
    radius = size / 2
    if flashing:
        for k in range(8):
            angle = math.pi * (k + 0.5) / 4
            direction = (math.cos(angle), math.sin(angle))
            start = (
                centre[0] + direction[0] * radius * 0.82,
                centre[1] + direction[1] * radius * 0.82,
            )
            end = (
                centre[0] + direction[0] * radius * 1.08,
                centre[1] + direction[1] * radius * 1.08,
            )
            line(image, [start, end], ink, max(1.0, size / 14))
        radius *= 0.66
    x, y = centre
    if colour == "red":
        a = radius * 0.8
        _polygon(image, [(x - a, y - a), (x + a, y - a), (x + a, y + a), (x - a, y + a)], ink)
    elif colour == "yellow":
        h = radius * 0.92
        _polygon(image, [(x, y - h), (x + h, y + h * 0.75), (x - h, y + h * 0.75)], ink)
    elif colour == "green":
        _polygon(image, _arc(centre, radius * 0.9, 0, 360), ink)
    elif colour == "lunar":
        outer = _arc(centre, radius * 0.9, 50, 310)
        inner = _arc((x + radius * 0.42, y), radius * 0.7, 280, 80)
        _polygon(image, [*outer, *inner], ink)
    elif colour == "white":
        a = radius * 0.98
        _polygon(image, [(x, y - a), (x + a, y), (x, y + a), (x - a, y)], ink)
    elif colour == "blue":
        a, b = radius * 0.9, radius * 0.32
        _polygon(image, [(x - a, y - b), (x + a, y - b), (x + a, y + b), (x - a, y + b)], ink)
        _polygon(image, [(x - b, y - a), (x + b, y - a), (x + b, y + a), (x - b, y + a)], ink)
    elif colour == "none":
        ring = _arc(centre, radius * 0.8, 0, 360)
        line(image, ring, ink, max(1.0, size / 12))
        a = radius * 0.56
        line(image, [(x - a, y + a), (x + a, y - a)], ink, max(1.0, size / 12))
    else:
        line(image, _arc(centre, radius * 0.88, 0, 360), ink, max(1.0, size / 14))
        letter = max(8, round(radius * 1.35))
        write(
            image,
            (x - text_width("?", letter, STRONG) / 2, y + letter * 0.36),
            "?",
            letter,
            ink,
            STRONG,
        )


def line(image: Image, points: list[Point], ink: Ink, thickness: float = 1.0) -> None:
    """Draw a smooth line through `points`."""
    cv2.polylines(
        image, [_fixed(points)], False, ink, max(1, round(thickness)), cv2.LINE_AA, _SHIFT
    )


def plate(image: Image, box: tuple[float, float, float, float], ink: Ink, share: float) -> None:
    """Lay a plate with rounded corners over `box` (x0, y0, x1, y1); `share` 1 hides all below."""
    x0, y0, x1, y1 = (round(value) for value in box)
    x0, y0 = max(0, x0), max(0, y0)
    x1, y1 = min(image.shape[1], x1), min(image.shape[0], y1)
    if x1 <= x0 or y1 <= y0:
        return
    part = image[y0:y1, x0:x1]
    height, width = part.shape[:2]
    corner = min(height, width) * 0.28
    outline: list[Point] = []
    for cx, cy, start in (
        (width - 1 - corner, corner, 270),
        (width - 1 - corner, height - 1 - corner, 0),
        (corner, height - 1 - corner, 90),
        (corner, corner, 180),
    ):
        outline += _arc((cx, cy), corner, start, start + 90)
    mask = np.zeros((height, width), np.uint8)
    cv2.fillPoly(mask, [_fixed(outline)], 255, cv2.LINE_AA, _SHIFT)
    weight = (mask.astype(np.float32) * (share / 255.0))[:, :, None]
    mixed = part * (1.0 - weight) + np.asarray(ink, np.float32) * weight
    part[:] = np.round(mixed).astype(np.uint8)


def _arc(centre: Point, radius: float, start: float, end: float) -> list[Point]:
    """Points on a circle from angle `start` to `end` in degrees (backwards if end < start)."""
    count = max(8, round(abs(end - start) / 6))
    angles = np.radians(np.linspace(start, end, count + 1))
    return [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in angles]


def _fixed(points: list[Point]) -> NDArray[np.int32]:
    return np.round(np.asarray(points, np.float64) * (1 << _SHIFT)).astype(np.int32)


def _polygon(image: Image, points: list[Point], ink: Ink) -> None:
    cv2.fillPoly(image, [_fixed(points)], ink, cv2.LINE_AA, _SHIFT)
