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


def wide(seed: int = 5) -> NDArray[np.uint8]:
    return np.clip(texture(2600, 700, seed)[..., 0] ** 0.45 * 255, 0, 255).astype(np.uint8)


def window(
    whole: NDArray[np.uint8], left: float, top: float = 150.0, zoom: float = 1.0
) -> NDArray[np.uint8]:
    """560 x 400 pixels of a wide view round the middle of the box that begins at (left, top)."""
    cx, cy = left + 280.0, top + 200.0
    matrix = np.array([[zoom, 0, 280.0 - zoom * cx], [0, zoom, 200.0 - zoom * cy]])
    return np.asarray(cv2.warpAffine(whole, matrix, (560, 400), flags=cv2.INTER_AREA), np.uint8)


def test_a_pan_away_and_back_ends_where_it_began() -> None:
    whole, motion = wide(), CameraMotion()
    there = [300.0 + 18.0 * i for i in range(70)]
    for left in [300.0] * 5 + there + there[::-1] + [300.0] * 15:
        view = motion.update(window(whole, left))
    assert view.scene == 0
    assert view.place(200.0, 150.0) == pytest.approx((200.0, 150.0), abs=0.4)


def test_a_pan_too_fast_to_follow_is_known_again_and_its_pose_never_guessed() -> None:
    whole, motion = wide(), CameraMotion()
    lefts = [300.0] * 10 + [300.0 + 160 * i for i in range(12)] + [2000.0] * 20
    lefts += [2000.0 - 170 * i for i in range(10)] + [302.0] * 20
    for left in lefts:
        view = motion.update(window(whole, left))
        if view.sure and view.scene == 0:
            # Where the pose is told it is right.
            x, _ = view.place(200.0, 150.0)
            assert x == pytest.approx(200.0 - (left - 300.0), abs=2.5)
    assert (view.scene, view.sure) == (0, True)
    assert view.place(200.0, 150.0) == pytest.approx((198.0, 150.0), abs=0.5)


def test_a_cut_to_another_scene_and_back_is_known_again() -> None:
    motion = CameraMotion()
    for _ in range(10):
        motion.update(seen(scene(2), 0, 0))
    other = 255 - seen(scene(9), 0, 0)
    assert {motion.update(other).scene for _ in range(20)} == {1}
    view = motion.update(seen(scene(2), 6.0, -3.0))
    assert view.scene == 0
    assert view.place(100.0, 100.0) == pytest.approx((106.0, 97.0), abs=0.5)
    # A third scene is neither of them.
    assert motion.update(255 - seen(scene(31), 0, 0)).scene == 2


def test_a_zoom_by_four_and_back_keeps_its_pose() -> None:
    whole, motion = wide(), CameraMotion()
    zooms = np.exp(np.linspace(0.0, np.log(4.0), 80))
    for zoom in [*zooms, *[4.0] * 10]:
        view = motion.update(window(whole, 900.0, zoom=float(zoom)))
    assert view.zoom == pytest.approx(4.0, rel=0.02)
    # A place of the first frame stands four times as far from the middle of the picture.
    assert view.place(300.0, 210.0) == pytest.approx((280 + 4 * 20, 200 + 4 * 10), abs=3.0)
    for zoom in [*zooms[::-1], *[1.0] * 15]:
        view = motion.update(window(whole, 900.0, zoom=float(zoom)))
    assert view.scene == 0
    assert view.place(300.0, 210.0) == pytest.approx((300.0, 210.0), abs=0.6)


def test_what_fills_the_picture_for_a_while_does_not_move_the_scene() -> None:
    whole, train, motion = wide(), wide(77), CameraMotion()
    for i in range(90):
        frame = window(whole, 300.0)
        if 10 <= i < 60:
            edge = min(560, 60 * (i - 9)) if i < 50 else max(0, 560 - 60 * (i - 49))
            frame[40:, :edge] = window(train, 20.0 * i)[40:, :edge]
        view = motion.update(frame)
    assert (view.scene, view.sure) == (0, True)
    assert view.place(200.0, 150.0) == pytest.approx((200.0, 150.0), abs=0.6)


def test_a_moment_without_a_picture_leaves_the_pose_open() -> None:
    whole, motion = wide(), CameraMotion()
    for _ in range(10):
        motion.update(window(whole, 300.0))
    rng = np.random.default_rng(3)
    noise = cv2.GaussianBlur(rng.integers(60, 200, (400, 560)).astype(np.uint8), (0, 0), 3.0)
    views = [motion.update(noise) for _ in range(3)]
    assert not any(view.sure and view.scene == 0 for view in views)
    for _ in range(8):
        view = motion.update(window(whole, 303.0))
    assert (view.scene, view.sure) == (0, True)
    assert view.place(200.0, 150.0) == pytest.approx((197.0, 150.0), abs=0.5)


def test_a_scene_seen_from_its_other_end_joins_when_both_are_in_view() -> None:
    whole, motion = wide(), CameraMotion()
    for _ in range(15):
        motion.update(window(whole, 300.0))
    dark = np.full((400, 560), 30, np.uint8)
    for _ in range(10):
        motion.update(dark)
    lefts = [1200.0] * 20 + [1200.0 - 12 * i for i in range(70)] + [370.0] * 70
    views = [motion.update(window(whole, left)) for left in lefts]
    assert views[10].scene == 2  # the darkness between counts as one
    (joined,) = [view.joined for view in views if view.joined]
    ((number, way),) = joined
    assert number == 2
    # The young scene began 900 px to the right of the old one.
    assert way @ (100.0, 50.0, 1.0) == pytest.approx((1000.0, 50.0), abs=3.0)
    assert views[-1].scene == 0
