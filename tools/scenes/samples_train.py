"""Pictures of a train that passes in front of a mast, kept small."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from mastread.tools.scenes.camera import Picture

#: Brightest light that a stored picture of a train holds.
_TRAIN_TOP = 4.0


@dataclass(frozen=True, slots=True)
class TrainPass:
    """Pictures of a passing train, in the frame of the layers.

    Attributes
    ----------
    first : number of the first frame that shows it
    pictures : one per frame, see `pack_train`
    """

    first: int
    pictures: Sequence[bytes]

    def at(self, frame: int, width: int, height: int) -> Picture | None:
        """Return the picture (H, W, 4) of a frame of the clip, or None where it shows no train."""
        if not self.first <= frame < self.first + len(self.pictures):
            return None
        data = np.frombuffer(self.pictures[frame - self.first], np.uint8)
        stored = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
        if stored is None:
            raise ValueError(f"picture {frame - self.first} of the train is damaged")
        level = stored.astype(np.float32) / 255.0
        light = level[:, :, 2::-1] ** 2 * _TRAIN_TOP
        picture = np.dstack([light, level[:, :, 3]])
        return np.asarray(cv2.resize(picture, (width, height)), np.float32)


def pack_train(picture: Picture) -> bytes:
    """Store (H, W, 4) linear light times cover, and cover, as a PNG of 8-bit square roots."""
    light = np.sqrt(np.clip(picture[:, :, 2::-1] / _TRAIN_TOP, 0.0, 1.0))
    stored = np.dstack([light, np.clip(picture[:, :, 3], 0.0, 1.0)]) * 255.0
    ok, data = cv2.imencode(".png", np.round(stored).astype(np.uint8))
    if not ok:
        raise ValueError("OpenCV could not store a picture of the train")
    return bytes(data.tobytes())
