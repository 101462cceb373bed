"""Made pictures of LEDs and charts with exact spectra, through any camera, for the benchmark.

Everything is sampled every 2 nm as in `mastread.tools.scenes.lamps`, apart from the coarser
spectra of the check itself, and seen with the tabulated observer of colour-science.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library
from mastread.tools.leds.raw import RawFrame
from mastread.tools.leds.sensors import Form, fit_matrix
from mastread.tools.leds.spectra import WAVELENGTHS, chart_reflectances
from mastread.tools.scenes import lamps
from mastread.tools.scenes.camera import Camera, Tone, develop, expose
from mastread.tools.scenes.lamps import Sensor
from mastread.vision import light
from mastread.vision.frame import Frame
from mastread.vision.media_raster import RgbRaster
from mastread.vision.photo import open_photo

Floats = NDArray[np.float64]
GRID: Final = lamps.WAVELENGTHS

#: Size of a lamp's tile and of a chart's patch, pixels.
TILE: Final = 128
PATCH: Final = 40


@dataclass(frozen=True, slots=True)
class MadeLamp:
    """A lamp: its kind, spectrum at `GRID`, true x, y and dominant wavelength (NaN for whites)."""

    kind: str
    power: Floats
    xy: Floats
    dominant_nm: float


@cache
def observer_fine() -> Floats:
    """(3, N) CIE 1931 observer at `GRID` (colour-science)."""
    table = library("colour").MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    return np.stack([np.interp(GRID, table.wavelengths, column) for column in table.values.T])


def made_lamps(rng: np.random.Generator) -> list[MadeLamp]:
    """54 lamps: 42 LEDs from 470 to 640 nm, half of them skewed, 6 whites and 6 lunars."""
    out = []
    for k, peak in enumerate(np.linspace(470.0, 640.0, 42)):
        width = rng.uniform(13, 21) if peak > 575 else rng.uniform(24, 36)
        skew = 0.0 if k % 2 == 0 else float(rng.uniform(-0.45, 0.45))
        sigma = width / 2.3548
        sides = np.where(peak > GRID, sigma * np.exp(-0.5 * skew), sigma * np.exp(0.5 * skew))
        out.append(
            _lamp("skewed" if skew else "gaussian", np.exp(-0.5 * ((GRID - peak) / sides) ** 2))
        )
    for kind, ratios in (("white", (-1.6, -0.5)), ("lunar", (-0.1, 0.9))):
        for _ in range(6):
            pump = np.exp(-0.5 * ((GRID - rng.uniform(446, 462)) / rng.uniform(8, 11)) ** 2)
            middle = rng.uniform(555, 590) if kind == "white" else rng.uniform(540, 565)
            offset = GRID - middle
            sides = np.where(offset < 0, rng.uniform(38, 48), rng.uniform(50, 66))
            band = np.exp(-0.5 * (offset / sides) ** 2)
            out.append(_lamp(kind, np.exp(rng.uniform(*ratios)) * pump + band))
    return out


def line_at(dominant_nm: float, rng: np.random.Generator) -> MadeLamp:
    """A narrow LED with this dominant wavelength."""
    width = rng.uniform(13, 21) if dominant_nm > 575 else rng.uniform(24, 36)
    low, high = dominant_nm - 25.0, dominant_nm + 25.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        lamp = _lamp("known", np.exp(-0.5 * ((GRID - middle) / (width / 2.3548)) ** 2))
        low, high = (middle, high) if lamp.dominant_nm < dominant_nm else (low, middle)
    return lamp


def _lamp(kind: str, power: Floats) -> MadeLamp:
    from mastread.tools.leds.colorimetry import dominant_wavelengths

    xyz = observer_fine() @ power
    xy = xyz[:2] / xyz.sum()
    nm = float(dominant_wavelengths(xy[None])[0][0])
    return MadeLamp(kind, power / power.max(), xy, nm if kind not in ("white", "lunar") else np.nan)


@dataclass(frozen=True, slots=True)
class Rig:
    """A camera to be tested: sensor, settings, and whether its raw or its JPEG is used."""

    name: str
    camera: Camera
    form: Form
    leave_out: tuple[str, ...] = ()


def rig_of_published(name: str, form: Form, leave_out: tuple[str, ...]) -> Rig:
    """A camera with published sensitivities from colour-science."""
    table = library("colour").MSDS_CAMERA_SENSITIVITIES[name]
    rows = [np.interp(GRID, table.wavelengths, v, left=0, right=0) for v in table.values.T]
    curves = np.maximum(np.stack(rows), 0.0)
    balanced = curves / (curves @ lamps.daylight())[:, None]
    coarse = np.stack([np.interp(WAVELENGTHS, GRID, row) for row in curves])
    to_srgb = fit_matrix(coarse)
    sensor = Sensor(name, balanced, to_srgb, np.asarray(np.linalg.inv(to_srgb), np.float64))
    camera = Camera(sensor, exposure=1.0, full_well=20000.0, mosaic=form == "developed")
    return Rig(name, camera, form, leave_out)


def rig_of_scenes(name: str, leave_out: tuple[str, ...]) -> Rig:
    """One of the cameras of the made scenes as it stands, developed without frills."""
    return Rig(
        name, Camera(lamps.sensor(name), exposure=1.0, full_well=12000.0), "developed", leave_out
    )


def random_rig(rng: np.random.Generator, form: Form) -> Rig:
    """A camera near those of the made scenes, with a maker's own tone and colours."""
    tone = Tone(shoulder=float(rng.uniform(0, 1.2)), contrast=float(rng.uniform(0, 0.35)))
    camera = Camera(
        lamps.random_sensor(rng), exposure=1.0, full_well=float(rng.uniform(6000, 30000)),
        mosaic=form == "developed", saturation=float(rng.uniform(0.9, 1.25)), tone=tone,
    )  # fmt: skip
    return Rig("random", camera, form)


def photograph(rig: Rig, radiance: NDArray[np.float32], rng: np.random.Generator) -> Frame:
    """Take a picture of (H, W, 3) raw light: sensor values as they are, or a JPEG read back."""
    if rig.form == "raw":
        seen = expose(radiance, rig.camera, rng)
        eight = np.round(light.encode(np.clip(seen, 0, 1), light.Transfer.SRGB) * 255)
        return RawFrame(seen, RgbRaster(eight.astype(np.uint8)))
    picture = develop(radiance, rig.camera, rng)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "made.jpg"
        quality = [cv2.IMWRITE_JPEG_QUALITY, 93]
        cv2.imwrite(str(path), cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), quality)
        return open_photo(path)


def lamp_board(
    rig: Rig, made: list[MadeLamp], rng: np.random.Generator, *, room: float, burn: float = 0.7
) -> tuple[NDArray[np.float32], list[tuple[float, float, float]]]:
    """Raw light of a board with one lamp a tile, and (x, y, radius) of each.

    Parameters
    ----------
    room : radiance of the board under the room's light, white = 1
    burn : level of the lamp's strongest raw channel in its middle; above 1 the core burns out
    """
    columns = 8
    rows = -(-len(made) // columns)
    grey = rig.camera.sensor.sensitivity @ lamps.daylight()
    picture = np.empty((rows * TILE, columns * TILE, 3), np.float32)
    picture[:] = room * grey
    places = []
    y, x = np.mgrid[:TILE, :TILE]
    for k, lamp in enumerate(made):
        radius = float(rng.uniform(9, 18))
        cx, cy = TILE / 2 + rng.uniform(-3, 3), TILE / 2 + rng.uniform(-3, 3)
        distance = np.hypot(x - cx, y - cy)
        disc = np.clip(radius + 0.5 - distance, 0, 1)
        disc *= 1.0 - 0.5 * np.minimum(distance / radius, 1.0) ** 2
        glow = 0.97 * cv2.GaussianBlur(disc.astype(np.float32), (0, 0), 0.8)
        glow += 0.03 * cv2.GaussianBlur(disc.astype(np.float32), (0, 0), 7.0)
        raw = rig.camera.sensor.sensitivity @ lamp.power
        raw = raw / raw.max() * burn * rng.uniform(0.75, 1.0)
        top, left = k // columns * TILE, k % columns * TILE
        picture[top : top + TILE, left : left + TILE] += glow[:, :, None] * raw.astype(np.float32)
        places.append((left + cx, top + cy, radius))
    return picture, places


def chart_board(rig: Rig) -> tuple[NDArray[np.float32], tuple[tuple[float, float], ...]]:
    """Raw light of the 24-patch chart under D65, and the middles of its corner patches."""
    reflectances = np.stack([np.interp(GRID, WAVELENGTHS, row) for row in chart_reflectances()[1]])
    raw = (reflectances * lamps.daylight()) @ rig.camera.sensor.sensitivity.T
    raw *= 0.72 / raw.max()
    picture = np.full((4 * PATCH + 16, 6 * PATCH + 16, 3), 0.02, np.float32)
    for k, value in enumerate(raw):
        top, left = 8 + k // 6 * PATCH, 8 + k % 6 * PATCH
        picture[top : top + PATCH - 4, left : left + PATCH - 4] = value
    first, right, bottom = 8 + PATCH / 2 - 2, 8 + 5.5 * PATCH - 2, 8 + 3.5 * PATCH - 2
    return picture, ((first, first), (right, first), (right, bottom), (first, bottom))
