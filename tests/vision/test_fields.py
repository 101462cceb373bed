"""Frames woven of two fields: told from plain ones, put in order, and parted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from drawn import texture
from numpy.typing import NDArray

from mastread.tools.scenes.encode import ClipWriter, VideoOptions
from mastread.vision import light
from mastread.vision.fields import FieldOrder, is_combed, part
from mastread.vision.media_raster import YccCoding, YccRaster
from mastread.vision.video import open_video

WHOLE = np.clip(texture(700, 300, 5)[..., 0] ** 0.45 * 255, 0, 255).astype(np.uint8)


def moment(x: float) -> NDArray[np.uint8]:
    """A 400 x 240 view of a scene with a pole in it, from further to the right as x grows."""
    move = np.array([[1.0, 0.0, -x], [0.0, 1.0, -20.0]])
    whole = WHOLE.copy()
    whole[:, 200:212] = 30
    whole[:, 380:400] = 220
    return np.asarray(cv2.warpAffine(whole, move, (400, 240)), np.uint8)


def woven(early: NDArray[Any], late: NDArray[Any], upper_first: bool = True) -> NDArray[Any]:
    out = early.copy()
    out[int(upper_first) :: 2] = late[int(upper_first) :: 2]
    return out


def test_only_what_moves_shows_its_teeth() -> None:
    assert is_combed(woven(moment(0), moment(6)))
    assert is_combed(woven(moment(0), moment(6)).astype(np.uint16) * 4)
    assert not is_combed(woven(moment(0), moment(0)))
    assert not is_combed(moment(3))


@pytest.mark.parametrize("period", [3, 4, 6])
def test_level_structure_is_no_comb(period: int) -> None:
    # Sleepers and bricks; stripes of one row each are what a comb is.
    rows = (np.arange(240) // (period / 2.0)).astype(int) % 2
    stripes = np.repeat((60 + 120 * rows)[:, None], 400, axis=1).astype(np.uint8)
    assert not is_combed(stripes)


@pytest.mark.parametrize("upper_first", [True, False])
def test_the_order_of_the_fields_is_told_by_the_motion(upper_first: bool) -> None:
    order = FieldOrder()
    for k in range(8):
        order.see(woven(moment(8.0 * k), moment(8.0 * k + 4.0), upper_first))
    assert order.upper_first is upper_first


@pytest.mark.parametrize("upper_first", [True, False])
def test_parted_fields_are_the_two_moments(upper_first: bool) -> None:
    early, late = moment(0), moment(6)
    chroma = np.full((120, 200), 128, np.uint8)
    coding = YccCoding(light.Matrix.BT709, full_range=True, transfer=light.Transfer.BT709)
    raster = YccRaster(woven(early, late, upper_first), chroma, chroma, coding)
    for lower, truth in ((not upper_first, early), (upper_first, late)):
        field = part(raster, lower)
        assert isinstance(field, YccRaster)
        assert field.y.shape == truth.shape
        # Its own rows are untouched, those between are filled in smoothly.
        assert (field.y[int(lower) :: 2] == truth[int(lower) :: 2]).all()
        off = np.abs(field.y[4:-4].astype(int) - truth[4:-4])
        assert off.mean() < 1.5


@pytest.mark.parametrize(("fields", "words"), [("flagged", "interlaced"), ("bare", "woven")])
def test_a_file_is_read_field_by_field(tmp_path: Path, fields: Any, words: str) -> None:
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 400, 240, 25.0, VideoOptions(crf=12, fields=fields)) as out:
        for k in range(60):
            out.write(np.repeat(moment(3.0 * k)[..., None], 3, axis=2), k / 50.0)
    with open_video(path) as video:
        moments = [(m.time_s, m.index, m.planes().y.copy()) for m in video.moments()]
        assert video.coded == 30
        assert any(words in sentence for sentence in video.warnings)
    assert [index for _, index, _ in moments] == list(range(len(moments)))
    times = np.array([time_s for time_s, _, _ in moments])
    assert (np.diff(times) > 0).all()
    # Once it is known that there are fields, every one of them comes, each at its own time.
    late = [k for k, time_s in enumerate(times) if time_s >= 0.8]
    assert len(late) == 20
    for k in late:
        truth = moment(3.0 * round(times[k] * 50.0))
        assert np.abs(moments[k][2][8:-8].astype(int) - truth[8:-8]).mean() < 6.0


def test_a_plain_video_is_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    with ClipWriter(path, 400, 240, 25.0, VideoOptions(crf=12)) as out:
        for k in range(30):
            out.write(np.repeat(moment(6.0 * k)[..., None], 3, axis=2), k / 25.0)
    with open_video(path) as video:
        assert len(list(video.moments())) == video.coded == 30
        assert video.warnings == []


def test_pq_pictures_are_coded_like_others() -> None:
    # ITU-R BT.2100 table 4: code 0.5 of PQ stands for 92 cd/m2, which is no mid grey of BT.709.
    luma = np.full((16, 16), round(64 + 0.5 * 876), np.uint16)
    chroma = np.full((8, 8), 512, np.uint16)
    coding = YccCoding(light.Matrix.BT2020, full_range=False, transfer=light.Transfer.PQ, bits=10)
    raster = YccRaster(luma, chroma, chroma, coding)
    linear, coded = raster.linear(0, 0, 16, 16), raster.coded(0, 0, 16, 16)
    assert linear.mean() == pytest.approx(92.2 / 1000.0, rel=0.02)
    assert coded.mean() == pytest.approx(1.099 * 0.0922**0.45 - 0.099, rel=0.02)
