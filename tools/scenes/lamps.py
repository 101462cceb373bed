"""Lamp spectra and camera sensitivities: what a lamp of a colour does to the pixels of a camera.

All curves come from ``lamps.toml``, which names its sources. Raw camera values are balanced for
daylight: a white surface under D65 gives (1, 1, 1).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour

Floats = NDArray[np.float64]

#: Wavelengths in nanometres at which every curve is sampled.
WAVELENGTHS: Final[Floats] = np.arange(380.0, 731.0, 2.0)

#: CIE XYZ of a D65 white to linear sRGB (IEC 61966-2-1:1999).
_XYZ_TO_SRGB: Final[Floats] = np.array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]]
)


@dataclass(frozen=True, slots=True)
class Emitter:
    """A lamp behind its lens: name, colour it is meant to show, LED or filament, its spectrum.

    `power` is sampled at `WAVELENGTHS`, greatest value 1.
    """

    name: str
    colour: Colour
    kind: Literal["led", "filament"]
    power: Floats


@dataclass(frozen=True, slots=True)
class Sensor:
    """A camera's eye.

    Attributes
    ----------
    sensitivity : (3, N) red, green, blue response at `WAVELENGTHS`, each scaled so that a D65
        white gives 1
    to_srgb : (3, 3) matrix from balanced raw values to linear sRGB; rows sum to 1 (white stays)
    from_srgb : its inverse, for surroundings that are known as sRGB only
    """

    name: str
    sensitivity: Floats
    to_srgb: Floats
    from_srgb: Floats


@cache
def emitters() -> Mapping[str, Emitter]:
    """Return every emitter by name."""
    return {
        name: Emitter(name, entry["colour"], entry["kind"], _spectrum(entry))
        for name, entry in _data()["emitter"].items()
    }


def emitters_of(colour: Colour, kind: Literal["led", "filament"]) -> tuple[Emitter, ...]:
    """Return the emitters of one colour and kind."""
    return tuple(e for e in emitters().values() if e.colour == colour and e.kind == kind)


@cache
def sensor_names() -> tuple[str, ...]:
    """Return the names of the cameras in the data file, and the colorimetric ``cie``."""
    return (*_data()["sensor"], "cie")


@cache
def sensor(name: str) -> Sensor:
    """Return a camera by name; KeyError if there is none."""
    if name == "cie":
        return _make_sensor(name, matching_functions())
    entry = _data()["sensor"][name]
    return _make_sensor(name, np.stack([_lobes(entry[c]) for c in ("red", "green", "blue")]))


def random_sensor(rng: np.random.Generator) -> Sensor:
    """Return a camera near one of the known ones: peaks moved, curves leaking into each other."""
    names = [name for name in sensor_names() if name != "cie"]
    name = names[int(rng.integers(len(names)))]
    entry = _data()["sensor"][name]
    curves = []
    for channel in ("red", "green", "blue"):
        move = rng.normal(0.0, 3.0)
        stretch = np.exp(rng.normal(0.0, 0.06))
        curves.append(
            _lobes([[h, p + move, a * stretch, b * stretch] for h, p, a, b in entry[channel]])
        )
    stack = np.stack(curves)
    leak = rng.uniform(0.0, 0.04)
    mixed = (1.0 - 2.0 * leak) * stack + leak * (stack.sum(axis=0) - stack)
    return _make_sensor(f"{name}+", mixed)


def raw_colour(emitter: Emitter, camera: Sensor) -> NDArray[np.float64]:
    """Return the balanced raw (R, G, B) of a lamp, scaled to a greatest value of 1."""
    raw = camera.sensitivity @ emitter.power
    return np.asarray(raw / raw.max())


def planck(kelvin: float) -> Floats:
    """Return the spectrum of a black body at `WAVELENGTHS`, greatest value 1 (Planck's law)."""
    with np.errstate(over="raise"):
        power = WAVELENGTHS**-5.0 / np.expm1(1.438777e7 / (WAVELENGTHS * kelvin))
    return np.asarray(power / power.max())


def daylight() -> Floats:
    """Return illuminant D65 at `WAVELENGTHS`."""
    entry = _data()["d65"]
    grid = entry["start"] + entry["step"] * np.arange(len(entry["power"]))
    return np.asarray(np.interp(WAVELENGTHS, grid, entry["power"]))


def matching_functions() -> Floats:
    """Return (3, N) CIE 1931 2-degree colour-matching functions, analytic fit.

    Source: Wyman, Sloan, Shirley 2013, Journal of Computer Graphics Techniques 2(2):1, the
    multi-lobe fit.
    """
    x = _lobes(
        [[1.056, 599.8, 37.9, 31.0], [0.362, 442.0, 16.0, 26.7], [-0.065, 501.1, 20.4, 26.2]]
    )
    y = _lobes([[0.821, 568.8, 46.9, 40.5], [0.286, 530.9, 16.3, 31.1]])
    z = _lobes([[1.217, 437.0, 11.8, 36.0], [0.681, 459.0, 26.0, 13.8]])
    return np.stack([x, y, z])


def chromaticity(power: Floats) -> tuple[float, float]:
    """Return CIE 1931 (x, y) of a spectrum sampled at `WAVELENGTHS`."""
    xyz = matching_functions() @ power
    return float(xyz[0] / xyz.sum()), float(xyz[1] / xyz.sum())


def _make_sensor(name: str, curves: Floats) -> Sensor:
    """Balance the curves for D65 and fit the matrix to sRGB over smooth surface colours."""
    white = daylight()
    balanced = curves / (curves @ white)[:, None]
    surfaces = _surfaces() * white
    raw = surfaces @ balanced.T
    xyz = surfaces @ matching_functions().T
    xyz_white = matching_functions() @ white
    target = (xyz / xyz_white) @ (_XYZ_TO_SRGB * (_XYZ_TO_SRGB @ _D65_XYZ) ** -1 * _D65_XYZ).T
    # Rows must sum to 1: fit the two free entries of each row on differences to the last channel.
    basis = raw[:, :2] - raw[:, 2:]
    rows = np.linalg.lstsq(basis, target - raw[:, 2:], rcond=None)[0].T
    to_srgb = np.column_stack([rows, 1.0 - rows.sum(axis=1)])
    return Sensor(name, balanced, to_srgb, np.linalg.inv(to_srgb))


_D65_XYZ: Final[Floats] = np.array([0.9505, 1.0, 1.0890])


@cache
def _surfaces() -> Floats:
    """Smooth reflectance curves, from greys to strong colours, to fit a camera matrix on."""
    curves = [np.full_like(WAVELENGTHS, grey) for grey in (0.05, 0.2, 0.5, 0.9)]
    for peak in np.arange(400.0, 721.0, 20.0):
        for width in (40.0, 70.0):
            bump = np.exp(-0.5 * ((WAVELENGTHS - peak) / width) ** 2)
            curves += [0.05 + 0.6 * bump, 0.7 - 0.6 * bump]
    for edge in np.arange(440.0, 661.0, 20.0):
        step = 1.0 / (1.0 + np.exp(-(WAVELENGTHS - edge) / 15.0))
        curves += [0.05 + 0.7 * step, 0.75 - 0.65 * step]
    return np.stack(curves)


def _spectrum(entry: Mapping[str, Any]) -> Floats:
    """Spectrum of one entry of the data file, greatest value 1."""
    if "peak" in entry:
        g = np.exp(-(((WAVELENGTHS - entry["peak"]) / entry["fwhm"]) ** 2))
        power = (g + 2.0 * g**5) / 3.0
    elif "lobes" in entry:
        power = _lobes(entry["lobes"])
    else:
        power = planck(entry["kelvin"])
        if "long_pass" in entry:
            edge, slope, top = entry["long_pass"]
            power = power * top / (1.0 + np.exp(-(WAVELENGTHS - edge) / slope))
        if "bands" in entry:
            power = power * _lobes(entry["bands"])
    return np.asarray(power / power.max())


def _lobes(lobes: Sequence[Sequence[float]]) -> Floats:
    """Sum of Gaussians with two standard deviations each."""
    total = np.zeros_like(WAVELENGTHS)
    for height, peak, left, right in lobes:
        width = np.where(peak > WAVELENGTHS, left, right)
        total += height * np.exp(-0.5 * ((WAVELENGTHS - peak) / width) ** 2)
    return total


@cache
def _data() -> Mapping[str, Any]:
    """The data file."""
    text = files("mastread.tools.scenes").joinpath("lamps.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)
