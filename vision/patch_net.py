"""The convolutional net that looks at a spot's neighbourhood, run by OpenCV.

``patch_net.onnx`` holds the weights, ``patch_net.json`` its card: what it was trained and checked
on, how its inputs are scaled, and the temperatures that make its odds mean what they say. How it
is made stands in ``tools/train_patch.py``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS
from mastread.vision.limits import limits
from mastread.vision.net import softmax


@dataclass(frozen=True, slots=True, eq=False)
class PatchNet:
    """The net with its scaling; see `load_patch_net`."""

    net: Any
    centre: NDArray[np.float32]
    spread: NDArray[np.float32]
    lamp_temperature: float
    colour_temperature: float
    colour_shift: NDArray[np.float64]

    def judge(
        self, patches: NDArray[np.uint8], figures: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Odds of spots.

        Parameters
        ----------
        patches : (N, 40, 40, 3) uint8, from `mastread.vision.patch.patch`
        figures : (N, F), from `mastread.vision.features.features`

        Returns
        -------
        (N,) probability that the spot is a lit lamp, and (N, 6) log-odds of its colour if it is
        """
        if not len(patches):
            return np.zeros(0), np.zeros((0, 6))
        pictures = patches.transpose(0, 3, 1, 2).astype(np.float32) / np.float32(255.0)
        scaled = np.clip((figures.astype(np.float32) - self.centre) / self.spread, -4.0, 4.0)
        self.net.setInput(np.ascontiguousarray(pictures), "patch")
        self.net.setInput(np.ascontiguousarray(scaled), "figures")
        scores = np.asarray(self.net.forward("scores"), np.float64).reshape(len(patches), -1)
        lamp = softmax(scores[:, :2] / self.lamp_temperature)[:, 0]
        return lamp, scores[:, 2:] / self.colour_temperature + self.colour_shift


@cache
def load_patch_net() -> PatchNet:
    """The net of this package."""
    room = files("mastread.vision")
    weights = np.frombuffer(room.joinpath("patch_net.onnx").read_bytes(), np.uint8)
    card = json.loads(room.joinpath("patch_net.json").read_text(encoding="utf-8"))
    return PatchNet(
        net=cv2.dnn.readNetFromONNX(weights),
        centre=np.array(card["centre"], np.float32),
        spread=np.array(card["spread"], np.float32),
        lamp_temperature=float(card["temperatures"]["lamp"]),
        colour_temperature=float(card["temperatures"]["colour"]),
        colour_shift=_shift(card["colour_shares"]),
    )


def _shift(shares: dict[str, float]) -> NDArray[np.float64]:
    """Log-odds that move the net from the shares it was trained on to those met outside."""
    prior = limits("colours")["prior"]
    return np.array([np.log(prior[colour] / shares[colour]) for colour in COLOURS])
