"""An aspect: what a mast shows, head by head. Plain frozen values, no rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from mastread.decoder.words import BEHAVIOURS, COLOURS, FORMS, Behaviour, Colour

Arrangement = Literal["in line", "staggered"]

#: Plates that a mast can carry and that some book gives a meaning to.
PLATES: Final[tuple[str, ...]] = ("A", "R", "L", "DV", "number")

#: The tallest mast that any bundled book knows.
MAX_HEADS: Final = 3


@dataclass(frozen=True, slots=True)
class HeadShown:
    """What one head shows.

    Attributes
    ----------
    colour : colour, ``"unknown"``, or None
        None exactly when the head is dark.
    behaviour : behaviour or ``"unknown"``
        ``"unknown"`` is said of a head that is lit or dark, nobody knows how.
    form : str
        One of `FORMS`.
    """

    colour: Colour | Literal["unknown"] | None
    behaviour: Behaviour | Literal["unknown"] = "steady"
    form: str = "lamp"

    def __post_init__(self) -> None:
        if self.behaviour not in (*BEHAVIOURS, "unknown"):
            raise ValueError(f"behaviour {self.behaviour!r} is none of {', '.join(BEHAVIOURS)}")
        if self.colour is not None and self.colour not in (*COLOURS, "unknown"):
            raise ValueError(f"colour {self.colour!r} is none of {', '.join(COLOURS)}")
        if (self.colour is None) != (self.behaviour == "dark"):
            raise ValueError("a head without colour is dark, and a dark head has no colour")
        if self.form not in FORMS:
            raise ValueError(f"form {self.form!r} is none of {', '.join(FORMS)}")


#: A head that shows no light.
DARK: Final = HeadShown(None, "dark")


@dataclass(frozen=True, slots=True)
class Aspect:
    """What a mast shows.

    Attributes
    ----------
    heads : tuple of HeadShown
        Top to bottom.
    plates : frozenset of str, or None
        Plates on the mast (see `PLATES`); None when it is not known which.
    dwarf : bool
        Whether this is a low signal.
    arrangement : ``"in line"``, ``"staggered"`` or None
        Whether the heads stand on one side of the mast or on alternate sides; None when it
        is not told or does not matter.
    """

    heads: tuple[HeadShown, ...]
    plates: frozenset[str] | None = frozenset()
    dwarf: bool = False
    arrangement: Arrangement | None = None

    def __post_init__(self) -> None:
        if not 1 <= len(self.heads) <= MAX_HEADS:
            raise ValueError(f"an aspect has one to {MAX_HEADS} heads, not {len(self.heads)}")
        for plate in self.plates or ():
            if plate not in PLATES:
                raise ValueError(f"plate {plate!r} is none of {', '.join(PLATES)}")
        if self.arrangement not in (None, "in line", "staggered"):
            raise ValueError(f"arrangement {self.arrangement!r} is neither in line nor staggered")
