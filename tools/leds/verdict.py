"""Hold a lamp against the published limits, and say in words how it differs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.answer import Answer
from mastread.tools.leds.colorimetry import dominant_wavelengths, temperatures
from mastread.tools.leds.estimate import Lights
from mastread.tools.leds.limits import Limit, limits_of, signal_colour
from mastread.tools.leds.settings import data_file

Floats = NDArray[np.float64]
Standing = Literal["inside", "outside", "undecided"]

SIGNAL_COLOURS: Final = ("red", "yellow", "green", "lunar", "white", "blue")
#: A lamp is said to be inside or outside where that much of the weight agrees.
_SURE: Final = 0.95
#: Difference of purity from which a lamp counts as pale rather than of another hue.
_PALE: Final = 0.06


@dataclass(frozen=True, slots=True)
class Finding:
    """One lamp against one limit.

    Attributes
    ----------
    odds : share of the weight inside
    standing : what that makes sure
    distance : from the middle of the region of the lamp to the limit, in x, y; 0 inside
    toward : direction in which the lamp lies outside: ``red``, ``orange``, ``yellow``, ``green``,
        ``blue``, ``pink``, ``white`` (pale), or "" inside
    """

    limit: Limit
    odds: float
    standing: Standing
    distance: float
    toward: str


def findings_of(colour: str, lights: Lights, answer: Answer) -> list[Finding]:
    """A lamp against every limit of the colour it is meant to show.

    Lunar has no limits of its own that were to be had: it is held against the published whites
    and against the bluish part of them that stands in for it.
    """
    limits = limits_of(colour)
    if colour == "lunar":
        limits += tuple(m for m in limits_of("white") if m.grade != "proxy")
    elif colour == "white":
        limits = tuple(m for m in limits if m.grade != "proxy")
    return [_finding(limit, lights, answer) for limit in limits]


def _finding(limit: Limit, lights: Lights, answer: Answer) -> Finding:
    odds = float(lights.weight[limit.inside(lights.xy)].sum())
    foot, apart = limit.nearest(answer.xy)
    standing: Standing = (
        "inside" if odds >= _SURE else "outside" if odds <= 1 - _SURE else "undecided"
    )
    toward = "" if apart == 0.0 else direction(answer.xy, foot, _is_white(limit))
    return Finding(limit, odds, standing, apart, toward)


def _is_white(limit: Limit) -> bool:
    return signal_colour(limit) in ("white", "lunar")


def direction(xy: Floats, foot: Floats, white: bool) -> str:
    """In which direction a chromaticity lies from the nearest point of a limit.

    white : the limit is one of white or lunar, which have no hue
    """
    nm, purity = dominant_wavelengths(np.stack([xy, foot]))
    if white:
        return _direction_of_white(xy, foot)
    if purity[0] < purity[1] - _PALE:
        return "white"
    if not np.isfinite(nm).all():
        return "pink"
    if abs(nm[0] - nm[1]) < 0.3:
        return "white" if purity[0] < purity[1] else "pure"
    longer = nm[0] > nm[1]
    # The next hue along the spectrum on that side.
    names = ((480, "blue", "blue"), (560, "blue", "yellow"), (599, "green", "red"))
    for upper, shorter_name, longer_name in names:
        if nm[1] < upper:
            return longer_name if longer else shorter_name
    return "red" if longer else "orange"


def _direction_of_white(xy: Floats, foot: Floats) -> str:
    kelvin, duv = temperatures(np.stack([xy, foot]))
    step = duv[0] - duv[1]
    mired = 1e6 / kelvin[0] - 1e6 / kelvin[1]
    # A mired is about 1e-4 in u, v on the Planckian line between 3000 and 8000 K.
    if abs(step) > abs(mired) * 1.5e-4:
        return "green" if step > 0 else "pink"
    return "yellow" if mired > 0 else "blue"


def colour_of(answer: Answer, lights: Lights) -> str:
    """The signal colour that a lamp is most likely meant to show, by its looks."""
    best, most = "", 0.0
    for colour in SIGNAL_COLOURS:
        inside = np.zeros(len(lights.weight), bool)
        for limit in limits_of(colour):
            inside |= limit.inside(lights.xy)
        odds = float(lights.weight[inside].sum())
        if odds > most + (0.25 if colour == "white" else 0.0):
            best, most = colour, odds
    if most > 0.3:
        return best
    if answer.dominant_nm is not None:
        nm = answer.dominant_nm.value
        bounds = data_file("advice.toml")["taken_for"]["bounds"]
        return str(next(name for upper, name in bounds if nm < upper))
    cool = answer.cct_k is not None and answer.cct_k.value > 4500
    return "lunar" if cool or answer.xy[0] < 0.36 else "white"


def advice_for(colour: str, answer: Answer, findings: list[Finding]) -> str:
    """One sentence that a modeller can act on, or "" where the lamp will do."""
    told = [f for f in findings if f.limit.shown] or findings
    if colour == "lunar":
        # The published whites reach from cool to warm; only their cool end is lunar.
        told = [f for f in findings if f.limit.colour == "lunar-white"]
    outside = [f for f in told if f.standing == "outside" and f.toward]
    # Where the standards differ among themselves, keeping most of them will do.
    if len(outside) <= 0.5 * len(told):
        return ""
    nearest = min(outside, key=lambda f: f.distance)
    nm = None if answer.dominant_nm is None else answer.dominant_nm.value
    kelvin = None if answer.cct_k is None else answer.cct_k.value
    for entry in data_file("advice.toml")["advice"]:
        if entry["colour"] != colour or nearest.toward not in entry["toward"]:
            continue
        low, high = entry.get("nm", [0, 10000])
        if "nm" in entry and (nm is None or not low <= nm < high):
            continue
        low, high = entry.get("kelvin", [0, 100000])
        if "kelvin" in entry and (kelvin is None or not low <= kelvin < high):
            continue
        return str(entry["text"])
    return ""
