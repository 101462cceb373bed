"""What scoring one file yields: a row for each lamp, mast, reading and change of aspect.

Rows are plain values, so that any table can be cut from them afterwards; see
`mastread.tools.score` for how they come about.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

Verdict = Literal["right", "wrong", "withheld"]
Outcome = Literal["exact", "wider", "withheld", "unproven", "wrong", "wrong_side", "missed"]


@cache
def figures() -> dict[str, Any]:
    """The figures of accuracy.toml, which explains each of them."""
    text = files("mastread.tools").joinpath("accuracy.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def size_class(diameter_px: float) -> str:
    """Name of the class that a lens diameter falls into."""
    size = figures()["size"]
    name = size["names"][0]
    for edge, here in zip(size["edges"], size["names"], strict=True):
        if diameter_px >= edge:
            name = here
    return str(name)


@dataclass(frozen=True, slots=True)
class Odds:
    """The likeliest word, how likely it was said to be, and whether it was right."""

    p: float
    right: bool


@dataclass(frozen=True, slots=True)
class LampRow:
    """One true head over one true span.

    Attributes
    ----------
    lit : whether it was to be seen lit (photo: at that moment; clip: at some time in the span)
    readable : whether a careful person could tell its colour; of a dark head always True
    readable_behaviour : clip: whether it was watched long enough to tell what it did
    found : a lit lamp claimed as lit, a dark head claimed as dark
    claim : "lit", "dark", "nothing" (a head that says nothing) or "none" (no head)
    colour, behaviour : verdicts on the words claimed; None where there is nothing to judge (a
        lamp that was not found, a dark head, the behaviour in a photo)
    said_colour, said_behaviour : the words claimed, if any
    colour_odds, behaviour_odds : for the reliability tables
    stated : the confidence of a claim that states a colour, and whether all its words are right
    rate_error, rate_sd : claimed minus true flash rate, and its stated error, both in shares of
        the true rate
    wrong_side : why the claim is less restrictive than the truth; empty where it is not
    """

    mast: int
    head: int
    span: int
    true_colour: str
    true_behaviour: str
    diameter_px: float
    type: str
    contrast: float
    lit: bool
    readable: bool
    readable_behaviour: bool
    found: bool
    claim: Literal["lit", "dark", "nothing", "none"]
    said_colour: str = ""
    said_behaviour: str = ""
    colour: Verdict | None = None
    behaviour: Verdict | None = None
    colour_odds: Odds | None = None
    behaviour_odds: Odds | None = None
    stated: Odds | None = None
    rate_error: float | None = None
    rate_sd: float | None = None
    wrong_side: str = ""

    @property
    def size(self) -> str:
        """Class of the lens diameter."""
        return size_class(self.diameter_px)


@dataclass(frozen=True, slots=True)
class InventedRow:
    """A head claimed where there is none.

    Attributes
    ----------
    lit : claimed as lit; else as dark, or as saying nothing
    what : the thing that it stands on ("a lamp twice", a distractor of the scene, "nothing")
    """

    lit: bool
    diameter_px: float
    colour: str
    what: str
    x: float
    y: float

    @property
    def size(self) -> str:
        """Class of the claimed lens diameter."""
        return size_class(self.diameter_px)


@dataclass(frozen=True, slots=True)
class MastRow:
    """One true mast.

    Attributes
    ----------
    readable : at least one of its lamps could be read
    faults : why it is not grouped and ordered right; empty where it is
    complete : grouped right, and its dark heads stand in the reading as well
    """

    mast: int
    heads: int
    diameter_px: float
    readable: bool
    faults: tuple[str, ...]
    complete: bool

    @property
    def size(self) -> str:
        """Class of the diameter of its first head's lens."""
        return size_class(self.diameter_px)


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """What one true mast over one true span was read as.

    Attributes
    ----------
    expected, said : the answers in words
    """

    mast: int
    span: int
    diameter_px: float
    readable: bool
    outcome: Outcome
    expected: str
    said: str

    @property
    def size(self) -> str:
        """Class of the diameter of its first head's lens."""
        return size_class(self.diameter_px)


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A true change of aspect: by how much it was told late (None: not at all), seconds."""

    mast: int
    error_s: float | None
    frame_s: float


@dataclass(frozen=True, slots=True)
class Case:
    """One file, scored.

    Attributes
    ----------
    traits : conditions of the whole scene, for tables
    extra_changes : changes of aspect that were claimed where there were none
    """

    name: str
    kind: Literal["photo", "video"]
    seed: int
    traits: dict[str, str]
    lamps: tuple[LampRow, ...] = ()
    invented: tuple[InventedRow, ...] = ()
    masts: tuple[MastRow, ...] = ()
    readings: tuple[ReadingRow, ...] = ()
    changes: tuple[ChangeRow, ...] = ()
    extra_changes: int = 0
    error: str = ""

    def faults(self) -> dict[str, int]:
        """How often each kind of fault of accuracy.toml occurs."""
        lamps, readings = self.lamps, self.readings
        return {
            "wrong_side": sum(bool(row.wrong_side) for row in lamps)
            + sum(row.outcome == "wrong_side" for row in readings),
            "wrong_reading": sum(row.outcome in ("wrong", "unproven") for row in readings),
            "wrong_colour": sum(row.colour == "wrong" for row in lamps),
            "wrong_behaviour": sum(row.behaviour == "wrong" for row in lamps),
            "invented": sum(row.lit for row in self.invented),
            "missed": sum(row.lit and row.readable and not row.found for row in lamps),
            "wrong_mast": sum(row.readable and bool(row.faults) for row in self.masts),
            "withheld": sum(row.readable and row.colour == "withheld" for row in lamps)
            + sum(row.readable and row.outcome == "withheld" for row in readings),
        }

    def badness(self) -> int:
        """Weighted sum of the faults, to pick the worst cases."""
        weights = figures()["fault"]
        return sum(int(weights[kind]) * count for kind, count in self.faults().items())
