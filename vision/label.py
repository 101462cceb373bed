"""From odds to the word that a reading states, or `unknown` where the odds do not carry one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, TypeVar

from mastread.vision.types import HeadSeen

Word = TypeVar("Word", bound=str)

#: A word is stated only if it is at least this likely. Stating a wrong colour costs the reader
#: far more than stating none: with a wrong word nine times as dear as a missing one, the
#: break-even lies at 0.9.
STATE_AT: Final = 0.9


@dataclass(frozen=True, slots=True)
class HeadLabel:
    """The words for one head.

    Attributes
    ----------
    colour : a colour word, ``none`` where the head is dark, or ``unknown``
    behaviour : ``steady``, ``flashing``, ``dark`` or ``unknown``
    confidence : probability that the stated words are right; where the colour is ``unknown``,
        that of the likeliest colour, so that a reader sees how far it was from being stated
    """

    colour: str
    behaviour: str
    confidence: float


def _best(odds: Mapping[Word, float]) -> tuple[Word, float]:
    word = max(sorted(odds), key=lambda key: odds[key])
    return word, odds[word]


def label_head(head: HeadSeen) -> HeadLabel:
    """Words for a head; see `HeadLabel`."""
    behaviour, p_behaviour = _best(head.behaviour_odds)
    p_dark = head.behaviour_odds.get("dark", 0.0)
    if behaviour == "dark" and p_behaviour >= STATE_AT:
        return HeadLabel("none", "dark", p_behaviour)
    colour, p_colour = _best(head.colour_odds)
    # A colour can only be stated of a head that was lit at some moment.
    p_colour *= 1.0 - p_dark
    stated_behaviour = behaviour if p_behaviour >= STATE_AT else "unknown"
    if p_colour < STATE_AT:
        return HeadLabel("unknown", stated_behaviour, p_colour)
    confidence = p_colour * (p_behaviour if stated_behaviour != "unknown" else 1.0)
    return HeadLabel(colour, stated_behaviour, confidence)
