"""The layers, the truth and the time courses of made scenes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from mastread.tools.scenes import course
from mastread.tools.scenes import optics as opt
from mastread.tools.scenes.__main__ import main, parse_seeds
from mastread.tools.scenes.clip_plan import plan_clip
from mastread.tools.scenes.film import frames, home_move, raw_frame, shrink
from mastread.tools.scenes.heads import draw_head, random_style, spots
from mastread.tools.scenes.ink import Ink
from mastread.tools.scenes.layers import LensLayer, combine, load_layers, save_layers, shift
from mastread.tools.scenes.layout import MastPlan
from mastread.tools.scenes.make import CHOOSING, REPORTING, TUNING, make_photo, write_photo
from mastread.tools.scenes.painter import lens_centroid, paint, sheet_scale
from mastread.tools.scenes.setup import HeadShow, parse_aspect
from mastread.tools.scenes.still import encode_still
from mastread.tools.scenes.truth import read_truth, words

#: Truth must say where a lamp is to this many pixels.
PLACE_PX = 0.2
SMALL = {"size": (320, 240), "lens_px": 8.0}


def _bare_lens(radius: float, x: float, y: float) -> LensLayer:
    """A searchlight lens without hood, whose light is even by symmetry."""
    rng = np.random.default_rng(3)
    style = replace(random_style(rng, "searchlight", (0.02, 0.02, 0.02)), hood=0.0)
    ink = Ink(0, 0, 140, 140, sheet_scale(radius))
    heads = spots(style, ("red", "green"))
    return draw_head(ink, x, y, radius, style, heads, 1, 1, 0.0)[0]


@pytest.mark.parametrize("radius", [1.0, 2.3, 7.7, 21.0])
def test_light_of_a_lens_lies_round_its_stated_centre(radius: float) -> None:
    lens = _bare_lens(radius, 70.3, 65.8)
    x, y = lens_centroid(lens.light)
    assert x + lens.x0 == pytest.approx(70.3, abs=0.03)
    assert y + lens.y0 == pytest.approx(65.8, abs=0.03)


@pytest.mark.parametrize("radius", [1.0, 2.3, 7.7, 21.0])
def test_light_of_a_lens_is_its_area(radius: float) -> None:
    lens = _bare_lens(radius, 70.3, 65.8)
    assert float(lens.light.sum()) == pytest.approx(np.pi * radius**2, rel=0.02)


def test_optics_move_no_light_and_lose_none() -> None:
    lens = _bare_lens(3.0, 70.3, 65.8)
    optics = opt.Optics(sigma_px=0.8, defocus_px=1.5, veil=0.05, veil_power=2.5)
    glow = opt.lens_glow(lens, optics, strength=1000.0)
    picture = np.zeros((420, 440, 3), np.float32)
    opt.add_glow(picture, replace(glow, x0=glow.x0 + 140, y0=glow.y0 + 130), (1.0, 0.5, 0.0))
    x, y = lens_centroid(picture[:, :, 0])
    assert (x - 140, y - 130) == pytest.approx((70.3, 65.8), abs=0.05)
    assert float(picture[:, :, 0].sum()) == pytest.approx(float(lens.light.sum()), rel=0.02)
    assert float(picture[:, :, 1].sum()) == pytest.approx(0.5 * float(picture[:, :, 0].sum()))


def test_a_glow_moves_by_a_fraction_of_a_pixel() -> None:
    lens = _bare_lens(3.0, 70.3, 65.8)
    glow = opt.lens_glow(lens, opt.Optics(veil=0.0), strength=1.0)
    picture = np.zeros((140, 140, 3), np.float32)
    opt.add_glow(picture, glow, (1.0, 1.0, 1.0), dx=3.37, dy=-5.81)
    x, y = lens_centroid(picture[:, :, 0])
    assert (x, y) == pytest.approx((70.3 + 3.37, 65.8 - 5.81), abs=0.05)


def test_light_is_additive() -> None:
    plan = MastPlan(
        "high", "inline", ("vertical", "searchlight"), (("green", "red"), ("yellow", "red"))
    )
    layers = paint(np.random.default_rng(5), 200, 160, "overcast", [plan], 6.0)
    lit = [(lens, (0.3 * i, 1.0, 0.1)) for i, lens in enumerate(layers.lenses, start=1)]
    whole = combine(layers, lit)
    parts = layers.surround + sum(combine(layers, [one]) - layers.surround for one in lit)
    assert len(lit) == 3
    np.testing.assert_allclose(whole, parts, atol=1e-5)
    assert float((whole - layers.surround).max()) > 0.5


def test_layers_survive_their_file(tmp_path: Path) -> None:
    plan = MastPlan("high", "staggered", ("cluster",) * 2, (("green",), ("red",)), ("A",))
    layers = paint(np.random.default_rng(6), 120, 100, "night", [plan], 3.0)
    save_layers(layers, tmp_path / "scene.npz")
    again = load_layers(tmp_path / "scene.npz")
    assert again.masts == layers.masts
    assert again.distractors == layers.distractors
    assert dict(again.conditions) == dict(layers.conditions)
    np.testing.assert_array_equal(again.surround, layers.surround)
    for a, b in zip(again.lenses, layers.lenses, strict=True):
        assert (a.mast, a.head, a.colours, a.x, a.y, a.x0) == (
            b.mast, b.head, b.colours, b.x, b.y, b.x0,
        )  # fmt: skip
        np.testing.assert_array_equal(a.light, b.light)


def test_layers_of_another_kind_are_refused(tmp_path: Path) -> None:
    (tmp_path / "other.json").write_text('{"format": "something", "version": 1}')
    with pytest.raises(ValueError, match=r"other\.json"):
        load_layers(tmp_path / "other.npz")


def test_a_window_moves_everything_alike() -> None:
    plan = MastPlan("high", "inline", ("searchlight",), (("red",),))
    layers = paint(np.random.default_rng(7), 120, 100, "sun", [plan], 4.0)
    part = shift(layers, 7, 5, 100, 90)
    whole = combine(layers, [(layers.lenses[0], (1, 1, 1))])[5:95, 7:107]
    np.testing.assert_array_equal(combine(part, [(part.lenses[0], (1, 1, 1))]), whole)
    assert part.masts[0].heads[0].x == pytest.approx(layers.masts[0].heads[0].x - 7)
    with pytest.raises(ValueError, match="leaves the scene"):
        shift(layers, 30, 5, 100, 90)


@pytest.mark.parametrize("zoom", [1.0, 1.6])
def test_every_frame_shows_the_lamp_where_the_truth_says(zoom: float) -> None:
    clip = plan_clip(
        11,
        {
            **SMALL, "masts": 1, "aspect": "red", "shake_px": 9.0, "zoom": zoom, "pan_px": 12.0,
            "duration_s": 1.0, "fps": 10.0, "variable": False, "train": False, "type": "cluster",
        },
    )  # fmt: skip
    motion = clip.truth.motion
    assert motion is not None
    source = next(s for s in clip.sources if s.light.max() > 0.5)
    offset_x, offset_y = lens_centroid(source.lens.light)
    home = np.array([source.lens.x0 + offset_x, source.lens.y0 + offset_y])
    middle = np.array([(clip.width - 1) / 2.0, (clip.height - 1) / 2.0])
    dark = replace(clip, sources=())
    sharp = replace(
        clip,
        sources=(
            replace(source, glow=opt.Glow(source.lens.light, source.lens.x0, source.lens.y0)),
        ),
    )
    assert max(np.ptp(motion.dx), np.ptp(motion.dy)) > 4.0
    for i in range(len(clip.times)):
        shown = raw_frame(sharp, i) - raw_frame(dark, i)
        x, y = lens_centroid(shown.sum(axis=2))
        move = np.array([motion.dx[i], motion.dy[i]])
        expected = middle + motion.zoom[i] * (home - middle) + move
        assert (x, y) == pytest.approx(tuple(expected), abs=PLACE_PX)
        # The hood hides part of the lens; the lens itself is within that of the light.
        lens_at = middle + motion.zoom[i] * (np.array([source.lens.x, source.lens.y]) - middle)
        assert np.hypot(*(expected - lens_at - move)) < source.lens.radius_px * zoom


@pytest.mark.parametrize(("kind", "rate"), [("led", 0.75), ("filament", 1.3)])
def test_rendered_frames_flash_at_the_true_rate(kind: str, rate: float) -> None:
    clip = plan_clip(
        23,
        {
            "size": (160, 120), "lens_px": 6.0, "masts": 1, "aspect": "flashing red over red",
            "rate_hz": rate, "duration_s": 8.0, "fps": 15.0, "variable": False, "train": False,
            "shake_px": 0.0, "pan_px": 0.0, "zoom": 1.0, "drift": 0.0, "lamp": kind,
        },
    )  # fmt: skip
    head = clip.truth.masts[0].spans[0].heads[0]
    assert (head.behaviour, head.rate_hz) == ("flashing", rate)
    x, y = round(head.x), round(head.y)
    curve = np.array([raw_frame(clip, i)[y, x].max() for i in range(len(clip.times))])
    # Discrete Fourier transform at the rates around the true one; the peak must be there.
    rates = np.linspace(0.5, 1.6, 441)
    waves = np.exp(-2j * np.pi * rates[:, None] * clip.times[None, :])
    power = np.abs(waves @ (curve - curve.mean()))
    assert rates[power.argmax()] == pytest.approx(rate, rel=0.02)
    assert curve.max() > 1.3 * curve.min()


def test_a_change_of_aspect_happens_when_the_truth_says() -> None:
    clip = plan_clip(
        31,
        {
            "size": (160, 120), "lens_px": 8.0, "masts": 1, "aspects": ["red", "green"],
            "duration_s": 4.0, "fps": 30.0, "variable": False, "train": False, "shake_px": 0.0,
            "pan_px": 0.0, "zoom": 1.0, "lamp": "led", "type": "cluster",
        },
    )  # fmt: skip
    spans = clip.truth.masts[0].spans
    assert [s.aspect for s in spans] == ["red", "green"]
    assert spans[0].end_s == spans[1].start_s
    assert spans[1].end_s == pytest.approx(4.0)
    red, green = clip.sources[0].light, clip.sources[1].light
    change = float(spans[1].start_s or 0.0)
    # A changeover may take up to 0.6 s (course), half on each side; lamps need 0.2 s to settle.
    before, after = clip.times < change - 0.35, clip.times > change + 0.55
    assert red[before].min() > 0.2 > 0.01 > green[before].max()
    assert green[after].min() > 0.2 > 0.01 > red[after].max()


def test_a_shutter_gathers_the_mean_light() -> None:
    light = np.zeros(8000)
    light[4000:] = 1.0
    times = np.array([0.5, 0.95, 0.99, 1.2])
    seen = course.through_shutter(light, times, 0.1)
    np.testing.assert_allclose(seen, [0.0, 0.5, 0.9, 1.0], atol=0.01)


def test_led_edges_are_faster_than_filament_edges() -> None:
    show = [course.Show(0.0, "red", 1.0, 0.5, 0.0)]
    led = course.light_of(show, course.Lamp("led", 0.0, 0.0), course.Changeover(), 2.0)["red"]
    wire = course.light_of(show, course.Lamp("filament", 0.1, 0.1), course.Changeover(), 2.0)["red"]
    at = int(1.05 * course.GRID_HZ)
    assert led[at] == 1.0
    assert 0.02 < wire[at] < 0.5
    assert led.mean() == pytest.approx(0.5, abs=0.01)


def test_a_vane_swings_past_red() -> None:
    shows = [course.Show(0.0, "green"), course.Show(1.0, "yellow")]
    change = course.Changeover(0.2, "red", 0.2)
    lights = course.light_of(shows, course.Lamp("led", 0.0, 0.0), change, 2.0)
    grid = np.arange(len(lights["red"])) / course.GRID_HZ
    assert grid[lights["red"] > 0.5][[0, -1]] == pytest.approx([0.9, 1.1], abs=0.01)
    assert grid[lights["green"] > 0.5][-1] == pytest.approx(0.8, abs=0.01)
    assert grid[lights["yellow"] > 0.5][0] == pytest.approx(1.2, abs=0.01)


def test_a_seed_is_a_scene() -> None:
    first, truth = make_photo(41, **SMALL)
    again, same = make_photo(41, **SMALL)
    other, _ = make_photo(42, **SMALL)
    np.testing.assert_array_equal(first, again)
    assert truth == same
    assert not np.array_equal(first, other)


def test_a_seed_is_a_clip() -> None:
    settled = {"size": (160, 120), "lens_px": 6.0, "duration_s": 0.3}
    a = [rgb for _, rgb in frames(plan_clip(43, settled))]
    b = [rgb for _, rgb in frames(plan_clip(43, settled))]
    np.testing.assert_array_equal(np.stack(a), np.stack(b))


def test_the_lamp_of_a_photo_is_where_the_truth_says() -> None:
    settled = {
        **SMALL, "masts": 1, "type": "searchlight", "noise": False, "light": "overcast",
        "level": 1.5,
    }  # fmt: skip
    lit, truth = make_photo(47, aspect="green", **settled)
    dark, _ = make_photo(47, aspect="dark", **settled)
    head = truth.masts[0].spans[0].heads[0]
    assert (head.colour, head.lit_now) == ("green", True)
    assert head.contrast is not None
    assert head.contrast > 0.1
    reach = 2 * round(head.radius)
    y0, x0 = round(head.y) - reach, round(head.x) - reach
    box = (slice(y0, round(head.y) + reach + 1), slice(x0, round(head.x) + reach + 1))
    gain = np.clip(lit[box].astype(float) - dark[box].astype(float), 0, None).sum(axis=2)
    x, y = lens_centroid(gain.astype(np.float32))
    assert np.hypot(x + x0 - head.x, y + y0 - head.y) < 0.7 * head.radius


def test_truth_survives_its_file(tmp_path: Path) -> None:
    truth = write_photo(53, tmp_path, **SMALL, masts=2, suffix=".png")
    path = tmp_path / "photo-00053.truth.json"
    page = json.loads(path.read_text())
    assert (page["format"], page["version"], page["rulebook"]) == ("mastread-truth", 1, "cror")
    again = read_truth(path)
    assert again.file == "photo-00053.png"
    assert (tmp_path / again.file).exists()
    assert [m.spans[0].aspect for m in again.masts] == [m.spans[0].aspect for m in truth.masts]
    assert again.masts[0].heads[0].x == pytest.approx(truth.masts[0].heads[0].x, abs=1e-5)
    assert [m.mast for m in again.masts] == [1, 2]
    assert again.masts[0].heads[0].x < again.masts[1].heads[0].x


def test_truth_of_another_kind_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text('{"format": "mastread-truth", "version": 99}')
    with pytest.raises(ValueError, match=r"x\.json"):
        read_truth(path)


def test_scenes_without_signals_have_no_mast() -> None:
    _, truth = make_photo(59, size=(160, 120), masts=0)
    assert truth.masts == ()


def test_aspects_are_read_and_written_in_words() -> None:
    heads = parse_aspect("flashing yellow over dark over red")
    assert heads == (HeadShow("yellow", True), HeadShow(None), HeadShow("red"))
    _, truth = make_photo(61, **SMALL, masts=1, aspect="flashing yellow over dark over red")
    span = truth.masts[0].spans[0]
    assert span.aspect == "flashing yellow over dark over red" == words(span.heads)
    assert [h.behaviour for h in span.heads] == ["flashing", "dark", "steady"]
    with pytest.raises(ValueError, match="purple"):
        parse_aspect("red over purple")


def test_sets_of_seeds_are_disjoint() -> None:
    assert not set(TUNING) & set(CHOOSING)
    assert not set(CHOOSING) & set(REPORTING)
    assert not set(TUNING) & set(REPORTING)
    assert parse_seeds("reporting:3") == range(20_000, 20_003)
    assert parse_seeds("4:9") == range(4, 9)


def test_the_command_writes_pictures_and_truth(tmp_path: Path) -> None:
    out = tmp_path / "set"
    run = CliRunner().invoke(main, ["photos", "--seeds", "1:2", "--out", str(out)])
    assert run.exit_code == 0, run.output
    assert len(list(out.iterdir())) == 2
    run = CliRunner().invoke(main, ["photos", "--seeds", "one", "--out", str(out)])
    assert run.exit_code == 2
    assert "A:B" in run.output


@pytest.mark.parametrize("zoom", [1.0, 0.73, 0.31, 0.12])
def test_shrinking_keeps_places_and_light(zoom: float) -> None:
    picture = np.zeros((160, 200), np.float32)
    picture[60:75, 90:101] = 1.0
    x, y = lens_centroid(picture)
    small = shrink(picture, zoom, 3.3, 5.7, (220, 180))
    expected = (zoom * x + 3.3, zoom * y + 5.7)
    # OpenCV places samples to 1/32 of a pixel, and a hard edge adds to that.
    assert lens_centroid(small) == pytest.approx(expected, abs=0.12)
    assert float(small.sum()) == pytest.approx(float(picture.sum()) * zoom**2, rel=0.08)


def test_a_mast_comes_nearer_as_the_truth_says() -> None:
    clip = plan_clip(
        71,
        {
            "size": (320, 240), "lens_px": 16.0, "masts": 1, "aspect": "green", "approach": 6.0,
            "duration_s": 1.0, "fps": 8.0, "variable": False, "shake_px": 0.0, "drift": 0.0,
            "light": "overcast", "type": "cluster", "falling": False,
        },
    )  # fmt: skip
    motion = clip.truth.motion
    assert motion is not None
    assert motion.zoom[-1] / motion.zoom[0] == pytest.approx(6.0)
    dark = replace(clip, sources=())
    source = next(s for s in clip.sources if s.light.max() > 0.5)
    lx, ly = lens_centroid(source.lens.light)
    for i in range(len(clip.times)):
        zoom, tx, ty = home_move(clip, i)
        shown = (raw_frame(clip, i) - raw_frame(dark, i)).max(axis=2)
        # Near the lens only: the veil is cut by the edge of the picture.
        x, y = zoom * (source.lens.x0 + lx) + tx, zoom * (source.lens.y0 + ly) + ty
        r = int(np.ceil(zoom * 8.0)) + 4
        x0, y0 = round(x) - r, round(y) - r
        crop = shown[y0 : y0 + 2 * r + 1, x0 : x0 + 2 * r + 1]
        cx, cy = lens_centroid(crop - crop.min())
        assert (cx + x0, cy + y0) == pytest.approx((x, y), abs=PLACE_PX)


def test_a_pan_away_is_told() -> None:
    clip = plan_clip(
        73,
        {
            "size": (160, 120), "lens_px": 6.0, "masts": 1, "aspect": "red", "leave": True,
            "duration_s": 3.0, "fps": 10.0, "variable": False, "zoom": 1.0, "train": False,
        },
    )  # fmt: skip
    ((start, end),) = clip.truth.masts[0].hidden
    dark = replace(clip, sources=())
    full = float(clip.sources[0].raw.max())
    for i, time_s in enumerate(clip.times):
        gain = float((raw_frame(clip, i) - raw_frame(dark, i)).max())
        if start + 0.3 < time_s < end - 0.4:
            assert gain < 0.05 * full
        elif time_s < start or time_s > end:
            assert gain > 0.2 * full
    assert end - start > 1.0


def test_a_train_hides_the_lamp_while_the_truth_says() -> None:
    clip = plan_clip(
        79,
        {
            "size": (320, 240), "lens_px": 8.0, "masts": 1, "aspect": "green", "train": True,
            "duration_s": 5.0, "fps": 6.0, "variable": False, "zoom": 1.0, "shake_px": 0.0,
            "pan_px": 0.0, "light": "overcast", "busy": False, "falling": False,
        },
    )  # fmt: skip
    assert clip.train is not None
    hidden = clip.truth.masts[0].hidden
    assert hidden
    lens = clip.sources[0].lens
    for i, time_s in enumerate(clip.times):
        if not any(a - 0.5 < time_s < b + 0.5 for a, b in hidden):
            assert clip.train.seen(lens, i) == 1.0
    dark = replace(clip, sources=())
    x, y = round(lens.x), round(lens.y)
    behind = [i for i in range(len(clip.times)) if clip.train.seen(lens, i) == 0.0]
    assert behind
    for i in behind:
        assert float((raw_frame(clip, i) - raw_frame(dark, i))[y, x].max()) == 0.0


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_turned_photo_comes_back_upright(orientation: int) -> None:
    # OpenCV's reader obeys the EXIF orientation; it is an independent implementation of it.
    picture = np.zeros((48, 80, 3), np.uint8)
    picture[:24, :40] = (220, 40, 40)
    picture[24:, 40:] = (40, 60, 220)
    data = encode_still(picture, ".jpg", 95, True, orientation)
    seen = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert seen is not None
    assert seen.shape == picture.shape
    np.testing.assert_allclose(seen[:, :, ::-1].astype(int)[::8, ::8], picture[::8, ::8], atol=25)


def test_lamps_of_a_position_light_shine_together() -> None:
    plan = MastPlan("high", "inline", ("position",), (("yellow", "red"),))
    layers = paint(np.random.default_rng(8), 160, 120, "overcast", [plan], 5.0)
    lens = layers.lens(1, 1, "red")
    assert len(lens.spots) in (2, 3)
    for x, y in lens.spots:
        assert lens.light[round(y) - lens.y0, round(x) - lens.x0] > 0.3
    assert np.mean(lens.spots, axis=0) == pytest.approx((lens.x, lens.y))


def test_a_photo_made_smaller_keeps_its_truth() -> None:
    settled = {
        **SMALL, "masts": 1, "type": "cluster", "noise": False, "light": "overcast", "level": 1.5,
        "falling": False, "resample": 1.6,
    }  # fmt: skip
    lit, truth = make_photo(83, aspect="green", **settled)
    dark, _ = make_photo(83, aspect="dark", **settled)
    assert lit.shape == (240, 320, 3)
    assert (truth.width, truth.height, truth.conditions["resampled"]) == (320, 240, 1.6)
    head = truth.masts[0].spans[0].heads[0]
    assert head.radius <= 4.01
    x0, y0 = round(head.x) - 8, round(head.y) - 8
    box = (slice(y0, y0 + 17), slice(x0, x0 + 17))
    gain = np.clip(lit[box].astype(float) - dark[box].astype(float), 0, None).sum(axis=2)
    x, y = lens_centroid(gain.astype(np.float32))
    assert np.hypot(x + x0 - head.x, y + y0 - head.y) < 0.7 * head.radius


def test_a_stutter_repeats_frames() -> None:
    settled = {
        "size": (160, 120), "lens_px": 6.0, "duration_s": 2.0, "fps": 30.0, "variable": False,
        "stutter": True, "noise": False, "shake_px": 8.0, "approach": 1.0, "leave": False,
        "falling": False,
    }  # fmt: skip
    clip = plan_clip(89, settled)
    motion = clip.truth.motion
    assert motion is not None
    same = [i for i in range(1, len(clip.times)) if motion.dx[i] == motion.dx[i - 1]]
    assert same
    np.testing.assert_array_equal(raw_frame(clip, same[0]), raw_frame(clip, same[0] - 1))
    assert np.all(np.diff(clip.times) > 0)


def test_the_sheet_command_writes_a_picture(tmp_path: Path) -> None:
    out = tmp_path / "sheet.png"
    run = CliRunner().invoke(main, ["sheet", "--seeds", "1:3", "--out", str(out)])
    assert run.exit_code == 0, run.output
    picture = cv2.imread(str(out))
    assert picture is not None
    assert picture.shape == (380, 4 * 480, 3)
    run = CliRunner().invoke(main, ["sheet", "--seeds", "1:2", "--out", str(out / "no" / "x.png")])
    assert run.exit_code == 1
    assert "cannot be written" in run.output


def test_a_wet_ground_mirrors_a_lens_as_far_below_as_it_is_above() -> None:
    lens = _bare_lens(4.0, 70.3, 65.8)
    glow = opt.mirror_glow(lens, row=90.0, stretch=3.0, share=0.1)
    x, y = lens_centroid(glow.light)
    assert (x + glow.x0, y + glow.y0) == pytest.approx((70.3, 2 * 90.0 - 65.8), abs=0.51)
    assert float(glow.light.max()) == pytest.approx(0.1, rel=1e-3)
