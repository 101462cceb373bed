"""What a user wants made of a reading: which outputs, in which style and language."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Style = Literal["full", "plain", "question"]

#: How annotated pictures and clips tell what they know, the default first.
#: ``full``: heads, indication, speed here, promise ahead, doubts; ``plain``: the name only;
#: ``question``: the answer withheld for a while, then as in full.
STYLES: Final[tuple[Style, ...]] = ("full", "plain", "question")

#: Outputs that can be asked for one by one, in the order in which they are listed.
KINDS: Final = ("reading", "marked", "captions", "table", "light", "report")

#: What is made when nobody says: a report is asked for by its own switch.
USUAL: Final = frozenset(KINDS) - {"report"}


@dataclass(frozen=True, slots=True)
class Wishes:
    """What to make.

    Attributes
    ----------
    style : one of `STYLES`
    language : a code of `mastread.tools.texts.LANGUAGES`
    kinds : those of `KINDS` to make
    """

    style: Style = "full"
    language: str = "en"
    kinds: frozenset[str] = USUAL


#: What is made when nothing else is said.
NO_WISHES: Final = Wishes()
