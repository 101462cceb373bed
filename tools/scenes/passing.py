"""A train that passes in front of the masts and hides part of them for a while."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.ink import Ink, Rgb, scaled
from mastread.tools.scenes.layers import Layers, LensLayer, MastInfo

Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class Train:
    """A train moving across the picture, in home pixels (before the margin).

    Attributes
    ----------
    picture : (h, w, 3) float32 light of the train, repeated along its length
    top : home row of its upper edge
    head : (frames,) home column of its leading edge
    length : in px
    step : +1 runs to the right, -1 to the left
    """

    picture: NDArray[np.float32]
    top: float
    head: NDArray[np.float64]
    length: float
    step: int

    def span(self, index: int) -> tuple[float, float]:
        """Home columns that the train covers in a frame."""
        front = float(self.head[index])
        return (front - self.length, front) if self.step > 0 else (front, front + self.length)

    def seen(self, lens: LensLayer, index: int) -> float:
        """Share of a lens that the train leaves free."""
        left, right = self.span(index)
        r = lens.radius_px
        low = np.clip((lens.y + r - self.top) / (2.0 * r), 0.0, 1.0)
        wide = np.clip((min(lens.x + r, right) - max(lens.x - r, left)) / (2.0 * r), 0.0, 1.0)
        return float(1.0 - low * wide)

    def hides(self, mast: MastInfo, times: NDArray[np.float64]) -> tuple[tuple[float, float], ...]:
        """Stretches of time in which at least one head of a mast is touched."""
        out: list[tuple[float, float]] = []
        for i, time_s in enumerate(times):
            left, right = self.span(i)
            hit = any(
                h.y + 3.0 * h.radius_px > self.top
                and left < h.x + 3.0 * h.radius_px
                and right > h.x - 3.0 * h.radius_px
                for h in mast.heads
            )
            if not hit:
                continue
            end = float(times[min(i + 1, len(times) - 1)])
            if out and abs(out[-1][1] - float(time_s)) < 1e-9:
                out[-1] = (out[-1][0], end)
            else:
                out.append((float(time_s), end))
        return tuple(out)

    def draw(
        self, raw: NDArray[np.float32], index: int, move: NDArray[np.float64], margin: int
    ) -> None:
        """Paint the train over a raw frame in place; `move` takes ground pixels to the frame."""
        zoom = float(move[0, 0])
        left, right = self.span(index)
        x0 = zoom * (left + margin) + move[0, 2]
        x1 = zoom * (right + margin) + move[0, 2]
        y0 = zoom * (self.top + margin) + move[1, 2]
        h, w = raw.shape[:2]
        if x1 <= 0 or x0 >= w or y0 >= h:
            return
        px0, px1, py0 = max(0, int(x0)), min(w, int(np.ceil(x1))), max(0, int(y0))
        # The picture repeats car by car from the leading edge backwards.
        front = x1 if self.step > 0 else x0
        cols = (np.arange(px0, px1) - front) * (-self.step) / zoom
        rows = (np.arange(py0, h) - y0) / zoom
        ph, pw = self.picture.shape[:2]
        map_x = np.repeat(np.mod(cols, pw - 1)[None, :], len(rows), axis=0).astype(np.float32)
        map_y = np.repeat(np.minimum(rows, ph - 1)[:, None], len(cols), axis=1)
        raw[py0:h, px0:px1] = cv2.remap(
            self.picture, map_x, map_y.astype(np.float32), cv2.INTER_LINEAR
        )


def draw_train(rng: Rng, home: Layers, times: NDArray[np.float64]) -> Train:
    """Draw a train that hides the lower heads or all heads of some mast for some seconds."""
    mast = home.masts[int(rng.integers(len(home.masts)))]
    heads = sorted(h.y for h in mast.heads)
    r = mast.heads[0].radius_px
    row = heads[int(rng.integers(len(heads)))]
    top = max(-4.0 * r, row - float(rng.uniform(2.0, 5.0)) * r)
    tall = home.height + 60.0 - top
    level = float(np.median(home.surround.mean(axis=2))) * float(rng.uniform(0.3, 1.0))
    picture = _cars(rng, int(np.ceil(tall)), max(4.0 * r, 0.3 * home.width), level)
    x = mast.heads[0].x
    cover_s = float(rng.uniform(0.8, 3.0))
    length = float(rng.uniform(0.6, 2.5)) * home.width
    speed = length / cover_s
    start = float(rng.uniform(times[0] + 0.5, max(times[0] + 0.6, times[-1] - cover_s * 0.5)))
    step = 1 if rng.random() < 0.5 else -1
    front = x + step * speed * (times - start)
    return Train(picture, top, front, length, step)


def _cars(rng: Rng, height: int, car: float, level: float) -> NDArray[np.float32]:
    """One car and the gap behind it, as light."""
    width = int(car)
    ink = Ink(0, 0, width, height, 1)
    grey: Rgb = (0.05 * level, 0.05 * level, 0.05 * level)
    ink.rect(-1, -1, width + 1, height + 1, grey)
    bold = rng.uniform(0.05, 0.9, 3)
    paint = scaled(bold, level)
    ink.rect(0.03 * width, 0, 0.97 * width, height, paint)
    for x in np.arange(0.06, 0.95, float(rng.uniform(0.04, 0.2))):
        shade = scaled(paint, float(rng.uniform(0.6, 0.9)))
        ink.rect(x * width, 0.05 * height, (x + 0.015) * width, height, shade)
    if rng.random() < 0.5:
        for x in np.arange(0.08, 0.9, 0.12):
            window = scaled((0.08, 0.09, 0.1), level)
            ink.rect(x * width, 0.12 * height, (x + 0.07) * width, 0.3 * height, window)
    return np.asarray(cv2.GaussianBlur(ink.rgb, (0, 0), 0.8), np.float32)
