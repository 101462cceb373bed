"""What is known of a mast, as odds: the one thing that vision hands to the decoder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from mastread.decoder.words import BEHAVIOURS, COLOURS, FORMS, Behaviour, Colour


@dataclass(frozen=True, slots=True)
class HeadEvidence:
    """Odds for one head.

    Attributes
    ----------
    colour : mapping of colour to probability
        Colour of the head *if it is lit* (or, when flashing, of its lit part). Sums to 1 over
        `COLOURS`; a missing colour is 0. A head of which nothing is known holds equal odds.
    behaviour : mapping of behaviour to probability
        ``steady``, ``flashing``, ``dark``; sums to 1. A lit lamp in a photo has odds for both
        steady and flashing, since a photo cannot tell them apart; a lamp that is dark in a
        photo has odds for ``flashing`` too (caught between two flashes).
    form : mapping of form to probability, or None
        What kind of head it is (`mastread.decoder.words.FORMS`: a lamp, a position-light row
        or a semaphore arm at an angle); None means a plain lamp.
    """

    colour: Mapping[Colour, float]
    behaviour: Mapping[Behaviour, float]
    form: Mapping[str, float] | None = None

    def __post_init__(self) -> None:
        _check_odds("colour", self.colour, COLOURS)
        _check_odds("behaviour", self.behaviour, BEHAVIOURS)
        if self.form is not None:
            _check_odds("form", self.form, FORMS)


@dataclass(frozen=True, slots=True)
class MastEvidence:
    """Evidence for one mast over one stretch of time.

    Attributes
    ----------
    heads : tuple of HeadEvidence
        The heads that are known, top to bottom.
    unseen_head : float
        Probability that the mast has at least one further head which shows no light and was
        not seen, so that its place among the others is unknown. 0 when a person told how many
        heads there are.
    plates : frozenset of str, or None
        Plates on the mast as a person told them (``A``, ``R``, ``L``, ``DV``, ``number``);
        None when nobody told, so that every plate stays possible.
    dwarf : float or None
        Probability that this is a dwarf (low) signal; None when nothing is known.
    staggered : float or None
        Probability that the heads stand on alternate sides of the mast rather than in line;
        None when nothing is known.
    notes : tuple of str
        Plain sentences from the observer that belong among the reasons of a reading
        ("A photo cannot show whether a lamp flashes.").
    """

    heads: tuple[HeadEvidence, ...]
    unseen_head: float = 0.0
    plates: frozenset[str] | None = None
    dwarf: float | None = None
    staggered: float | None = None
    notes: tuple[str, ...] = field(default=())


def _check_odds(what: str, odds: Mapping[Any, float], words: tuple[str, ...]) -> None:
    """Raise ValueError unless `odds` are probabilities over `words` that sum to 1."""
    for word, p in odds.items():
        if word not in words:
            raise ValueError(f"{what} odds name {word!r}; known are {', '.join(words)}")
        if not 0.0 <= p <= 1.0:
            raise ValueError(f"{what} odds of {word!r} are {p}; they must lie in 0..1")
    if abs(sum(odds.values()) - 1.0) > 1e-6:
        raise ValueError(f"{what} odds sum to {sum(odds.values()):.6f}; they must sum to 1")
