"""Heads that all blink together: more likely something passing in front than a flash.

The gaps between freight cars let a mast through in an even beat, and every head of it at once. A
signal flashes with one head or two of its heads, while the others stay lit. So where a red head
blinks in step with every other head of its mast, or three heads blink in step, nothing is said
about flashing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from mastread.decoder.words import Behaviour
from mastread.vision.beside import Stretch
from mastread.vision.flash import Flash
from mastread.vision.look import colour_odds
from mastread.vision.spans import Head
from mastread.vision.together import without_common_dark

#: In step: rates alike to this share, and rises alike to this share of a period.
_RATE: Final = 0.03
_PHASE: Final = 0.15
#: What is said of a head that may only have been covered in an even beat.
_OPEN: Final[Mapping[Behaviour, float]] = {"steady": 0.5, "flashing": 0.5, "dark": 0.0}


def doubt_common_beats(heads: Sequence[Head]) -> list[Head]:
    """The heads of one mast, with flashes that all of them share left open.

    Dark that they share without such a beat is something in front, or light that beats with the
    shutter; see `mastread.vision.together`.
    """
    if len(heads) < 2:
        return list(heads)
    beats = [_main_beat(head) for head in heads]
    first = beats[0]
    together = first is not None and all(
        beat is not None and _in_step(first, beat) for beat in beats
    )
    if not together or all(_else_steady(head) for head in heads):
        return without_common_dark(heads)
    if len(heads) == 2 and not any(_may_be_red(head) for head in heads):
        return list(heads)
    return [replace(head, parts=tuple(_opened(part) for part in head.parts)) for head in heads]


def _else_steady(head: Head) -> bool:
    """Is a head steady, before or after its beat, in the lens that beats?"""
    beating = {part.lens for part in head.parts if part.flash is not None}
    return any(part.odds["steady"] > 0.95 and part.lens in beating for part in head.parts)


def _main_beat(head: Head) -> Flash | None:
    flashes = [part.flash for part in head.parts if part.flash is not None]
    return max(flashes, key=lambda flash: flash.edges, default=None)


def _in_step(a: Flash, b: Flash) -> bool:
    if abs(a.rate_hz - b.rate_hz) > _RATE * a.rate_hz + 2.0 * (a.rate_sd_hz + b.rate_sd_hz):
        return False
    lag = ((a.start_s - b.start_s) * a.rate_hz) % 1.0
    near = min(lag, 1.0 - lag)
    # One beat may begin with a rise and the other with a fall: half a period or so apart.
    other = min(abs(lag - a.duty), abs(lag - (1.0 - a.duty)))
    return min(near, other) <= _PHASE


def _may_be_red(head: Head) -> bool:
    return any(colour_odds(lens.colour_scores())["red"] > 0.2 for lens in head.lenses)


def _opened(part: Stretch) -> Stretch:
    return replace(part, odds=_OPEN, flash=None) if part.flash is not None else part
