"""Falling snow and rain between the camera and the scene."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.ink import Picture

Rng = np.random.Generator

#: How often something falls in each light; elsewhere 0.02.
FALLING: Final = {"snow": 0.5, "overcast": 0.08}


@dataclass(frozen=True, slots=True)
class Falling:
    """Sheets of flakes or streaks at several depths, each falling at its own speed.

    Attributes
    ----------
    sheets : (H, W) float32 cover 0..1, repeating at their edges
    speeds : (x, y) px per second of each sheet
    rgb : raw light of a flake
    """

    kind: Literal["snow", "rain"]
    sheets: tuple[Picture, ...]
    speeds: tuple[tuple[float, float], ...]
    rgb: tuple[float, float, float]

    def cover(self, raw: Picture, time_s: float) -> None:
        """Let it fall over a (H, W, 3) raw picture, in place, at a moment."""
        h, w = raw.shape[:2]
        for sheet, (vx, vy) in zip(self.sheets, self.speeds, strict=True):
            sy, sx = round(vy * time_s) % h, round(vx * time_s) % w
            cover = np.roll(sheet, (sy, sx), axis=(0, 1))[:, :, None]
            raw *= 1.0 - cover
            raw += cover * np.asarray(self.rgb, np.float32)


def draw_falling(
    rng: Rng, kind: Literal["snow", "rain"], width: int, height: int, raw: Picture
) -> Falling:
    """Draw a snowfall or a rain that fits the brightness of a raw picture."""
    # Flakes and drops send on the light of the sky around them.
    light = np.percentile(raw[::16, ::16].reshape(-1, 3), 75, axis=0) * rng.uniform(0.7, 1.2)
    scale = width / 1280.0
    sheets, speeds = [], []
    for depth in (0.5, 1.0, 2.0)[: int(rng.integers(1, 4))]:
        size = max(0.5, depth * float(rng.uniform(0.6, 1.4)) * scale)
        count = int(rng.uniform(60, 500) / depth)
        sheet = _flakes(rng, width, height, count, size, kind)
        sheets.append(sheet)
        fall = float(rng.uniform(120, 260) if kind == "snow" else rng.uniform(900, 2200))
        wind = float(rng.normal(0.0, 0.4)) * fall * (1.0 if kind == "snow" else 0.2)
        speeds.append((wind * depth * scale, fall * depth * scale))
    rgb = (float(light[0]), float(light[1]), float(light[2]))
    return Falling(kind, tuple(sheets), tuple(speeds), rgb)


def _flakes(
    rng: Rng, width: int, height: int, count: int, size: float, kind: str
) -> NDArray[np.float32]:
    """One repeating sheet of soft spots or streaks."""
    pad = 40
    sheet = np.zeros((height + 2 * pad, width + 2 * pad), np.float32)
    xs, ys = rng.uniform(0, width, count), rng.uniform(0, height, count)
    cover = rng.uniform(0.25, 0.8, count) if kind == "snow" else rng.uniform(0.08, 0.25, count)
    lean = float(rng.normal(0.0, 0.15))
    for x, y, c in zip(xs, ys, cover, strict=True):
        at = (int(x) + pad, int(y) + pad)
        if kind == "snow":
            cv2.circle(sheet, at, max(1, round(size)), float(c), -1)
        else:
            length = float(rng.uniform(8, 30)) * size
            end = (int(at[0] + lean * length), int(at[1] + length))
            cv2.line(sheet, at, end, float(c), 1)
    soft = cv2.GaussianBlur(sheet, (0, 0), max(0.5, 0.5 * size))
    # Fold the border back so that the sheet repeats without a seam.
    soft[pad : 2 * pad] += soft[height + pad :]
    soft[height : height + pad] += soft[:pad]
    soft[:, pad : 2 * pad] += soft[:, width + pad :]
    soft[:, width : width + pad] += soft[:, :pad]
    return np.asarray(np.clip(soft[pad:-pad, pad:-pad], 0.0, 0.9), np.float32)
