"""Media for the speed benchmark: a hand-held clip and a photo of one mast, of any length.

They are made to cost what real ones cost (grain, texture, shake and bitrate of a telephone),
not to look real; the accuracy benchmark has the true-to-life scenes.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

RATE_HZ = 30
#: What telephones spend on 1080p at 30 frames a second, bits a second (common practice).
BIT_RATE = 16_000_000
_GRAIN = 4.0
#: The hand shakes by this part of the height, either way.
_SHAKE = 1 / 90
#: One flash in this many seconds, lit for half of it.
_FLASH_S = 1.0


@dataclass(frozen=True, slots=True)
class Lamp:
    """A lamp of the mast: colour in R, G, B, and whether it flashes."""

    colour: tuple[int, int, int]
    flashing: bool = False


LAMPS = (Lamp((255, 40, 30)), Lamp((255, 190, 60), flashing=True), Lamp((255, 40, 30)))


def make_photo(path: Path, width: int = 4000, height: int = 3000) -> Path:
    """A JPEG of the scene; 12 megapixels by default."""
    rng = np.random.default_rng(3)
    picture = _add_mast(_ground(width, height, rng), 0.0, radius=height // 90)
    noisy = picture + rng.normal(0, _GRAIN, picture.shape).astype(np.float32)
    coded = np.clip(noisy, 0, 255).astype(np.uint8)
    cv2.imwrite(str(path), coded[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def make_clip(path: Path, seconds: int, width: int = 1920, height: int = 1080) -> Path:
    """An H.264 clip in MP4; shake and flashes repeat after `seconds`."""
    rng = np.random.default_rng(5)
    shake = round(height * _SHAKE)
    ground = _ground(width + 2 * shake, height + 2 * shake, rng)
    grain = [rng.normal(0, _GRAIN, (height, width, 3)).astype(np.float32) for _ in range(7)]
    frames = seconds * RATE_HZ
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("libx264", rate=RATE_HZ, options={"preset": "veryfast"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.bit_rate = BIT_RATE * width * height // (1920 * 1080)
        for number in range(frames):
            turn = 2 * np.pi * number / frames
            dx = shake + round(shake * 0.9 * float(np.sin(2 * seconds * turn)))
            dy = shake + round(shake * 0.9 * float(np.cos(3 * seconds * turn)))
            lit = _add_mast(ground, number / RATE_HZ, radius=height // 90)
            view = lit[dy : dy + height, dx : dx + width] + grain[number % len(grain)]
            coded = np.clip(view, 0, 255).astype(np.uint8)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(coded, "rgb24")))
        container.mux(stream.encode(None))
    return path


def repeat_clip(source: Path, path: Path, times: int) -> Path:
    """The same coded pictures several times over, which costs nothing to make."""
    with av.open(str(path), "w") as container:
        stream: Any = None
        for turn in range(times):
            with av.open(str(source)) as original:
                picture = original.streams.video[0]
                if stream is None:
                    stream = container.add_stream_from_template(picture)
                unit = picture.time_base or Fraction(1, 90000)
                shift = turn * int(picture.duration or 0)
                for packet in original.demux(picture):
                    if packet.dts is None or packet.pts is None:
                        continue
                    packet.dts += shift
                    packet.pts += shift
                    packet.time_base = unit
                    packet.stream = stream
                    container.mux(packet)
    return path


def _ground(width: int, height: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Texture at two sizes over a sky that grows darker upward, and a mast; no lamp lit."""
    fine = rng.normal(0, 60, (height, width)).astype(np.float32)
    coarse = cv2.resize(
        rng.normal(0, 30, (height // 40 + 1, width // 40 + 1)).astype(np.float32),
        (width, height),
        interpolation=cv2.INTER_CUBIC,
    )
    land = np.linspace(0.1, 1, height, dtype=np.float32)[:, None]
    grey = 60 + 50 * land + (cv2.GaussianBlur(fine, (0, 0), 2) * 4 + coarse) * land
    out = np.stack([grey * 0.95, grey, grey * 1.02], axis=-1)
    unit = height // 90
    left, right = width // 2 - 2 * unit, width // 2 + 2 * unit
    out[height // 6 : height * 5 // 6, left:right] = 22
    return out.astype(np.float32)


def _add_mast(ground: NDArray[np.float32], time_s: float, radius: int) -> NDArray[np.float32]:
    """The ground with the lamps that are lit at a time: a burnt-out core and a veil of light."""
    out = ground.copy()
    height, width = ground.shape[:2]
    reach = 6 * radius
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    distance = np.hypot(x, y)
    core = 1 / (1 + np.exp(np.clip((distance - radius) * 2, -50, 50)))
    light = 4.0 * core + 0.35 * np.exp(-distance / radius)
    for place, lamp in enumerate(LAMPS):
        if lamp.flashing and time_s % _FLASH_S >= _FLASH_S / 2:
            continue
        row, column = height // 4 + place * 8 * radius, width // 2
        part = out[row - reach : row + reach + 1, column - reach : column + reach + 1]
        part += (light[..., None] * np.array(lamp.colour)).astype(np.float32)
    return out
