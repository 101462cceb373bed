"""Unfit pictures get the refusal that fits, and the checklist that cures it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from led_pictures import CUSTOM_RENDERED, WHITE_BALANCE, lamp_picture
from numpy.typing import NDArray

from mastread.tools.leds.document import Document, check
from mastread.tools.leds.look import Told, look_at
from mastread.tools.leds.profile import Profile, Tone
from mastread.tools.leds.sensors import Balance, prior_eye
from mastread.tools.leds.settings import data_file, settings
from mastread.vision.types import Hints

Light = NDArray[np.float64]
Save = Callable[..., Path]


def judged(
    path: Path, at: tuple[float, float] = (80, 80), profile: Profile | None = None
) -> Document:
    return check(look_at(path, [Told(*at, "green")], Hints(), profile), profile, None)


def keys(document: Document) -> set[str]:
    return {*document["refused"], *document["lamps"][0]["refused"]}


def two_coloured() -> Light:
    light = lamp_picture((0.6, 0.05, 0.02))
    light[:, 80:] = lamp_picture((0.05, 0.6, 0.05))[:, 80:]
    return light


def smeared() -> Light:
    return cv2.blur(lamp_picture(radius=6), (45, 1))


CASES: dict[str, tuple[Callable[[], Light], dict[str, Any], tuple[float, float]]] = {
    "grey": (lamp_picture, {"grey": True}, (80, 80)),
    "balance": (lamp_picture, {"exif": {WHITE_BALANCE: 0}}, (80, 80)),
    "merged": (lamp_picture, {"exif": {CUSTOM_RENDERED: 3}}, (80, 80)),
    "compressed": (lamp_picture, {"quality": 25}, (80, 80)),
    "border": (lambda: lamp_picture(at=(6, 80)), {}, (6, 80)),
    "small": (lambda: lamp_picture(radius=1.6, blur=0.5), {}, (80, 80)),
    "faint": (lambda: lamp_picture((0.004, 0.016, 0.008), ground=0.01), {}, (80, 80)),
    "drowned": (lambda: lamp_picture((0.02, 0.13, 0.06), ground=0.5), {}, (80, 80)),
    "clipped": (lambda: lamp_picture((40, 90, 60), blur=0.4), {}, (80, 80)),
    "smeared": (smeared, {}, (80, 80)),
    "uneven": (two_coloured, {}, (76, 80)),
    "no_lamp": (lambda: lamp_picture(at=(40, 40)), {}, (130, 130)),
}


@pytest.mark.parametrize("key", CASES)
def test_an_unfit_picture_gets_its_refusal_and_no_verdict(key: str, save: Save) -> None:
    light, options, at = CASES[key]
    document = judged(save(light(), **options), at)
    lamp = document["lamps"][0]
    assert key in keys(document)
    # One fault, one refusal; a burnt or smeared lamp may have a second, never a third.
    assert len(keys(document)) <= (1 if key in ("balance", "merged", "compressed", "grey") else 2)
    assert lamp["xy"] is None
    assert lamp["limits"] == []
    assert lamp["dominant_nm"] is None
    assert document["reasons"] or lamp["reasons"]
    wanted = settings("checklist")[key]
    assert wanted
    better = data_file("texts.toml")["better"]
    assert all(better[point] in document["better_picture"] for point in wanted)


def test_a_fit_picture_is_judged(save: Save) -> None:
    document = judged(save(lamp_picture()))
    assert keys(document) == set()
    assert document["better_picture"] == []
    assert document["lamps"][0]["xy"] is not None


def test_a_burnt_core_with_a_whole_rim_is_judged(save: Save) -> None:
    document = judged(save(lamp_picture((0.3, 2.2, 1.0), blur=3.0)))
    assert keys(document) == set()
    assert document["lamps"][0]["brightness"]["at_least"]


def test_automatic_balance_is_refused_with_a_profile_and_cured_by_a_neutral_patch(
    save: Save,
) -> None:
    path = save(lamp_picture(), exif={WHITE_BALANCE: 0})
    eye = prior_eye("developed", Balance("D65", (1.0, 1.0, 1.0), 0.02))
    profile = Profile("", "developed", eye, Tone(), ())
    assert keys(judged(path, profile=profile)) == {"profile_balance"}
    looked = look_at(path, [Told(80, 80, None)], Hints(), profile)
    cured = check(looked, profile, Balance("D65", (1.0, 1.0, 1.0), 0.02))
    assert keys(cured) == set()


def test_every_refusal_has_its_sentence_and_its_cure() -> None:
    sentences = set(data_file("texts.toml")["refuse"])
    cures = {key: value for key, value in settings("checklist").items() if key != "order"}
    assert sentences == set(cures)
    assert {p for points in cures.values() for p in points} <= set(settings("checklist")["order"])
    assert set(settings("checklist")["order"]) == set(data_file("texts.toml")["better"])
