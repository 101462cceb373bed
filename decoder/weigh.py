"""From odds per head to odds per indication.

The model. A mast was *meant* to show some combination of heads. Each combination of colours
that the book lists for that number of heads has weight 1, shared by those of its rows that
differ only in what flashes (so that where flashing cannot be told, colours are not counted
twice); every other combination has a small weight (a defective signal, another railway, a row
that the book lacks). A dark head could have been
meant to show anything that heads of this book show. A head that may exist unseen is dark and
may stand at any place among the others. Two results come out:

* odds: weight times evidence, normalised separately for each number of unseen heads so that
  the odds of an unseen head stay what the observer said;
* what is still open: everything whose evidence, set against the best there is, has not fallen
  below a limit. Here each factor is a ratio to the best alternative of the same head, so
  mixing any head's odds with equal odds can open possibilities and never close one. Whatever
  the odds say, showing no aspect of the book stays open while the likeliest state of every
  head, taken together, is not one of its rows; doubt short of equal odds cannot change that.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations

from mastread.decoder.aspect import DARK, MAX_HEADS, HeadShown
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.kinds import rows_weighed
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
    plated : dict of Indication to float
        The part of `odds` that rests on a plate about which nobody told.
    unlisted : float
        Posterior of showing no aspect of the book.
    open : dict of Entry to float
        Rows still open, each with the best share that its evidence reached.
    unlisted_open : bool
    fit : dict of Indication to float
        How well its best aspect agrees with the evidence by itself: the share of its worst
        head against the best that this head may show. A dark head fits nothing here.
    likeliest : float
        How close the best row of the book comes to being the likeliest of all (1: it is), a
        dark head fitting everything.
    hidden_rows : set of Entry
        Rows that are open only if a head was not seen.
    """

    odds: dict[Indication, float] = field(default_factory=dict)
    clean: dict[Indication, float] = field(default_factory=dict)
    disputed: dict[Indication, float] = field(default_factory=dict)
    plated: dict[Indication, float] = field(default_factory=dict)
    unlisted: float = 0.0
    open: dict[Entry, float] = field(default_factory=dict)
    unlisted_open: bool = False
    fit: dict[Indication, float] = field(default_factory=dict)
    likeliest: float = 0.0
    hidden_rows: set[Entry] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class _Head:
    """One head's evidence, spread over what it may have been meant to show."""

    lit: dict[HeadShown, float]  # odds of showing exactly this
    dark: float  # odds of being dark, and so of having been meant to show anything
    arms: dict[str, float]  # odds of an unlit arm at this angle, where the arm alone counts
    best: float  # the largest of all of these
    ratios: dict[HeadShown | str, float]  # lit and arms: colour, behaviour, form each to its best
    dark_ratio: float

    def share(self, shown: HeadShown) -> float:
        """How open this is, against the best that this head may show (0..1)."""
        return max(self.seen_share(shown), self.dark_ratio)

    def seen_share(self, shown: HeadShown) -> float:
        """The same for showing just this, seen as it is meant."""
        return max(self.ratios.get(shown, 0.0), self.ratios.get(shown.form, 0.0))

    def unlisted_share(self, shown: HeadShown) -> float:
        """How far this may be part of an aspect that no book lists.

        A head that is as likely dark as anything else stands for anything that the book lists
        already; that something unlisted fits it as well says nothing.
        """
        return 0.0 if self.dark_ratio >= _ROUNDING else self.seen_share(shown)

    def exact(self, shown: HeadShown) -> float:
        """Odds of showing just this, seen as it is meant."""
        return self.lit.get(shown, 0.0) + self.arms.get(shown.form, 0.0)


@dataclass(frozen=True, slots=True)
class _Structure:
    """A number and placing of heads."""

    places: tuple[int, ...]  # of the unseen heads among all
    share: float  # its odds
    openness: float  # its odds against the best number of heads
    ratio: float  # the same without regard to where the unseen heads stand


def weigh(evidence: MastEvidence, book: Rulebook) -> Weighed:
    """Weigh the evidence against every aspect of the book."""
    policy = load_policy()
    result = Weighed()
    vocabulary = frozenset(s for heads in book.by_heads for s in heads if s != DARK)
    variants = Counter(_colours(heads) for heads in book.by_heads)
    for structure in _structures(evidence, policy):
        heads = [_spread(h, book) for h in evidence.heads]
        for place in structure.places:
            heads.insert(place, _spread(_UNSEEN, book))
        _weigh_structure(heads, structure, evidence, book, vocabulary, variants, result, policy)
    if result.likeliest < _ROUNDING:
        result.unlisted_open = True
    return result


def _colours(heads: tuple[HeadShown, ...]) -> tuple[tuple[str | None, str], ...]:
    """What a combination shows, flashing or not."""
    return tuple((head.colour, head.form) for head in heads)


def _structures(evidence: MastEvidence, policy: Policy) -> Iterator[_Structure]:
    """Yield each number and placing of heads that the mast may have."""
    known = len(evidence.heads)
    unseen = evidence.unseen_head if known < MAX_HEADS else 0.0
    top = max(unseen, 1.0 - unseen)
    if unseen < 1.0:
        yield _Structure((), 1.0 - unseen, (1.0 - unseen) / top, (1.0 - unseen) / top)
    if unseen == 0.0:
        return
    counts = range(1, MAX_HEADS - known + 1)
    weights = [policy.second_unseen ** (k - 1) for k in counts]
    for count, weight in zip(counts, weights, strict=True):
        places = list(combinations(range(known + count), count))
        for place in places:
            part = weight / sum(weights) / len(places)
            # No place is likelier than another: that it is not known where an unseen head
            # stands says nothing against any row.
            ratio = unseen / top * weight / max(weights)
            yield _Structure(place, unseen * part, unseen * part / top, ratio)


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
    top = max(head.colour.values()), max(head.behaviour.values()), max(forms.values())
    ratios: dict[HeadShown | str, float] = {
        s: p / (top[0] * top[1] * top[2]) for s, p in lit.items()
    }
    dark_ratio = dark / top[1]
    arms: dict[str, float] = {}
    if book.imperfect.arm_alone:
        arms = {f: p * dark for f, p in forms.items() if f.startswith("arm") and p > 0.0}
        ratios |= {f: p / (top[1] * top[2]) for f, p in arms.items()}
        others = [p for f, p in forms.items() if f not in arms]
        dark_ratio *= max(others, default=0.0) / top[2]
        dark *= 1.0 - sum(forms.get(f, 0.0) for f in arms)
    best = max([dark, *arms.values(), *lit.values()])
    return _Head(lit, dark, arms, best, ratios, dark_ratio)


def _weigh_structure(
    heads: list[_Head],
    structure: _Structure,
    evidence: MastEvidence,
    book: Rulebook,
    vocabulary: frozenset[HeadShown],
    variants: Counter[tuple[tuple[str | None, str], ...]],
    result: Weighed,
    policy: Policy,
) -> None:
    """Add one number and placing of heads to the result."""
    unseen, share, openness = frozenset(structure.places), structure.share, structure.openness
    masses: list[tuple[Entry, float, float]] = []
    covered_unlisted = 0.0
    uncovered = 0.0
    blur = 1.0 / len(vocabulary)
    limit = policy.open_share * _ROUNDING
    for pattern, entries in book.by_heads.items():
        if len(pattern) != len(heads):
            continue
        total = clean = opened = unlisted = fit = loose = 1.0
        for i, (head, shown) in enumerate(zip(heads, pattern, strict=True)):
            exact = head.dark if shown == DARK else head.exact(shown)
            total *= exact + (0.0 if shown == DARK else head.dark * blur)
            clean *= exact if i not in unseen else head.dark * blur
            opened *= head.share(shown)
            unlisted *= head.unlisted_share(shown)
            fit = min(fit, exact / head.best) if i not in unseen else fit
            loose = min(loose, head.share(shown))
        if opened == 0.0:
            continue
        rest = 1.0
        rows, bare = rows_weighed(entries, evidence, book, policy)
        of_colours = 1.0 / variants[_colours(pattern)]
        for entry, weight, row_openness, row_ratio in rows:
            rest -= weight
            masses.append((entry, weight * of_colours * total, weight * of_colours * clean))
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
                result.likeliest = max(result.likeliest, loose * row_ratio * structure.ratio)
        in_pattern = _unlisted_weight(pattern, policy)
        covered_unlisted += in_pattern * total
        rest = max(0.0, rest)
        uncovered += in_pattern * total * rest
        if in_pattern * unlisted * openness * bare >= limit:
            result.unlisted_open = True
    usual = sum(_factor(s, policy) for s in vocabulary) * blur
    everything = policy.unlisted_weight
    for head in heads:
        lit = sum(_factor(s, policy) * p for s, p in head.lit.items())
        everything *= lit + head.dark * usual + sum(head.arms.values())
    outside = max(0.0, everything - covered_unlisted) + uncovered
    whole = outside + sum(mass for _, mass, _ in masses)
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
        if entry.row.aspect.plates and evidence.plates is None:
            result.plated[where] = result.plated.get(where, 0.0) + share * mass / whole
    result.unlisted += share * outside / whole
    if not result.unlisted_open and not unseen:
        result.unlisted_open = _unlisted_open(heads, openness, book, policy)


def _factor(shown: HeadShown, policy: Policy) -> float:
    factor = policy.unlisted_flashing if shown.behaviour == "flashing" else 1.0
    return factor if shown.colour in _COMMON else factor * policy.unlisted_rare_colour


def _unlisted_weight(pattern: tuple[HeadShown, ...], policy: Policy) -> float:
    weight = policy.unlisted_weight
    for shown in pattern:
        weight *= _factor(shown, policy)
    return weight


def _unlisted_open(heads: list[_Head], openness: float, book: Rulebook, policy: Policy) -> bool:
    """Whether a combination that the book lists nowhere is still open."""
    need = policy.open_share * _ROUNDING / (policy.unlisted_weight * openness)
    choices = []
    for head in heads:
        lit = [(s, head.unlisted_share(s) * _factor(s, policy)) for s in head.lit]
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
