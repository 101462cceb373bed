"""Successive signals along a line: does each keep the promise of the one before?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from mastread.decoder.aspect import Aspect
from mastread.decoder.decode import decode_aspect
from mastread.decoder.language import say_aspect
from mastread.decoder.rulebook import NOTHING, Indication, Rulebook
from mastread.decoder.words import NOTICE


@dataclass(frozen=True, slots=True)
class Step:
    """One signal and the one (or two) before it.

    Attributes
    ----------
    at : int
        Which signal of the row breaks or keeps the promise, counted from 1.
    promised_by : int
        Which signal made the promise, counted from 1.
    kept : bool
        Whether what the signal orders here is at least what was promised.
    stricter : bool
        Whether the promise asked for less speed than the signal grants: no harm, but the
        earlier signal may have been passed before the line ahead cleared.
    text : str
        One plain sentence.
    """

    at: int
    promised_by: int
    kept: bool
    stricter: bool
    text: str

    def as_json(self) -> dict[str, Any]:
        """Return the step as plain data."""
        return {
            "signal": self.at,
            "promised_by": self.promised_by,
            "kept": self.kept,
            "stricter_than_needed": self.stricter,
            "text": self.text,
        }


def check_progression(signals: Sequence[Indication | None], book: Rulebook) -> tuple[Step, ...]:
    """Check a row of signals in the order in which a train meets them.

    Parameters
    ----------
    signals : sequence of Indication or None
        None where a signal could not be read: no promise of it can be checked.

    Returns
    -------
    tuple of Step
        One for each promise that reaches a signal of the row, in the order of the signals.
    """
    steps = []
    for i, signal in enumerate(signals):
        if signal is None:
            continue
        for back in (2, 1):
            earlier = signals[i - back] if i >= back else None
            if earlier is None:
                continue
            if back == 2 and not (earlier.at_second and earlier.at_second != earlier.at_next):
                continue
            promised = earlier.at_next if back == 1 else earlier.at_second
            if promised != NOTHING:
                steps.append(_step(i, back, earlier, promised, signal, book))
            if back == 1 and _announces_itself(earlier, book):
                steps.append(_ahead(i, earlier, signal, book))
    return tuple(steps)


def read_row(aspects: Sequence[Aspect], book: Rulebook) -> tuple[Indication | None, ...]:
    """Decode a row of stated aspects; None for each that is not one indication."""
    found: list[Indication | None] = []
    for aspect in aspects:
        decision = decode_aspect(aspect, book)
        same = (i for i in book.indications if (i.rule, i.name) == (decision.rule, decision.name))
        found.append(next(same, None) if decision.status == "read" else None)
    return tuple(found)


def say_row(aspects: Sequence[Aspect], book: Rulebook) -> str:
    """Say what successive signals show, and which promises they keep or break, line by line."""
    signals = read_row(aspects, book)
    lines = []
    for i, (aspect, signal) in enumerate(zip(aspects, signals, strict=True)):
        name = signal.label if signal else "not one indication, so its promise is not checked"
        lines.append(f"Signal {i + 1}: {say_aspect(aspect)}: {name}")
    steps = check_progression(signals, book)
    lines += ["", *(f"{'Kept' if s.kept else 'BROKEN'}: {s.text}" for s in steps)]
    if not steps:
        lines.append("No promise reaches a signal of this row.")
    return "\n".join([*lines, "", NOTICE])


def row_as_json(aspects: Sequence[Aspect], book: Rulebook) -> dict[str, Any]:
    """Return what `say_row` says as plain data; ``indication`` is null where nothing is read."""
    signals = read_row(aspects, book)
    return {
        "rulebook": book.label,
        "signals": [
            {
                "signal": number,
                "aspect": say_aspect(aspect),
                "indication": {"rule": signal.rule, "name": signal.name} if signal else None,
            }
            for number, (aspect, signal) in enumerate(zip(aspects, signals, strict=True), start=1)
        ],
        "promises": [step.as_json() for step in check_progression(signals, book)],
        "notice": NOTICE,
    }


def expected_next(earlier: Indication, book: Rulebook) -> tuple[Indication, ...]:
    """Indications that would keep the promise exactly, most restrictive first."""
    found = [i for i in book.indications if _exactly(earlier, i, book)]
    return tuple(sorted(found, key=Indication.restrictiveness))


def _exactly(earlier: Indication, later: Indication, book: Rulebook) -> bool:
    level = _level(earlier.at_next, book)
    if earlier.at_next == NOTHING:
        return False
    if _announces_itself(earlier, book):
        return (
            later.orders.here == level
            and _level(later.at_next, book) == _level(earlier.at_second, book)
            and not later.at_second
        )
    if earlier.at_next == "stop":
        return later.orders.here <= _level("stop", book)
    return later.orders.here == level


def _announces_itself(indication: Indication, book: Rulebook) -> bool:
    """Whether the second signal is announced, so the next one must announce it in turn."""
    return bool(indication.at_second) and indication.at_second != indication.at_next


def _step(
    i: int, back: int, earlier: Indication, promised: str, signal: Indication, book: Rulebook
) -> Step:
    level = _level(promised, book)
    kept = signal.orders.here >= level
    stricter = signal.orders.here > level
    where = "the next signal" if back == 1 else "the second signal"
    promise = f"{earlier.label} at signal {i + 1 - back} promised {_say(promised, book)} at {where}"
    if kept and not stricter:
        tail = f"{signal.label} keeps that."
    elif kept:
        tail = f"{signal.label} allows more, which does no harm."
    else:
        tail = (
            f"{signal.label} asks for less speed than that, so the promise is broken; "
            f"expected was {_expected(earlier, back, promised, book)}."
        )
    return Step(i + 1, i + 1 - back, kept, stricter, f"{promise}; {tail}")


def _ahead(i: int, earlier: Indication, signal: Indication, book: Rulebook) -> Step:
    """Check that the signal between passes the promise for the second signal on."""
    level = _level(earlier.at_second, book)
    kept = signal.orders.at_next <= level
    promise = (
        f"{earlier.label} at signal {i} announced {_say(earlier.at_second, book)} two signals on"
    )
    tail = (
        f"{signal.label} announces no more than that."
        if kept
        else f"{signal.label} announces more, so the line ahead must have cleared meanwhile."
    )
    return Step(i + 1, i, True, not kept, f"{promise}; {tail}")


def _expected(earlier: Indication, back: int, promised: str, book: Rulebook) -> str:
    if back == 1:
        names = [n.label for n in expected_next(earlier, book)]
        if 0 < len(names) <= 4:
            return " or ".join(names)
    return f"an indication that orders {_say(promised, book)} or better here"


def _level(word: str, book: Rulebook) -> int:
    if word == NOTHING:
        return 0
    return next(n for n, speed in enumerate(book.speeds) if speed.name == word)


def _say(word: str, book: Rulebook) -> str:
    speed = book.speed(word)
    return "a stop" if speed.mph == 0 else f"{speed.name} speed"
