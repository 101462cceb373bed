"""Learn a camera's sensitivities from pictures of known lights, by linear least squares.

Each observation is a linear statement about the sensitivities with a known error; together with
the prior (what cameras may be) they leave a camera that is known as well as the observations
allow, and no better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.estimate import Tint
from mastread.tools.leds.sensors import Eye
from mastread.tools.leds.settings import settings
from mastread.tools.leds.spectra import (
    chart_reflectances,
    light_spectrum,
    line,
    line_widths,
    unit,
    xy_of,
)

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Statement:
    """``design @ z = value``, within a standard deviation `sd`.

    z are the numbers that pick one camera from an `Eye`.
    """

    design: Floats
    value: float
    sd: float


def learn(eye: Eye, statements: Sequence[Statement]) -> Eye:
    """Return the eye after the statements: a Bayesian linear update."""
    if not statements:
        return eye
    design = np.stack([s.design / s.sd for s in statements])
    value = np.array([s.value / s.sd for s in statements])
    precision = np.eye(design.shape[1]) + design.T @ design
    root = np.linalg.cholesky(np.linalg.inv(precision))
    shift = root @ (root.T @ (design.T @ value))
    mean = eye.mean + eye.spread @ shift
    factors = (eye.spread @ root).reshape(-1, root.shape[1])
    # Back to main directions, the strongest first, so that a file may leave out the weak ones.
    u, values, _ = np.linalg.svd(factors, full_matrices=False)
    return Eye(mean, (u * values).reshape(eye.spread.shape[0], -1, len(values)))


def chart_statements(
    eye: Eye, light: str, rgb: Floats, usable: NDArray[np.bool_], noise: Floats
) -> list[Statement]:
    """Statements of a 24-patch chart under a known light.

    Parameters
    ----------
    rgb : (24, 3) linear
    usable : (24, 3) False where a channel is clipped or cut off at zero
    noise : (24, 3) standard deviations of `rgb`

    The exposure is unknown: it is fitted first, from the patches as the mean eye sees them.
    """
    s = settings("calibration")
    power = chart_reflectances()[1] * light_spectrum(light)
    mean, _ = eye.predict(power)
    weight = usable * (mean > 0)
    k = float((weight * mean * rgb).sum() / (weight * rgb * rgb).sum())
    out = []
    for i, row in enumerate(power):
        for c in range(3):
            if not usable[i, c]:
                continue
            largest = float(mean[i].max())
            sd = np.hypot(s["patch_sd"] * largest, np.hypot(s["patch_floor"] * k, noise[i, c] * k))
            out.append(Statement(row @ eye.spread[c], k * rgb[i, c] - mean[i, c], float(sd)))
    return out


def led_statements(
    eye: Eye, wavelength_nm: float, tint: Tint, better: Eye | None = None
) -> list[Statement]:
    """Statements of an LED whose dominant wavelength is known: its channels stand in a ratio.

    What is not known of its spectrum (width, skew, a nanometre more or less) is averaged over; how
    much that matters is taken from `better`, an eye nearer to the truth, if there is one.
    """
    s = settings("calibration")
    power = leds_at(wavelength_nm, s["led_nm"])
    mean, _ = eye.predict(power)
    best = mean if better is None else better.predict(power)[0]
    first = int(np.argmax(np.where(tint.cut, -1.0, tint.rgb)))
    out = []
    for c in range(3):
        if c == first or tint.cut[c]:
            continue
        # o_c s_first - o_first s_c = 0 for the true sensitivities, up to the lamp's own spread.
        a, b = tint.rgb[c], tint.rgb[first]
        residual = (a * mean[:, first] - b * mean[:, c]) / mean[:, first].mean()
        middle = power.mean(axis=0) / mean[:, first].mean()
        design = middle @ (a * eye.spread[first] - b * eye.spread[c])
        noise = tint.covariance[c, c] + (a / b) ** 2 * tint.covariance[first, first]
        unsure = (a * best[:, first] - b * best[:, c]) / best[:, first].mean()
        sd = np.sqrt(unsure.var() + noise + s["led_sd"] ** 2)
        out.append(Statement(design, -float(residual.mean()), float(sd)))
    return out


def leds_at(wavelength_nm: float, sd_nm: float, seed: int = 3) -> Floats:
    """(N, W) spectra of narrow LEDs with about this dominant wavelength."""
    from mastread.tools.leds.colorimetry import dominant_wavelengths

    rng = np.random.default_rng(seed)
    peak = rng.normal(wavelength_nm, sd_nm + 4.0, 3000)
    width = line_widths(peak, rng.random(3000))
    low, high = settings("kinds")["line"]["ranges"]["skew"]
    power = unit(line(peak, width, rng.uniform(low, high, 3000), rng.random(3000)))
    dominant, _ = dominant_wavelengths(xy_of(power))
    weight = np.exp(-0.5 * ((dominant - wavelength_nm) / sd_nm) ** 2)
    keep = rng.random(len(weight)) < weight
    return power[keep]
