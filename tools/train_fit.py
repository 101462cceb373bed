"""Fit a small feed-forward net to rows of figures, and write it as JSON with its card.

Adam on the cross entropy (Kingma and Ba 2015, "Adam: a method for stochastic optimization"),
stopped by the held-out rows, which then set the temperature. A few thousand rows and weights: numpy
will do.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import click
import numpy as np
from numpy.typing import NDArray

_ROUNDS: Final = 120
_PATIENCE: Final = 25
_BATCH: Final = 512
_STEP: Final = 2e-3
_DECAY: Final = 2e-3
#: Share of the target that is spread over the other classes: no training picture is worth
#: certainty, and odds of a million to one would drown every other witness when pooled.
_SMOOTHING: Final = 0.002


def fit_and_write(
    name: str,
    classes: tuple[str, str],
    names: Sequence[str],
    train: tuple[NDArray[np.float64], NDArray[np.bool_]],
    check: tuple[NDArray[np.float64], NDArray[np.bool_]],
    hidden: tuple[int, ...],
    seed: int,
    out: Path,
) -> None:
    """Fit a net of two classes (the label says whether it is the second) and write it."""
    (x, y), (cx, cy) = train, check
    net, report = _fit((x, y.astype(int)), (cx, cy.astype(int)), len(classes), hidden, seed)
    document = {
        "about": "Small net over measured figures; trained by tools/train.py on rendered scenes.",
        "trained_on": len(y),
        "checked_on": len(cy),
        "report": report,
        "classes": list(classes),
        "features": list(names),
        **net,
    }
    path = out / f"{name}.json"
    partial = path.with_suffix(".partial")
    partial.write_text(json.dumps(document) + "\n", encoding="utf-8")
    partial.replace(path)
    click.echo(f"{path}: {report}")


def _fit(
    train: tuple[NDArray[np.float64], NDArray[np.int64]],
    check: tuple[NDArray[np.float64], NDArray[np.int64]],
    classes: int,
    hidden: tuple[int, ...],
    seed: int,
) -> tuple[dict[str, Any], dict[str, float]]:
    rng = np.random.default_rng(seed)
    centre = train[0].mean(axis=0)
    spread = train[0].std(axis=0) + 1e-3
    x, cx = ((np.clip((t[0] - centre) / spread, -4, 4)) for t in (train, check))
    y, cy = train[1], check[1]
    sizes = [x.shape[1], *hidden, classes]
    weights = [rng.normal(0, 1 / np.sqrt(a), (a, b)) for a, b in itertools.pairwise(sizes)]
    biases = [np.zeros(b) for b in sizes[1:]]
    target = np.full((len(y), classes), _SMOOTHING / (classes - 1))
    target[np.arange(len(y)), y] = 1 - _SMOOTHING
    parameters = [*weights, *biases]
    first = [np.zeros_like(p) for p in parameters]
    second = [np.zeros_like(p) for p in parameters]
    best, best_loss, waited, step = [p.copy() for p in parameters], np.inf, 0, 0
    for _ in range(_ROUNDS):
        order = rng.permutation(len(y))
        for start in range(0, len(y), _BATCH):
            batch = order[start : start + _BATCH]
            # A little noise on the inputs stands for cameras that were not drawn.
            noisy = x[batch] + rng.normal(0, 0.08, (len(batch), x.shape[1]))
            gradients = _gradients(noisy, target[batch], weights, biases)
            step += 1
            for k, (parameter, gradient) in enumerate(zip(parameters, gradients, strict=True)):
                first[k] = 0.9 * first[k] + 0.1 * gradient
                second[k] = 0.999 * second[k] + 0.001 * gradient**2
                m = first[k] / (1 - 0.9**step)
                v = second[k] / (1 - 0.999**step)
                decay = _DECAY * parameter if parameter.ndim == 2 else 0.0
                parameter -= _STEP * (m / (np.sqrt(v) + 1e-8) + decay)
        loss = _loss(_forward(cx, weights, biases)[-1], cy)
        if loss < best_loss - 1e-5:
            best, best_loss, waited = [p.copy() for p in parameters], loss, 0
        else:
            waited += 1
            if waited >= _PATIENCE:
                break
    n = len(weights)
    weights, biases = best[:n], best[n:]
    scores = _forward(cx, weights, biases)[-1]
    temperature = min(np.arange(0.6, 3.01, 0.05), key=lambda t: _loss(scores / t, cy))
    right = float((scores.argmax(axis=1) == cy).mean())
    report = {
        "check_loss": round(_loss(scores / temperature, cy), 5),
        "check_right": round(right, 5),
    }
    net = {
        "centre": np.round(centre, 5).tolist(),
        "spread": np.round(spread, 5).tolist(),
        "layers": [
            {"weights": np.round(w, 5).tolist(), "bias": np.round(b, 5).tolist()}
            for w, b in zip(weights, biases, strict=True)
        ],
        "temperature": round(float(temperature), 3),
    }
    return net, report


def _forward(
    x: NDArray[np.float64], weights: list[NDArray[np.float64]], biases: list[NDArray[np.float64]]
) -> list[NDArray[np.float64]]:
    values = [x]
    for k, (w, b) in enumerate(zip(weights, biases, strict=True)):
        value = values[-1] @ w + b
        values.append(np.tanh(value) if k + 1 < len(weights) else value)
    return values


def _gradients(
    x: NDArray[np.float64],
    target: NDArray[np.float64],
    weights: list[NDArray[np.float64]],
    biases: list[NDArray[np.float64]],
) -> list[NDArray[np.float64]]:
    values = _forward(x, weights, biases)
    shifted = np.exp(values[-1] - values[-1].max(axis=1, keepdims=True))
    error = (shifted / shifted.sum(axis=1, keepdims=True) - target) / len(x)
    of_weights: list[NDArray[np.float64]] = []
    of_biases: list[NDArray[np.float64]] = []
    for k in range(len(weights) - 1, -1, -1):
        of_weights.insert(0, values[k].T @ error)
        of_biases.insert(0, error.sum(axis=0))
        if k:
            error = (error @ weights[k].T) * (1 - values[k] ** 2)
    return [*of_weights, *of_biases]


def _loss(scores: NDArray[np.float64], y: NDArray[np.int64]) -> float:
    """Mean negative log-odds of the true class."""
    top = scores.max(axis=1, keepdims=True)
    log_sum = np.log(np.exp(scores - top).sum(axis=1)) + top[:, 0]
    return float((log_sum - scores[np.arange(len(y)), y]).mean())
