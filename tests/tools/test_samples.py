"""The bundled photos and clips: complete, small, and showing what their truth says."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from mastread.tools.scenes.layers import HeadInfo, Layers, LensLayer, MastInfo
from mastread.tools.scenes.samples_shoot import (
    plan_clip,
    shoot_clip,
    shoot_photo,
)
from mastread.tools.scenes.samples_sound import make_sound
from mastread.tools.scenes.samples_spec import Order, Sample, railway, samples
from mastread.tools.scenes.samples_train import TrainPass, pack_train
from mastread.tools.scenes.trace_plan import read_plan
from mastread.tools.scenes.truth import Truth, read_truth

FOLDER = Path(str(files("mastread.sample_frames")))
PHOTOS = [s for s in samples() if s.kind == "photo"]
CLIPS = [s for s in samples() if s.kind == "video"]

#: Right answers, aspect by aspect. Rule numbers and names: Transportation Safety Board of Canada,
#: backgrounder to investigation R19W0002 (405); Transport Canada rules as listed by OKTH and the
#: Regina railway modellers (411, 415, 422, 427, 439); names of the slow rules: TSB R12T0038 and
#: common practice, no number sourced. What a photo leaves open follows from the same rows.
ANSWERS: dict[tuple[str, bool], tuple[str, ...]] = {
    ("green over red over red", True): ("Clear",),
    ("green over red over red", False): ("Clear",),
    ("green over red", True): ("Clear",),
    ("green", True): ("Clear",),
    ("red over red over green", True): ("Slow to Clear",),
    ("red over red over red", True): ("Stop", "Take or Leave Siding"),
    ("red over red over red", False): ("Stop",),
    ("red over green over red", True): ("Medium to Clear", "Limited to Clear"),
    ("yellow over red over red", True): ("Clear to Stop", "Advance Clear to Stop"),
    ("yellow over red over red", False): ("Clear to Stop",),
    ("red over red over yellow", True): ("Restricting", "Slow to Stop"),
    ("flashing yellow over red over red", False): ("Advance Clear to Stop",),
    ("flashing yellow", False): ("Advance Clear to Stop",),
    ("red over red over flashing yellow", False): ("Slow to Stop",),
    ("red over yellow over red", False): ("Medium to Stop",),
}
#: Aspects whose meaning is withheld altogether, with the reason in the truth.
WITHHELD = {"red", "dark over red over red"}


@cache
def _read(name: str) -> Truth:
    return read_truth(FOLDER / f"{name}.truth.json")


def _truth(sample: Sample) -> Truth:
    return _read(sample.name)


def _photo(sample: Sample) -> Any:
    data = cv2.imread(str(FOLDER / sample.file), cv2.IMREAD_COLOR)
    assert data is not None
    return data[:, :, ::-1].astype(np.float64) / 255.0


def _frames(sample: Sample) -> Iterator[tuple[float, Any]]:
    """Upright frames with their times."""
    turns = 3 if sample.settings.get("rotated") else 0
    with av.open(str(FOLDER / sample.file)) as source:
        for frame in source.decode(video=0):
            assert frame.time is not None
            yield frame.time, np.rot90(frame.to_ndarray(format="rgb24"), turns)


def _disc(picture: Any, x: float, y: float, radius: float) -> Any:
    """Pixels of a disc; radius below 0.7 px is taken as that."""
    h, w = picture.shape[:2]
    r = max(radius, 0.7)
    x0, y0 = max(0, int(x - r)), max(0, int(y - r))
    part = picture[y0 : min(h, int(y + r) + 2), x0 : min(w, int(x + r) + 2)]
    yy, xx = np.mgrid[: part.shape[0], : part.shape[1]]
    return part[np.hypot(xx + x0 - x, yy + y0 - y) <= r]


def _hue_fits(colour: str, rgb: Any) -> bool:
    """Whether light that a lamp added has the order of channels of its colour."""
    red, green, blue = rgb
    if colour == "red":
        return bool(red > 1.3 * green and red > 1.3 * blue)
    if colour == "yellow":
        return bool(red > green * 0.95 and green > 1.05 * blue)
    return bool(green > 1.1 * red)


def test_the_promised_number_of_files_fits_the_promised_size() -> None:
    assert len(PHOTOS) >= 10
    assert len(CLIPS) >= 6
    total = sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file())
    assert total < 16_000_000


def test_every_file_in_the_folder_is_on_the_list() -> None:
    media = {p.name for p in FOLDER.iterdir() if p.suffix in {".jpg", ".png", ".mp4"}}
    assert media == {s.file for s in samples()}
    assert {p.name for p in FOLDER.glob("*.truth.json")} == {
        f"{s.name}.truth.json" for s in samples()
    }


def test_the_page_says_that_everything_is_rendered_and_names_every_file() -> None:
    page = (FOLDER / "README.md").read_text(encoding="utf-8")
    assert "rendered" in page
    assert railway() in page
    for sample in samples():
        assert sample.file in page


@pytest.mark.parametrize("sample", samples(), ids=lambda s: s.name)
def test_truth_agrees_with_the_list_and_lies_in_the_picture(sample: Sample) -> None:
    truth = _truth(sample)
    assert truth.file == sample.file
    assert truth.kind == sample.kind
    assert [truth.width, truth.height] == list(sample.settings["size"])
    assert len(truth.masts) == len(sample.scene.get("masts", ()))
    for mast in truth.masts:
        assert [h.y for h in mast.heads] == sorted(h.y for h in mast.heads)
        for head in mast.spans[0].heads:
            order = sample.orders.get((mast.mast, head.head))
            assert head.colour == (order.colour if order else None)
            assert 0 <= head.x < truth.width
            assert 0 <= head.y < truth.height
            assert head.radius > 2


@pytest.mark.parametrize("sample", samples(), ids=lambda s: s.name)
def test_the_expected_answer_is_that_of_the_book(sample: Sample) -> None:
    truth = _truth(sample)
    expected = list(truth.conditions["expected"])
    spans = [(mast.mast, span.aspect) for mast in truth.masts for span in mast.spans]
    assert [entry["mast"] for entry in expected] == [mast for mast, _ in spans]
    for entry, (_, aspect) in zip(expected, spans, strict=True):
        if aspect in WITHHELD:
            assert "read" not in entry["status"]
            assert entry["most_restrictive"] == "Stop"
            assert entry["why"]
            continue
        names = ANSWERS[aspect, sample.kind == "photo"]
        if len(names) > 1:
            assert entry["status"] == ["ambiguous"]
            assert tuple(entry["possible"]) == names
            assert entry["most_restrictive"] == names[0]
        else:
            assert entry["status"] == ["read"]
            assert entry["name"] == names[0]


@pytest.mark.parametrize("sample", PHOTOS, ids=lambda s: s.name)
def test_lit_lamps_shine_in_their_colour_and_dark_ones_do_not(sample: Sample) -> None:
    picture = _photo(sample)
    assert picture.shape[:2] == (_truth(sample).height, _truth(sample).width)
    for mast in _truth(sample).masts:
        for head in mast.spans[0].heads:
            core = _disc(picture, head.x, head.y, 0.6 * head.radius)
            if head.colour is None:
                assert np.median(core.max(axis=1)) < 0.5
                continue
            assert head.contrast is not None
            assert head.contrast > 0.25
            assert np.median(core.max(axis=1)) > 0.85
            # The core is clipped; the colour is told by the light that spills around it.
            wide = _disc(picture, head.x, head.y, 1.25 * head.radius)
            assert _hue_fits(head.colour, np.mean(wide**2.2, axis=0)), (head, wide.mean(axis=0))


@pytest.mark.parametrize("sample", CLIPS, ids=lambda s: s.name)
def test_clips_keep_their_times_and_their_lamps_follow_their_course(sample: Sample) -> None:
    truth = _truth(sample)
    motion = truth.motion
    assert motion is not None
    lamps = [(m, k, h) for m in truth.masts for k, s in enumerate(m.spans) for h in s.heads]
    curves: list[list[tuple[float, float]]] = [[] for _ in lamps]
    times = []
    for i, (time, picture) in enumerate(_frames(sample)):
        times.append(time)
        assert picture.shape[:2] == (truth.height, truth.width)
        for curve, (mast, k, head) in zip(curves, lamps, strict=True):
            span = mast.spans[k]
            assert span.start_s is not None
            assert span.end_s is not None
            edge = 0.12 if k or len(mast.spans) > 1 else 0.0
            if not span.start_s + edge * bool(k) <= time < span.end_s - edge:
                continue
            if any(a - 0.1 <= time <= b + 0.1 for a, b in mast.hidden):
                continue
            x, y = head.x + motion.dx[i], head.y + motion.dy[i]
            core = _disc(picture, x, y, 0.6 * head.radius)
            curve.append((time, float(core.max(axis=1).mean()) / 255.0))
    np.testing.assert_allclose(times, motion.time_s, atol=1e-4)
    for curve, (_, _, head) in zip(curves, lamps, strict=True):
        level = np.array([v for _, v in curve])
        at = np.array([t for t, _ in curve])
        assert len(level) > 20
        lit = level > (level.min() + level.max()) / 2
        if head.behaviour != "flashing":
            assert np.median(level) > 0.7, head
            assert level.min() > 0.8 * np.median(level), head
            continue
        assert level.max() > 0.85
        assert level.min() < 0.6
        starts = at[1:][lit[1:] & ~lit[:-1]]
        assert len(starts) >= 4
        assert np.mean(np.diff(starts)) == pytest.approx(1.0 / (head.rate_hz or 0), abs=0.03)


def test_clips_cover_codecs_sound_uneven_times_and_rotation() -> None:
    codecs, sounds, uneven, turned = set(), 0, 0, 0
    for sample in CLIPS:
        with av.open(str(FOLDER / sample.file)) as source:
            codecs.add(source.streams.video[0].codec_context.name)
            sounds += bool(source.streams.audio)
            frame = next(source.decode(video=0))
            turned += frame.rotation in (90, -90)
        motion = _truth(sample).motion
        assert motion is not None
        uneven += float(np.ptp(np.diff(motion.time_s))) > 0.002
    assert codecs == {"h264", "hevc"}
    assert sounds >= 2
    assert (uneven, turned) == (1, 1)


def test_the_passing_train_hides_the_mast_for_a_while_only() -> None:
    sample = next(s for s in CLIPS if "train" in s.settings)
    (mast,) = _truth(sample).masts
    assert mast.hidden
    assert mast.hidden[0][0] > 1.5
    assert (_truth(sample).duration_s or 0) - mast.hidden[-1][1] > 1.5


@pytest.mark.parametrize("sample", samples(), ids=lambda s: s.name)
def test_every_scene_can_be_planned_without_blender(sample: Sample) -> None:
    plan = read_plan(sample.name, sample.scene)
    assert plan.size == tuple(sample.scene["size"])
    assert len(plan.masts) == len(sample.scene.get("masts", ()))


def test_a_wrong_key_in_a_scene_is_named() -> None:
    scene = {**PHOTOS[0].scene, "weather": "fine"}
    with pytest.raises(ValueError, match=r"scene somewhere: .*weather"):
        read_plan("somewhere", scene)


def _toy_layers(width: int, height: int) -> Layers:
    """A grey scene with one head of two lenses."""
    yy, xx = np.mgrid[:21, :21]
    light = (np.hypot(xx - 10, yy - 10) <= 5).astype(np.float32)
    lenses = tuple(
        LensLayer(1, 1, k, (colour,), 100.0, 60.0 + 20 * k, 5.0, light, 90, 50 + 20 * k)
        for k, colour in enumerate(("green", "red"), start=1)  # type: ignore[misc]
    )
    mast = MastInfo(1, (90, 60, 110, 120), "high", "inline", (HeadInfo(1, "vertical", 100, 90, 5),))
    return Layers(np.full((height, width, 3), 0.2, np.float32), lenses, (mast,))


def _toy(kind: str, orders: dict[tuple[int, int], Order], **more: Any) -> Sample:
    settings = {"sensor": "slr", "exposure": 1.0, "level": 4.0, "kind": "led", **more}
    return Sample("toy", kind, "", orders, None, (), {}, settings)  # type: ignore[arg-type]


def test_a_photo_of_a_dark_head_has_no_light_and_says_so() -> None:
    layers = _toy_layers(200, 160)
    lit, truth = shoot_photo(_toy("photo", {(1, 1): Order("red", False)}), layers, 1)
    none, dark_truth = shoot_photo(_toy("photo", {}), layers, 1)
    assert truth.masts[0].spans[0].aspect == "red"
    assert truth.masts[0].spans[0].heads[0].y == 100.0
    assert dark_truth.masts[0].spans[0].aspect == "dark"
    assert lit[100, 100].max() - int(none[100, 100].max()) > 60
    assert abs(int(lit[80, 100].max()) - int(none[80, 100].max())) < 60


def test_a_train_hides_lamps_and_the_truth_says_when() -> None:
    layers = _toy_layers(200, 160)
    sample = _toy(
        "video", {(1, 1): Order("red", False)}, fps=25, seconds=1.2, margin=[10, 10], pan_px=0.0
    )
    plan = plan_clip(sample, 3)
    wall = np.zeros((160, 200, 4), np.float32)
    wall[:, :, 3] = 1.0
    train = TrainPass(10, [pack_train(wall)] * 10)
    frames, truth = shoot_clip(sample, layers, plan, 3, train)
    peak = np.array([frame[60:120, 60:120].max() for frame in frames])
    assert peak[:10].min() > 200
    assert peak[11:19].max() < 60
    assert peak[21:].min() > 200
    assert truth.masts[0].hidden == ((pytest.approx(0.4), pytest.approx(0.8)),)


def test_made_sound_has_its_length_and_is_not_clipped() -> None:
    for kind in ("wind", "crickets", "train"):
        wave = make_sound(kind, 0.5, 1)
        assert wave.shape == (22050,)
        assert 0.01 < float(np.abs(wave).max()) < 0.95
    with pytest.raises(ValueError, match="known are wind"):
        make_sound("thunder", 0.5, 1)
