"""What must hold for any evidence: safety first."""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from mastread.decoder.aspect import Aspect
from mastread.decoder.decode import Decision, decode
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.order import Orders
from mastread.decoder.rulebook import Entry, Indication, Rulebook, load_book
from mastread.decoder.weigh import weigh
from mastread.decoder.words import BEHAVIOURS, COLOURS

BOOKS = {name: load_book(name) for name in ("cror", "norac", "layout")}
PLATES = st.none() | st.frozensets(st.sampled_from(["A", "R", "L", "DV", "number"]), max_size=2)
ODDS = st.floats(0.0, 1.0)


def odds_over(words: tuple[str, ...]) -> st.SearchStrategy[dict[str, float]]:
    """Anything from certainty to equal odds, many of them with zeros."""
    parts = st.lists(
        st.sampled_from([0.0, 0.0, 0.001, 0.02, 0.3, 1.0, 30.0]),
        min_size=len(words),
        max_size=len(words),
    ).filter(any)
    return parts.map(lambda p: {w: x / sum(p) for w, x in zip(words, p, strict=True)})


HEADS = st.builds(HeadEvidence, odds_over(COLOURS), odds_over(BEHAVIOURS))
MASTS = st.builds(
    MastEvidence,
    st.lists(HEADS, min_size=1, max_size=3).map(tuple),
    unseen_head=ODDS,
    plates=PLATES,
    dwarf=ODDS,
    staggered=ODDS | st.none(),
)


@st.composite
def seen_rows(draw: st.DrawFn) -> tuple[str, MastEvidence]:
    """A row of a book, seen with any amount of doubt."""
    name = draw(st.sampled_from(sorted(BOOKS)))
    aspect = draw(st.sampled_from([e.row.aspect for e in BOOKS[name].entries()]))
    heads = []
    for head in aspect.heads:
        colour, behaviour = draw(odds_over(COLOURS)), draw(odds_over(BEHAVIOURS))
        sharp, clear = (
            draw(st.sampled_from([0.4, 0.9, 1.0])),
            draw(st.sampled_from([0.4, 0.9, 1.0])),
        )
        colour = {c: p * (1 - sharp) + sharp * (c == head.colour) for c, p in colour.items()}
        behaviour = {
            b: p * (1 - clear) + clear * (b == head.behaviour) for b, p in behaviour.items()
        }
        heads.append(HeadEvidence(colour, behaviour))  # type: ignore[arg-type]
    unseen = draw(st.sampled_from([0.0, 0.005, 0.3, 0.9]))
    plates = draw(st.sampled_from([aspect.plates, None]))
    staggered = draw(st.sampled_from([None, 0.0, 0.02, 0.5, 1.0]))
    dwarf = draw(st.sampled_from([0.0, 0.02, 0.5])) if not aspect.dwarf else 1.0
    return name, MastEvidence(tuple(heads), unseen, plates, dwarf, staggered)


def mix(odds: Mapping[str, float], words: tuple[str, ...], share: float) -> dict[str, float]:
    return {w: (1 - share) * odds.get(w, 0.0) + share / len(words) for w in words}


def safest(evidence: MastEvidence, book: Rulebook) -> Indication:
    rule, name = decode(evidence, book).most_restrictive
    return next(i for i in book.indications if (i.rule, i.name) == (rule, name))


def towards_half(odds: float | None, share: float) -> float | None:
    return None if odds is None else odds + share * (0.5 - odds)


def answer(evidence: MastEvidence, book: Rulebook) -> Orders:
    """What somebody obeys who is given this decision: what was read, else all that is open."""
    decision = decode(evidence, book)
    if decision.status != "read":
        return decision.obey_all
    return safest(evidence, book).orders


#: Any doubt, however deep, that leaves the likeliest state of each head the likeliest.
SHORT_OF_ALL = st.floats(0.0, 0.98)


@settings(deadline=None, max_examples=150)
@given(
    seen_rows() | st.tuples(st.sampled_from(sorted(BOOKS)), MASTS),
    st.lists(SHORT_OF_ALL, min_size=9, max_size=9),
    st.booleans(),
)
def test_more_doubt_never_makes_the_answer_less_restrictive(
    seen: tuple[str, MastEvidence], shares: list[float], forget_plates: bool
) -> None:
    """For whatever is seen, aspects of the book or not, and for doubt about anything."""
    name, mast = seen
    book = BOOKS[name]
    heads = tuple(
        replace(h, colour=mix(h.colour, COLOURS, c), behaviour=mix(h.behaviour, BEHAVIOURS, b))
        for h, c, b in zip(mast.heads, shares[:3], shares[3:6], strict=False)
    )
    doubted = replace(
        mast,
        heads=heads,
        unseen_head=towards_half(mast.unseen_head, shares[6]) or 0.0,
        dwarf=towards_half(mast.dwarf, shares[7]),
        staggered=towards_half(mast.staggered, shares[8]),
        plates=None if forget_plates else mast.plates,
    )
    before, after = decode(mast, book), decode(doubted, book)
    assert {p[:2] for p in before.possible} <= {p[:2] for p in after.possible}
    assert safest(doubted, book).restrictiveness() <= safest(mast, book).restrictiveness()
    assert after.obey_all.at_least_as_restrictive_as(before.obey_all)
    assert answer(doubted, book).at_least_as_restrictive_as(answer(mast, book))


@settings(deadline=None, max_examples=50)
@given(seen_rows(), st.lists(ODDS, min_size=6, max_size=6), st.booleans())
def test_knowing_nothing_any_more_is_no_less_restrictive_than_an_aspect_of_the_book(
    seen: tuple[str, MastEvidence], shares: list[float], forget: bool
) -> None:
    """Doubt up to equal odds, from anything that may be an aspect of the book.

    What surely is none counts as Stop. Where nothing at all is known of a head any more the
    book's rule decides (what the rest allows), and that may be more than Stop.
    """
    name, mast = seen
    book = BOOKS[name]
    heads = tuple(
        HeadEvidence(mix(h.colour, COLOURS, c), mix(h.behaviour, BEHAVIOURS, b))
        for h, c, b in zip(mast.heads, shares[:3], shares[3:], strict=False)
    )
    doubted = replace(
        mast,
        heads=heads,
        unseen_head=0.5,
        dwarf=0.5,
        staggered=None if forget else mast.staggered,
        plates=None if forget else mast.plates,
    )
    assume(not weigh(mast, book).unlisted_open)
    assert safest(doubted, book).restrictiveness() <= safest(mast, book).restrictiveness()
    assert answer(doubted, book).at_least_as_restrictive_as(answer(mast, book))


@settings(deadline=None, max_examples=50)
@given(MASTS, st.sampled_from(sorted(BOOKS)), st.randoms())
def test_the_order_of_rows_and_keys_does_not_matter(
    mast: MastEvidence, name: str, rng: random.Random
) -> None:
    book = BOOKS[name]
    indications = list(book.indications)
    rng.shuffle(indications)
    by_heads: dict[tuple[object, ...], list[Entry]] = {}
    for indication in indications:
        for row in rng.sample(indication.aspects, len(indication.aspects)):
            by_heads.setdefault(row.aspect.heads, []).append(Entry(indication, row))
    shuffled = replace(
        book,
        indications=tuple(indications),
        by_heads={k: tuple(v) for k, v in by_heads.items()},  # type: ignore[misc]
    )
    heads = tuple(
        HeadEvidence(
            dict(rng.sample(list(h.colour.items()), len(h.colour))),
            dict(rng.sample(list(h.behaviour.items()), len(h.behaviour))),
        )
        for h in mast.heads
    )
    one, other = decode(mast, book), decode(replace(mast, heads=heads), shuffled)
    assert one.status == other.status
    assert (one.rule, one.name) == (other.rule, other.name)
    assert one.most_restrictive == other.most_restrictive
    assert sorted(p[:2] for p in one.possible if p[0]) == sorted(
        p[:2] for p in other.possible if p[0]
    )
    odds = {p[:2]: p[2] for p in other.possible}
    assert all(abs(p[2] - odds[p[:2]]) < 1e-9 for p in one.possible)
    assert set(one.reasons) == set(other.reasons)


def wrong_side_odds(mast: MastEvidence, book: Rulebook, decision: Decision) -> float:
    """Odds that the truth asks for something that what was read does not cover."""
    read = safest(mast, book)
    assert (read.rule, read.name) == (decision.rule, decision.name)
    weighed = weigh(mast, book)
    return 1.0 - sum(p for i, p in weighed.odds.items() if read.at_least_as_restrictive_as(i))


@settings(deadline=None, max_examples=100)
@given(seen_rows())
def test_no_reading_is_likelier_wrong_side_than_stated(seen: tuple[str, MastEvidence]) -> None:
    """1.5 in 100 for any single reading, by the odds that the evidence itself gives."""
    name, mast = seen
    decision = decode(mast, BOOKS[name])
    if decision.status == "read":
        assert wrong_side_odds(mast, BOOKS[name], decision) < 0.015
    else:
        assert decision.name is None


@settings(deadline=None, max_examples=80)
@given(MASTS, st.sampled_from(sorted(BOOKS)))
def test_every_decision_is_whole(mast: MastEvidence, name: str) -> None:
    book = BOOKS[name]
    decision = decode(mast, book)
    names = [p[:2] for p in decision.possible]
    odds = [p[2] for p in decision.possible]
    assert len(set(names)) == len(names)
    assert all(a >= b - 1e-9 for a, b in pairwise(odds))
    assert sum(odds) + decision.unlisted <= 1.0 + 1e-9
    if decision.status == "read":
        assert names[0] == (decision.rule, decision.name)
        assert decision.meaning
        assert decision.most_restrictive == names[0]
        assert wrong_side_odds(mast, book, decision) < 0.015
    else:
        assert decision.rule is decision.name is decision.meaning is None
        assert decision.reasons


#: Share of masts that have a head which nobody can see.
UNSEEN = 0.02


def _observe(aspect: Aspect, lost: int | None, rng: random.Random, photo: bool) -> MastEvidence:
    """Look at an aspect through an eye that errs, and say how far it is to be trusted.

    Each head's colour is seen right with some probability, else as any other, and the same in
    a clip for whether it flashes; the evidence is the odds that follow by Bayes' rule. Head
    number `lost` is dark and not seen at all; the plates are not seen.
    """
    heads = []
    for head in (h for n, h in enumerate(aspect.heads) if n != lost):
        colour = _seen(str(head.colour), ("red", "yellow", "green", "lunar"), rng)
        flash = {"steady": 0.5, "flashing": 0.5}
        if not photo:
            flash = _seen(head.behaviour, ("steady", "flashing"), rng)
        heads.append(HeadEvidence(colour, flash))  # type: ignore[arg-type]
    staggered = None if aspect.arrangement is None else float(aspect.arrangement == "staggered")
    unseen = UNSEEN if len(heads) < 3 else 0.0
    return MastEvidence(tuple(heads), unseen, None, float(aspect.dwarf), staggered)


def _seen(truth: str, words: tuple[str, ...], rng: random.Random) -> dict[str, float]:
    """What an eye of some skill (wrong once in 10 to once in 5000) takes a thing for."""
    wrong = 10 ** rng.uniform(-3.7, -1.0)
    others = [word for word in words if word != truth]
    seen = truth if rng.random() >= wrong else rng.choice(others)
    return {word: 1 - wrong if word == seen else wrong / len(others) for word in words}


def _draw(book: Rulebook, rng: random.Random) -> tuple[Entry, int | None]:
    """A row that a mast may show, and which of its heads is not to be seen.

    Plates are as frequent as the book takes them to be. Of the masts on which fewer than three
    heads are seen, a share of `UNSEEN` has one more.
    """
    entry = _row(book, rng, None)
    count = len(entry.row.aspect.heads)
    if count == 3 or rng.random() >= UNSEEN:
        return entry, None
    return _row(book, rng, count + 1), rng.randrange(count + 1)


def _row(book: Rulebook, rng: random.Random, count: int | None) -> Entry:
    prior = {plate.name: plate.prior for plate in book.plates}
    while True:
        entry = rng.choice(list(book.entries()))
        aspect = entry.row.aspect
        carried = all(rng.random() < prior[plate] for plate in aspect.plates or ())
        lit = all(head.behaviour != "dark" for head in aspect.heads)
        if carried and lit and count in (None, len(aspect.heads)):
            return entry


@pytest.mark.parametrize(("name", "photo"), [("cror", False), ("cror", True), ("norac", False)])
def test_readings_are_wrong_side_no_more_often_than_stated(name: str, photo: bool) -> None:
    """Truth drawn from the book, seen by an erring eye: under 1 wrong-side reading in 100."""
    rng = random.Random(20240)
    book = BOOKS[name]
    read_at_all = wrong_side = other = 0
    for _ in range(1200):
        truth, lost = _draw(book, rng)
        mast = _observe(truth.row.aspect, lost, rng, photo)
        decision = decode(mast, book)
        if decision.status != "read":
            continue
        read_at_all += 1
        read = safest(mast, book)
        if read is truth.indication:
            continue
        if read.at_least_as_restrictive_as(truth.indication):
            other += 1
        else:
            wrong_side += 1
    print(f"{name}: {read_at_all} read, {wrong_side} wrong-side, {other} otherwise wrong")
    assert read_at_all > (60 if photo else 350)
    # No more than chance makes of the stated rates in this many draws (two standard deviations).
    for found, stated in ((wrong_side, 0.01), (other, 0.1)):
        expected = stated * read_at_all
        assert found <= expected + 2 * expected**0.5


ORDERS = st.builds(Orders, *(st.integers(0, 7),) * 3)


@given(ORDERS, ORDERS, ORDERS)
def test_restrictiveness_is_a_partial_order(a: Orders, b: Orders, c: Orders) -> None:
    le = Orders.at_least_as_restrictive_as
    assert le(a, a)
    assert not (le(a, b) and le(b, a)) or a == b
    assert not (le(a, b) and le(b, c)) or le(a, c)
    assert le(a.meet(b), a)
    assert le(a.meet(b), b)
    assert not (le(c, a) and le(c, b)) or le(c, a.meet(b))
    # The sort key never contradicts the order.
    assert not le(a, b) or a.rank() <= b.rank()


def test_the_order_of_each_book_is_a_partial_order_too() -> None:
    for book in BOOKS.values():
        for a in book.indications:
            assert a.at_least_as_restrictive_as(a)
            for b in book.indications:
                if a.at_least_as_restrictive_as(b):
                    assert a.restrictiveness() <= b.restrictiveness()
                    for c in book.indications:
                        if b.at_least_as_restrictive_as(c):
                            assert a.at_least_as_restrictive_as(c)


def test_stop_is_the_most_restrictive_of_every_book() -> None:
    for book in BOOKS.values():
        lowest = book.most_restrictive()
        assert lowest.name in ("Stop", "Stop Signal")
        assert all(lowest.at_least_as_restrictive_as(i) for i in book.indications)
