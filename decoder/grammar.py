"""The second road: what an aspect says by the grammar of speed signalling, without the table.

* The topmost head that is not red governs. Its place gives the speed here: top the full
  speed of the track, middle medium, bottom slow. Flashing in the middle lifts medium to limited.
* Its colour gives the promise: green, nothing restrictive ahead; yellow, be ready to stop at
  the next signal. Flashing yellow on top moves the promise one signal on. At the bottom steady
  yellow is restricted speed and flashing yellow lifts that to slow with a stop ahead.
* A head below that is not red either replaces the promise by a speed: green medium,
  flashing green limited, yellow slow.
* Reds below are placeholders. All red orders a stop, which plates and staggered heads ease.
* An L plate lifts medium to limited, a DV plate slow to diverging.

The principles are those of the sources WP-CROR, ZEAL, NOTE and QT-MARK, whose titles and addresses
stand in the ``[[source]]`` rows of ``book_cror.toml``, and of three texts that no row of a book
needs:

* a college's notes on Canadian signals (rules of 1990),
  http://technology.niagarac.on.ca/staff/mcsele/railroad.htm
* railroadsignals.us, page on the Canadian rules, http://www.railroadsignals.us/rulebooks/cror/index.htm
* sh1.org, whether Canadian and American signals make sense, http://www.sh1.org/eisenbahn/sac.htm

Where a book differs, the row stands in its ``not_by_grammar`` list with a reason.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from mastread.decoder.aspect import Aspect, HeadShown
from mastread.decoder.rulebook import NOTHING, Rulebook

_PROMISED: Final = {("green", "steady"): "medium", ("green", "flashing"): "limited"}
_PROMISED_STEADY_YELLOW: Final = "slow"


@dataclass(frozen=True, slots=True)
class Said:
    """What the grammar makes of an aspect: speed words as in the book's indications."""

    here: str
    at_next: str
    at_second: str = ""


def say_by_grammar(aspect: Aspect, book: Rulebook) -> Said | None:
    """Read an aspect by the grammar alone; None where the grammar does not reach.

    It reaches lit lamps of red, yellow and green on high masts, and the lower of two heads
    only where the book says which speed that head stands for.
    """
    if book.grammar != "speed" or aspect.dwarf:
        return None
    if any(h.form != "lamp" or h.colour not in ("red", "yellow", "green") for h in aspect.heads):
        return None
    governs = next((i for i, h in enumerate(aspect.heads) if h.colour != "red"), None)
    if any(h.colour == "red" and h.behaviour != "steady" for h in aspect.heads):
        return None
    if governs is None:
        return _all_red(aspect)
    top = book.speeds[-1].name
    if governs == 1 and len(aspect.heads) == 2:
        if book.lower_of_two != "medium":
            return None
        said = _governed("medium", aspect.heads[1], None, top)
    else:
        speed = (top, "medium", "slow")[governs]
        below = aspect.heads[governs + 1 :]
        lit = [h for h in below if h.colour != "red"]
        if len(lit) > 1 or (lit and lit[0] is not below[0]):
            return None
        said = _governed(speed, aspect.heads[governs], lit[0] if lit else None, top)
    return _with_plates(said, aspect.plates or frozenset()) if said else None


def _governed(speed: str, head: HeadShown, below: HeadShown | None, top: str) -> Said | None:
    flashing = head.behaviour == "flashing"
    promise = _promise(below)
    if below is not None and promise is None:
        return None
    on_top = speed == top
    if head.colour == "green":
        if on_top:
            # Green on top always means the full speed; nothing below or flashing adds to it.
            return None if flashing or below else Said(speed, top)
        if flashing and speed != "medium":
            return None
        return Said("limited" if flashing else speed, promise or top)
    if on_top:
        if flashing:
            return Said(speed, top, promise or "stop")
        return Said(speed, promise or "stop")
    if below is not None:
        # Yellow in the middle with a lit head below: the speed of that head's colour ahead.
        return None if flashing else Said(speed, promise or "stop")
    if speed == "slow":
        return Said("slow", "stop") if flashing else Said("restricted", NOTHING)
    return Said("limited" if flashing else speed, "stop")


def _promise(below: HeadShown | None) -> str | None:
    if below is None:
        return None
    if below.colour == "yellow":
        return _PROMISED_STEADY_YELLOW if below.behaviour == "steady" else None
    return _PROMISED.get((str(below.colour), str(below.behaviour)))


def _all_red(aspect: Aspect) -> Said | None:
    plates = aspect.plates or frozenset()
    count = len(aspect.heads)
    if "A" in plates or count == 3:
        return Said("stop", NOTHING)
    if "R" in plates:
        return Said("restricted", NOTHING)
    if count == 2 and aspect.arrangement is None:
        return None
    if count == 2 and aspect.arrangement == "in line":
        return Said("stop", NOTHING)
    return Said("stop, then restricted", NOTHING)


def _with_plates(said: Said, plates: frozenset[str]) -> Said:
    lifts = {"L": ("medium", "limited"), "DV": ("slow", "diverging")}
    for plate in sorted(plates & lifts.keys()):
        low, high = lifts[plate]
        said = replace(
            said,
            here=high if said.here == low else said.here,
            at_next=high if said.at_next == low else said.at_next,
            at_second=high if said.at_second == low else said.at_second,
        )
    return said
