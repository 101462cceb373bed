"""Views of a scene that are kept, so that it is known again when the camera comes back to it.

Corner tracking loses a scene that leaves the picture: after a long pan, behind a train, over a
cut. What the scene looked like is kept as a few reduced pictures with their features, each with
its pose. A later picture is taken for the same scene only if its features agree on one
similarity, and if corners of the old picture, carried over by that similarity, are then found in
their places all over the part that both show. A look-alike passes the first test at times, the
second hardly ever; where in doubt the answer is None, and the scene counts as a new one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Matrix = NDArray[np.float64]

_FEATURES: Final = 400
#: Levels of the feature pyramid: 1.2 ** 8 spans a zoom of four.
_LEVELS: Final = 9
#: A feature is matched if its second best partner is this much worse.
_RATIO: Final = 0.8
_FEWEST_MATCHES: Final = 10
#: Features must agree with the common similarity to this, in pixels of the reduced picture.
_AGREE: Final = 3.0
#: A similarity further from this scale, or turned by more than this (radians), is no camera's.
_MOST_ZOOM: Final = 6.0
_MOST_TURN: Final = 0.5
#: Corners of the old picture that must be found in their places: how many, which share of those
#: that should be in view, to how many pixels, and how far spread over the part in view
_FEWEST_CORNERS: Final = 12
_SHARE: Final = 0.5
_IN_PLACE: Final = 1.0
#: (standard deviation as a share of its length and breadth, the wider way and the other).
_SPREAD: Final = (0.1, 0.04)
#: Likeness (correlation) of the two pictures where both are seen.
_LIKE: Final = 0.5
#: Both must share at least this part of the picture.
_SHARED: Final = 0.08
#: Views kept of one scene, and of all scenes.
_MOST_OF_SCENE: Final = 16
_MOST: Final = 48
#: A view is worth keeping if less than this part of it is in a kept one, or if the zoom has
#: changed by this factor.
_NEW_PART: Final = 0.55
_NEW_ZOOM: Final = 1.6


@dataclass(frozen=True, slots=True, eq=False)
class Landmark:
    """One kept view.

    Attributes
    ----------
    scene : number of its scene
    matrix : (2, 3) similarity from the scene to the reduced picture
    picture : reduced luma
    points, descriptors : its features; (N, 2) and (N, 32)
    """

    scene: int
    matrix: Matrix
    picture: Picture
    points: NDArray[np.float32]
    descriptors: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A scene known again: its number, and the (2, 3) pose of the present reduced picture."""

    scene: int
    matrix: Matrix
    landmark: Landmark


class Landmarks:
    """The kept views of all scenes, oldest first."""

    def __init__(self) -> None:
        self._kept: list[Landmark] = []
        self._orb = cv2.ORB.create(nfeatures=_FEATURES, nlevels=_LEVELS, fastThreshold=8)
        self._matcher = cv2.BFMatcher(cv2.NORM_HAMMING)

    @property
    def scenes(self) -> set[int]:
        """Numbers of the scenes of which a view is kept."""
        return {one.scene for one in self._kept}

    def note(self, picture: Picture, scene: int, matrix: Matrix) -> bool:
        """Keep a view (reduced picture with its pose) if it shows something new of its scene."""
        own = [one for one in self._kept if one.scene == scene]
        shape = picture.shape
        if any(
            _overlap(one.matrix, matrix, shape) > _NEW_PART
            and 1 / _NEW_ZOOM < _scale(matrix) / _scale(one.matrix) < _NEW_ZOOM
            for one in own
        ):
            return False
        points, descriptors = self._features(picture)
        if len(points) < _FEWEST_MATCHES:
            return False
        self._kept.append(Landmark(scene, matrix.copy(), picture.copy(), points, descriptors))
        if len(own) + 1 > _MOST_OF_SCENE:
            # The first of a scene is its anchor: it has no error of its own.
            self._kept.remove(own[1])
        elif len(self._kept) > _MOST:
            self._kept.remove(self._least_wanted())
        return True

    def find(self, picture: Picture, scenes: set[int] | None = None) -> Found | None:
        """The scene that a reduced picture shows, if that is beyond doubt.

        Parameters
        ----------
        scenes : numbers of the scenes to compare with; None for all
        """
        candidates = [one for one in self._kept if scenes is None or one.scene in scenes]
        if not candidates:
            return None
        points, descriptors = self._features(picture)
        if len(points) < _FEWEST_MATCHES:
            return None
        guesses = []
        for age, mark in enumerate(candidates):
            guess = self._guess(mark, points, descriptors)
            if guess is not None:
                guesses.append((-guess[1], age, guess[0], mark))
        for _, _, guess_matrix, mark in sorted(guesses, key=lambda item: item[:2])[:3]:
            settled = settle(mark.picture, picture, guess_matrix)
            if settled is not None:
                return Found(mark.scene, compose(settled, mark.matrix), mark)
        return None

    def anchor(self, scene: int, matrix: Matrix, shape: tuple[int, ...]) -> Landmark | None:
        """The oldest kept view of a scene that shows much of what a pose looks at."""
        for one in self._kept:
            if one.scene != scene:
                continue
            zoom = _scale(matrix) / _scale(one.matrix)
            if 1 / _NEW_ZOOM < zoom < _NEW_ZOOM and _overlap(one.matrix, matrix, shape) > 0.4:
                return one
        return None

    def forget_after(self, mark: Landmark) -> None:
        """Drop the views of a scene that were kept after one of them."""
        first = self._kept.index(mark)
        self._kept = [
            one for k, one in enumerate(self._kept) if k <= first or one.scene != mark.scene
        ]

    def rename(self, scene: int, into: int, way: Matrix) -> None:
        """Count the views of one scene to another; `way` leads from its coordinates to theirs."""
        back = inverse(way)
        self._kept = [
            replace(one, scene=into, matrix=compose(one.matrix, back))
            if one.scene == scene
            else one
            for one in self._kept
        ]

    def _least_wanted(self) -> Landmark:
        counts: dict[int, int] = {}
        for one in self._kept:
            counts[one.scene] = counts.get(one.scene, 0) + 1
        most = max(counts, key=lambda scene: counts[scene])
        if counts[most] > 1:
            return [one for one in self._kept if one.scene == most][1]
        return self._kept[0]

    def _features(self, picture: Picture) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
        found, descriptors = self._orb.detectAndCompute(picture, None)
        if descriptors is None or not len(found):
            return np.zeros((0, 2), np.float32), np.zeros((0, 32), np.uint8)
        points = np.array([one.pt for one in found], np.float32)
        return points, np.asarray(descriptors, np.uint8)

    def _guess(
        self, mark: Landmark, points: NDArray[np.float32], descriptors: NDArray[np.uint8]
    ) -> tuple[Matrix, int] | None:
        """Similarity from a kept view to the present picture by features, and its support."""
        pairs = [
            pair[0]
            for pair in self._matcher.knnMatch(mark.descriptors, descriptors, k=2)
            if len(pair) == 2 and pair[0].distance < _RATIO * pair[1].distance
        ]
        if len(pairs) < _FEWEST_MATCHES:
            return None
        fitted, inliers = cv2.estimateAffinePartial2D(
            mark.points[[pair.queryIdx for pair in pairs]],
            points[[pair.trainIdx for pair in pairs]],
            method=cv2.RANSAC,
            ransacReprojThreshold=_AGREE,
            maxIters=500,
            confidence=0.99,
        )
        if fitted is None or int(inliers.sum()) < _FEWEST_MATCHES:
            return None
        fitted = np.asarray(fitted, np.float64)
        return (fitted, int(inliers.sum())) if _plausible(fitted) else None


def settle(old: Picture, new: Picture, guess: Matrix) -> Matrix | None:
    """The exact similarity between two reduced pictures near a guess; None unless it holds.

    The old picture is carried over by the guess, and its corners are then looked for in the
    new one. Both must be alike besides.
    """
    size = (new.shape[1], new.shape[0])
    carried = cv2.warpAffine(old, guess, size, flags=cv2.INTER_AREA)
    inside = cv2.warpAffine(np.full(old.shape, 255, np.uint8), guess, size) == 255
    inside = cv2.erode(inside.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    if inside.mean() < _SHARED or likeness(carried, new, inside) < _LIKE:
        return None
    corners = cv2.goodFeaturesToTrack(carried, 80, 0.02, 6, mask=inside.astype(np.uint8))
    if corners is None or len(corners) < _FEWEST_CORNERS:
        return None
    corners = corners.astype(np.float32).reshape(-1, 1, 2)
    moved, status, _ = cv2.calcOpticalFlowPyrLK(
        carried, new, corners, np.zeros_like(corners), winSize=(15, 15), maxLevel=2
    )
    good = status.ravel() == 1
    if np.count_nonzero(good) < _FEWEST_CORNERS:
        return None
    fitted, inliers = cv2.estimateAffinePartial2D(
        corners[good],
        moved[good],
        method=cv2.RANSAC,
        ransacReprojThreshold=_IN_PLACE,
        maxIters=300,
        confidence=0.99,
    )
    if fitted is None:
        return None
    held = corners[good][inliers.ravel() == 1].reshape(-1, 2)
    if len(held) < max(_FEWEST_CORNERS, _SHARE * len(corners)):
        return None
    # Corners of one thing alone (a mast, a train) agree with one another wherever it stands.
    rows, columns = np.nonzero(inside)
    extent = np.array([np.ptp(columns), np.ptp(rows)]) + 1.0
    narrow, wide = sorted(held.std(axis=0) / extent)
    if wide < _SPREAD[0] or narrow < _SPREAD[1]:
        return None
    whole = compose(np.asarray(fitted, np.float64), guess)
    return whole if _plausible(whole) else None


def likeness(a: Picture, b: Picture, inside: NDArray[np.bool_]) -> float:
    """Correlation of two pictures where both are seen; 0 where one is flat there."""
    first, second = a[inside].astype(np.float32), b[inside].astype(np.float32)
    if first.size < 64:
        return 0.0
    first -= first.mean()
    second -= second.mean()
    spread = float(np.sqrt((first @ first) * (second @ second)))
    return float(first @ second) / spread if spread > 0 else 0.0


def still_there(mark: Landmark, picture: Picture, matrix: Matrix) -> float:
    """How like the picture is to what a kept view says that it should show, -1..1."""
    between = compose(matrix, inverse(mark.matrix))
    size = (picture.shape[1], picture.shape[0])
    carried = cv2.warpAffine(mark.picture, between, size)
    inside = cv2.warpAffine(np.full(mark.picture.shape, 255, np.uint8), between, size) == 255
    return likeness(carried, picture, inside)


def compose(outer: Matrix, inner: Matrix) -> Matrix:
    """outer after inner, both (2, 3)."""
    return np.column_stack([outer[:, :2] @ inner[:, :2], outer[:, :2] @ inner[:, 2] + outer[:, 2]])


def inverse(matrix: Matrix) -> Matrix:
    """The (2, 3) similarity that undoes one."""
    turned = np.linalg.inv(matrix[:, :2])
    return np.column_stack([turned, -turned @ matrix[:, 2]])


def _scale(matrix: Matrix) -> float:
    return float(np.hypot(matrix[0, 0], matrix[1, 0]))


def _plausible(matrix: Matrix) -> bool:
    turn = float(np.arctan2(matrix[1, 0], matrix[0, 0]))
    return 1 / _MOST_ZOOM < _scale(matrix) < _MOST_ZOOM and abs(turn) < _MOST_TURN


def _overlap(a: Matrix, b: Matrix, shape: tuple[int, ...]) -> float:
    """Part of the picture with pose `b` that the one with pose `a` shows too, by upright boxes."""
    between = compose(b, inverse(a))
    corners = np.array([[0, 0], [shape[1], 0], [0, shape[0]], [shape[1], shape[0]]], np.float64)
    placed = corners @ between[:, :2].T + between[:, 2]
    low, high = placed.min(axis=0), placed.max(axis=0)
    shared = np.minimum(high, [shape[1], shape[0]]) - np.maximum(low, 0.0)
    return float(np.prod(np.maximum(shared, 0.0)) / (shape[0] * shape[1]))
