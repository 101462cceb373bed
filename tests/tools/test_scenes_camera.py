"""Lamp spectra, the camera and the video writer of made scenes, against published values."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest

from mastread.tools.scenes import camera as cam
from mastread.tools.scenes import lamps
from mastread.tools.scenes.clip import make_clip
from mastread.tools.scenes.encode import ClipWriter, VideoOptions

colour = pytest.importorskip("colour")
SHAPE = colour.SpectralShape(380, 730, 2)

# ICAO Annex 14 Vol I, Appendix 1, filament lamps (as printed in EASA CS ADR-DSN.U.930(a)).
REGIONS: dict[str, Callable[[float, float], bool]] = {
    "red": lambda x, y: y >= 0.980 - x and y <= 0.335,
    "yellow": lambda x, y: y >= 0.382 and y >= 0.790 - 0.667 * x and y <= x - 0.120,
    "green": lambda x, y: x <= 0.360 - 0.080 * y and x <= 0.650 * y and y >= 0.390 - 0.171 * x,
    "blue": lambda x, y: y <= 0.805 * x + 0.065 and y <= 0.400 - x and x <= 0.600 * y + 0.133,
    "white": lambda x, y: (
        0.285 <= x <= 0.500 and min(0.050 + 0.750 * x, 0.382) <= y <= min(0.440, 0.150 + 0.640 * x)
    ),
}


def _true_xy(power: np.ndarray) -> tuple[float, float]:
    """CIE 1931 x, y by the tabulated colour-matching functions of a reference library."""
    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
    xyz = power @ table
    return float(xyz[0] / xyz.sum()), float(xyz[1] / xyz.sum())


@pytest.mark.parametrize("name", sorted(lamps.emitters()))
def test_lamps_have_the_colour_of_their_name(name: str) -> None:
    emitter = lamps.emitters()[name]
    x, y = _true_xy(emitter.power)
    region = "white" if emitter.colour == "lunar" else emitter.colour
    assert REGIONS[region](x, y), (x, y)
    if emitter.colour == "lunar":
        assert x <= 0.380
    assert lamps.chromaticity(emitter.power) == pytest.approx((x, y), abs=0.007)


@pytest.mark.parametrize("peak", [470, 505, 525, 592, 625])
def test_led_profile_is_that_of_the_reference_library(peak: int) -> None:
    ours = next(e for e in lamps.emitters().values() if e.name.endswith(f"_led_{peak}"))
    width = {470: 25, 505: 30, 525: 33, 592: 15, 625: 17}[peak]
    theirs = colour.sd_single_led(peak, SHAPE, half_spectral_width=width, method="Ohno 2005").values
    np.testing.assert_allclose(ours.power, theirs / theirs.max(), atol=1e-6)


def test_black_body_is_that_of_the_reference_library() -> None:
    theirs = colour.sd_blackbody(2850, SHAPE).values
    # The library holds the second radiation constant of ITS-90, ours that of 2019.
    np.testing.assert_allclose(lamps.planck(2850), theirs / theirs.max(), rtol=3e-4)


def test_daylight_is_cie_d65() -> None:
    theirs = colour.SDS_ILLUMINANTS["D65"].copy().align(SHAPE).values
    ours = lamps.daylight()
    at = (lamps.WAVELENGTHS % 10) == 0
    np.testing.assert_allclose(ours[at], theirs[at], atol=0.02)


def test_raw_colours_are_those_of_a_measured_camera() -> None:
    # Measured sensitivities of a Nikon D5100 (Darrodi et al. 2015), as the library carries them.
    measured = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"].copy().align(SHAPE).values.T
    white = colour.SDS_ILLUMINANTS["D65"].copy().align(SHAPE).values
    measured = measured / (measured @ white)[:, None]
    for emitter in lamps.emitters().values():
        raw = measured @ emitter.power
        ours = lamps.raw_colour(emitter, lamps.sensor("slr"))
        np.testing.assert_allclose(ours, raw / raw.max(), atol=0.03, err_msg=emitter.name)


@pytest.mark.parametrize("name", lamps.sensor_names())
def test_white_stays_white_and_colours_come_out_near(name: str) -> None:
    eye = lamps.sensor(name)
    np.testing.assert_allclose(eye.sensitivity @ lamps.daylight(), 1.0)
    np.testing.assert_allclose(eye.to_srgb.sum(axis=1), 1.0)
    # A grey and a dull colour pass from sRGB to raw and back.
    rgb = np.array([0.4, 0.3, 0.2])
    np.testing.assert_allclose(eye.to_srgb @ (eye.from_srgb @ rgb), rgb)


def test_the_colorimetric_camera_sees_srgb() -> None:
    green = lamps.emitters()["green_led_525"]
    raw = lamps.sensor("cie").sensitivity @ green.power
    ours = lamps.sensor("cie").to_srgb @ raw
    table = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
    theirs = colour.XYZ_to_RGB(
        green.power @ table, "sRGB", apply_cctf_encoding=False, chromatic_adaptation_transform=None
    )
    np.testing.assert_allclose(ours / ours.max(), theirs / theirs.max(), atol=0.03)


@pytest.mark.parametrize("curve", ["srgb", "bt709"])
def test_tone_curves_are_those_of_the_standards(curve: str) -> None:
    table = cam.Tone(curve).table()
    x = np.linspace(0.0, 1.0, len(table))
    name = {"srgb": "sRGB", "bt709": "ITU-R BT.709"}[curve]
    theirs = colour.cctf_encoding(x, function=name)
    np.testing.assert_allclose(table, theirs, atol=1e-4)


def _quiet(**settings: object) -> cam.Camera:
    return replace(cam.Camera(exposure=1.0, mosaic=False), **settings)  # type: ignore[arg-type]


@pytest.mark.parametrize("mosaic", [False, True])
def test_an_even_surface_keeps_its_colour(mosaic: bool) -> None:
    camera = _quiet(mosaic=mosaic)
    picture = np.broadcast_to(np.array([0.5, 0.2, 0.1], np.float32), (32, 32, 3))
    coded = cam.develop(cam.to_raw(picture, camera), camera, None)
    expected = np.round(255 * colour.cctf_encoding([0.5, 0.2, 0.1], function="sRGB"))
    np.testing.assert_allclose(coded[16, 16], expected, atol=2)


def test_white_balance_undoes_the_light() -> None:
    cast = np.array([1.6, 1.0, 0.5], np.float32)
    camera = _quiet(gains=tuple(float(v) for v in 1.0 / cast))
    grey = np.full((16, 16, 3), 0.3, np.float32) * cast
    coded = cam.develop(grey, camera, None)
    assert np.ptp(coded[8, 8].astype(int)) <= 1


def test_an_overexposed_red_turns_towards_yellow() -> None:
    # Computed from measured sensitivities of a Nikon D5100: hue 350, then 18 to 60 degrees as
    # red, then green, clip; the rule is common to all cameras with overlapping filters.
    camera = _quiet()
    raw = lamps.raw_colour(lamps.emitters()["red_led_625"], lamps.sensor("slr"))
    greens = []
    for stops in (-0.5, 2.0, 4.0):
        level = np.broadcast_to((raw * 2.0**stops).astype(np.float32), (4, 4, 3)).copy()
        greens.append(int(cam.develop(level, camera, None)[1, 1, 1]))
    assert greens[0] < 20
    assert greens[0] < greens[1] < greens[2]
    assert greens[2] > 200


def test_noise_has_the_spread_of_counted_electrons() -> None:
    # Poisson statistics: the variance of a count is its mean.
    camera = _quiet(full_well=1000.0, read_noise=0.0)
    level = np.full((200, 200, 3), 0.4, np.float32)
    seen = cam.expose(level, camera, np.random.default_rng(1))
    assert float(seen.std()) == pytest.approx(np.sqrt(0.4 / 1000.0), rel=0.02)
    assert float(seen.mean()) == pytest.approx(0.4, abs=1e-3)


def test_highlights_fade_to_white_only_when_overexposed() -> None:
    camera = _quiet(highlight_fade=1.0)
    dull = np.full((4, 4, 3), (0.5, 0.1, 0.05), np.float32)
    hot = np.full((4, 4, 3), (9.0, 4.0, 0.8), np.float32)
    plain = _quiet()
    np.testing.assert_array_equal(cam.develop(dull, camera, None), cam.develop(dull, plain, None))
    assert cam.develop(hot, camera, None)[1, 1, 2] > cam.develop(hot, plain, None)[1, 1, 2]


@pytest.mark.parametrize(
    ("name", "codec", "rotation"),
    [
        ("a.mp4", "h264", 0),
        ("b.mov", "h264", 90),
        ("c.mp4", "h264", 180),
        ("d.mp4", "hevc", 270),
        ("e.mkv", "h264", 0),
        ("f.webm", "vp9", 0),
        ("g.avi", "mjpeg", 0),
    ],
)
def test_video_keeps_times_and_comes_back_upright(
    tmp_path: Path, name: str, codec: str, rotation: int
) -> None:
    picture = np.zeros((96, 160, 3), np.uint8)
    picture[:48, :80] = (230, 40, 40)
    picture[48:, 80:] = (40, 60, 230)
    times = [0.0, 1 / 30, 2.5 / 30, 4 / 30] if name == "e.mkv" else [i / 30 for i in range(4)]
    options = VideoOptions(codec=codec, crf=5, rotation=rotation)  # type: ignore[arg-type]
    with ClipWriter(tmp_path / name, 160, 96, 30.0, options) as out:
        for time_s in times:
            out.write(picture, time_s)
    with av.open(str(tmp_path / name)) as container:
        seen = list(container.decode(video=0))
    assert [f.time for f in seen] == pytest.approx(times, abs=0.001)
    # FFmpeg states the angle by which a player turns the picture anticlockwise.
    turns = (seen[0].rotation // 90) % 4
    upright = np.rot90(seen[0].to_ndarray(format="rgb24"), turns)
    assert upright.shape == picture.shape
    for y, x in ((24, 40), (24, 120), (72, 40), (72, 120)):
        np.testing.assert_allclose(upright[y, x].astype(int), picture[y, x].astype(int), atol=14)
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_a_broken_clip_leaves_nothing_behind(tmp_path: Path) -> None:
    def write() -> None:
        with ClipWriter(tmp_path / "a.mp4", 64, 48, 30.0) as out:
            out.write(np.zeros((48, 64, 3), np.uint8), 0.0)
            raise RuntimeError("on purpose")

    with pytest.raises(RuntimeError, match="on purpose"):
        write()
    assert list(tmp_path.iterdir()) == []


def test_video_refuses_what_it_cannot_hold(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="even"):
        ClipWriter(tmp_path / "a.mp4", 63, 48, 30.0)
    with pytest.raises(ValueError, match="rotation"):
        ClipWriter(tmp_path / "a.avi", 64, 48, 30.0, VideoOptions(rotation=90))


def test_a_clip_is_written_with_its_truth(tmp_path: Path) -> None:
    truth = make_clip(
        3, tmp_path / "clip.mp4", size=(160, 120), lens_px=6.0, masts=1, duration_s=0.5, fps=20.0,
        variable=False, train=True, codec="h264",
    )  # fmt: skip
    with av.open(str(tmp_path / "clip.mp4")) as container:
        times = [f.time for f in container.decode(video=0)]
    assert truth.motion is not None
    assert times == pytest.approx(truth.motion.time_s, abs=1e-4)
    assert truth.frames == 10
    assert (tmp_path / "clip.truth.json").exists()
