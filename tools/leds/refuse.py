"""What a picture cannot carry: refusals, each with the words and the cure that fit."""

from __future__ import annotations

from collections.abc import Sequence

from mastread.tools.leds.facts import Facts
from mastread.tools.leds.sample import Sample
from mastread.tools.leds.settings import settings
from mastread.tools.leds.words import say_led
from mastread.vision.frame import Frame
from mastread.vision.look import is_grey


def of_picture(
    frame: Frame, facts: Facts, *, grey_told: bool, profiled: bool, linear: bool = False
) -> list[str]:
    """Reasons why no lamp of a picture can be judged by colour; keys of ``texts.toml``.

    Parameters
    ----------
    grey_told : a neutral patch under a known light is in the picture
    profiled : the camera's profile is known
    linear : camera raw, which has no white balance and no merging, but colours of its own
    """
    s = settings("refuse")
    out: list[str] = []
    if linear:
        return [] if profiled else ["raw_profile"]
    if is_grey(frame.planes()):
        out.append("grey")
    if facts.white_balance == "auto" and not grey_told:
        out.append("profile_balance" if profiled else "balance")
    if facts.merged:
        out.append("merged")
    if facts.step > s["jpeg_step"]:
        out.append("compressed")
    return out


def of_lamp(sample: Sample) -> list[str]:
    """Reasons why this lamp cannot be judged by colour."""
    s = settings("refuse")
    out = []
    if sample.touches:
        out.append("border")
    if 2.0 * sample.radius < s["least_px"]:
        out.append("small")
    if sample.contrast < max(s["least_light"], s["over_noise"] * sample.noise):
        out.append("faint")
    elif float(sample.surround.max()) > s["drowned"] * sample.contrast:
        out.append("drowned")
    if sample.tint is None and sample.burnt > 0.2:
        out = [key for key in out if key not in ("faint", "drowned")]
        out.append("clipped")
    elif sample.tint is None and not out:
        out.append("faint")
    if sample.elongation > s["smeared"]:
        out.append("smeared")
    if sample.uneven > s["uneven"]:
        out.append("uneven")
    return out


def sentences(keys: Sequence[str]) -> list[str]:
    """Each reason as a sentence with its cure."""
    return [say_led(f"refuse.{key}") for key in keys]


def checklist(keys: Sequence[str]) -> list[str]:
    """How to take a better picture: the points that these reasons call for, in a fixed order."""
    wanted = {point for key in keys for point in settings("checklist")[key]}
    return [
        say_led(f"better.{point}") for point in settings("checklist")["order"] if point in wanted
    ]
