"""Rows that show the same heads and differ by plates, dwarf and arrangement."""

from __future__ import annotations

from mastread.decoder.evidence import MastEvidence
from mastread.decoder.policy import Policy
from mastread.decoder.rulebook import Entry, Rulebook


def rows_weighed(
    entries: tuple[Entry, ...], evidence: MastEvidence, book: Rulebook, policy: Policy
) -> tuple[list[tuple[Entry, float, float, float]], float]:
    """Share out one combination of heads among its rows by plates, dwarf and arrangement.

    Returns
    -------
    rows : list of (entry, weight, openness, ratio)
        Weights sum to 1 or less; what is missing belongs to masts for which the book lists
        this combination in no row. Openness does not look at plates that nobody told; ratio
        sets them against the likeliest choice of plates.
    bare : float
        Ratio of the likeliest kind of mast for which there is no row.
    """
    dwarf = evidence.dwarf
    if dwarf is None:
        # Nobody raised the question: where the book has no dwarf form of this combination
        # the mast is taken as a high one.
        has_dwarf = any(e.row.aspect.dwarf for e in entries)
        kinds = _either(None, policy.assume_dwarf) if has_dwarf else [(False, 1.0, 1.0)]
        if has_dwarf and all(e.row.aspect.dwarf for e in entries):
            kinds = _either(None, policy.assume_dwarf)
    else:
        kinds = _either(dwarf, policy.assume_dwarf)
    if len(entries[0].row.aspect.heads) == 1:
        places = [(False, 1.0, 1.0)]
    else:
        places = _either(evidence.staggered, policy.assume_staggered)
    found: dict[Entry, tuple[float, float, float]] = {}
    bare = 0.0
    for is_dwarf, p_kind, open_kind in kinds:
        for is_staggered, p_place, open_place in places:
            where = "staggered" if is_staggered else "in line"
            fitting = [
                e
                for e in entries
                if e.row.aspect.dwarf == is_dwarf and e.row.aspect.arrangement in (None, where)
            ]
            shared, without = _by_plates(fitting, evidence.plates, book)
            bare = max(bare, open_kind * open_place * without)
            for entry, p_plate, plate_ratio in shared:
                weight, openness, ratio = found.get(entry, (0.0, 0.0, 0.0))
                found[entry] = (
                    weight + p_kind * p_place * p_plate,
                    max(openness, open_kind * open_place),
                    max(ratio, open_kind * open_place * plate_ratio),
                )
    return [(entry, *figures) for entry, figures in found.items()], bare


def _either(odds: float | None, assumed: float) -> list[tuple[bool, float, float]]:
    """List the two answers to a yes-or-no question as (answer, odds, openness)."""
    if odds is None:
        return [(False, 1.0 - assumed, 1.0), (True, assumed, 1.0)]
    top = max(odds, 1.0 - odds)
    both = [(False, 1.0 - odds, (1.0 - odds) / top), (True, odds, odds / top)]
    return [answer for answer in both if answer[1] > 0.0]


def _by_plates(
    fitting: list[Entry], told: frozenset[str] | None, book: Rulebook
) -> tuple[list[tuple[Entry, float, float]], float]:
    """Share out rows that differ by their plates only.

    Returns
    -------
    rows : list of (entry, weight, ratio to the best)
    bare : float
        Ratio of plates for which there is no row.
    """
    if not fitting:
        return [], 1.0
    by_set: dict[frozenset[str], list[Entry]] = {}
    for entry in fitting:
        by_set.setdefault(entry.row.aspect.plates or frozenset(), []).append(entry)
    if told is not None:
        # The rows that name the most of the told plates govern; a plate that no row of this
        # combination names changes nothing here.
        allowed = [plates for plates in by_set if plates <= told]
        if not allowed:
            return [], 1.0
        most = max(len(plates) for plates in allowed)
        weights = {plates: 1.0 for plates in allowed if len(plates) == most}
        best, bare = 1.0, 0.0
    else:
        prior = {p.name: p.prior for p in book.plates}
        weights = {}
        for plates in by_set:
            if plates:
                weights[plates] = 1.0
                for plate in sorted(plates):
                    weights[plates] *= prior[plate]
        none = max(0.0, 1.0 - sum(weights.values()))
        if frozenset() in by_set:
            weights[frozenset()] = none
        best = max(none, *weights.values())
        bare = 0.0 if frozenset() in by_set else none / best
    whole = sum(weights.values()) if told is not None else 1.0
    rows = [
        (entry, weight / whole / len(by_set[plates]), weight / best)
        for plates, weight in weights.items()
        for entry in by_set[plates]
    ]
    return rows, bare
