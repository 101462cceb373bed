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

#: What one head is: a single lit lens, a row of position-light lamps at an angle, the one
#: centred lamp of a position light, or a semaphore arm at an angle. Angles are degrees
#: anticlockwise from horizontal as the driver sees them; an arm's angle is taken from its
#: pivot, so 0 stands straight out and 90 points up along the mast.
FORMS: Final[tuple[str, ...]] = (
    "lamp",
    "row 0",
    "row 45",
    "row 90",
    "row 135",
    "centre lamp",
    "arm 0",
    "arm 45",
    "arm 90",
)

#: Stands on every output that leaves the tool.
NOTICE: Final = (
    "Learning aid only: never rely on it for train operation. The operating rules in force and "
    "qualified people decide. Stay off railway property."
)
