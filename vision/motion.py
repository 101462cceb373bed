"""Where the camera looked: the shift, turn and zoom of each frame against its scene.

Hand shake, pan and zoom move everything that stands still in the world in one way. Corners
are followed from a key frame to the present one (so that small errors do not add up), and a
similarity is fitted that most of them agree on; a passing train is outvoted.

Where nothing can be followed (a cut, a fast pan, a train that fills the picture) the scene is
known again by its landmarks, or the frame counts as one of which the pose is not known, or a new
scene begins. A pose is never guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.vision.landmarks import (
    Found,
    Landmarks,
    compose,
    inverse,
    settle,
    still_there,
)

#: Longest side of the reduced luma on which corners are followed, pixels.
REDUCED: Final = 480
_MOST_CORNERS: Final = 80
_FEWEST_CORNERS: Final = 8
#: With fewer corners than this more are looked for in the darker part of the picture; they must
#: stand out by this spread in their surround, in steps of 255.
_ENOUGH_CORNERS: Final = 40
_LEAST_SPREAD: Final = 6.0
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

#: Mean difference of the reduced luma, in steps of 255, up to which nothing has moved.
_SAME: Final = 2.5
#: Peak of the phase correlation from which a shift is believed where there are no corners, and the
#: shift up to which there is none, in reduced pixels.
_SHIFT_AT: Final = 0.25
_NO_SHIFT: Final = 0.25
#: Frames that may be lost before the way back to the key frame is given up.
_PATIENCE: Final = 6
#: Frames between looks whether the pose still agrees with the landmarks.
_AUDIT: Final = 12
#: Likeness to a landmark below which a pose is in doubt.
_IN_DOUBT: Final = 0.35
#: Part of the picture by which the pose jumps when something else was followed in between.
_JUMP: Final = 0.05
#: Frames from one search for a known scene to the next, the first ones and later.
_SEARCHES: Final = (4, 8, 12, 24, 36, 48, 60)

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
    sure : False where the pose is not known; `matrix` is then the last that was
    joined : scenes that turned out to be this one, seen from elsewhere: their numbers, each with
        the (2, 3) similarity from its coordinates to this scene's
    """

    scene: int
    matrix: NDArray[np.float64]
    agreeing: float
    sure: bool = True
    joined: tuple[tuple[int, NDArray[np.float64]], ...] = ()

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


Picture = NDArray[np.uint8]

_STILL: Final = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


class CameraMotion:
    """Follows the camera through a clip, one frame at a time."""

    def __init__(self) -> None:
        self._scene = self._scenes = 0
        self._step = 1
        self._previous: Picture | None = None
        self._key: Picture | None = None
        self._key_matrix = _STILL
        self._key_corners = np.zeros((0, 1, 2), np.float32)
        self._now_corners = np.zeros((0, 1, 2), np.float32)
        self._matrix = _STILL
        self._marks = Landmarks()
        self._based = False
        self._lost = 0
        self._count = 0
        self._search_due = 0
        self._searches = 0

    def update(self, luma: Picture) -> View:
        """View of the next frame, given its full-resolution luma."""
        height, width = luma.shape
        if self._previous is None:
            self._step = max(1, round(max(height, width) / REDUCED))
        small = cv2.resize(
            luma,
            (max(1, width // self._step), max(1, height // self._step)),
            interpolation=cv2.INTER_AREA,
        )
        self._count += 1
        if self._previous is None or small.shape != self._previous.shape:
            return self._start(small)
        fitted, agreeing = self._follow(small)
        view = self._unheld(small) if fitted is None else self._held(small, fitted, agreeing)
        self._previous = small
        return view

    def _held(self, small: Picture, fitted: NDArray[np.float64], agreeing: float) -> View:
        """The corners were followed."""
        if self._lost >= _PATIENCE:
            # Where this is against what was seen before is not known.
            return self._known_again(small) or self._new_scene(small)
        self._lost = 0
        self._matrix = compose(fitted, self._key_matrix)
        zoom = float(np.hypot(fitted[0, 0], fitted[1, 0]))
        if agreeing < _KEEP_SHARE or not 1 / _KEEP_ZOOM < zoom < _KEEP_ZOOM:
            self._take_key(small, self._matrix)
            self._based = False
        if self._count % _AUDIT == 0:
            view = self._audit(small)
            if view is not None:
                return view
        return View(self._scene, self._matrix, agreeing)

    def _unheld(self, small: Picture) -> View:
        """There are no corners to follow, or they agree on nothing."""
        if self._is_cut(small):
            return self._known_again(small) or self._new_scene(small)
        if self._lost == 0 and len(self._key_corners) < _FEWEST_CORNERS:
            # Night, fog, a bare sky: the picture as a whole is followed, shift only.
            shift = self._shift(small)
            if shift is not None:
                fitted = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
                self._matrix = compose(_scaled(fitted, self._step), self._key_matrix)
                return View(self._scene, self._matrix, 0.0)
        if self._lost == 0 and self._is_same(small):
            self._take_key(small, self._matrix)
            return View(self._scene, self._matrix, 0.0)
        self._lost += 1
        if self._lost >= _PATIENCE:
            self._take_key(small, self._matrix)
            if self._search_is_due():
                view = self._known_again(small)
                if view is not None:
                    return view
        return View(self._scene, self._matrix, 0.0, sure=False)

    def _start(self, small: Picture) -> View:
        self._matrix = _STILL
        self._take_key(small, _STILL)
        self._previous = small
        self._marks.note(small, self._scene, self._reduced(_STILL))
        self._based, self._lost = True, 0
        self._searches, self._search_due = 0, self._count + _SEARCHES[0]
        return View(self._scene, self._matrix, 1.0)

    def _new_scene(self, small: Picture) -> View:
        self._scenes += 1
        self._scene = self._scenes
        return self._start(small)

    def _known_again(self, small: Picture) -> View | None:
        """Go to the scene that the picture shows if it is a known one."""
        found = self._marks.find(small)
        return None if found is None else self._go_to(small, found)

    def _go_to(self, small: Picture, found: Found) -> View:
        matrix = self._full(found.matrix)
        self._scene = found.scene
        self._matrix = matrix
        self._take_key(small, matrix)
        self._based, self._lost = True, 0
        self._searches, self._search_due = 0, self._count + _SEARCHES[0]
        return View(self._scene, matrix, 1.0)

    def _audit(self, small: Picture) -> View | None:
        """Hold the pose against what is known of the scene; the view, if it had to be moved."""
        reduced = self._reduced(self._matrix)
        mark = self._marks.anchor(self._scene, reduced, small.shape)
        if mark is not None:
            if not self._based:
                guess = compose(reduced, inverse(mark.matrix))
                settled = settle(mark.picture, small, guess)
                if settled is not None:
                    # What the handing on from key frame to key frame has lost.
                    self._matrix = self._full(compose(settled, mark.matrix))
                    self._take_key(small, self._matrix)
                    self._based = True
                    return View(self._scene, self._matrix, 1.0)
            if still_there(mark, small, reduced) >= _IN_DOUBT:
                due = self._has_noted(small, reduced) or self._search_is_due()
                return self._join(small) if due else None
        if not self._search_is_due():
            if mark is None:
                self._has_noted(small, reduced)
            return None
        # New parts of the scene come into view, or something else than the scene was followed.
        found = self._marks.find(small, {self._scene})
        if found is not None:
            jump = float(np.abs(found.matrix[:, 2] - reduced[:, 2]).max())
            if jump > _JUMP * small.shape[1]:
                # What was kept of the scene meanwhile stands in the wrong place.
                self._marks.forget_after(found.landmark)
                return self._go_to(small, found)
        if mark is None:
            self._has_noted(small, reduced)
        return self._join(small)

    def _has_noted(self, small: Picture, reduced: NDArray[np.float64]) -> bool:
        """Keep the view if it shows something new, which is then soon held against other scenes."""
        if not self._marks.note(small, self._scene, reduced):
            return False
        self._searches, self._search_due = 0, self._count + _SEARCHES[0]
        return True

    def _join(self, small: Picture) -> View | None:
        """Is what this scene shows a part of one that was seen before? Then it goes on as that."""
        others = {scene for scene in self._marks.scenes if scene < self._scene}
        if not others:
            return None
        found = self._marks.find(small, others)
        if found is None:
            return None
        young, way = self._scene, compose(inverse(self._full(found.matrix)), self._matrix)
        self._marks.rename(young, found.scene, way)
        view = self._go_to(small, found)
        return View(view.scene, view.matrix, 1.0, joined=((young, way),))

    def _search_is_due(self) -> bool:
        if self._count < self._search_due:
            return False
        self._searches += 1
        self._search_due = self._count + _SEARCHES[min(self._searches, len(_SEARCHES) - 1)]
        return True

    def _take_key(self, small: Picture, matrix: NDArray[np.float64]) -> None:
        corners = _corners(small)
        self._key = small
        self._key_matrix = matrix
        self._key_corners = corners
        self._now_corners = self._key_corners.copy()

    def _follow(self, small: Picture) -> tuple[NDArray[np.float64] | None, float]:
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

    def _shift(self, small: Picture) -> tuple[float, float] | None:
        """Shift from the key frame by the pictures as a whole; None where they are not alike."""
        if self._key is None or self._key.std() < 1.0:
            return None
        window = cv2.createHanningWindow((small.shape[1], small.shape[0]), cv2.CV_32F)
        (dx, dy), peak = cv2.phaseCorrelate(
            self._key.astype(np.float32), small.astype(np.float32), window
        )
        if peak < _SHIFT_AT or max(abs(dx), abs(dy)) > 0.3 * min(small.shape):
            return None
        return (0.0, 0.0) if np.hypot(dx, dy) < _NO_SHIFT else (float(dx), float(dy))

    def _is_same(self, small: Picture) -> bool:
        assert self._previous is not None
        return float(cv2.absdiff(small, self._previous).mean()) < _SAME

    def _reduced(self, matrix: NDArray[np.float64]) -> NDArray[np.float64]:
        """From the scene to the reduced picture, given the way to the full one."""
        offset = (self._step - 1) / 2.0
        return np.column_stack([matrix[:, :2], matrix[:, 2] - offset]) / self._step

    def _full(self, matrix: NDArray[np.float64]) -> NDArray[np.float64]:
        """What `_reduced` undoes."""
        offset = (self._step - 1) / 2.0
        out = matrix * self._step
        out[:, 2] += offset
        return np.asarray(out, np.float64)

    def _is_cut(self, small: Picture) -> bool:
        assert self._previous is not None
        difference = float(cv2.absdiff(small, self._previous).mean())
        contrast = float(self._previous.std()) + float(small.std())
        return difference > max(_CUT_LEAST, _CUT_SHARE * contrast)


def _corners(small: Picture) -> NDArray[np.float32]:
    """Corners worth following, (N, 1, 2).

    Bright lamps outshine all else, and some of them move; where they leave few other corners,
    more are taken from the picture with its brightest part cut off.
    """
    found = cv2.goodFeaturesToTrack(small, _MOST_CORNERS, 0.02, 8)
    corners = np.zeros((0, 2), np.float32) if found is None else found.reshape(-1, 2)
    if len(corners) < _ENOUGH_CORNERS:
        # Sorting a sixteenth of the pixels is enough for a percentile.
        capped = np.minimum(small, np.uint8(np.percentile(small[::4, ::4], 97)))
        more = cv2.goodFeaturesToTrack(capped, _MOST_CORNERS - len(corners), 0.02, 8)
        if more is not None:
            more = more.reshape(-1, 2)
            mean = cv2.boxFilter(capped.astype(np.float32), -1, (7, 7))
            square = cv2.boxFilter(capped.astype(np.float32) ** 2, -1, (7, 7))
            spread = np.sqrt(np.maximum(square - mean * mean, 0.0))
            column, row = np.rint(more).astype(int).T
            # By night what is left is noise.
            corners = np.concatenate([corners, more[spread[row, column] >= _LEAST_SPREAD]])
    return np.asarray(corners.reshape(-1, 1, 2), np.float32)


def _scaled(matrix: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """The same similarity for full-resolution pixels, whose centres sit between the reduced."""
    offset = (step - 1) / 2.0
    up = np.array([[step, 0.0, offset], [0.0, step, offset], [0.0, 0.0, 1.0]])
    full = up @ np.vstack([matrix, [0.0, 0.0, 1.0]]) @ np.linalg.inv(up)
    return np.asarray(full[:2], np.float64)
