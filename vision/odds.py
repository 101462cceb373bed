"""Odds of steady, flashing and dark from how long and how evenly a lamp was lit and dark."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Behaviour
from mastread.vision.limits import limits

#: Odds that a lamp of which nothing is known yet flashes: no information either way.
FLASHING_UNSEEN: Final = 0.5
#: Steps of the table of how long a flash keeps a lamp lit or dark, seconds.
_STEP_S: Final = 0.02
_LONGEST_S: Final = 3.0


def photo_odds(lit: bool) -> dict[Behaviour, float]:
    """Behaviour odds of a head in a single picture, which cannot show a flash."""
    if lit:
        return {"steady": 1.0 - FLASHING_UNSEEN, "flashing": FLASHING_UNSEEN, "dark": 0.0}
    return {"steady": 0.0, "flashing": FLASHING_UNSEEN, "dark": 1.0 - FLASHING_UNSEEN}


def open_odds() -> dict[Behaviour, float]:
    """Odds of a head of which nothing is known."""
    return {"steady": 1 / 3, "flashing": 1 / 3, "dark": 1 / 3}


def quiet_odds(lit: bool, length_s: float) -> dict[Behaviour, float]:
    """Odds of one unbroken spell: the longer it lasts, the less can it be part of a flash."""
    flashing = still_flashing(lit, length_s)
    rest = 1.0 - flashing
    return {
        "flashing": flashing,
        "steady": rest if lit else 0.0,
        "dark": 0.0 if lit else rest,
    }


def still_flashing(lit: bool, length_s: float) -> float:
    """Odds that a lamp flashes that was lit (or dark) without a break for so long."""
    table = _lasting(lit)
    lasting = float(table[min(int(length_s / _STEP_S), len(table) - 1)])
    flashing = FLASHING_UNSEEN * lasting
    return flashing / (flashing + 1.0 - FLASHING_UNSEEN) + float(limits("flash")["least_odds"])


@cache
def _lasting(lit: bool) -> NDArray[np.float64]:
    """Probability that a spell of a flash lasts on for k * `_STEP_S`, from any moment in it.

    Over the rates and duties that flashers have (limits.toml), each with its weight.
    """
    figures = limits("flash")
    period = np.exp(
        np.linspace(np.log(figures["shortest_period_s"]), np.log(figures["longest_period_s"]), 80)
    )
    weight = np.exp(
        -0.5 * (np.log(period / figures["usual_period_s"]) / figures["period_spread"]) ** 2
    )
    low, high = figures["usual_duty"]
    duty = np.linspace(low, high, 30)
    share = duty if lit else 1.0 - duty
    spell = period[:, None] * share
    table = []
    for length in np.arange(0.0, _LONGEST_S, _STEP_S):
        left = np.maximum(spell - length, 0.0) / period[:, None]
        table.append(float((weight[:, None] * left).sum() / (weight[:, None] * share).sum()))
    return np.array(table)


def likelier(odds: Mapping[Behaviour, float], what: Behaviour) -> dict[Behaviour, float]:
    """Odds with one behaviour likelier beforehand, since the same lens did so just before."""
    factor = float(limits("flash")["as_before"])
    weights = {key: p * (factor if key == what else 1.0) for key, p in odds.items()}
    whole = sum(weights.values())
    found = {key: weight / whole for key, weight in weights.items()}
    short = max(float(limits("flash")["least_odds"]) - found["flashing"], 0.0)
    found["flashing"] += short
    found[what] -= short
    return found


def both_quiet(
    a: Mapping[Behaviour, float], b: Mapping[Behaviour, float]
) -> dict[Behaviour, float]:
    """Odds of two unbroken spells of the same kind with something hidden between them.

    A flash must have been in the same half both times; the second time it had the choice.
    """
    half = 0.55
    lit = a["steady"] >= a["dark"]
    rest: Behaviour = "steady" if lit else "dark"
    ratio = half * (a["flashing"] / max(a[rest], 1e-6)) * (b["flashing"] / max(b[rest], 1e-6))
    least = float(limits("flash")["least_odds"])
    flashing = max(ratio / (1.0 + ratio), least)
    return {
        "flashing": flashing,
        "steady": 1.0 - flashing if lit else 0.0,
        "dark": 0.0 if lit else 1.0 - flashing,
    }


def beat_odds(edges: int, duty: float) -> dict[Behaviour, float]:
    """Odds of an even beat of so many edges and that lit share of a period."""
    figures = limits("flash")
    steps: Sequence[float] = figures["beat_odds"]
    flashing = float(steps[min(edges, len(steps)) - 1])
    low, high = figures["sure_duty"]
    if not low <= duty <= high:
        # The gaps of a train let a mast through for shorter than a flasher lights a lamp.
        flashing = min(flashing, float(figures["odd_duty_odds"]))
    return {"flashing": flashing, "steady": 1.0 - flashing, "dark": 0.0}


def restless_odds(spells: Sequence[tuple[bool, float]]) -> dict[Behaviour, float]:
    """Odds of lit and dark spells in turn (lit?, seconds) that make no whole even beat.

    They may be the beginning of a flash, or the end of one; a lamp on pulse width modulation or
    mains that beats with the shutter; or something that passed in front.
    """
    figures = limits("flash")
    lengths = np.array([length for _, length in spells])
    whole = max(float(lengths.sum()), 1e-6)
    share = sum(length for lit, length in spells if lit) / whole
    edges = len(spells) - 1
    longest = max((length for lit, length in spells if not lit), default=0.0)
    quick = edges >= 6 and whole / edges < figures["flicker_s"]
    if quick and longest < figures["longest_flicker_s"]:
        # Light that comes and goes faster than any flasher makes it is steady light.
        return {"steady": 0.94, "flashing": 0.04, "dark": 0.02}
    steps: Sequence[float] = figures["beat_odds"]
    flashing = FLASHING_UNSEEN
    if edges < 5 and _even(spells[1:-1]):
        flashing = float(steps[edges - 1]) if edges else FLASHING_UNSEEN
    # A head that was lit in between is dark only if it went out, or came on, for good meanwhile.
    dark = float(figures["went_out"]) * (1.0 - share)
    return {
        "flashing": flashing,
        "steady": (1.0 - flashing) * (1.0 - dark),
        "dark": (1.0 - flashing) * dark,
    }


def _even(inner: Sequence[tuple[bool, float]]) -> bool:
    """May whole spells be those of one flash: of two alike, and of lengths that flashers make?"""
    figures = limits("flash")
    low, high = figures["spell_s"]
    for kind in (True, False):
        lengths = [length for lit, length in inner if lit == kind]
        if any(not low <= length <= high for length in lengths):
            return False
        if len(lengths) > 1 and max(lengths) > 1.35 * min(lengths) + 0.05:
            return False
    return True


def word(odds: Mapping[Behaviour, float]) -> Behaviour:
    """The likeliest behaviour."""
    return max(sorted(odds), key=lambda key: odds[key])
