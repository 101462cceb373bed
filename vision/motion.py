"""Where the camera looked: the shift, turn and zoom of each frame against its scene.

Hand shake, pan and zoom move everything that stands still in the world in one way. Corners
are followed from a key frame to the present one (so that small errors do not add up), and a
similarity is fitted that most of them agree on; a passing train is outvoted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

#: Longest side of the reduced luma on which corners are followed, pixels.
REDUCED: Final = 480
_MOST_CORNERS: Final = 80
_FEWEST_CORNERS: Final = 8
#: Corners must agree with the common motion to this, in reduced pixels.
_AGREE: Final = 0.6
#: A new key frame is taken when fewer than this share of the corners still agree ...
_KEEP_SHARE: Final = 0.5
#: ... or the scale has changed by this factor since the key frame.
_KEEP_ZOOM: Final = 1.12
#: Mean difference of the reduced luma that makes a cut: in steps of 255, and as a share of the
#: contrast of the two frames together.
_CUT_LEAST: Final = 6.0
_CUT_SHARE: Final = 0.45

_WINDOW: Final = (15, 15)
_LEVELS: Final = 3
_UNTIL: Final = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 20, 0.02)


@dataclass(frozen=True, slots=True)
class View:
    """How the scene's coordinates map to one frame's.

    Attributes
    ----------
    scene : running number of the scene; grows by one at every cut
    matrix : (2, 3) similarity; frame position = matrix @ [x, y, 1] of the scene position, in
        full-resolution pixels; the scene's coordinates are those of its first frame
    agreeing : share of the followed corners that agree with it, 0 where none could be followed
    """

    scene: int
    matrix: NDArray[np.float64]
    agreeing: float

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Position in this frame of a place of the scene."""
        out = self.matrix @ (x, y, 1.0)
        return float(out[0]), float(out[1])

    def scene_place(self, x: float, y: float) -> tuple[float, float]:
        """Place in the scene of a position in this frame."""
        a = self.matrix[:, :2]
        out = np.linalg.solve(a, np.array([x, y]) - self.matrix[:, 2])
        return float(out[0]), float(out[1])

    @property
    def zoom(self) -> float:
        """Scale of this frame over that of the scene's first frame."""
        return float(np.hypot(self.matrix[0, 0], self.matrix[1, 0]))


_STILL: Final = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


class CameraMotion:
    """Follows the camera through a clip, one frame at a time."""

    def __init__(self) -> None:
        self._scene = 0
        self._step = 1
        self._previous: NDArray[np.uint8] | None = None
        self._key: NDArray[np.uint8] | None = None
        self._key_matrix = _STILL
        self._key_corners = np.zeros((0, 1, 2), np.float32)
        self._now_corners = np.zeros((0, 1, 2), np.float32)
        self._matrix = _STILL

    def update(self, luma: NDArray[np.uint8]) -> View:
        """View of the next frame, given its full-resolution luma."""
        height, width = luma.shape
        if self._previous is None:
            self._step = max(1, round(max(height, width) / REDUCED))
        small = cv2.resize(
            luma,
            (max(1, width // self._step), max(1, height // self._step)),
            interpolation=cv2.INTER_AREA,
        )
        if self._previous is None or small.shape != self._previous.shape:
            return self._start(small)
        fitted, agreeing = self._follow(small)
        if fitted is None:
            if self._is_cut(small):
                self._scene += 1
                return self._start(small)
            # Nothing to hold on to (night, a train filling the picture): stay where we were
            # and take hold again from here.
            self._take_key(small, self._matrix)
            self._previous = small
            return View(self._scene, self._matrix, 0.0)
        self._matrix = _compose(fitted, self._key_matrix)
        zoom = float(np.hypot(fitted[0, 0], fitted[1, 0]))
        if agreeing < _KEEP_SHARE or not 1 / _KEEP_ZOOM < zoom < _KEEP_ZOOM:
            self._take_key(small, self._matrix)
        self._previous = small
        return View(self._scene, self._matrix, agreeing)

    def _start(self, small: NDArray[np.uint8]) -> View:
        self._matrix = _STILL
        self._take_key(small, _STILL)
        self._previous = small
        return View(self._scene, self._matrix, 1.0)

    def _take_key(self, small: NDArray[np.uint8], matrix: NDArray[np.float64]) -> None:
        corners = cv2.goodFeaturesToTrack(small, _MOST_CORNERS, 0.02, 8)
        if corners is None:
            corners = np.zeros((0, 1, 2), np.float32)
        self._key = small
        self._key_matrix = matrix
        self._key_corners = corners.astype(np.float32).reshape(-1, 1, 2)
        self._now_corners = self._key_corners.copy()

    def _follow(self, small: NDArray[np.uint8]) -> tuple[NDArray[np.float64] | None, float]:
        """Similarity from key frame to this one in full-resolution pixels, and its support."""
        if len(self._key_corners) < _FEWEST_CORNERS or self._key is None:
            return None, 0.0
        moved, status, _ = cv2.calcOpticalFlowPyrLK(
            self._key,
            small,
            self._key_corners,
            self._now_corners.copy(),
            winSize=_WINDOW,
            maxLevel=_LEVELS,
            criteria=_UNTIL,
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )
        good = status.ravel() == 1
        if int(good.sum()) < _FEWEST_CORNERS:
            return None, 0.0
        fitted, inliers = cv2.estimateAffinePartial2D(
            self._key_corners[good],
            moved[good],
            method=cv2.RANSAC,
            ransacReprojThreshold=_AGREE,
            maxIters=200,
            confidence=0.99,
        )
        if fitted is None:
            return None, 0.0
        share = float(inliers.sum()) / len(self._key_corners)
        if share < 0.2 or int(inliers.sum()) < _FEWEST_CORNERS // 2 + 1:
            return None, 0.0
        # Corners that were lost start again from where the common motion puts them.
        predicted = cv2.transform(self._key_corners, fitted)
        lost = ~good
        lost[np.flatnonzero(good)[inliers.ravel() == 0]] = True
        moved[lost] = predicted[lost]
        self._now_corners = moved.astype(np.float32)
        return _scaled(np.asarray(fitted, np.float64), self._step), share

    def _is_cut(self, small: NDArray[np.uint8]) -> bool:
        assert self._previous is not None
        difference = float(cv2.absdiff(small, self._previous).mean())
        contrast = float(self._previous.std()) + float(small.std())
        return difference > max(_CUT_LEAST, _CUT_SHARE * contrast)


def _scaled(matrix: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """The same similarity for full-resolution pixels, whose centres sit between the reduced."""
    offset = (step - 1) / 2.0
    up = np.array([[step, 0.0, offset], [0.0, step, offset], [0.0, 0.0, 1.0]])
    full = up @ np.vstack([matrix, [0.0, 0.0, 1.0]]) @ np.linalg.inv(up)
    return np.asarray(full[:2], np.float64)


def _compose(outer: NDArray[np.float64], inner: NDArray[np.float64]) -> NDArray[np.float64]:
    """outer after inner, both (2, 3)."""
    bottom = [0.0, 0.0, 1.0]
    full = np.vstack([outer, bottom]) @ np.vstack([inner, bottom])
    return np.asarray(full[:2], np.float64)
