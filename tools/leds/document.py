"""The result of a LED check as one JSON document, from which every output is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import NOTICE
from mastread.tools.leds import beat as beats
from mastread.tools.leds import refuse
from mastread.tools.leds.answer import Answer, Span, answer_of, region_of
from mastread.tools.leds.calibrate import rebalanced
from mastread.tools.leds.estimate import Lights, Tint, lights_of
from mastread.tools.leds.flicker import Flicker, flicker_of
from mastread.tools.leds.look import Lit, Looked
from mastread.tools.leds.match import pairs_of, standouts
from mastread.tools.leds.profile import Profile
from mastread.tools.leds.sensors import Balance, Eye, prior_eye
from mastread.tools.leds.settings import data_file, settings
from mastread.tools.leds.verdict import advice_for, colour_of, findings_of
from mastread.tools.leds.words import say_led

Floats = NDArray[np.float64]
Document = dict[str, Any]

FORMAT: Final = "mastread-leds"
VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class Judged:
    """A lamp with what the picture carries about its colour; None where it was refused."""

    lit: Lit
    refused: tuple[str, ...]
    answer: Answer | None
    lights: Lights | None
    noise: Floats


def check(looked: Looked, profile: Profile | None, grey: Balance | None) -> Document:
    """Make the document of one file."""
    refused = refuse.of_picture(
        looked.frame,
        looked.facts,
        grey_told=grey is not None,
        profiled=profile is not None,
        linear=looked.linear,
    )
    eye = eye_for(looked, profile, grey)
    judged = [_judge(lit, eye, refused, seed) for seed, lit in enumerate(looked.lamps, start=1)]
    lamps = [_lamp(number, one) for number, one in enumerate(judged, start=1)]
    _add_brightness(lamps, judged)
    every = list(dict.fromkeys([*refused, *(key for one in judged for key in one.refused)]))
    if not lamps:
        every.append("no_lamp")
    return {
        "format": FORMAT,
        "version": VERSION,
        "notice": NOTICE,
        "source": {
            "path": looked.source.path,
            "kind": looked.source.kind,
            "width": looked.source.width,
            "height": looked.source.height,
        },
        "basis": _basis(looked, profile, grey),
        "refused": refused if lamps else [*refused, "no_lamp"],
        "reasons": refuse.sentences(refused if lamps else [*refused, "no_lamp"]),
        "better_picture": refuse.checklist(every),
        "lamps": lamps,
        "sets": _sets(lamps, judged),
        "warnings": list(looked.warnings),
    }


def eye_for(looked: Looked, profile: Profile | None, grey: Balance | None) -> Eye:
    """What is known of the camera that took the picture."""
    form = "raw" if looked.linear else "developed"
    if profile is not None:
        return profile.eye if grey is None else rebalanced(profile.eye, grey)
    if grey is not None:
        return prior_eye("raw" if form == "raw" else "developed", grey)
    s = settings("cameras")
    balance = Balance("D65", (1.0, 1.0, 1.0), s["balance_unknown"])
    return prior_eye("raw" if form == "raw" else "developed", balance)


def _basis(looked: Looked, profile: Profile | None, grey: Balance | None) -> Document:
    key = "profile" if profile is not None else "raw" if looked.linear else "srgb"
    words = [say_led(f"basis.{key}", camera=_camera(profile))]
    if grey is not None:
        words.append(say_led("basis.grey", light=grey.light))
    return {"kind": key, "grey": grey is not None, "words": " ".join(words),
            "fit": profile.fit if profile is not None else None}  # fmt: skip


def _camera(profile: Profile | None) -> str:
    return (profile.camera if profile else "") or say_led("say.camera_unknown")


def _judge(lit: Lit, eye: Eye, refused: Sequence[str], seed: int) -> Judged:
    none = np.zeros((2, 2))
    if lit.sample is None:
        return Judged(lit, ("no_lamp",), None, None, none)
    own = refuse.of_lamp(lit.sample)
    if own or refused or lit.sample.tint is None:
        return Judged(lit, tuple(own), None, None, none)
    lights = lights_of(lit.sample.tint, eye)
    return Judged(lit, (), answer_of(lights), lights, _noise_of(lit.sample.tint, eye, lights))


def _noise_of(tint: Tint, eye: Eye, lights: Lights) -> Floats:
    """Covariance of x, y from the lamp's own measurement alone, for comparing lamps.

    The middle of the region is worked out again with each channel moved by its error.
    """
    centre, _ = region_of(lights.xy, lights.weight)
    out = np.eye(2) * 1e-6
    for c in range(3):
        error = float(np.sqrt(tint.covariance[c, c]))
        if error < 1e-4 or tint.cut[c]:
            continue
        moved = tint.rgb.copy()
        moved[c] += error
        other = lights_of(Tint(moved, tint.covariance, tint.cut), eye)
        shift = region_of(other.xy, other.weight)[0] - centre
        out = out + np.outer(shift, shift)
    return out


def _lamp(number: int, one: Judged) -> Document:
    lit, place = one.lit, one.lit.place
    out: Document = {
        "lamp": number,
        "mast": place.mast or None,
        "head": place.head or None,
        "x": round(place.x, 1),
        "y": round(place.y, 1),
        "diameter_px": round(2 * place.radius, 1),
        "colour": place.meant,
        "colour_told": place.meant is not None,
        "refused": list(one.refused),
        "reasons": refuse.sentences(one.refused),
        "xy": None, "uv": None, "dominant_nm": None, "purity": None, "cct_k": None, "duv": None,
        "limits": [], "advice": "", "brightness": None, "flash": None, "flicker": None,
        "bands": None,
    }  # fmt: skip
    if one.answer is not None and one.lights is not None:
        answer = one.answer
        colour = place.meant or colour_of(answer, one.lights)
        findings = findings_of(colour, one.lights, answer)
        out |= {
            "colour": colour,
            "xy": _region(answer.xy, answer.covariance, "x", "y"),
            "uv": _region(answer.uv, answer.uv_covariance, "u", "v"),
            "dominant_nm": _figure(answer.dominant_nm, 1),
            "purity": _figure(answer.purity, 3),
            "cct_k": _figure(answer.cct_k, 0),
            "duv": _figure(answer.duv, 4),
            "limits": [
                {
                    "set": f.limit.set, "colour": f.limit.colour, "field": f.limit.field,
                    "source": f.limit.source, "edition": f.limit.edition, "grade": f.limit.grade,
                    "standing": f.standing, "odds": round(f.odds, 3),
                    "distance": round(f.distance, 4), "toward": f.toward,
                }
                for f in findings
            ],
            "advice": advice_for(colour, answer, findings),
        }  # fmt: skip
    if lit.bands is not None:
        out["bands"] = {"rows": round(lit.bands.rows, 1), "depth": round(lit.bands.depth, 3)}
    if len(lit.time_s):
        out |= _over_time(lit)
    return out


def _over_time(lit: Lit) -> Document:
    """Flash and flicker of a lamp in a clip."""
    burnt = lit.sample is not None and lit.sample.burnt > 0.02
    beat = beats.beat_of(lit.time_s, lit.flux, burnt=burnt)
    out: Document = {"flash": None, "flicker": None}
    steady = lit.flux
    if beat is not None:
        out["flash"] = _flash(beat)
        steady = np.where(lit.flux > 0.7 * np.nanpercentile(lit.flux, 95), lit.flux, np.nan)
    elif np.isfinite(lit.flux).any() and np.nanmin(lit.flux) < 0.5 * np.nanpercentile(lit.flux, 95):
        out["flash_refused"] = say_led("refuse.short")
    flicker = flicker_of(lit.time_s, steady) if beat is None else None
    if flicker is not None:
        out["flicker"] = _flicker(flicker)
    return out


def _flash(beat: beats.Beat) -> Document:
    per_minute = beat.rate_hz
    rates = []
    for entry in data_file("rates.toml")["rate"]:
        low, high = entry["per_minute"]
        seen = (60 * per_minute.low, 60 * per_minute.high)
        standing = _standing(seen, (low, high))
        share = entry.get("on_fraction")
        rates.append(
            {
                "name": entry["name"], "per_minute": [low, high], "standing": standing,
                "on_fraction": share,
                "on_standing": None if share is None else _standing(
                    (beat.on_fraction.low, beat.on_fraction.high), tuple(share)),
                "source": entry["source"], "grade": entry["grade"],
            }
        )  # fmt: skip
    return {
        "rate_hz": _bounds(beat.rate_hz, 4),
        "on_fraction": _bounds(beat.on_fraction, 3),
        "rise_s": _bounds(beat.rise_s, 3),
        "fall_s": _bounds(beat.fall_s, 3),
        "cycles": beat.cycles,
        "uneven_s": round(beat.uneven_s, 3),
        "rates": rates,
        "edges": [
            {
                "name": entry["name"],
                "longest_s": entry["longest_s"],
                "rise": _standing_of_edge(beat.rise_s, entry["longest_s"]),
                "fall": _standing_of_edge(beat.fall_s, entry["longest_s"]),
                "source": entry["source"],
                "grade": entry["grade"],
            }
            for entry in data_file("rates.toml")["edge"]
        ],
    }


def _standing_of_edge(seen: beats.Range, longest_s: float) -> str:
    if seen.high <= longest_s:
        return "inside"
    return "slower" if seen.low > longest_s else "undecided"


def _standing(seen: tuple[float, float], limit: tuple[float, ...]) -> str:
    if limit[0] <= seen[0] and seen[1] <= limit[1]:
        return "inside"
    if seen[1] < limit[0]:
        return "slower"
    return "faster" if seen[0] > limit[1] else "undecided"


def _flicker(flicker: Flicker) -> Document:
    return {
        "depth": round(flicker.depth, 3),
        "seen_hz": round(flicker.seen_hz, 3),
        "drives_hz": [round(d, 2) for d in flicker.drives_hz],
        "mains_hz": flicker.mains_hz,
        "shutter_s": round(flicker.shutter_s, 6),
        "left": round(flicker.left, 3),
    }


def _add_brightness(lamps: list[Document], judged: Sequence[Judged]) -> None:
    """Brightness of each lamp over the brightest of its mast (of the picture, where told)."""
    groups: dict[Any, list[int]] = {}
    for i, lamp in enumerate(lamps):
        if judged[i].lights is not None and judged[i].lit.sample is not None:
            groups.setdefault(lamp["mast"], []).append(i)
    for members in groups.values():
        levels = [_luminance(judged[i]) for i in members]
        most = max(level for level, _ in levels)
        for i, (level, error) in zip(members, levels, strict=True):
            sample = judged[i].lit.sample
            clipped = sample is not None and sample.burnt > 0.02
            lamps[i]["brightness"] = {
                "relative": round(level / most, 3),
                "error": round(error / most, 3),
                "at_least": clipped,
            }


def _luminance(one: Judged) -> tuple[float, float]:
    """Luminance summed over the lamp, in units of this picture, and its standard error."""
    assert one.lights is not None
    assert one.lit.sample is not None
    lights = one.lights
    share = lights.level * lights.xyz[:, 1]
    middle = float(lights.weight @ share)
    spread = float(lights.weight @ (share - middle) ** 2) ** 0.5
    flux = one.lit.sample.flux
    return flux * middle, flux * float(np.hypot(spread, 0.03 * middle))


def _sets(lamps: list[Document], judged: Sequence[Judged]) -> Document:
    known = [i for i, one in enumerate(judged) if one.answer is not None]
    if len(known) < 2:
        return {"pairs": [], "standouts": []}
    answers = [judged[i].answer for i in known]
    xy = np.array([a.xy for a in answers if a is not None])
    noise = np.array([judged[i].noise for i in known])
    pairs = pairs_of([lamps[i]["colour"] for i in known], xy, noise)
    return {
        "pairs": [
            {
                "first": known[p.first] + 1, "second": known[p.second] + 1,
                "ciede2000": round(p.difference, 2), "error": round(p.error, 2), "word": p.word,
            }
            for p in pairs
        ],
        "standouts": [known[i] + 1 for i in standouts(len(known), pairs)],
    }  # fmt: skip


def _region(centre: Floats, covariance: Floats, first: str, second: str) -> Document:
    return {
        first: round(float(centre[0]), 4),
        second: round(float(centre[1]), 4),
        "covariance": [[float(f"{v:.4g}") for v in row] for row in covariance],
        f"{first}_95": round(1.96 * float(np.sqrt(covariance[0, 0])), 4),
        f"{second}_95": round(1.96 * float(np.sqrt(covariance[1, 1])), 4),
    }


def _figure(span: Span | None, digits: int) -> Document | None:
    if span is None:
        return None
    return {
        "value": round(span.value, digits) if span.sure else None,
        "low": round(span.low, digits),
        "high": round(span.high, digits),
    }


def _bounds(span: beats.Range, digits: int) -> Document:
    finite = bool(np.isfinite(span.high))
    return {
        "value": round(span.value, digits) if finite else None,
        "low": round(span.low, digits),
        "high": round(span.high, digits) if finite else None,
    }
