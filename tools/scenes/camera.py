"""From light on the sensor to coded pixels: exposure, clipping, noise, colours, tone.

The order is that of a camera: raw light per channel is exposed, gathers noise, clips; then come
demosaicing, white balance, the colour matrix, saturation, local brightening, the tone curve,
and sharpening. A lamp's colour shifts as its raw channels clip one after the other follow from
this order and are not drawn by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.lamps import Sensor, sensor

Picture = NDArray[np.float32]
Coded = NDArray[np.uint8]

#: Steps of the tone table over linear 0..1; enough that a step is far below one coded level.
_TONE_STEPS = 1 << 14


@dataclass(frozen=True, slots=True)
class Tone:
    """A tone curve, 0..1 to 0..1.

    Attributes
    ----------
    curve : ``srgb`` (IEC 61966-2-1) or ``bt709`` (ITU-R BT.709)
    shoulder : how far highlights are rolled off before the curve; 0 not at all
    contrast : strength of an S-curve on the coded values; 0 none
    lift : coded black level
    """

    curve: str = "srgb"
    shoulder: float = 0.0
    contrast: float = 0.0
    lift: float = 0.0

    def table(self) -> Picture:
        """Return coded values at `_TONE_STEPS` equal steps of linear light."""
        x = np.linspace(0.0, 1.0, _TONE_STEPS)
        if self.shoulder > 0.0:
            x = -np.expm1(-self.shoulder * x) / -np.expm1(-self.shoulder)
        if self.curve == "srgb":
            y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)
        elif self.curve == "bt709":
            y = np.where(x < 0.018, 4.5 * x, 1.099 * x**0.45 - 0.099)
        else:
            raise ValueError(f"unknown tone curve {self.curve!r}; known are srgb and bt709")
        y = (1.0 - self.contrast) * y + self.contrast * y * y * (3.0 - 2.0 * y)
        return np.asarray(self.lift + (1.0 - self.lift) * y, np.float32)


@dataclass(frozen=True, slots=True)
class Camera:
    """A camera and its settings.

    Attributes
    ----------
    sensor : its spectral sensitivities
    exposure : raw level of a scene radiance of 1; the sensor clips at raw 1
    gains : white-balance factors of raw red, green, blue; 1, 1, 1 is right under daylight
    full_well : electrons at the clipping level; small numbers are noisy
    read_noise : noise without light, in electrons
    mosaic : photograph through a Bayer mosaic and demosaic
    denoise_px : smoothing of the noise by the camera, standard deviation
    saturation : 1 natural
    brighten : share by which dark parts are lifted towards the mean, 0..1 (phone pictures)
    highlight_fade : how far strongly over-exposed colours are faded to white, 0..1
    tone : tone curve
    sharpen, sharpen_px : strength and radius of unsharp masking; makes halos
    """

    sensor: Sensor = field(default_factory=lambda: sensor("slr"))
    exposure: float = 0.8
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    full_well: float = 8000.0
    read_noise: float = 4.0
    mosaic: bool = True
    denoise_px: float = 0.0
    saturation: float = 1.0
    brighten: float = 0.0
    highlight_fade: float = 0.0
    tone: Tone = field(default_factory=Tone)
    sharpen: float = 0.0
    sharpen_px: float = 1.0

    def colour_matrix(self) -> NDArray[np.float64]:
        """Return (3, 3): balanced raw to linear sRGB with this camera's saturation."""
        luma = np.array([0.2126, 0.7152, 0.0722])
        mix = self.saturation * np.eye(3) + (1.0 - self.saturation) * luma[None, :]
        return np.asarray(mix @ self.sensor.to_srgb)


def to_raw(picture: Picture, camera: Camera) -> Picture:
    """Turn (H, W, 3) linear sRGB surroundings into raw light of this camera, not yet exposed."""
    raw = cv2.transform(np.ascontiguousarray(picture, np.float32), camera.sensor.from_srgb)
    return np.asarray(np.maximum(raw, 0.0), np.float32)


def develop(raw: Picture, camera: Camera, rng: np.random.Generator | None) -> Coded:
    """Expose and develop raw light.

    Parameters
    ----------
    raw : (H, W, 3) light on the sensor per channel, not yet exposed
    rng : source of the noise; None for a picture without noise

    Returns
    -------
    (H, W, 3) uint8, R G B
    """
    level: Picture = np.asarray(raw * np.float32(camera.exposure), np.float32)
    if camera.mosaic and min(raw.shape[:2]) >= 8:
        level = _through_mosaic(level, camera, rng)
    else:
        level = expose(level, camera, rng)
    if camera.denoise_px > 0.0:
        level = np.asarray(cv2.GaussianBlur(level, (0, 0), camera.denoise_px), np.float32)
    linear = render(level, camera)
    if camera.brighten > 0.0:
        linear = _brighten(linear, camera.brighten)
    coded = tone(linear, camera.tone.table())
    if camera.sharpen > 0.0:
        coded = sharpen(coded, camera.sharpen, camera.sharpen_px)
    return coded


def expose(level: Picture, camera: Camera, rng: np.random.Generator | None) -> Picture:
    """Add shot and read noise to exposed light, and clip it at 1."""
    out: NDArray[Any] = level
    if rng is not None:
        spread = np.sqrt(
            np.minimum(level, 1.0) / np.float32(camera.full_well)
            + np.float32((camera.read_noise / camera.full_well) ** 2)
        )
        out = level + spread * rng.standard_normal(level.shape, np.float32)
    return np.asarray(np.clip(out, 0.0, 1.0), np.float32)


def render(level: Picture, camera: Camera) -> Picture:
    """Balance clipped raw light, clip again, and bring it to linear sRGB 0..1."""
    balanced = np.minimum(level * np.asarray(camera.gains, np.float32), 1.0)
    linear = cv2.transform(balanced, camera.colour_matrix())
    if camera.highlight_fade > 0.0:
        _fade_highlights(linear, balanced, camera.highlight_fade)
    return np.asarray(np.clip(linear, 0.0, 1.0), np.float32)


def tone(linear: Picture, table: Picture) -> Coded:
    """Code linear light 0..1 by a tone table as 8 bits."""
    codes = np.round(table * 255.0).astype(np.uint8)
    steps = (linear * np.float32(len(codes) - 1) + np.float32(0.5)).astype(np.uint16)
    return codes[steps]


def sharpen(coded: Coded, strength: float, radius_px: float) -> Coded:
    """Unsharp masking of the coded picture, with the halos that come with it."""
    soft = cv2.GaussianBlur(coded, (0, 0), radius_px)
    return np.asarray(cv2.addWeighted(coded, 1.0 + strength, soft, -strength, 0.0), np.uint8)


def _through_mosaic(level: Picture, camera: Camera, rng: np.random.Generator | None) -> Picture:
    """Sample each pixel through one colour filter (RGGB), add noise, and interpolate back."""
    mosaic = np.empty(level.shape[:2], np.float32)
    mosaic[0::2, 0::2] = level[0::2, 0::2, 0]
    mosaic[0::2, 1::2] = level[0::2, 1::2, 1]
    mosaic[1::2, 0::2] = level[1::2, 0::2, 1]
    mosaic[1::2, 1::2] = level[1::2, 1::2, 2]
    exposed = expose(mosaic, camera, rng)
    # Balanced before interpolation, as cameras do, so that edges of grey things stay grey.
    gains = np.asarray(camera.gains, np.float32)
    exposed[0::2, 0::2] *= gains[0]
    exposed[0::2, 1::2] *= gains[1]
    exposed[1::2, 0::2] *= gains[1]
    exposed[1::2, 1::2] *= gains[2]
    top = float(gains.max())
    words = np.round(exposed * (65535.0 / top)).astype(np.uint16)
    # OpenCV names the pattern by its second row: RGGB is "BG".
    rgb = cv2.cvtColor(words, cv2.COLOR_BayerBG2RGB_EA)
    return np.asarray(rgb.astype(np.float32) * np.float32(top / 65535.0) / gains, np.float32)


def _fade_highlights(linear: NDArray[Any], balanced: NDArray[Any], fade: float) -> None:
    """Fade colours to white, in place, where the mean of the raw channels nears clipping."""
    mean = cv2.transform(balanced, np.full((1, 3), 1.0 / 3.0))
    hot = mean > 0.5
    if not hot.any():
        return
    t = np.clip((mean[hot] - 0.5) / 0.4, 0.0, 1.0)
    weight = (fade * t * t * (3.0 - 2.0 * t)).astype(np.float32)[:, None]
    part = np.clip(linear[hot], 0.0, 1.0)
    linear[hot] = part + weight * (part.max(axis=1, keepdims=True) - part)


def _brighten(linear: Picture, share: float) -> Picture:
    """Lift dark regions towards the mean brightness, keeping local contrast."""
    h, w = linear.shape[:2]
    luma = linear @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    small = cv2.resize(luma, (max(4, w // 32), max(4, h // 32)), interpolation=cv2.INTER_AREA)
    local = cv2.GaussianBlur(small, (0, 0), max(1.0, min(small.shape) / 10.0)) + 1e-3
    gain = np.clip((float(local.mean()) / local) ** share, 0.5, 6.0)
    full = cv2.resize(gain.astype(np.float32), (w, h), interpolation=cv2.INTER_LINEAR)
    return np.asarray(np.clip(linear * full[:, :, None], 0.0, 1.0), np.float32)
