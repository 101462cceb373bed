"""Make a camera profile from one picture with known things in it."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.answer import answer_of
from mastread.tools.leds.colorimetry import WHITE, ciede2000, dominant_wavelengths
from mastread.tools.leds.estimate import Tint, lights_of
from mastread.tools.leds.facts import Facts
from mastread.tools.leds.learn import chart_statements, learn, led_statements
from mastread.tools.leds.library import library
from mastread.tools.leds.profile import Profile, Tone
from mastread.tools.leds.sample import mean_of, sample_lamp
from mastread.tools.leds.sensors import Balance, Eye, Form, prior_eye
from mastread.tools.leds.settings import settings
from mastread.tools.leds.spectra import (
    chart_reflectances,
    light_spectrum,
    line,
    unit,
    xy_of,
    xyz_of,
)
from mastread.tools.leds.toned import TonedFrame
from mastread.tools.leds.words import say_led
from mastread.vision.frame import Frame

Floats = NDArray[np.float64]
Patch = tuple[int, int, int, int]

_ROWS, _COLUMNS = 4, 6
#: The neutral row of the chart: white to black.
_NEUTRAL: Final = slice(18, 24)
#: Half-size of what is read of a patch, in patch spacings.
_REACH: Final = 0.22
#: Dominant wavelengths at which the profile's own error is worked out.
_CHECKED_NM: Final = (470, 490, 505, 525, 550, 570, 590, 605, 625)


class CalibrationError(Exception):
    """The picture cannot calibrate a camera; one line that says why and what to do."""


@dataclass(frozen=True, slots=True)
class KnownLed:
    """An LED of known dominant wavelength at a place in the picture."""

    wavelength_nm: float
    x: float
    y: float
    radius: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known in the picture.

    Attributes
    ----------
    chart : middles of the corner patches dark skin, bluish green, black, white; or None
    grey : a neutral patch, or None
    light : name of the light on chart and patch
    """

    light: str = "D65"
    chart: tuple[tuple[float, float], ...] | None = None
    grey: Patch | None = None
    leds: tuple[KnownLed, ...] = ()


def calibrate(
    frame: Frame,
    facts: Facts,
    known: Known,
    form: Form,
    leave_out: tuple[str, ...] = (),
    *,
    expected: bool = True,
) -> Profile:
    """Return the profile of the camera that took the picture.

    Parameters
    ----------
    leave_out : published cameras that must not count (for testing with them)
    expected : also work out how well wavelengths will be read, which takes seconds

    Raises
    ------
    CalibrationError
    """
    tone, patches = Tone(), None
    if known.chart is not None:
        patches = read_chart(frame, known.chart, form)
        if form == "developed":
            tone = fit_tone(patches, known.light)
            frame = TonedFrame(frame, tone)
            patches = read_chart(frame, known.chart, form)
    balance, words = _balance(frame, known, patches)
    eye = prior_eye(form, balance, leave_out)
    fit: dict[str, Any] = {}
    if patches is not None:
        statements = chart_statements(eye, known.light, patches.rgb, patches.usable, patches.noise)
        if len(statements) < 3 * settings("calibration")["least_patches"]:
            raise CalibrationError(say_led("error.chart.clipped"))
        eye = learn(eye, statements)
        fit["chart"] = _chart_fit(eye, known.light, patches)
    tints = [(led, _tint_of(frame, led, form, known.chart is not None)) for led in known.leds]
    before = eye
    # Twice: how uncertain a statement is depends on the eye that it improves.
    for _ in range(2 if tints else 0):
        told = [
            statement
            for led, tint in tints
            for statement in led_statements(before, led.wavelength_nm, tint, better=eye)
        ]
        eye = learn(before, told)
    if tints:
        fit["leds"] = [_led_fit(eye, led, tint) for led, tint in tints]
    fit["dominant_nm_95"] = expected_errors(eye, form) if expected else {}
    return Profile(
        camera=facts.camera,
        form=form,
        eye=eye,
        tone=tone,
        references=tuple(words + [f"LED {led.wavelength_nm:g} nm" for led in known.leds]),
        fit=fit,
        white_balance=facts.white_balance,
        date=datetime.date.today().isoformat(),
    )


@dataclass(frozen=True, slots=True)
class Patches:
    """The chart as photographed: (24, 3) linear R, G, B, its errors, and what may be used."""

    rgb: Floats
    noise: Floats
    usable: NDArray[np.bool_]


def read_chart(frame: Frame, corners: Sequence[tuple[float, float]], form: Form) -> Patches:
    """Read the 24 patches between the middles of the four corner patches."""
    target = np.array(corners, np.float32)
    grid = np.array([[0, 0], [5, 0], [5, 3], [0, 3]], np.float32)
    turn = cv2.getPerspectiveTransform(grid, target)
    places = np.array([[c, r] for r in range(_ROWS) for c in range(_COLUMNS)], np.float32)
    middles = cv2.perspectiveTransform(places[None], turn)[0]
    spacing = float(np.sqrt(abs(cv2.contourArea(target)) / 15.0))
    half = int(_REACH * spacing)
    if half < 2:
        raise CalibrationError(say_led("error.chart.small"))
    rgb, noise, spoilt = [], [], []
    for x, y in middles:
        box = (round(float(x)) - half, round(float(y)) - half, 2 * half + 1, 2 * half + 1)
        if box[0] < 0 or box[1] < 0 or box[0] + box[2] > frame.width:
            raise CalibrationError(say_led("error.chart.outside"))
        if box[1] + box[3] > frame.height:
            raise CalibrationError(say_led("error.chart.outside"))
        middle, error, share = mean_of(frame, box)
        rgb.append(middle)
        noise.append(error)
        spoilt.append(share)
    values = np.array(rgb)
    usable = np.array(spoilt) < 0.02
    if form == "raw":
        usable = values < settings("measure")["clipped"]
    green = values[_NEUTRAL, 1]
    if not (np.diff(green) < 0).all():
        raise CalibrationError(say_led("error.chart.order"))
    return Patches(values, np.array(noise), usable)


def fit_tone(patches: Patches, light: str) -> Tone:
    """Tone curve from the six neutral patches: what brings them to their known reflectances."""
    power = chart_reflectances()[1][_NEUTRAL] * light_spectrum(light)
    truth = xyz_of(power)[:, 1]
    seen = patches.rgb[_NEUTRAL, 1]
    ok = patches.usable[_NEUTRAL, 1] & (seen > 1e-3)
    if np.count_nonzero(ok) < 4:
        raise CalibrationError(say_led("error.chart.clipped"))
    x, y = np.log(seen[ok]), np.log(truth[ok])
    # Dark patches are lifted by stray light.
    sd = np.interp(seen[ok], [0.02, 0.1, 0.3], [0.15, 0.05, 0.02])
    design = np.stack([np.ones_like(x), x, x**2], axis=1) / sd[:, None]
    prior = np.diag([0.0, 1.0 / 0.2**2, 1.0 / 0.06**2])
    wanted = np.array([0.0, 1.0 / 0.2**2, 0.0])
    answer = np.linalg.solve(design.T @ design + prior, design.T @ (y / sd) + wanted)
    return Tone(float(answer[1]), float(answer[2]))


def _balance(frame: Frame, known: Known, patches: Patches | None) -> tuple[Balance, list[str]]:
    """What a neutral surface looks like, and what that rests on."""
    s = settings("cameras")
    if patches is not None:
        # Greys between white and the darkest: bright, and not near clipping.
        part = patches.rgb[19:22]
        rgb = (part / part[:, 1:2]).mean(axis=0)
        words = [say_led("reference.chart", light=known.light)]
        return Balance(known.light, _three(rgb), s["balance_patch"]), words
    if known.grey is not None:
        rgb, _, spoilt = mean_of(frame, known.grey)
        if spoilt.max() > 0.05:
            raise CalibrationError(say_led("error.grey"))
        words = [say_led("reference.grey", light=known.light)]
        return Balance(known.light, _three(rgb / rgb[1]), s["balance_patch"]), words
    return Balance("D65", (1.0, 1.0, 1.0), s["balance_unknown"]), []


def _three(rgb: Floats) -> tuple[float, float, float]:
    return float(rgb[0]), float(rgb[1]), float(rgb[2])


def _tint_of(frame: Frame, led: KnownLed, form: Form, tone_known: bool) -> Tint:
    found = sample_lamp(
        frame, led.x, led.y, led.radius, linear=form == "raw", tone_known=tone_known
    )
    if found.tint is None:
        where = f"{led.x:.0f},{led.y:.0f}"
        raise CalibrationError(say_led("error.led", nm=f"{led.wavelength_nm:g}", where=where))
    return found.tint


def _chart_fit(eye: Eye, light: str, patches: Patches) -> dict[str, Any]:
    """How well the profile gives back the chart."""
    power = chart_reflectances()[1] * light_spectrum(light)
    mean, _ = eye.predict(power)
    use = patches.usable
    k = float((use * mean * patches.rgb).sum() / (use * patches.rgb**2).sum())
    rest = np.where(use, mean - k * patches.rgb, 0.0)
    white = float(mean[18].max())
    # As colours: what the best matrix of this camera makes of the chart.
    matrix = np.linalg.lstsq(mean, xyz_of(power), rcond=None)[0]
    xyz, seen = xyz_of(power), (k * patches.rgb) @ matrix
    scale = 1.0 / xyz[18, 1]
    colour = library("colour")
    lab = [colour.XYZ_to_Lab(np.maximum(v * scale, 1e-6), np.array(WHITE)) for v in (xyz, seen)]
    whole = use.all(axis=1)
    apart = ciede2000(lab[0], lab[1])[whole]
    return {
        "patches": int(np.count_nonzero(whole)),
        "rms_share_of_white": round(float(np.sqrt((rest[use] ** 2).mean())) / white, 5),
        "ciede2000_mean": round(float(apart.mean()), 3) if len(apart) else None,
        "ciede2000_max": round(float(apart.max()), 3) if len(apart) else None,
    }


def _led_fit(eye: Eye, led: KnownLed, tint: Tint) -> dict[str, Any]:
    answer = answer_of(lights_of(tint, eye))
    found = answer.dominant_nm
    return {
        "stated_nm": led.wavelength_nm,
        "read_nm": None if found is None else round(found.value, 2),
    }


def expected_errors(eye: Eye, form: Form) -> dict[str, float]:
    """Half-widths (nm, 95 %) with which this profile would read well exposed narrow LEDs."""
    out = {}
    noise = 0.001 if form == "raw" else 0.003
    for nm in _CHECKED_NM:
        none = np.zeros(1)
        power = unit(line(none + nm, none + (17.0 if nm > 560 else 28.0), none, none))
        rgb = eye.predict(power)[0][0]
        rgb = rgb / rgb.max()
        # Shares below zero can be read where some light lies on the surround.
        below = settings("measure")["below_zero"] * np.maximum(-rgb, 0.0)
        tint = Tint(rgb, np.diag(noise**2 + below**2), np.zeros(3, bool))
        lights = lights_of(tint, eye)
        found = answer_of(lights).dominant_nm
        truth = float(dominant_wavelengths(xy_of(power))[0][0])
        if found is not None:
            out[f"{truth:.0f}"] = round(0.5 * (found.high - found.low), 1)
    return out


def rebalanced(eye: Eye, balance: Balance) -> Eye:
    """A known camera with another white balance, told by a neutral patch in the picture."""
    seen = eye.predict(light_spectrum(balance.light)[None])[0][0]
    factor = np.array(balance.rgb) / seen
    factor = factor / factor[1]
    mean = eye.mean * factor[:, None]
    spread = eye.spread * factor[:, None, None]
    extra = np.zeros((*eye.mean.shape, 2))
    extra[0, :, 0] = balance.sd * mean[0]
    extra[2, :, 1] = balance.sd * mean[2]
    return replace(eye, mean=mean, spread=np.concatenate([spread, extra], axis=2))
