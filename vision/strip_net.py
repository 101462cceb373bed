"""The convolutional net that looks at the surroundings of a mast, run by OpenCV.

``strip_net.onnx`` holds the weights, ``strip_net.json`` its card: what it was trained and checked
on, and the temperatures that make its odds mean what they say. How it is made stands in
``tools/train_strip.py``.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame
from mastread.vision.net import softmax
from mastread.vision.strip import HEIGHT, WIDTH, Spot, Strip, layers, strip

#: What the net answers: has the mast a head without light that is not marked; a lit lamp that is
#: not marked; do the marked lamps stand on one mast; are they the lamps of one position-light
#: head; is the mast a dwarf.
QUESTIONS: Final = ("dark_head", "missed_lamp", "one_mast", "row", "dwarf")
#: Pixels of the strip per cell of the map that says where.
CELL: Final = 4


@dataclass(frozen=True, slots=True)
class Look:
    """What the net sees round a mast.

    Attributes
    ----------
    odds : probability per question of `QUESTIONS`
    x, y : likeliest place of a dark head that is not marked, frame pixels
    placed : probability that it stands there (within a lens diameter or so), if there is one
    """

    odds: dict[str, float]
    x: float
    y: float
    placed: float


@dataclass(frozen=True, slots=True, eq=False)
class StripNet:
    """The net with its temperatures; see `load_strip_net`."""

    net: Any
    temperatures: NDArray[np.float64]

    def look(
        self,
        cut: Strip,
        lit: Sequence[Spot],
        dark: Sequence[Spot] = (),
        others: Sequence[Spot] = (),
    ) -> Look:
        """Look at the strip of a mast.

        Parameters
        ----------
        cut : its strip, from `mastread.vision.strip.strip`
        lit, dark : (x, y, radius) of its lamps and of heads that were found without light
        others : lamps nearby that are on other masts
        """
        radius = max(float(np.median([r for _, _, r in lit])), 1.0)
        figures = np.array([[np.log(radius), len(lit), len(dark)]], np.float32)
        self.net.setInput(layers(cut, lit, dark, others)[None], "strip")
        self.net.setInput(figures, "figures")
        scores, where = self.net.forward(["scores", "where"])
        scaled = np.asarray(scores, np.float64).ravel() / self.temperatures
        odds = 1.0 / (1.0 + np.exp(-scaled))
        x, y, placed = _place(cut, np.asarray(where, np.float64).reshape(HEIGHT // CELL, -1))
        return Look(dict(zip(QUESTIONS, map(float, odds), strict=True)), x, y, placed)


def _place(cut: Strip, where: NDArray[np.float64]) -> tuple[float, float, float]:
    """Likeliest place, in frame pixels, and how much of the odds lies round it."""
    share = softmax(where.ravel()).reshape(where.shape)
    high, wide = HEIGHT // CELL, WIDTH // CELL
    near = cv2.filter2D(share, -1, np.ones((3, 3)), borderType=cv2.BORDER_CONSTANT)
    row, column = divmod(int(np.argmax(near)), wide)
    rows, columns = np.mgrid[0:high, 0:wide]
    around = share * (abs(rows - row) <= 1) * (abs(columns - column) <= 1)
    total = float(around.sum())
    middle = (CELL - 1) / 2.0
    x, y = cut.frame_place(
        CELL * float((around * columns).sum()) / total + middle,
        CELL * float((around * rows).sum()) / total + middle,
    )
    reach = share * (abs(rows - row) <= 2) * (abs(columns - column) <= 2)
    return x, y, float(reach.sum())


def look_round(
    frame: Frame,
    lit: Sequence[Spot],
    dark: Sequence[Spot] = (),
    others: Sequence[Spot] = (),
) -> Look:
    """Look at the surroundings of a mast; see `StripNet.look`."""
    return load_strip_net().look(strip(frame, lit), lit, dark, others)


@cache
def load_strip_net() -> StripNet:
    """The net of this package."""
    room = files("mastread.vision")
    weights = np.frombuffer(room.joinpath("strip_net.onnx").read_bytes(), np.uint8)
    card = json.loads(room.joinpath("strip_net.json").read_text(encoding="utf-8"))
    return StripNet(
        net=cv2.dnn.readNetFromONNX(weights),
        temperatures=np.array([card["temperatures"][name] for name in QUESTIONS], np.float64),
    )
