"""What one head did in a stretch of time, and how the stretches beside it bear on that."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from mastread.decoder.words import Behaviour
from mastread.vision.flash import Flash
from mastread.vision.limits import limits
from mastread.vision.odds import likelier


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `start_s` to `end_s` the head did one thing.

    Attributes
    ----------
    lens : index of the lens that shone, None where all were dark
    odds : behaviour odds
    flash : the beat, where it flashed
    seen : False where the head could not be seen at all
    told : of a dark stretch, whether the surround shows that nothing stood in front
    since_s : earliest and latest time at which it may have begun, where `start_s` is not sharp:
        a flash may begin or end at any time in which it would be dark anyway
    spells : whole lit and dark spells (lit?, seconds) of light that made no whole beat
    """

    start_s: float
    end_s: float
    lens: int | None
    odds: Mapping[Behaviour, float]
    flash: Flash | None = None
    seen: bool = True
    told: bool = True
    since_s: tuple[float, float] | None = None
    spells: tuple[tuple[bool, float], ...] = ()

    @property
    def length_s(self) -> float:
        """Seconds from start to end."""
        return self.end_s - self.start_s


def as_before(parts: Sequence[Stretch]) -> list[Stretch]:
    """Stretches too short to tell by themselves, judged by what the same lens did beside them.

    A signal that shows the same colour again mostly does what it did before. What was seen must
    fit: spells of the lengths that the flash had, or light without a break.
    """
    out = list(parts)
    for k, part in enumerate(out):
        if not part.seen or part.lens is None or part.flash is not None:
            continue
        for j in (_seen_beside(parts, k, -1), _seen_beside(parts, k, 1)):
            other = parts[j] if j is not None else None
            if other is None or other.lens != part.lens:
                continue
            if other.flash is not None and _fits_beat(part, other.flash):
                odds = likelier(part.odds, "flashing")
                out[k] = replace(part, odds=odds, flash=other.flash)
                break
            if not part.spells and other.odds["steady"] > 0.95 and other.flash is None:
                out[k] = replace(part, odds=likelier(part.odds, "steady"))
                break
    return out


def _seen_beside(parts: Sequence[Stretch], k: int, step: int) -> int | None:
    """Index of the next stretch in a direction that could be seen."""
    k += step
    while 0 <= k < len(parts) and not parts[k].seen:
        k += step
    return k if 0 <= k < len(parts) else None


def _fits_beat(part: Stretch, flash: Flash) -> bool:
    """Are the whole spells of restless light those of a beat?"""
    usual = {True: flash.duty / flash.rate_hz, False: (1.0 - flash.duty) / flash.rate_hz}
    return bool(part.spells) and all(
        abs(length - usual[lit]) <= 0.08 + 0.08 * usual[lit] for lit, length in part.spells
    )


def went_out(parts: Sequence[Stretch]) -> list[Stretch]:
    """Dark of a head that shone before or after: likelier a lens that was missed than a failure."""
    most = float(limits("flash")["went_dark_at_most"])
    out = []
    for part in parts:
        if part.seen and part.lens is None and part.odds["dark"] > most:
            flashing = min(part.odds["flashing"], 0.5 * (1.0 - most))
            odds: dict[Behaviour, float] = {
                "dark": most,
                "flashing": flashing,
                "steady": 1.0 - most - flashing,
            }
            part = replace(part, odds=odds)
        out.append(part)
    return out
