"""Photos of every kind, against Pillow's own decoding of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image, ImageCms, ImageOps

from mastread.vision import light
from mastread.vision.frame import Frame
from mastread.vision.photo import open_photo

#: Two decoders of one JPEG differ by this many codes: their transforms and their ways of
#: bringing colour difference to full size round differently.
JPEG_CODES = 4
#: Coded values come back from eight-bit samples to within float32.
EXACT = 1e-6


def scene(height: int = 41, width: int = 61) -> NDArray[np.uint8]:
    """Smooth colours without any symmetry, so that a wrong turn shows."""
    y, x = np.mgrid[0:height, 0:width].astype(float)
    out = np.stack([60 + 2.5 * x, 40 + 4.0 * y, 200 - x - 2 * y], axis=-1)
    return np.clip(out, 0, 255).astype(np.uint8)


SCENE = scene()


def whole(frame: Frame) -> tuple[int, int, int, int]:
    return 0, 0, frame.width, frame.height


def codes(frame: Frame) -> NDArray[np.float64]:
    """The whole picture in eight-bit codes, not rounded."""
    return frame.coded(*whole(frame)).astype(np.float64) * 255


def upright(path: Path) -> NDArray[np.float64]:
    """What Pillow sees, upright."""
    with Image.open(path) as image:
        turned = ImageOps.exif_transpose(image)
        return np.asarray(turned.convert("RGB")).astype(np.float64)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.png", {}),
        ("a.bmp", {}),
        ("a.tif", {}),
        ("lzw.tif", {"compression": "tiff_lzw"}),
        ("zip.tif", {"compression": "tiff_deflate"}),
        ("a.webp", {"lossless": True}),
        ("a.ppm", {}),
    ],
)
def test_lossless_kinds_are_exact(tmp_path: Path, name: str, options: dict[str, Any]) -> None:
    Image.fromarray(SCENE).save(tmp_path / name, **options)
    frame = open_photo(tmp_path / name)
    assert (frame.width, frame.height, frame.time_s, frame.index) == (61, 41, 0, 0)
    np.testing.assert_allclose(codes(frame), SCENE, atol=255 * EXACT)
    linear = frame.linear(*whole(frame))
    assert linear.dtype == np.float32
    np.testing.assert_allclose(
        linear, light.decode(SCENE / 255, light.Transfer.SRGB), atol=3 * EXACT
    )


@pytest.mark.parametrize(
    "options",
    [
        {"subsampling": 0},
        {"subsampling": 1},
        {"subsampling": 2},
        {"subsampling": 2, "progressive": True},
        {"subsampling": 2, "restart_marker_blocks": 2},
        {"subsampling": 2, "optimize": True},
    ],
)
def test_jpeg_agrees_with_another_decoder(tmp_path: Path, options: dict[str, Any]) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(SCENE).save(path, quality=92, **options)
    frame = open_photo(path)
    assert np.abs(codes(frame) - upright(path)).max() <= JPEG_CODES
    chroma = {0: (41, 61), 1: (41, 31), 2: (21, 31)}[options["subsampling"]]
    planes = frame.planes()
    assert planes.y.shape == (41, 61)
    assert planes.u.shape == planes.v.shape == chroma
    assert planes.full_range


@pytest.mark.parametrize("mode", ["L", "CMYK"])
def test_rare_jpegs(tmp_path: Path, mode: str) -> None:
    path = tmp_path / "a.jpg"
    Image.fromarray(SCENE).convert(mode).save(path, quality=95)
    assert np.abs(codes(open_photo(path)) - upright(path)).max() <= JPEG_CODES


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "tif", "avif"])
def test_every_orientation_is_brought_upright(
    tmp_path: Path, ending: str, orientation: int
) -> None:
    path = tmp_path / f"a.{ending}"
    exif = Image.Exif()
    exif[274] = orientation
    image = Image.fromarray(SCENE)
    if ending == "tif":
        image.save(path, tiffinfo={274: orientation})
    else:
        image.save(path, exif=exif, quality=95)
    expected = upright(path)
    frame = open_photo(path)
    assert (frame.height, frame.width) == expected.shape[:2]
    assert np.abs(codes(frame) - expected).max() <= JPEG_CODES
    assert frame.planes().y.shape == expected.shape[:2]


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["uint16 tif", "float32 tif", "uint16 png"])
def test_deep_pictures_are_brought_upright(tmp_path: Path, kind: str, orientation: int) -> None:
    small = tmp_path / "small.png"
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(SCENE).save(small, exif=exif)
    expected = upright(small)
    if kind == "uint16 png":
        path = tmp_path / "deep.png"
        ok, data = cv2.imencode(".png", SCENE[..., ::-1].astype(np.uint16) * 257)
        assert ok
        plain = data.tobytes()
        # The eXIf chunk of the small picture goes behind the header chunk of the deep one.
        source = small.read_bytes()
        at = source.index(b"eXIf") - 4
        chunk = source[at : at + 12 + int.from_bytes(source[at : at + 4], "big")]
        path.write_bytes(plain[:33] + chunk + plain[33:])
        scale = 1.0
    else:
        path = tmp_path / "deep.tif"
        deep = SCENE.astype(np.uint16) * 257 if kind == "uint16 tif" else None
        data = deep if deep is not None else (SCENE / 255).astype(np.float32)
        tags = [(274, 3, 1, orientation, True)]
        tifffile.imwrite(path, data, photometric="rgb", extratags=tags, metadata=None)
        scale = 0.0 if deep is None else 1.0
    frame = open_photo(path)
    if scale:
        np.testing.assert_allclose(codes(frame), expected, atol=255 * EXACT)
    else:
        np.testing.assert_allclose(frame.linear(*whole(frame)), expected / 255, atol=EXACT)


def test_sixteen_bits_are_kept(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, 600).astype(np.uint16).reshape(20, 30)
    deep = np.stack([ramp, ramp[::-1], ramp[:, ::-1]], axis=-1)
    for name in ("a.png", "a.tif"):
        assert cv2.imwrite(str(tmp_path / name), deep[..., ::-1])
        frame = open_photo(tmp_path / name)
        np.testing.assert_allclose(frame.coded(*whole(frame)), deep / 65535, atol=EXACT)
        np.testing.assert_array_equal(
            frame.planes().y.shape, (20, 30), err_msg="planes are eight bits"
        )
        assert frame.planes().y.dtype == np.uint8


def test_floating_point_samples_are_light(tmp_path: Path) -> None:
    values = np.linspace(0, 1.5, 90, dtype=np.float32).reshape(5, 6, 3)
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="rgb")
    frame = open_photo(tmp_path / "a.tif")
    np.testing.assert_array_equal(frame.linear(*whole(frame)), values)
    expected = light.encode(np.minimum(values, 1).astype(np.float64), light.Transfer.SRGB)
    np.testing.assert_allclose(frame.coded(*whole(frame)), expected, atol=1e-5)


def test_samples_that_are_no_light_are_dark(tmp_path: Path) -> None:
    values = np.full((4, 5, 3), 0.5, np.float32)
    values[0, 0], values[1, 1], values[2, 2] = np.nan, -np.inf, -3
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="rgb")
    frame = open_photo(tmp_path / "a.tif")
    linear = frame.linear(*whole(frame))
    assert (linear[[0, 1, 2], [0, 1, 2]] == 0).all()
    assert linear[3, 3, 0] == 0.5
    assert frame.planes().y[0, 0] == 0


@pytest.mark.parametrize("depth", [8, 16])
def test_grey(tmp_path: Path, depth: int) -> None:
    grey = SCENE[..., 0] if depth == 8 else SCENE[..., 0].astype(np.uint16) * 257
    for name in ("g.png", "g.tif"):
        assert cv2.imwrite(str(tmp_path / name), grey)
        frame = open_photo(tmp_path / name)
        expected = np.repeat(SCENE[..., :1], 3, axis=2)
        np.testing.assert_allclose(codes(frame), expected, atol=255 * EXACT)
        planes = frame.planes()
        np.testing.assert_array_equal(planes.y, SCENE[..., 0])
        assert (planes.u == 128).all()
        assert (planes.v == 128).all()


@pytest.mark.parametrize("mode", ["P", "1", "LA", "PA"])
def test_palette_and_two_level_pictures(tmp_path: Path, mode: str) -> None:
    path = tmp_path / ("a.tif" if mode == "PA" else "a.png")
    image = Image.fromarray(SCENE)
    image = image.convert("P").convert("PA") if mode == "PA" else image.convert(mode)
    image.save(path)
    np.testing.assert_allclose(codes(open_photo(path)), upright(path), atol=255 * EXACT)


@pytest.mark.parametrize("name", ["a.png", "a.webp", "a.tif", "deep.png"])
def test_no_light_comes_from_transparent_parts(tmp_path: Path, name: str) -> None:
    alpha = np.linspace(0, 255, SCENE.shape[1]).astype(np.uint8)[None].repeat(len(SCENE), 0)
    rgba = np.dstack([SCENE, alpha])
    if name == "deep.png":
        assert cv2.imwrite(str(tmp_path / name), rgba[..., [2, 1, 0, 3]].astype(np.uint16) * 257)
    else:
        Image.fromarray(rgba).save(tmp_path / name, lossless=True, exact=True)
    expected = SCENE * (alpha[..., None] / 255)
    assert np.abs(codes(open_photo(tmp_path / name)) - expected).max() <= 0.5 + EXACT


def test_only_the_first_of_several_pictures_is_read(tmp_path: Path) -> None:
    image, other = Image.fromarray(SCENE), Image.fromarray(SCENE[::-1])
    for name, options in (("a.tif", {}), ("a.webp", {"lossless": True}), ("a.png", {})):
        image.save(tmp_path / name, save_all=True, append_images=[other], **options)
        frame = open_photo(tmp_path / name)
        np.testing.assert_allclose(codes(frame), SCENE, atol=255 * EXACT)
        assert frame.warnings == ("the file holds 2 pictures; only the first was read",)


@pytest.mark.parametrize(("width", "height"), [(1, 1), (1, 90), (90, 1), (3, 2), (17, 33)])
@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.webp", "a.tif", "a.bmp"])
def test_smallest_and_odd_sizes(tmp_path: Path, name: str, width: int, height: int) -> None:
    Image.new("RGB", (width, height), (200, 40, 30)).save(tmp_path / name, quality=95)
    frame = open_photo(tmp_path / name)
    assert (frame.width, frame.height) == (width, height)
    assert np.abs(codes(frame) - (200, 40, 30)).max() <= JPEG_CODES
    assert frame.planes().y.shape == (height, width)


@settings(deadline=None, max_examples=30)
@given(data=st.data())
def test_a_crop_is_a_part_of_the_whole(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    orientation = data.draw(st.integers(1, 8), label="orientation")
    name = data.draw(st.sampled_from(["crop.jpg", "crop.png"]), label="file")
    exif = Image.Exif()
    exif[274] = orientation
    Image.fromarray(SCENE).save(folder / name, exif=exif, quality=95)
    frame = open_photo(folder / name)
    x0 = data.draw(st.integers(0, frame.width - 1))
    x1 = data.draw(st.integers(x0 + 1, frame.width))
    y0 = data.draw(st.integers(0, frame.height - 1))
    y1 = data.draw(st.integers(y0 + 1, frame.height))
    # Where a value stands in its row may change its last digit, and so the step of the table by
    # which it becomes light; the steepest curve rises 2.3 times as fast as the coded value.
    step = 2.3 / light.TABLE_STEPS
    for ask, tolerance in ((frame.coded, EXACT), (frame.linear, step)):
        np.testing.assert_allclose(
            ask(x0, y0, x1, y1), ask(*whole(frame))[y0:y1, x0:x1], rtol=0.0, atol=tolerance
        )


@pytest.mark.parametrize("box", [(0, 0, 0, 5), (5, 5, 5, 9), (-1, 0, 4, 4), (0, 0, 62, 5)])
def test_box_outside_or_empty_is_refused(tmp_path: Path, box: tuple[int, int, int, int]) -> None:
    for name in ("a.png", "a.jpg"):
        Image.fromarray(SCENE).save(tmp_path / name)
        frame = open_photo(tmp_path / name)
        for ask in (frame.coded, frame.linear):
            with pytest.raises(ValueError, match="must lie within"):
                ask(*box)


def p3_profile() -> bytes:
    """A Display P3 profile: sRGB's with the primaries' columns exchanged.

    The columns are those that SMPTE EG 432-1 primaries have after adaptation to D50, as every
    published Display P3 profile gives them, rounded to 16 bits after the point.
    """
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    columns = {
        b"rXYZ": (0.51512, 0.24120, -0.00105),
        b"gXYZ": (0.29198, 0.69225, 0.04189),
        b"bXYZ": (0.15710, 0.06657, 0.78407),
    }
    for i in range(int.from_bytes(profile[128:132], "big")):
        at = 132 + 12 * i
        name = bytes(profile[at : at + 4])
        if name in columns:
            start = int.from_bytes(profile[at + 4 : at + 8], "big")
            for k, value in enumerate(columns[name]):
                fixed = round(value * 65536).to_bytes(4, "big", signed=True)
                profile[start + 8 + 4 * k : start + 12 + 4 * k] = fixed
    return bytes(profile)


@pytest.mark.parametrize("name", ["a.jpg", "a.png", "a.tif", "a.webp"])
def test_wide_gamut_photo_gives_the_same_light(tmp_path: Path, name: str) -> None:
    linear = np.array([0.6, 0.3, 0.1])
    wide = light.primaries_matrix(light.Primaries.BT709, light.Primaries.P3) @ linear
    code = np.round(light.encode(wide, light.Transfer.SRGB) * 255).astype(np.uint8)
    image = Image.fromarray(np.full((16, 16, 3), code, np.uint8))
    image.save(tmp_path / name, icc_profile=p3_profile(), quality=100, lossless=True)
    got = open_photo(tmp_path / name).linear(4, 4, 8, 8).mean(axis=(0, 1))
    np.testing.assert_allclose(got, linear, atol=0.012)
    # Without the profile the red would be weaker by more than the tolerance.
    assert abs(light.decode(code / 255, light.Transfer.SRGB)[0] - linear[0]) > 0.02


def test_plain_and_broken_profiles_change_nothing(tmp_path: Path) -> None:
    plain = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    broken = p3_profile()[:200]
    for profile in (plain, broken, b"not a profile"):
        Image.fromarray(SCENE).save(tmp_path / "a.png", icc_profile=profile)
        frame = open_photo(tmp_path / "a.png")
        np.testing.assert_allclose(
            frame.linear(*whole(frame)),
            light.decode(SCENE / 255, light.Transfer.SRGB),
            atol=3 * EXACT,
        )


def test_a_tiff_with_its_planes_one_after_the_other_is_read_in_colour(tmp_path: Path) -> None:
    import tifffile

    rng = np.random.default_rng(8)
    planes = rng.random((3, 12, 16)).astype(np.float32)
    tifffile.imwrite(tmp_path / "planes.tif", planes, photometric="rgb", planarconfig="separate")
    frame = open_photo(tmp_path / "planes.tif")
    assert (frame.width, frame.height) == (16, 12)
    # Float pictures hold linear light or coded values; either way the order of places must hold.
    seen = frame.coded(0, 0, 16, 12)
    for channel in range(3):
        order = np.argsort(planes[channel], axis=None)
        assert np.all(np.diff(seen[..., channel].ravel()[order]) >= -1e-6)
