"""The camera's path over a drawn scene, shifted and zoomed by known amounts."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn import texture
from numpy.typing import NDArray

from mastread.vision.motion import CameraMotion


def scene(seed: int = 2) -> NDArray[np.uint8]:
    return np.clip(texture(700, 500, seed)[..., 0] ** 0.45 * 255, 0, 255).astype(np.uint8)


def seen(whole: NDArray[np.uint8], dx: float, dy: float, zoom: float = 1.0) -> NDArray[np.uint8]:
    """A 560 x 400 frame; the scene's point (x, y) of the first frame stands at zoom*(x, y)+d."""
    matrix = np.array([[zoom, 0, dx - zoom * 70], [0, zoom, dy - zoom * 50]])
    return np.asarray(cv2.warpAffine(whole, matrix, (560, 400), flags=cv2.INTER_LINEAR), np.uint8)


def test_hand_shake_is_followed_without_drift() -> None:
    rng = np.random.default_rng(4)
    whole, motion = scene(), CameraMotion()
    path = np.cumsum(rng.normal(0, 1.2, (60, 2)), axis=0)
    path -= path[0]
    worst = 0.0
    for dx, dy in path:
        view = motion.update(seen(whole, dx, dy))
        x, y = view.place(200.0, 150.0)
        worst = max(worst, abs(x - 200 - dx), abs(y - 150 - dy))
    assert worst < 0.5
    assert view.scene == 0


def test_zoom_is_followed() -> None:
    whole, motion = scene(), CameraMotion()
    for zoom in np.linspace(1.0, 1.6, 40):
        view = motion.update(seen(whole, 0.0, 0.0, float(zoom)))
    assert view.zoom == pytest.approx(1.6, rel=0.01)
    assert view.place(100.0, 80.0) == pytest.approx((160.0, 128.0), abs=1.5)


def test_place_and_scene_place_undo_one_another() -> None:
    whole, motion = scene(), CameraMotion()
    motion.update(seen(whole, 0, 0))
    view = motion.update(seen(whole, 7.0, -4.0))
    assert view.scene_place(*view.place(33.0, 44.0)) == pytest.approx((33.0, 44.0))


def test_a_cut_begins_a_new_scene() -> None:
    motion = CameraMotion()
    for _ in range(3):
        view = motion.update(seen(scene(2), 0, 0))
    assert view.scene == 0
    view = motion.update(255 - seen(scene(9), 0, 0))
    assert view.scene == 1
    assert view.place(5.0, 6.0) == (5.0, 6.0)


def test_black_frames_have_nothing_to_hold_on_to() -> None:
    motion = CameraMotion()
    black = np.zeros((400, 560), np.uint8)
    for _ in range(3):
        view = motion.update(black)
    assert view.agreeing in (0.0, 1.0)
    assert view.place(10.0, 20.0) == (10.0, 20.0)
