"""Adds scored files up to counts, cut by medium, lens size and condition.

`summary` returns plain dictionaries of counts (never of shares: whoever prints them shows the
counts beside). Bases of the counts, `BLOCK` key by key:

``pictures``            files (photos or clips)
``lit``                 readable lit lamps, a clip's span by span
``found``               of these, claimed as lit
``colour_withheld``     of those found, no colour stated
``behaviour_base``      of those found, watched long enough to tell the behaviour (clips)
``behaviour_withheld``  of these, no behaviour stated
``colour_right``, ``colour_wrong``, ``behaviour_right``, ``behaviour_wrong``  claims on any lit
                        lamp, readable or not
``unreadable``, ``unreadable_withheld``  lit lamps that nobody could read; not found, or found
                        and no colour stated
``dark``, ``dark_found``  dark heads; claimed as dark
``invented``            lit lamps claimed where there is none, dark heads claimed as lit included
``dark_invented``       dark heads claimed where there is no head
``lamps``, ``wrong_side_lamps``  heads of any kind; claims on them that are wrong-side errors
``masts``, ``grouped``, ``complete``  readable masts; grouped and ordered right; dark heads too
``readings`` and ``exact`` ... ``missed``  readable masts span by span, by their outcome
``unreadable_readings``, ``unreadable_read``  those that nobody could read; read all the same
``wrong_side_readings``  wrong-side readings of all masts, readable or not
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

import numpy as np

from mastread.tools.score_rows import (
    Case,
    InventedRow,
    LampRow,
    MastRow,
    Odds,
    ReadingRow,
    figures,
)

OUTCOMES: Final = ("exact", "wider", "withheld", "unproven", "wrong", "wrong_side", "missed")

BLOCK: Final = (
    *("pictures", "lit", "found", "colour_right", "colour_wrong", "colour_withheld"),
    *("behaviour_base", "behaviour_right", "behaviour_wrong", "behaviour_withheld"),
    *("unreadable", "unreadable_withheld", "dark", "dark_found", "invented", "dark_invented"),
    *("lamps", "wrong_side_lamps", "masts", "grouped", "complete", "readings", *OUTCOMES),
    *("unreadable_readings", "unreadable_read", "wrong_side_readings"),
)

Block = dict[str, int]
Rows = tuple[Sequence[LampRow], Sequence[InventedRow], Sequence[MastRow], Sequence[ReadingRow], int]


def summary(cases: Sequence[Case]) -> dict[str, Any]:
    """Sums over scored files: ``all``, and ``photo`` and ``video`` alone; each as `part`."""
    out: dict[str, Any] = {
        "files": len(cases),
        "unread": sum(bool(case.error) for case in cases),
        "all": part(cases),
    }
    for kind in ("photo", "video"):
        out[kind] = part([case for case in cases if case.kind == kind])
    return out


def part(cases: Sequence[Case]) -> dict[str, Any]:
    """Sums over some files.

    Returns
    -------
    dict with ``total`` and ``6 px and up`` (blocks), ``size`` and ``by`` (blocks by class, and by
    condition and its value), ``colours`` (true colour to claimed colour to count),
    ``reliability``, ``rates``, ``changes``, ``wrong_side`` (reason to count), ``invented`` (what
    was taken for a lamp to count) and ``mast_faults``.
    """
    lamps = [row for case in cases for row in case.lamps]
    names = figures()["size"]["names"]
    sizes = {name: _block(_cut(cases, [name])) for name in names}
    return {
        "total": _block(_cut(cases, names)),
        "6 px and up": _block(_cut(cases, [name for name in names if name in names[2:]])),
        "size": sizes,
        "by": _by_condition(cases),
        "colours": _confusion(lamps),
        "reliability": {
            "colour": reliability(row.colour_odds for row in lamps),
            "behaviour": reliability(row.behaviour_odds for row in lamps),
            "confidence": reliability(row.stated for row in lamps),
        },
        "rates": _rates(lamps),
        "changes": _changes(cases),
        "wrong_side": dict(
            Counter(row.wrong_side for row in lamps if row.wrong_side)
            + Counter(
                f"{row.expected} read as {row.said}"
                for case in cases
                for row in case.readings
                if row.outcome == "wrong_side"
            )
        ),
        "invented": dict(
            Counter(row.what for case in cases for row in case.invented if row.lit)
            + Counter("a dark head" for row in lamps if _lit_on_dark(row))
        ),
        "mast_faults": dict(
            Counter(
                fault
                for case in cases
                for row in case.masts
                if row.readable
                for fault in row.faults
            )
        ),
    }


def reliability(odds: Iterable[Odds | None]) -> dict[str, Any]:
    """Stated against true frequency, bin by bin.

    Returns
    -------
    dict with ``count``, ``ece`` (expected calibration error: the mean over all claims of the
    distance between the mean odds and the share right of their bin), ``brier`` (mean squared
    distance of the odds from 0 or 1) and ``bins``: rows of (from, to, count, mean odds, right).
    """
    known = [one for one in odds if one is not None]
    if not known:
        return {"count": 0, "ece": None, "brier": None, "bins": []}
    p = np.array([one.p for one in known])
    right = np.array([one.right for one in known], np.float64)
    edges = figures()["reliability"]["edges"]
    which = np.clip(np.searchsorted(edges, p, side="right") - 1, 0, len(edges) - 2)
    bins = []
    ece = 0.0
    for k in range(len(edges) - 1):
        here = which == k
        count = int(here.sum())
        if count == 0:
            continue
        ece += abs(float(p[here].sum() - right[here].sum()))
        mean = float(p[here].mean())
        bins.append((float(edges[k]), float(edges[k + 1]), count, mean, int(right[here].sum())))
    return {
        "count": len(known),
        "ece": ece / len(known),
        "brier": float(np.mean((p - right) ** 2)),
        "bins": bins,
    }


def _cut(cases: Sequence[Case], sizes: Sequence[str]) -> Rows:
    """Rows of some size classes; every picture counts, whatever it holds."""
    return (
        [row for case in cases for row in case.lamps if row.size in sizes],
        [row for case in cases for row in case.invented if row.size in sizes],
        [row for case in cases for row in case.masts if row.size in sizes],
        [row for case in cases for row in case.readings if row.size in sizes],
        len(cases),
    )


def _block(rows: Rows) -> Block:
    lamps, invented, masts, readings, pictures = rows
    block = dict.fromkeys(BLOCK, 0)
    block["pictures"] = pictures
    for lamp in lamps:
        _add_lamp(block, lamp)
    for more in invented:
        block["invented" if more.lit else "dark_invented"] += 1
    for mast in masts:
        if mast.readable:
            block["masts"] += 1
            block["grouped"] += not mast.faults
            block["complete"] += mast.complete
    for reading in readings:
        if reading.readable:
            block["readings"] += 1
            block[reading.outcome] += 1
        else:
            block["unreadable_readings"] += 1
            block["unreadable_read"] += reading.outcome in ("unproven", "wrong", "wrong_side")
        # A wrong-side error counts wherever it happens.
        block["wrong_side_readings"] += reading.outcome == "wrong_side"
    return block


def _add_lamp(block: Block, row: LampRow) -> None:
    block["lamps"] += 1
    block["wrong_side_lamps"] += bool(row.wrong_side)
    if not row.lit:
        block["dark"] += 1
        block["dark_found"] += row.found
        block["invented"] += _lit_on_dark(row)
        return
    for word in ("colour", "behaviour"):
        verdict = getattr(row, word)
        if verdict in ("right", "wrong"):
            block[f"{word}_{verdict}"] += 1
    if not row.readable:
        block["unreadable"] += 1
        block["unreadable_withheld"] += row.colour in (None, "withheld")
        return
    block["lit"] += 1
    block["found"] += row.found
    block["colour_withheld"] += row.colour == "withheld"
    if row.found and row.readable_behaviour:
        block["behaviour_base"] += 1
        block["behaviour_withheld"] += row.behaviour == "withheld"


def _lit_on_dark(row: LampRow) -> bool:
    return not row.lit and row.claim == "lit"


def _by_condition(cases: Sequence[Case]) -> dict[str, dict[str, Block]]:
    """Blocks by condition and value: of the scene, then of the lamp."""
    out: dict[str, dict[str, Block]] = {}
    names = figures()["size"]["names"]
    for name in dict.fromkeys(name for case in cases for name in case.traits):
        values = sorted({case.traits[name] for case in cases if name in case.traits})
        if len(values) < 2:
            continue
        out[name] = {
            value: _block(_cut([c for c in cases if c.traits.get(name) == value], names))
            for value in values
        }
    of_lamp: dict[str, Callable[[LampRow], str]] = {
        "kind of head": lambda row: row.type,
        "true colour": lambda row: row.true_colour,
        "true behaviour": lambda row: row.true_behaviour,
    }
    lamps = [row for case in cases for row in case.lamps]
    for name, pick in of_lamp.items():
        out[name] = {
            value: _block(([row for row in lamps if pick(row) == value], (), (), (), 0))
            for value in sorted({pick(row) for row in lamps})
        }
    return out


def _confusion(lamps: Sequence[LampRow]) -> dict[str, dict[str, int]]:
    table: dict[str, Counter[str]] = {}
    for row in lamps:
        if row.lit and row.readable:
            said = row.said_colour if row.claim == "lit" else "not found"
            table.setdefault(row.true_colour, Counter())[said] += 1
    return {true: dict(said) for true, said in sorted(table.items())}


def _rates(lamps: Sequence[LampRow]) -> dict[str, Any]:
    """Errors of flash rates: count, median and 95th percentile of the size, share within 1 %,
    and of those with a stated error how many lie within two of it."""
    errors = np.abs([row.rate_error for row in lamps if row.rate_error is not None])
    pairs = [
        (abs(row.rate_error), row.rate_sd)
        for row in lamps
        if row.rate_error is not None and row.rate_sd is not None
    ]
    return {
        "count": len(errors),
        "median": float(np.median(errors)) if len(errors) else None,
        "p95": float(np.percentile(errors, 95)) if len(errors) else None,
        "within_1_percent": int((errors <= 0.01).sum()) if len(errors) else 0,
        "with_sd": len(pairs),
        "within_2_sd": sum(error <= 2.0 * sd for error, sd in pairs),
    }


def _changes(cases: Sequence[Case]) -> dict[str, Any]:
    """Changes of aspect: true ones, told ones, made-up ones; errors of their times in seconds."""
    rows = [row for case in cases for row in case.changes]
    told = [(row.error_s, row.frame_s) for row in rows if row.error_s is not None]
    errors = np.abs([error for error, _ in told])
    return {
        "count": len(rows),
        "told": len(told),
        "made_up": sum(case.extra_changes for case in cases),
        "median_s": float(np.median(errors)) if len(errors) else None,
        "p95_s": float(np.percentile(errors, 95)) if len(errors) else None,
        "within_a_frame": sum(abs(error) <= frame for error, frame in told),
    }
