"""Crops, turns and the placing of colour difference, against slow and plain computing."""

from __future__ import annotations

from typing import Any

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.vision import light
from mastread.vision.media_raster import RgbRaster, Turn, YccCoding, YccRaster, upsample
from mastread.vision.media_samples import SampleReader

RNG = np.random.default_rng(11)
TURNS = [Turn(mirrored, quarters) for mirrored in (False, True) for quarters in range(4)]
SUBSAMPLINGS = [(2, 2), (2, 1), (1, 2), (4, 1), (4, 4), (1, 1)]


def coding(sub: tuple[int, int] = (2, 2), centred: bool = False, **other: Any) -> YccCoding:
    return YccCoding(
        light.Matrix.BT709,
        full_range=other.pop("full_range", False),
        transfer=light.Transfer.BT709,
        sub_x=sub[0],
        sub_y=sub[1],
        site_x=(sub[0] - 1) / 2 if centred else 0.0,
        site_y=(sub[1] - 1) / 2,
        **other,
    )


def raster(width: int, height: int, how: YccCoding, turn: Turn = TURNS[0]) -> YccRaster:
    size = (-(-height // how.sub_y), -(-width // how.sub_x))
    y = RNG.integers(16, 236, (height, width), dtype=np.uint8)
    u, v = RNG.integers(16, 241, (2, *size), dtype=np.uint8)
    return YccRaster(y, u, v, how, turn)


def plainly_upsampled(plane: NDArray[np.uint8], x: int, y: int, how: YccCoding) -> float:
    """One value, by looking up four neighbours by hand."""
    at = ((y - how.site_y) / how.sub_y, (x - how.site_x) / how.sub_x)
    value = 0.0
    for dy in (0, 1):
        for dx in (0, 1):
            row, column = int(np.floor(at[0])) + dy, int(np.floor(at[1])) + dx
            weight = (1 - abs(at[0] - row)) * (1 - abs(at[1] - column))
            row = min(max(row, 0), plane.shape[0] - 1)
            column = min(max(column, 0), plane.shape[1] - 1)
            value += weight * float(plane[row, column])
    return value


@pytest.mark.parametrize("centred", [False, True])
@pytest.mark.parametrize("sub", SUBSAMPLINGS)
@pytest.mark.parametrize("size", [(13, 9), (1, 1), (2, 7)])
def test_upsampling_agrees_with_plain_bilinear(
    size: tuple[int, int], sub: tuple[int, int], centred: bool
) -> None:
    how = coding(sub, centred)
    picture = raster(*size, how)
    assert picture.u is not None
    got = upsample(picture.u, (0, 0, *size), how)
    expected = [
        [plainly_upsampled(picture.u, x, y, how) for x in range(size[0])] for y in range(size[1])
    ]
    np.testing.assert_allclose(got, expected, atol=1e-4)


@pytest.mark.parametrize("centred", [False, True])
@pytest.mark.parametrize("sub", SUBSAMPLINGS)
def test_a_ramp_stays_where_it_was(sub: tuple[int, int], centred: bool) -> None:
    """Samples taken at their sites from a ramp give the ramp back at every pixel between."""
    how = coding(sub, centred)
    rows, columns = 12, 14
    y = np.arange(rows) * sub[1] + how.site_y
    x = np.arange(columns) * sub[0] + how.site_x
    plane = (3 * y[:, None] + 2 * x[None]).astype(np.float32)
    box = (sub[0], sub[1], sub[0] * (columns - 1), sub[1] * (rows - 1))
    expected = 3 * np.arange(box[1], box[3])[:, None] + 2 * np.arange(box[0], box[2])[None]
    np.testing.assert_allclose(upsample(plane, box, how), expected, atol=1e-3)


@given(data=st.data())
def test_a_crop_is_a_part_of_the_whole(data: st.DataObject) -> None:
    turn = data.draw(st.sampled_from(TURNS))
    how = coding(data.draw(st.sampled_from(SUBSAMPLINGS)), data.draw(st.booleans()))
    picture = raster(data.draw(st.integers(1, 17)), data.draw(st.integers(1, 15)), how, turn)
    x0 = data.draw(st.integers(0, picture.width - 1))
    x1 = data.draw(st.integers(x0 + 1, picture.width))
    y0 = data.draw(st.integers(0, picture.height - 1))
    y1 = data.draw(st.integers(y0 + 1, picture.height))
    # OpenCV's last float digit depends on where in a row a pixel stands, and can move a value to
    # the next step of the table; no curve of these is steeper than 2.3.
    step = 2.3 / light.TABLE_STEPS
    for ask, off in ((picture.coded, 1e-6), (picture.linear, step)):
        whole = ask(0, 0, picture.width, picture.height)
        np.testing.assert_allclose(ask(x0, y0, x1, y1), whole[y0:y1, x0:x1], atol=off)


@pytest.mark.parametrize("turn", TURNS)
def test_turned_picture_is_the_picture_turned(turn: Turn) -> None:
    straight = raster(13, 9, coding())
    turned = YccRaster(straight.y, straight.u, straight.v, straight.coding, turn)
    whole = straight.coded(0, 0, 13, 9)
    expected = np.rot90(whole[:, ::-1] if turn.mirrored else whole, -turn.quarters)
    assert (turned.height, turned.width) == expected.shape[:2]
    np.testing.assert_array_equal(turned.coded(0, 0, turned.width, turned.height), expected)
    np.testing.assert_array_equal(turned.planes().y, turn.view(straight.y))
    np.testing.assert_array_equal(turned.planes().u, turn.view(np.asarray(straight.u)))


def test_planes_of_an_upright_picture_are_not_copied() -> None:
    picture = raster(12, 8, coding())
    planes = picture.planes()
    assert planes.y is picture.y
    assert planes.u is picture.u
    assert not planes.full_range


def test_grey_has_neutral_planes_and_equal_channels() -> None:
    y = RNG.integers(16, 236, (6, 7), dtype=np.uint8)
    picture = YccRaster(y, None, None, coding((1, 1)))
    rgb = picture.coded(0, 0, 7, 6)
    np.testing.assert_allclose(rgb, ((y - 16.0) / 219)[..., None].repeat(3, 2), atol=1e-6)
    assert (picture.planes().u == 128).all()


def test_wide_primaries_become_bt709() -> None:
    matrix = light.primaries_matrix(light.Primaries.BT2020)
    how = coding((1, 1))
    wide = coding((1, 1), to_bt709=matrix)
    picture = raster(5, 4, how)
    plain = picture.linear(0, 0, 5, 4)
    turned = YccRaster(picture.y, picture.u, picture.v, wide).linear(0, 0, 5, 4)
    np.testing.assert_allclose(turned, plain @ matrix.T, atol=1e-5)


FORMATS = [
    "yuv420p", "yuvj420p", "yuv422p", "yuv444p", "yuv440p", "yuv411p", "yuv410p", "yuva420p",
    "yuv420p10le", "yuv422p10le", "yuv444p10le", "yuv420p12le", "yuv444p16le", "yuva444p10le",
    "yuv420p10be", "nv12", "nv21", "nv16", "nv24", "p010le", "p012le", "p016le", "p210le",
    "p410le", "yuyv422", "uyvy422", "y210le", "rgb24", "bgr24", "rgba", "bgr0", "gbrp",
    "gbrp10le", "gbrp16le", "rgb48le", "rgb565le",
]  # fmt: skip
GREYS = ["gray", "gray10le", "gray12le", "gray16le", "gray16be"]


def corners(width: int, height: int) -> NDArray[np.uint8]:
    picture = np.full((height, width, 3), 120, np.uint8)
    picture[: height // 2, : width // 2] = (210, 40, 40)
    picture[height // 2 :, width // 2 :] = (30, 190, 90)
    return picture


#: Packed pairs of pixels have an even width.
PACKED = {"yuyv422", "uyvy422", "y210le"}


@pytest.mark.parametrize(
    ("name", "size"),
    [(name, (48, 32)) for name in FORMATS]
    + [(name, (47, 31)) for name in FORMATS if name not in PACKED],
)
def test_every_pixel_format_gives_its_colours(name: str, size: tuple[int, int]) -> None:
    """FFmpeg makes the format from R, G, B; flat parts must come back as they were."""
    made = av.VideoFrame.from_ndarray(corners(*size), "rgb24")
    frame = made.reformat(
        format=name, dst_colorspace="ITU709" if "rgb" not in name and "bgr" not in name else None
    )
    if frame.colorspace == 2:
        frame.colorspace = 1
    picture = SampleReader(TURNS[0]).raster(frame)
    assert (picture.width, picture.height) == size
    # Rounding to whole codes on the way there and back; 5 bits a channel in rgb565.
    codes = 9 if name == "rgb565le" else 3
    for x, y, colour in ((4, 4, (210, 40, 40)), (size[0] - 6, size[1] - 6, (30, 190, 90))):
        got = picture.coded(x, y, x + 2, y + 2) * 255
        assert np.abs(got - colour).max() <= codes
    planes = picture.planes()
    assert planes.y.shape == (size[1], size[0])
    assert planes.y.dtype == planes.u.dtype == planes.v.dtype == np.uint8
    whole = picture.linear(0, 0, *size)
    assert whole.shape == (size[1], size[0], 3)
    assert np.isfinite(whole).all()


@pytest.mark.parametrize("name", GREYS)
def test_every_grey_format(name: str) -> None:
    grey = np.arange(0, 240, 5, dtype=np.uint8).reshape(6, 8)
    frame = av.VideoFrame.from_ndarray(grey, "gray").reformat(format=name)
    picture = SampleReader(TURNS[0]).raster(frame)
    got = picture.coded(0, 0, 8, 6)
    np.testing.assert_allclose(got, (grey / 255)[..., None].repeat(3, 2), atol=1 / 255)
    np.testing.assert_allclose(picture.planes().y.astype(int), grey, atol=1)


def test_deep_samples_are_finer_than_eight_bits() -> None:
    codes = np.arange(64, 940, dtype=np.uint16).reshape(4, 219)
    frame = av.VideoFrame(219, 4, "gray10le")
    frame.planes[0].update(
        np.pad(codes, ((0, 0), (0, frame.planes[0].line_size // 2 - 219))).tobytes()
    )
    frame.color_range = 1
    got = SampleReader(TURNS[0]).raster(frame).coded(0, 0, 219, 4)[..., 0]
    np.testing.assert_allclose(got, (codes - 64) / 876, atol=1e-6)


def test_views_of_the_decoder_cannot_be_written() -> None:
    frame = av.VideoFrame.from_ndarray(corners(32, 16), "rgb24").reformat(format="yuv420p")
    planes = SampleReader(TURNS[0]).raster(frame).planes()
    with pytest.raises(ValueError, match="read-only"):
        planes.y[0, 0] = 1


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
@pytest.mark.parametrize("turn", TURNS)
def test_rgb_raster_turns(turn: Turn, depth: type[Any]) -> None:
    top = np.iinfo(depth).max
    samples = RNG.integers(0, top, (7, 9, 3)).astype(depth)
    picture = RgbRaster(samples, turn=turn)
    whole = (0, 0, picture.width, picture.height)
    expected = turn.view(samples) / top
    np.testing.assert_allclose(picture.coded(*whole), expected, atol=1e-6)
    np.testing.assert_allclose(
        picture.linear(*whole), light.decode(expected, light.Transfer.SRGB), atol=1e-5
    )
    luma = expected @ [0.299, 0.587, 0.114] * 255
    np.testing.assert_allclose(picture.planes().y, luma, atol=1.1)
