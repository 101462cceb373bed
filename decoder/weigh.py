"""From odds per head to odds per indication.

The model. A mast was *meant* to show some combination of heads. Each aspect that the book
lists for that number of heads has weight 1; every other combination has a small weight
(a defective signal, another railway, a row that the book lacks). A dark head could have been
meant to show anything that heads of this book show. A head that may exist unseen is dark and
may stand at any place among the others. Two results come out:

* odds: weight times evidence, normalised separately for each number of unseen heads so that
  the odds of an unseen head stay what the observer said;
* what is still open: everything whose evidence, set against the best there is, has not fallen
  below a limit. Here each factor is a ratio to the best alternative of the same head, so
  mixing any head's odds with equal odds can open possibilities and never close one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations

from mastread.decoder.aspect import DARK, MAX_HEADS, HeadShown
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.policy import Policy, load_policy
from mastread.decoder.rulebook import Entry, Indication, Rulebook
from mastread.decoder.words import COLOURS, Behaviour

_COMMON = ("red", "yellow", "green")
_LIT: tuple[Behaviour, ...] = ("steady", "flashing")
# A ratio that equals a limit counts as reaching it, however the last digit was rounded.
_ROUNDING = 1.0 - 1e-9
_UNSEEN = HeadEvidence(
    colour={c: 1.0 / len(COLOURS) for c in COLOURS},
    behaviour={"dark": 1.0},
)


@dataclass(slots=True)
class Weighed:
    """What the evidence leaves of a book.

    Attributes
    ----------
    odds : dict of Indication to float
        Posterior; with `unlisted` it sums to 1.
    clean : dict of Indication to float
        The part of `odds` in which every known head is lit as listed.
    disputed : dict of Indication to float
        The part of `odds` that rests on disputed rows.
    unlisted : float
        Posterior of showing no aspect of the book.
    open : dict of Entry to float
        Rows still open, each with the best share that its evidence reached.
    unlisted_open : bool
    fit : dict of Indication to float
        How well its best aspect agrees with the evidence by itself: the share of its worst
        head against the best that this head may show. A dark head fits nothing here.
    best_fit : float
        The same for the best row of the book, a dark head fitting everything.
    hidden_rows : set of Entry
        Rows that are open only if a head was not seen.
    """

    odds: dict[Indication, float] = field(default_factory=dict)
    clean: dict[Indication, float] = field(default_factory=dict)
    disputed: dict[Indication, float] = field(default_factory=dict)
    unlisted: float = 0.0
    open: dict[Entry, float] = field(default_factory=dict)
    unlisted_open: bool = False
    fit: dict[Indication, float] = field(default_factory=dict)
    best_fit: float = 0.0
    hidden_rows: set[Entry] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class _Head:
    """One head's evidence, spread over what it may have been meant to show."""

    lit: dict[HeadShown, float]  # odds of showing exactly this
    dark: float  # odds of being dark, and so of having been meant to show anything
    arms: dict[str, float]  # odds of an unlit arm at this angle, where the arm alone counts
    best: float  # the largest of all of these

    def share(self, shown: HeadShown) -> float:
        """How open this is, against the best that this head may show (0..1)."""
        return max(self.exact(shown), self.dark) / self.best

    def exact(self, shown: HeadShown) -> float:
        """Odds of showing just this, seen as it is meant."""
        return self.lit.get(shown, 0.0) + self.arms.get(shown.form, 0.0)


def weigh(evidence: MastEvidence, book: Rulebook) -> Weighed:
    """Weigh the evidence against every aspect of the book."""
    policy = load_policy()
    result = Weighed()
    vocabulary = frozenset(s for heads in book.by_heads for s in heads if s != DARK)
    for share, openness, places in _structures(evidence, policy):
        heads = [_spread(h, book) for h in evidence.heads]
        for place in places:
            heads.insert(place, _spread(_UNSEEN, book))
        _weigh_structure(
            heads, frozenset(places), share, openness, evidence, book, vocabulary, result, policy
        )
    if result.best_fit < policy.fit_share:
        result.unlisted_open = True
    return result


def _structures(
    evidence: MastEvidence, policy: Policy
) -> Iterator[tuple[float, float, tuple[int, ...]]]:
    """Yield (odds, openness, places of unseen heads) for each number of heads that may be."""
    known = len(evidence.heads)
    unseen = evidence.unseen_head if known < MAX_HEADS else 0.0
    top = max(unseen, 1.0 - unseen)
    if unseen < 1.0:
        yield 1.0 - unseen, (1.0 - unseen) / top, ()
    if unseen == 0.0:
        return
    counts = range(1, MAX_HEADS - known + 1)
    weights = [policy.second_unseen ** (k - 1) for k in counts]
    for count, weight in zip(counts, weights, strict=True):
        places = list(combinations(range(known + count), count))
        for place in places:
            part = weight / sum(weights) / len(places)
            yield unseen * part, unseen * part / top, place


def _spread(head: HeadEvidence, book: Rulebook) -> _Head:
    forms = head.form or {"lamp": 1.0}
    lit = {
        HeadShown(colour, behaviour, form): pc * head.behaviour.get(behaviour, 0.0) * pf
        for form, pf in sorted(forms.items())
        if pf > 0.0
        for colour, pc in sorted(head.colour.items())
        if pc > 0.0
        for behaviour in _LIT
        if head.behaviour.get(behaviour, 0.0) > 0.0
    }
    dark = head.behaviour.get("dark", 0.0)
    arms: dict[str, float] = {}
    if book.imperfect.arm_alone:
        arms = {f: p * dark for f, p in forms.items() if f.startswith("arm") and p > 0.0}
        dark *= 1.0 - sum(forms.get(f, 0.0) for f in arms)
    return _Head(lit, dark, arms, max([dark, *arms.values(), *lit.values()]))


def _weigh_structure(
    heads: list[_Head],
    unseen: frozenset[int],
    share: float,
    openness: float,
    evidence: MastEvidence,
    book: Rulebook,
    vocabulary: frozenset[HeadShown],
    result: Weighed,
    policy: Policy,
) -> None:
    """Add one number and placing of heads to the result."""
    masses: list[tuple[Entry, float, float]] = []
    covered_unlisted = 0.0
    uncovered = 0.0
    blur = 1.0 / len(vocabulary)
    limit = policy.open_share * _ROUNDING
    for pattern, entries in book.by_heads.items():
        if len(pattern) != len(heads):
            continue
        total = clean = opened = fit = loose = 1.0
        for i, (head, shown) in enumerate(zip(heads, pattern, strict=True)):
            exact = head.dark if shown == DARK else head.exact(shown)
            total *= exact + (0.0 if shown == DARK else head.dark * blur)
            clean *= exact if i not in unseen else head.dark * blur
            opened *= head.share(shown)
            fit = min(fit, exact / head.best) if i not in unseen else fit
            loose = min(loose, head.share(shown))
        if opened == 0.0:
            continue
        rest = 1.0
        for entry, weight, row_openness in rows_weighed(entries, evidence, book, policy):
            rest -= weight
            masses.append((entry, weight * total, weight * clean))
            reached = opened * openness * row_openness
            if reached >= limit:
                result.open[entry] = max(result.open.get(entry, 0.0), reached)
                if unseen and entry not in result.hidden_rows:
                    result.hidden_rows.add(entry)
                elif not unseen:
                    result.hidden_rows.discard(entry)
            if row_openness > 0.0:
                best = result.fit.get(entry.indication, 0.0)
                result.fit[entry.indication] = max(best, fit * row_openness)
                result.best_fit = max(result.best_fit, loose * row_openness * openness)
        in_pattern = _unlisted_weight(pattern, policy)
        covered_unlisted += in_pattern * total
        rest = max(0.0, rest)
        uncovered += in_pattern * total * rest
        if rest > 1e-9 and in_pattern * opened * openness * rest >= limit:
            result.unlisted_open = True
    usual = sum(_factor(s, policy) for s in vocabulary) * blur
    everything = policy.unlisted_weight
    for head in heads:
        lit = sum(_factor(s, policy) * p for s, p in head.lit.items())
        everything *= lit + head.dark * usual + sum(head.arms.values())
    unlisted = max(0.0, everything - covered_unlisted) + uncovered
    whole = unlisted + sum(mass for _, mass, _ in masses)
    if whole <= 0.0:
        result.unlisted += share
        result.unlisted_open = True
        return
    for entry, mass, clean in masses:
        where = entry.indication
        result.odds[where] = result.odds.get(where, 0.0) + share * mass / whole
        result.clean[where] = result.clean.get(where, 0.0) + share * clean / whole
        if entry.row.disputed:
            result.disputed[where] = result.disputed.get(where, 0.0) + share * mass / whole
    result.unlisted += share * unlisted / whole
    if not result.unlisted_open and not unseen:
        result.unlisted_open = _unlisted_open(heads, openness, book, policy)


def rows_weighed(
    entries: tuple[Entry, ...], evidence: MastEvidence, book: Rulebook, policy: Policy
) -> list[tuple[Entry, float, float]]:
    """Share out one combination of heads among its rows by plates, dwarf and arrangement.

    Returns
    -------
    list of (entry, weight, openness)
        Weights sum to 1 or less; what is missing belongs to masts for which the book lists
        this combination in no row.
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
    found: dict[Entry, tuple[float, float]] = {}
    for is_dwarf, p_kind, open_kind in kinds:
        for is_staggered, p_place, open_place in places:
            where = "staggered" if is_staggered else "in line"
            fitting = [
                e
                for e in entries
                if e.row.aspect.dwarf == is_dwarf and e.row.aspect.arrangement in (None, where)
            ]
            for entry, p_plate in _by_plates(fitting, evidence.plates, book):
                weight, openness = found.get(entry, (0.0, 0.0))
                found[entry] = (
                    weight + p_kind * p_place * p_plate,
                    max(openness, open_kind * open_place),
                )
    return [(entry, *pair) for entry, pair in found.items()]


def _either(odds: float | None, assumed: float) -> list[tuple[bool, float, float]]:
    """List the two answers to a yes-or-no question as (answer, odds, openness)."""
    if odds is None:
        return [(False, 1.0 - assumed, 1.0), (True, assumed, 1.0)]
    top = max(odds, 1.0 - odds)
    both = [(False, 1.0 - odds, (1.0 - odds) / top), (True, odds, odds / top)]
    return [answer for answer in both if answer[1] > 0.0]


def _by_plates(
    fitting: list[Entry], told: frozenset[str] | None, book: Rulebook
) -> list[tuple[Entry, float]]:
    """Share out rows that differ by their plates only."""
    by_set: dict[frozenset[str], list[Entry]] = {}
    for entry in fitting:
        by_set.setdefault(entry.row.aspect.plates or frozenset(), []).append(entry)
    if told is not None:
        # The rows that name the most of the told plates govern; a plate that no row of this
        # combination names changes nothing here.
        allowed = [plates for plates in by_set if plates <= told]
        if not allowed:
            return []
        most = max(len(plates) for plates in allowed)
        weights = {plates: 1.0 for plates in allowed if len(plates) == most}
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
    whole = sum(weights.values()) if told is not None else 1.0
    return [
        (entry, weight / whole / len(by_set[plates]))
        for plates, weight in weights.items()
        for entry in by_set[plates]
    ]


def _factor(shown: HeadShown, policy: Policy) -> float:
    factor = policy.unlisted_flashing if shown.behaviour == "flashing" else 1.0
    return factor if shown.colour in _COMMON else factor * policy.unlisted_rare_colour


def _unlisted_weight(pattern: tuple[HeadShown, ...], policy: Policy) -> float:
    weight = policy.unlisted_weight
    for shown in pattern:
        weight *= _factor(shown, policy)
    return weight


def _unlisted_open(heads: list[_Head], openness: float, book: Rulebook, policy: Policy) -> bool:
    """Whether a combination that the book lists nowhere is still open.

    A dark head stands for anything already and opens every listed row; that some unlisted
    combination fits a dark head as well says nothing, so such heads count only as lit.
    """
    need = policy.open_share * _ROUNDING / (policy.unlisted_weight * openness)
    choices = []
    for head in heads:
        lit = [(s, p / head.best * _factor(s, policy)) for s, p in head.lit.items()]
        choices.append(sorted((c for c in lit if c[1] >= need), key=lambda c: -c[1]))
    partial: list[tuple[tuple[HeadShown, ...], float]] = [((), 1.0)]
    for options in choices:
        partial = [
            ((*shown, s), reached * p)
            for shown, reached in partial
            for s, p in options
            if reached * p >= need
        ]
    return any(shown not in book.by_heads for shown, _ in partial)
