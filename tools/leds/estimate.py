"""From the R, G, B of a lamp to what light it may be: every plausible spectrum, weighted.

The lamp's R, G, B is never turned into a colour by a matrix: many spectra look alike to a
camera, and one camera is not like another. Spectra are drawn from what lamps may be, sent
through what the camera may be, and weighted by how well they agree with the picture. What
remains is the answer, and its spread is the uncertainty; nothing is assumed to be small.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library
from mastread.tools.leds.sensors import Eye
from mastread.tools.leds.spectra import Kind, kinds, xyz_of

Floats = NDArray[np.float64]

#: Draws in the first round and in each of the later ones.
FIRST: Final = 4000
LATER: Final = 2000
#: By how much the errors are enlarged in each round, so that the draws close in step by step.
_SOFT: Final = (40.0, 12.0, 4.0, 1.0)
#: Further rounds, while fewer draws than this carry the weight.
_MOST_ROUNDS: Final = 7
_ENOUGH: Final = 150.0
#: Centres of the mixture that later rounds draw from.
_CENTRES: Final = 80
#: Share of later draws that still come from the prior, so that no rival is lost.
_FRESH: Final = 0.1


@dataclass(frozen=True, slots=True)
class Tint:
    """Linear R, G, B of a lamp alone, scaled to a greatest value of 1.

    Attributes
    ----------
    rgb : (3,)
    covariance : (3, 3) of its measurement
    cut : (3,) True where the channel was cut off at zero; the truth is then at or below `rgb`
    """

    rgb: Floats
    covariance: Floats
    cut: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Lights:
    """Spectra that a lamp may have, with weights that sum to 1.

    Attributes
    ----------
    power : (N, W) spectra, each summing to 1
    xyz : (N, 3) of `power`
    weight : (N,)
    level : (N,) factor from `power` to the lamp's light, in units of the tint's scale
    """

    power: Floats
    xyz: Floats
    weight: Floats
    level: Floats

    @property
    def xy(self) -> Floats:
        """(N, 2) CIE 1931 chromaticities."""
        return np.asarray(self.xyz[:, :2] / self.xyz.sum(axis=1, keepdims=True))


def lights_of(tint: Tint, eye: Eye, seed: int = 1) -> Lights:
    """Weigh what a lamp of this tint may be, seen by this eye. The same input gives the same
    answer."""
    rng = np.random.default_rng(seed)
    cubes = {
        kind.name: _even(len(kind.ranges), max(200, int(FIRST * kind.share)), seed)
        for kind in kinds()
    }
    density = {name: np.ones(len(cube)) for name, cube in cubes.items()}
    for number in range(_MOST_ROUNDS):
        soft = _SOFT[min(number, len(_SOFT) - 1)]
        found = {}
        for kind in kinds():
            power = kind.spectra(cubes[kind.name])
            logs, level = log_agreement(tint, *eye.draw(power, rng), soft)
            logs = logs + np.log(kind.share / len(power)) - np.log(density[kind.name])
            found[kind.name] = (power, logs, level)
        top = max(float(logs.max()) for _, logs, _ in found.values())
        weights = {name: np.exp(logs - top) for name, (_, logs, _) in found.items()}
        total = sum(float(w.sum()) for w in weights.values())
        carried = total**2 / sum(float((w**2).sum()) for w in weights.values())
        if number >= len(_SOFT) - 1 and (carried >= _ENOUGH or number == _MOST_ROUNDS - 1):
            break
        for kind in kinds():
            share = float(weights[kind.name].sum()) / total
            cubes[kind.name], density[kind.name] = _closer(
                kind, cubes[kind.name], weights[kind.name], share, rng
            )
    power = np.concatenate([power for power, _, _ in found.values()])
    level = np.concatenate([level for _, _, level in found.values()])
    weight = np.concatenate(list(weights.values()))
    keep = weight > 1e-9 * weight.max()
    power, level, weight = power[keep], level[keep], weight[keep]
    return Lights(power, xyz_of(power), weight / weight.sum(), level)


def _even(dimensions: int, count: int, seed: int) -> Floats:
    """(count, dimensions) evenly spread numbers between 0 and 1."""
    sampler = library("scipy.stats").qmc.Halton(dimensions, seed=seed)
    return np.asarray(sampler.random(count))


def _closer(
    kind: Kind, cube: Floats, weight: Floats, part: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """New draws near those that agreed, and their density over that of the prior.

    part : share of all weight that this kind has
    """
    dimensions = len(kind.ranges)
    total = float(weight.sum())
    fresh = rng.random((max(40, int(_FRESH * LATER * kind.share)), dimensions))
    if part < 1e-5:
        return fresh, np.ones(len(fresh))
    share = weight / total
    mean = share @ cube
    spread = np.sqrt(np.maximum(share @ (cube - mean) ** 2, 1e-8))
    effective = 1.0 / float((share**2).sum())
    width = 1.1 * spread * max(effective, 4.0) ** (-1.0 / (dimensions + 4)) + 5e-4
    centres = cube[rng.choice(len(cube), _CENTRES, p=share)]
    count = max(200, int(LATER * part))
    near = centres[rng.integers(_CENTRES, size=count)]
    near = near + rng.standard_normal(near.shape) * width
    near = near[((near > 0) & (near < 1)).all(axis=1)]
    drawn = np.concatenate([fresh, near])
    made = len(fresh) + count
    z = (drawn[:, None, :] - centres) / width
    norm = float(np.prod(width)) * (2 * np.pi) ** (dimensions / 2)
    mixture = np.exp(-0.5 * (z**2).sum(axis=2)).mean(axis=1) / norm
    # Draws that fell outside count as drawn: their share of the density is lost with them.
    density = (len(fresh) / made + count / made * mixture) * made / len(drawn)
    return drawn, density


def log_agreement(
    tint: Tint, mean: Floats, covariance: Floats, soft: float = 1.0
) -> tuple[Floats, Floats]:
    """How well predicted (N, 3) R, G, B agree with a tint, whatever the lamp's brightness.

    soft : factor on the variances of the measurement

    Returns
    -------
    (N,) log-likelihoods, and the (N,) factors that bring the predictions to the tint's scale
    """
    special = library("scipy.special")
    seen = np.flatnonzero(~tint.cut)
    cut = np.flatnonzero(tint.cut)
    o = tint.rgb[seen]
    noise = soft * tint.covariance[np.ix_(seen, seen)]
    m = mean[:, seen]
    strength = np.maximum((m**2).sum(axis=1), 1e-12)
    k = np.maximum(m @ o / strength, 1e-6)
    for _ in range(3):
        v = noise + (k**2)[:, None, None] * covariance[:, seen[:, None], seen]
        inverse = np.linalg.inv(v)
        im = np.einsum("nij,nj->ni", inverse, m)
        power = np.maximum((im * m).sum(axis=1), 1e-12)
        k = np.clip((im @ o) / power, 1e-6, 1e6)
    rest = o - k[:, None] * m
    logs = -0.5 * np.einsum("ni,nij,nj->n", rest, inverse, rest)
    # Every brightness is as likely as twice of it: integrated over its logarithm.
    logs -= 0.5 * np.linalg.slogdet(v)[1] + 0.5 * np.log(power) + np.log(k)
    for c in cut:
        sd = np.sqrt(soft * tint.covariance[c, c] + k**2 * covariance[:, c, c])
        logs += special.log_ndtr((tint.rgb[c] - k * mean[:, c]) / sd)
    return logs, k
