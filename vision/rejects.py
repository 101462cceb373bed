"""Spots of a scene that were measured and are no lamps, so that they are not measured again.

Most spots that stand out in a view (windows, stones, edges of clouds) stay where they are from
search to search. A spot is measured anew when it has grown brighter, and in any case after a
while, since what stands there may have changed.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.motion import View

#: A spot this much stronger than when it was measured is measured again.
GROWN: Final = 1.25
#: Seconds after which a spot is measured again.
FORGET_S: Final = 6.0


class Rejects:
    """Memory of the spots of one scene."""

    def __init__(self) -> None:
        #: (N, 5): x, y, radius in the scene's coordinates, strength, time
        self._rows = np.zeros((0, 5))

    def new(self, candidates: NDArray[np.void], view: View, now_s: float) -> NDArray[np.void]:
        """The candidates (positions in the frame of `view`) that are worth measuring."""
        self._rows = self._rows[now_s - self._rows[:, 4] < FORGET_S]
        if not len(self._rows) or not len(candidates):
            return candidates
        places = self._rows[:, :2] @ view.matrix[:, :2].T + view.matrix[:, 2]
        dx = candidates["x"][:, None] - places[None, :, 0]
        dy = candidates["y"][:, None] - places[None, :, 1]
        radius = self._rows[None, :, 2] * view.zoom
        near = np.hypot(dx, dy) < 0.6 * radius + 1.0
        alike = np.abs(candidates["radius"][:, None] - radius) < 0.6 * radius + 0.5
        weaker = candidates["strength"][:, None] < GROWN * self._rows[None, :, 3]
        return candidates[~(near & alike & weaker).any(axis=1)]

    def add(self, candidates: NDArray[np.void], view: View, now_s: float) -> None:
        """Remember candidates that turned out to be no lamps."""
        if not len(candidates):
            return
        inverse = np.linalg.inv(view.matrix[:, :2])
        places = np.stack([candidates["x"], candidates["y"]], axis=1).astype(np.float64)
        scene = (places - view.matrix[:, 2]) @ inverse.T
        rows = np.column_stack(
            [
                scene,
                candidates["radius"] / view.zoom,
                candidates["strength"],
                np.full(len(candidates), now_s),
            ]
        )
        self._rows = np.concatenate([self._rows, rows])
