"""The vocabulary that every room shares: colours, behaviours, and what they are called.

Nothing here knows a rule; `vision` may import this module and `mastread.decoder.evidence`
and nothing else from the decoder.
"""

from __future__ import annotations

from typing import Final, Literal

Colour = Literal["red", "yellow", "green", "lunar", "white", "blue"]
Behaviour = Literal["steady", "flashing", "dark"]

#: Colours that a lit lamp can have, most common first.
COLOURS: Final[tuple[Colour, ...]] = ("red", "yellow", "green", "lunar", "white", "blue")

#: What a head can do over time. ``unknown`` is an answer about our knowledge, never about
#: the head, and so is not listed here.
BEHAVIOURS: Final[tuple[Behaviour, ...]] = ("steady", "flashing", "dark")

#: Stands on every output that leaves the tool.
NOTICE: Final = (
    "Learning aid only: never rely on it for train operation. The operating rules in force and "
    "qualified people decide. Stay off railway property."
)
