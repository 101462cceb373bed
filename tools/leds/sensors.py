"""The eyes of cameras: published sensitivities, and the spread of all that a camera may be.

A camera is described by its *effective sensitivities*: what linear R, G, B a light of one
wavelength would leave in the picture if nothing were cut off at zero. For camera raw these are
the sensor's own; for developed pictures the maker's white balance and colour matrix are in them.
Being linear in the light, they are known from pictures of known lights by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library
from mastread.tools.leds.settings import settings
from mastread.tools.leds.spectra import (
    WAVELENGTHS,
    chart_reflectances,
    light_spectrum,
    observer,
)
from mastread.tools.scenes import lamps

Floats = NDArray[np.float64]
Form = Literal["developed", "raw"]

#: XYZ (D65 white Y = 1) to linear sRGB, IEC 61966-2-1.
XYZ_TO_SRGB: Final[Floats] = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)
_LUMA: Final[Floats] = np.array([0.2126, 0.7152, 0.0722])


@dataclass(frozen=True, slots=True)
class Balance:
    """What a neutral surface looks like: under which light, with which linear R, G, B, and how
    surely (standard deviation of the natural logarithm of the red and blue gains)."""

    light: str
    rgb: tuple[float, float, float]
    sd: float


@dataclass(frozen=True, slots=True)
class Eye:
    """Effective sensitivities and how well they are known.

    Attributes
    ----------
    mean : (3, W)
    spread : (3, W, R) factors: a plausible camera is ``mean + spread @ standard normal numbers``
    members : (K, 3, W) cameras one by one, where nothing was learnt: they differ by more than
        small errors, and then a mean and a spread say too little; else None
    """

    mean: Floats
    spread: Floats
    members: Floats | None = None

    def predict(self, power: Floats) -> tuple[Floats, Floats]:
        """(N, 3) linear R, G, B of (N, W) spectra, and the (N, 3, 3) covariance of it."""
        mean = power @ self.mean.T
        channels = [power @ self.spread[c] for c in range(3)]
        factors = np.stack(channels, axis=1)
        return mean, factors @ factors.transpose(0, 2, 1)

    def draw(self, power: Floats, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """As `predict`; but where nothing was learnt, each spectrum is seen by one camera drawn
        at random, and the covariance is what smooths over the gaps between draws."""
        if self.members is None:
            return self.predict(power)
        who = rng.integers(len(self.members), size=len(power))
        mean = np.einsum("nw,ncw->nc", power, self.members[who], optimize=True)
        grain = settings("cameras")["grain"] * np.abs(mean).max(axis=1)
        return mean, grain[:, None, None] ** 2 * np.eye(3)


@cache
def published() -> dict[str, Floats]:
    """(3, W) sensitivities of the cameras at hand, by name.

    Two measured at the UK's National Physical Laboratory come with colour-science; the others are
    those of the made scenes (``scenes/lamps.toml`` names where they come from).
    """
    colour = library("colour")
    out: dict[str, Floats] = {}
    for name, table in colour.MSDS_CAMERA_SENSITIVITIES.items():
        domain, values = table.wavelengths, table.values
        rows = [np.interp(WAVELENGTHS, domain, v, left=0, right=0) for v in values.T]
        out[name] = np.maximum(np.stack(rows), 0.0)
    for name in lamps.sensor_names():
        rows = [
            np.interp(WAVELENGTHS, lamps.WAVELENGTHS, row) for row in lamps.sensor(name).sensitivity
        ]
        out[name] = np.stack(rows)
    return out


def prior_eye(form: Form, balance: Balance, leave_out: tuple[str, ...] = (), seed: int = 1) -> Eye:
    """What a camera may be of which only its white balance is known.

    Parameters
    ----------
    leave_out : names of published cameras that must not count (to test with them)
    """
    rng = np.random.default_rng(seed)
    sets = [row for name, row in published().items() if name not in leave_out]
    count = int(settings("cameras")["count"])
    made: list[Floats] = []
    for k in range(20 * count):
        raw = _bent(sets[k % len(sets)], form, rng)
        # A camera whose colours must be stretched too far would show nothing but noise.
        if form == "raw" or np.abs(fit_matrix(raw)).max() <= settings("cameras")["stretched"]:
            made.append(_balanced(raw, form, balance, rng))
        if len(made) == count:
            break
    return eye_of(np.stack(made))


def eye_of(made: Floats) -> Eye:
    """Mean and main directions of spread of (K, 3, W) cameras."""
    mean = made.mean(axis=0)
    rest = (made - mean).reshape(len(made), -1) / np.sqrt(len(made) - 1)
    _, values, rows = np.linalg.svd(rest, full_matrices=False)
    rank = int(settings("cameras")["rank"])
    factors = rows[:rank].T * values[:rank]
    return Eye(mean, factors.reshape(3, len(WAVELENGTHS), -1), made)


def _bent(curves: Floats, form: Form, rng: np.random.Generator) -> Floats:
    """A camera near a published one: curves moved, stretched, bent, leaking into each other."""
    s = settings("cameras")
    out = np.empty_like(curves)
    for c, row in enumerate(curves):
        centre = float((row * WAVELENGTHS).sum() / row.sum())
        stretch = np.exp(rng.normal(0.0, s["stretch"]))
        moved = rng.normal(0.0, s["shift_nm"]) + s["warp_nm"] * _smooth(rng, s["warp_scale_nm"])
        at = centre + (WAVELENGTHS - centre - moved) / stretch
        out[c] = np.interp(at, WAVELENGTHS, row, left=0, right=0)
        bend = s["bend"] * _smooth(rng, s["bend_nm"])
        out[c] *= np.exp(bend + s["fine_bend"] * _smooth(rng, s["fine_bend_nm"]))
    out /= (out @ light_spectrum("D65"))[:, None]
    # Makers undo what layers and neighbours share before they develop a picture.
    plain = form == "developed" or rng.random() < s["plain"]
    mix = rng.uniform(0.0, s["leak"] if plain else s["stacked_leak"], (3, 3))
    np.fill_diagonal(mix, 0.0)
    np.fill_diagonal(mix, 1.0 - mix.sum(axis=1))
    return np.asarray(mix @ out)


def _smooth(rng: np.random.Generator, length_nm: float) -> Floats:
    """A random smooth curve of unit variance."""
    knots = np.arange(WAVELENGTHS[0] - 3 * length_nm, WAVELENGTHS[-1] + 3 * length_nm, length_nm)
    weights = np.exp(-0.5 * ((WAVELENGTHS[:, None] - knots) / length_nm) ** 2)
    weights /= np.sqrt((weights**2).sum(axis=1, keepdims=True))
    return np.asarray(weights @ rng.standard_normal(len(knots)))


def _balanced(raw: Floats, form: Form, balance: Balance, rng: np.random.Generator) -> Floats:
    """Effective sensitivities of raw curves whose neutral looks as `balance` says."""
    light = light_spectrum(balance.light)
    matrix = np.eye(3) if form == "raw" else _maker_matrix(raw, rng)
    wanted = np.linalg.solve(matrix, np.array(balance.rgb))
    gains = wanted / (raw @ light)
    gains = gains * np.exp(rng.normal(0.0, balance.sd, 3) * np.array([1.0, 0.0, 1.0]))
    out = matrix @ (gains[:, None] * raw)
    return np.asarray(out / (out[1] @ light))


def _maker_matrix(raw: Floats, rng: np.random.Generator) -> Floats:
    """Matrix from balanced raw to linear sRGB as a maker would fit it, with its strengthening of
    colours."""
    matrix = fit_matrix(raw)
    saturation = rng.uniform(*settings("cameras")["saturation"])
    return np.asarray((saturation * np.eye(3) + (1 - saturation) * _LUMA[None, :]) @ matrix)


def fit_matrix(raw: Floats) -> Floats:
    """(3, 3) matrix from daylight-balanced raw to linear sRGB that fits the 24-patch chart best
    and keeps white."""
    light = light_spectrum("D65")
    surfaces = chart_reflectances()[1] * light
    balanced = raw / (raw @ light)[:, None]
    seen = surfaces @ balanced.T
    xyz = surfaces @ observer().T / (observer()[1] @ light)
    target = xyz @ XYZ_TO_SRGB.T
    target /= light @ observer().T / (observer()[1] @ light) @ XYZ_TO_SRGB.T
    basis = seen[:, :2] - seen[:, 2:]
    rows = np.linalg.lstsq(basis, target - seen[:, 2:], rcond=None)[0].T
    return np.column_stack([rows, 1.0 - rows.sum(axis=1)])
