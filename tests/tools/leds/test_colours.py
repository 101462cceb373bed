"""Colours of lamps of known spectra through known cameras; the full table is `accuracy`'s."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from mastread.tools.leds import accuracy, verdict
from mastread.tools.leds import bench_scene as scene
from mastread.tools.leds.answer import CHI2_95, Answer, answer_of, region_of
from mastread.tools.leds.estimate import Tint, lights_of
from mastread.tools.leds.learn import leds_at
from mastread.tools.leds.profile import Profile, ProfileError, Tone, read_profile, write_profile
from mastread.tools.leds.sample import sample_lamp
from mastread.tools.leds.sensors import Balance, Eye, prior_eye, published
from mastread.tools.leds.spectra import WAVELENGTHS, xy_of

DAYLIGHT = Balance("D65", (1.0, 1.0, 1.0), 0.02)


def eye_of_one(name: str) -> Eye:
    """A camera that is known nearly perfectly."""
    curves = published()[name]
    return Eye(curves, np.full((*curves.shape, 1), 1e-6))


@pytest.mark.parametrize("peak", [470, 505, 525, 572, 592, 607])
def test_a_perfectly_known_camera_reads_wavelengths(peak: int) -> None:
    eye = eye_of_one("Nikon 5100 (NPL)")
    power = leds_at(float(peak), 0.3)[0]
    rgb = eye.predict(power[None])[0][0]
    rgb = rgb / rgb.max()
    tint = Tint(rgb, np.eye(3) * 0.0012**2, np.zeros(3, bool))
    answer = answer_of(lights_of(tint, eye))
    assert answer.dominant_nm is not None
    assert answer.dominant_nm.value == pytest.approx(peak, abs=3.5)
    assert answer.holds(xy_of(power)).all()


def test_the_same_picture_gives_the_same_answer() -> None:
    eye = prior_eye("developed", DAYLIGHT)
    tint = Tint(np.array([0.1, 1.0, 0.5]), np.eye(3) * 1e-5, np.zeros(3, bool))
    first, second = (answer_of(lights_of(tint, eye)) for _ in range(2))
    assert first.xy == pytest.approx(second.xy, abs=0)
    assert first.covariance == pytest.approx(second.covariance, abs=0)


def test_less_knowledge_never_makes_a_region_much_smaller() -> None:
    tint = Tint(np.array([1.0, 0.3, 0.05]), np.eye(3) * 0.003**2, np.zeros(3, bool))
    areas = []
    for sd in (0.02, 0.3):
        answer = answer_of(lights_of(tint, prior_eye("developed", Balance("D65", (1, 1, 1), sd))))
        areas.append(np.sqrt(np.linalg.det(answer.covariance)))
    known = answer_of(lights_of(tint, eye_of_one("cie")))
    assert np.sqrt(np.linalg.det(known.covariance)) < 0.5 * areas[0]
    assert areas[1] > 0.9 * areas[0]


def test_a_channel_cut_off_at_zero_leaves_red_a_range() -> None:
    eye = prior_eye("developed", DAYLIGHT)
    tint = Tint(np.array([1.0, 0.002, 0.002]), np.eye(3) * 1e-6, np.array([False, True, True]))
    nm = answer_of(lights_of(tint, eye)).dominant_nm
    assert nm is not None
    assert not nm.sure
    assert nm.low < 620 < nm.high


def test_the_ellipse_of_a_plain_cloud_holds_95_of_100() -> None:
    rng = np.random.default_rng(20030)
    cloud = rng.multivariate_normal([0.3, 0.5], [[4e-4, 1e-4], [1e-4, 2e-4]], 20000)
    centre, covariance = region_of(cloud, np.full(20000, 1 / 20000))
    apart = cloud - centre
    inside = np.einsum("ni,ij,nj->n", apart, np.linalg.inv(covariance), apart) <= CHI2_95
    assert inside.mean() == pytest.approx(0.95, abs=0.005)


@pytest.mark.parametrize("form", ["raw", "developed"])
def test_shares_of_the_channels_come_out_of_a_picture(form: str) -> None:
    rig = scene.rig_of_published("Nikon 5100 (NPL)", "raw" if form == "raw" else "developed", ())
    rng = np.random.default_rng(20031)
    made = [m for m in scene.made_lamps(rng) if m.kind == "gaussian"][::4]
    picture, places = scene.lamp_board(rig, made, rng, room=0.1)
    frame = scene.photograph(rig, picture, rng)
    matrix = np.eye(3) if form == "raw" else rig.camera.sensor.to_srgb
    for lamp, (x, y, radius) in zip(made, places, strict=True):
        truth = matrix @ (rig.camera.sensor.sensitivity @ lamp.power)
        truth = truth / truth.max()
        tint = sample_lamp(frame, x, y, radius, linear=form == "raw", tone_known=True).tint
        assert tint is not None
        error = np.sqrt(np.diag(tint.covariance))
        # Channels below zero survive, because the ground is not black.
        assert (np.abs(tint.rgb - truth)[~tint.cut] < 4.0 * error[~tint.cut] + 2e-3).all()


def test_a_calibrated_camera_keeps_its_promise(tmp_path: Path) -> None:
    rig = scene.random_rig(np.random.default_rng(20032), "raw")
    rng = np.random.default_rng(20033)
    profile = accuracy.profile_of(rig, rng, accuracy.KNOWN_NM, 0.08)
    assert profile.fit["chart"]["patches"] >= 22
    assert profile.fit["chart"]["rms_share_of_white"] < 0.02
    write_profile(profile, tmp_path / "camera.json")
    again = read_profile(tmp_path / "camera.json")
    assert again.eye.mean == pytest.approx(profile.eye.mean, abs=1e-6)
    rows = accuracy.rows_of(rig, rng, again.eye, again, 0.08)
    told = [row for row in rows if row.answer is not None]
    assert len(told) == 54
    # One camera's errors go together, so its own share varies; the table pools many cameras.
    assert np.mean([row.covered for row in told]) > 0.8
    stated = [abs(m) for row in told if row.stated and (m := row.miss_nm) is not None]
    assert len(stated) >= 10
    assert np.mean(np.array(stated) <= 3.0) >= 0.9


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"format": "mastread-camera", "version": 9}', "no json"],
)
def test_what_is_no_profile_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(text)
    with pytest.raises(ProfileError, match="camera profile"):
        read_profile(path)
    with pytest.raises(ProfileError, match="cannot be read"):
        read_profile(tmp_path / "none.json")


def test_a_tone_curve_is_undone() -> None:
    assert Tone(1.3, 0.05).straight(np.array([1.0, 1e-6])) == pytest.approx([1.0, 1e-6])
    assert Tone(2.0, 0.0).straight(np.array([0.5])) == pytest.approx([0.25])


def test_a_profile_stays_small_and_plain(tmp_path: Path) -> None:
    eye = prior_eye("raw", DAYLIGHT)
    write_profile(Profile("a", "raw", eye, Tone(), ("x",)), tmp_path / "p.json")
    assert (tmp_path / "p.json").stat().st_size < 400_000
    assert len(WAVELENGTHS) == read_profile(tmp_path / "p.json").eye.mean.shape[1]


def lamp_at(xy: tuple[float, float]) -> tuple[Answer, verdict.Lights]:
    """A lamp whose colour is known without error."""
    point = np.array([[xy[0], xy[1], 1 - xy[0] - xy[1]]])
    lights = verdict.Lights(np.ones((1, 1)), point, np.ones(1), np.ones(1))
    return answer_of(lights), lights


# Families of LEDs and what each fails: colour.md's computed table of LED chromaticities.
@pytest.mark.parametrize(
    ("xy", "meant", "words"),
    [
        ((0.4595, 0.5390), "green", ["too yellow for signal green", "500-510 nm"]),
        ((0.1710, 0.7122), "green", ["520-530"]),
        ((0.0721, 0.3679), "green", ["too blue"]),
        ((0.6514, 0.3482), "yellow", ["too red for signal yellow"]),
        ((0.5414, 0.4578), "yellow", ["too green for signal yellow"]),
        ((0.4600, 0.4110), "yellow", ["too pale"]),
        ((0.6514, 0.3482), "red", ["too orange"]),
        ((0.5500, 0.3300), "red", ["too pale"]),
        ((0.4480, 0.4075), "lunar", ["too warm for lunar"]),
        ((0.0780, 0.5453), "green", []),
        ((0.5806, 0.4188), "yellow", []),
        ((0.7000, 0.2990), "red", []),
    ],
)
def test_advice_fits_the_family(xy: tuple[float, float], meant: str, words: list[str]) -> None:
    answer, lights = lamp_at(xy)
    advice = verdict.advice_for(meant, answer, verdict.findings_of(meant, lights, answer))
    assert all(word in advice for word in words), advice
    assert bool(advice) == bool(words), advice


@pytest.mark.parametrize(
    ("xy", "colour"),
    [((0.4595, 0.5390), "green"), ((0.0780, 0.5453), "green"), ((0.5806, 0.4188), "yellow"),
     ((0.7, 0.299), "red"), ((0.1261, 0.0742), "blue"), ((0.32, 0.33), "lunar"),
     ((0.44, 0.405), "white")],
)  # fmt: skip
def test_a_lamp_is_taken_for_the_colour_it_is_meant_for(
    xy: tuple[float, float], colour: str
) -> None:
    answer, lights = lamp_at(xy)
    assert verdict.colour_of(answer, lights) == colour


def test_the_benchmark_prints_its_table() -> None:
    result = CliRunner().invoke(accuracy.main, ["--help"], catch_exceptions=False)
    assert "--seeds" in result.output
    lamps = scene.made_lamps(np.random.default_rng(0))
    assert len(lamps) >= 40
    rows = [accuracy.Row(lamp, None) for lamp in lamps]
    assert "0 of   54" in accuracy.line("x", rows)
    narrow = [lamp.dominant_nm for lamp in lamps if np.isfinite(lamp.dominant_nm)]
    assert min(narrow) < 475
    assert max(narrow) > 630
    assert {lamp.kind for lamp in lamps} == {"gaussian", "skewed", "white", "lunar"}
