"""A camera profile: what a calibration found out about one camera, as a JSON file.

A profile holds the camera's effective sensitivities with their spread, its tone curve, and how
well both fit what was photographed. It is valid for pictures taken with the same camera, the
same picture settings and the same locked white balance.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import NOTICE
from mastread.tools.leds.sensors import Eye, Form
from mastread.tools.leds.spectra import WAVELENGTHS
from mastread.tools.leds.words import say_led
from mastread.tools.picture_files import write_whole

Floats = NDArray[np.float64]

FORMAT: Final = "mastread-camera"
VERSION: Final = 1


class ProfileError(Exception):
    """A file that is no camera profile; one line that says what is wrong."""


@dataclass(frozen=True, slots=True)
class Tone:
    """Undo a developed picture's tone curve: ``ln light = slope ln v + bend (ln v)^2``.

    v is linear light as the sRGB curve reads it; 1 stays 1.
    """

    slope: float = 1.0
    bend: float = 0.0

    def straight(self, light: Floats) -> Floats:
        """Light proportional to that of the scene."""
        if self.slope == 1.0 and self.bend == 0.0:
            return light
        logs = np.log(np.maximum(light, 1e-4))
        out = np.exp(self.slope * logs + self.bend * logs**2)
        # Below the darkest patch the curve goes on straight, through zero.
        return np.where(light > 1e-4, out, light)


@dataclass(frozen=True, slots=True)
class Profile:
    """One camera.

    Attributes
    ----------
    camera : maker and model as the picture names them, or ""
    form : developed pictures or camera raw
    eye : its sensitivities
    tone : its tone curve
    references : what was photographed, in words
    fit : figures of how well it fits: see `calibrate`
    white_balance : balance setting as the picture names it, or ""
    """

    camera: str
    form: Form
    eye: Eye
    tone: Tone
    references: tuple[str, ...]
    fit: dict[str, Any] = field(default_factory=dict)
    white_balance: str = ""
    date: str = ""


def write_profile(profile: Profile, path: Path) -> None:
    """Write a profile whole, or leave nothing; OSError if it cannot be written."""
    factors = profile.eye.spread
    strength = np.sqrt((factors**2).sum(axis=(0, 1)))
    kept = factors[:, :, strength > 1e-3 * strength.max()]
    document = {
        "format": FORMAT,
        "version": VERSION,
        "notice": NOTICE,
        "camera": profile.camera,
        "form": profile.form,
        "white_balance": profile.white_balance,
        "date": profile.date,
        "references": list(profile.references),
        "fit": profile.fit,
        "tone": {"slope": round(profile.tone.slope, 5), "bend": round(profile.tone.bend, 6)},
        "wavelengths_nm": [float(w) for w in WAVELENGTHS],
        "sensitivities": _rounded(profile.eye.mean),
        "spread": _rounded(np.moveaxis(kept, 2, 0)),
    }
    write_whole(path, (json.dumps(document, ensure_ascii=False) + "\n").encode())


def read_profile(path: Path) -> Profile:
    """Read a profile.

    Raises
    ------
    ProfileError
        If the file cannot be read or is no profile of a version known here.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        what = error.strerror or str(error)
        raise ProfileError(say_led("error.profile.open", path=path, what=what)) from None
    except ValueError:
        raise ProfileError(say_led("error.profile.format", path=path)) from None
    try:
        if document["format"] != FORMAT or document["version"] != VERSION:
            raise ValueError
        mean = np.array(document["sensitivities"], np.float64)
        spread = np.moveaxis(np.array(document["spread"], np.float64), 0, 2)
        if mean.shape != (3, len(WAVELENGTHS)) or spread.shape[:2] != mean.shape:
            raise ValueError
        if document["form"] not in ("developed", "raw") or not np.isfinite(spread).all():
            raise ValueError
        return Profile(
            camera=str(document["camera"]),
            form=cast(Form, document["form"]),
            eye=Eye(mean, spread),
            tone=Tone(float(document["tone"]["slope"]), float(document["tone"]["bend"])),
            references=tuple(document["references"]),
            fit=dict(document["fit"]),
            white_balance=str(document["white_balance"]),
            date=str(document["date"]),
        )
    except (KeyError, TypeError, ValueError):
        raise ProfileError(say_led("error.profile.format", path=path)) from None


def _rounded(values: Floats) -> Any:
    return np.round(values, 6).tolist()
