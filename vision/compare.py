"""The lamps of one picture, compared with one another.

They were all seen by the same camera with one exposure and one white balance. A lens that is white
with an orange rim is an over-exposed red or a well exposed yellow; beside a lamp that surely is red
it can be told which. Small nets take every pair of lamps, pool what each pair says over the
others, and correct the log-odds of each lamp's colour; with no other lamp in the picture they
correct little. How they are trained stands in ``tools/train_compare.py``.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

#: Spots less likely a lamp than this are not compared with the others.
LEAST_ODDS: Final = 0.5


Layers = dict[str, tuple[NDArray[np.float32], NDArray[np.float32]]]


@dataclass(frozen=True, slots=True, eq=False)
class CompareNet:
    """The nets; see `load_compare_net`. What their `members` say is averaged."""

    centre: NDArray[np.float32]
    spread: NDArray[np.float32]
    members: tuple[Layers, ...]
    temperature: float

    def correct(
        self, figures: NDArray[np.float64], scores: NDArray[np.float64], lit: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Colour scores of the lamps of a picture, corrected by one another.

        Parameters
        ----------
        figures : (N, F), from `mastread.vision.features.features`
        scores : (N, 6), log-odds of each spot's colour by itself
        lit : (N,) probability that each spot is a lit lamp; the others are compared with those
            of at least `LEAST_ODDS`

        Returns
        -------
        (N, 6) log-odds
        """
        if not len(figures):
            return scores
        rows = figures_of(
            figures.astype(np.float32), scores.astype(np.float32), self.centre, self.spread
        )
        sure = lit >= LEAST_ODDS
        more = np.mean([correction(layers, rows, sure) for layers in self.members], axis=0)
        return np.asarray((scores + more) / self.temperature, np.float64)


def correction(
    layers: Layers, rows: NDArray[np.float32], sure: NDArray[np.bool_]
) -> NDArray[np.float32]:
    """What one net adds to the log-odds of each lamp, (N, 6).

    Parameters
    ----------
    layers : ``own`` and ``other`` (what the two of a pair bring), ``first`` and ``last``
    rows : (N, .), from `figures_of`
    sure : (N,) whether a lamp is one to compare others with
    """
    (own_w, own_b), (other_w, other_b) = layers["own"], layers["other"]
    pairs = np.tanh((rows @ own_w + own_b)[:, None] + (rows @ other_w + other_b)[None])
    weight = np.repeat(sure[None].astype(np.float32), len(rows), axis=0)
    np.fill_diagonal(weight, 0.0)
    pooled = np.einsum("ijk,ij->ik", pairs, weight)
    pooled /= np.maximum(weight.sum(axis=1, keepdims=True), 1.0)
    (first_w, first_b), (last_w, last_b) = layers["first"], layers["last"]
    hidden = np.tanh(np.concatenate([rows, pooled], axis=1) @ first_w + first_b)
    return np.asarray(hidden @ last_w + last_b, np.float32)


def figures_of(
    x: NDArray[np.float32],
    scores: NDArray[np.float32],
    centre: NDArray[np.float32],
    spread: NDArray[np.float32],
) -> NDArray[np.float32]:
    """What is compared: figures brought to one scale, and the log-odds of the colours."""
    scaled = np.clip((x - centre) / spread, -4.0, 4.0)
    top = scores.max(axis=-1, keepdims=True)
    normed = scores - top - np.log(np.exp(scores - top).sum(axis=-1, keepdims=True))
    odds = np.clip(normed, -6.0, 0.0) / 3.0
    return np.concatenate([scaled, odds], axis=-1).astype(np.float32)


@cache
def load_compare_net() -> CompareNet:
    """The nets of this package."""
    text = files("mastread.vision").joinpath("compare_net.json").read_text(encoding="utf-8")
    card: dict[str, Any] = json.loads(text)
    members = tuple(
        {
            name: (np.array(entry["weights"], np.float32), np.array(entry["bias"], np.float32))
            for name, entry in layers.items()
        }
        for layers in card["members"]
    )
    return CompareNet(
        np.array(card["centre"], np.float32),
        np.array(card["spread"], np.float32),
        members,
        float(card["temperature"]),
    )
