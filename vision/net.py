"""A small feed-forward net, read from a JSON file of this package and run by numpy.

The nets judge figures that `mastread.vision.measure` took (never pixels), so a few thousand
weights suffice and no inference library is needed. How they are trained, on what, and how well
they do stands in the file itself and in ``tools/train.py``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Net:
    """Weights and what they expect.

    Attributes
    ----------
    classes : names of the outputs
    features : names of the inputs, in order
    centre, spread : (F,) what is subtracted from and divided out of the inputs
    layers : (weights (in, out), bias (out,)) of each layer; tanh between layers
    temperature : divides the last layer's values, so that the odds mean what they say
    """

    classes: tuple[str, ...]
    features: tuple[str, ...]
    centre: NDArray[np.float64]
    spread: NDArray[np.float64]
    layers: tuple[tuple[NDArray[np.float64], NDArray[np.float64]], ...]
    temperature: float

    def scores(self, inputs: NDArray[np.float64]) -> NDArray[np.float64]:
        """Log-odds up to a constant, (N, classes), of (N, F) inputs."""
        # Inputs far outside of what was trained on say no more than the farthest that was.
        value = np.clip((inputs - self.centre) / self.spread, -4.0, 4.0)
        for k, (weights, bias) in enumerate(self.layers):
            value = value @ weights + bias
            if k + 1 < len(self.layers):
                value = np.tanh(value)
        return value / self.temperature

    def odds(self, inputs: NDArray[np.float64]) -> NDArray[np.float64]:
        """Probabilities, (N, classes), of (N, F) inputs; rows sum to 1."""
        return softmax(self.scores(inputs))


def softmax(scores: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities from log-odds along the last axis."""
    shifted = np.exp(scores - scores.max(axis=-1, keepdims=True))
    return np.asarray(shifted / shifted.sum(axis=-1, keepdims=True), np.float64)


@cache
def load_net(name: str) -> Net:
    """The net in ``vision/NAME.json``."""
    text = files("mastread.vision").joinpath(f"{name}.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    return Net(
        classes=tuple(raw["classes"]),
        features=tuple(raw["features"]),
        centre=np.array(raw["centre"], np.float64),
        spread=np.array(raw["spread"], np.float64),
        layers=tuple(
            (np.array(layer["weights"], np.float64), np.array(layer["bias"], np.float64))
            for layer in raw["layers"]
        ),
        temperature=float(raw["temperature"]),
    )
