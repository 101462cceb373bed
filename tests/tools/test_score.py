"""The scorer against hand-made pairs of truth and reading, where every count is known.

`perfect` sees exactly what a truth lets the medium show; the tests then spoil one thing at a time
and look for that one thing in the rows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook
from mastread.decoder.words import COLOURS
from mastread.tools.reading import build_reading
from mastread.tools.scenes.clip_plan import plan_clip
from mastread.tools.scenes.layers import HeadType
from mastread.tools.scenes.make import make_photo
from mastread.tools.scenes.setup import parse_aspect
from mastread.tools.scenes.truth import (
    Motion,
    TrueHead,
    TrueHeadPlace,
    TrueMast,
    TrueSpan,
    Truth,
)
from mastread.tools.score import score_case
from mastread.tools.score_rows import Case, LampRow, Odds
from mastread.tools.score_sums import reliability, summary
from mastread.tools.score_tables import tables
from mastread.tools.score_truth import is_lit, stage_of, times_of
from mastread.vision.types import HeadSeen, MastSeen, Seen, SourceInfo, SpanSeen

RADIUS = 5.0
SPACING = 40.0


def true_mast(
    number: int,
    x: float,
    *spans: tuple[float | None, float | None, str],
    contrast: float = 0.6,
    radius: float = RADIUS,
    type_: HeadType = "searchlight",
    unlit: Sequence[int] = (),
) -> TrueMast:
    """A mast at `x` with its top head at y = 100; `unlit`: flashing heads that are out just now."""
    out = []
    count = 0
    for start, end, aspect in spans:
        shows = parse_aspect(aspect)
        count = len(shows)
        heads = []
        for k, show in enumerate(shows, 1):
            flashing = show.flashing
            heads.append(
                TrueHead(
                    head=k,
                    colour=show.colour,
                    behaviour="dark"
                    if show.colour is None
                    else "flashing"
                    if flashing
                    else "steady",
                    rate_hz=0.9 if flashing and start is not None else None,
                    duty=0.5 if flashing and start is not None else None,
                    lit_now=None
                    if start is not None
                    else show.colour is not None and k not in unlit,
                    x=x,
                    y=100.0 + SPACING * (k - 1),
                    radius=radius,
                    contrast=contrast,
                )
            )
        out.append(TrueSpan(start, end, aspect, tuple(heads)))
    places = tuple(
        TrueHeadPlace(k, x, 100.0 + SPACING * (k - 1), radius, type_) for k in range(1, count + 1)
    )
    box = (x - 20.0, 80.0, x + 20.0, 120.0 + SPACING * count)
    return TrueMast(number, box, "high", "inline", (), places, tuple(out))


def photo(*masts: TrueMast, **more: Any) -> Truth:
    """A photo's truth, 800 by 600."""
    return Truth("photo.jpg", "photo", 800, 600, None, None, 1, masts, **more)


def clip(*masts: TrueMast, motion: Motion | None = None, duration: float = 12.0) -> Truth:
    """A clip's truth, 800 by 600, 10 frames a second."""
    frames = round(duration * 10)
    if motion is None:
        times = tuple(k / 10.0 for k in range(frames))
        still = (0.0,) * frames
        motion = Motion(times, still, still, (1.0,) * frames)
    return Truth("clip.mp4", "video", 800, 600, duration, frames, 1, masts, motion=motion)


Edit = Callable[[HeadSeen], HeadSeen | None]


def perfect(truth: Truth) -> Seen:
    """What an eye would see that knows the truth, no more than the medium shows."""
    stage = stage_of(truth)
    masts = []
    for mast in truth.masts:
        spans = []
        for span in mast.spans:
            middle = sum(times_of(span)) / 2.0
            heads = []
            for head in span.heads:
                x, y, zoom = stage.at(head.x, head.y, middle)
                heads.append(_seen(head, x, y, zoom, truth.kind == "photo"))
            spans.append(_span(span.start_s, span.end_s, heads, mast))
        masts.append(MastSeen(mast.mast, mast.box, tuple(spans)))
    source = SourceInfo(
        truth.file, truth.kind, truth.width, truth.height, truth.duration_s, truth.frames
    )
    return Seen(source, tuple(masts))


def edited(seen: Seen, edit: Edit, mast: int = 1, span: int | None = None, head: int = 0) -> Seen:
    """The same with one head changed, or left out where `edit` gives None."""
    masts = []
    for one in seen.masts:
        spans = list(one.spans)
        for k, old in enumerate(spans):
            if one.mast == mast and span in (None, k):
                heads = list(old.heads)
                new = edit(heads.pop(head))
                if new is not None:
                    heads.insert(head, new)
                spans[k] = replace(
                    old,
                    heads=tuple(heads),
                    evidence=replace(old.evidence, heads=_evidence(heads)),
                )
        masts.append(replace(one, spans=tuple(s for s in spans if s.heads)))
    return replace(seen, masts=tuple(m for m in masts if m.spans))


def with_masts(seen: Seen, *masts: MastSeen) -> Seen:
    """The same with other masts."""
    return replace(seen, masts=masts)


def read(seen: Seen, book: Rulebook) -> dict[str, Any]:
    """The reading document of what was seen."""
    return dict(build_reading(seen, book))


def lit_head(colour: str, x: float, y: float, p: float = 0.99) -> HeadSeen:
    """A lamp as a photo shows it."""
    return HeadSeen(
        {c: p if c == colour else (1.0 - p) / 5.0 for c in COLOURS},
        {"steady": 0.5, "flashing": 0.5, "dark": 0.0},
        x,
        y,
        RADIUS,
    )


def mast_of(number: int, *heads: HeadSeen) -> MastSeen:
    """A mast of a photo from its heads."""
    evidence = MastEvidence(_evidence(heads))
    return MastSeen(number, (0.0, 0.0, 9.0, 9.0), (SpanSeen(None, None, heads, evidence),))


def _span(
    start: float | None, end: float | None, heads: Sequence[HeadSeen], mast: TrueMast
) -> SpanSeen:
    evidence = MastEvidence(
        _evidence(heads),
        dwarf=float(mast.kind == "dwarf"),
        staggered=float(mast.arrangement == "staggered"),
    )
    return SpanSeen(start, end, tuple(heads), evidence)


def _evidence(heads: Sequence[HeadSeen]) -> tuple[HeadEvidence, ...]:
    return tuple(HeadEvidence(head.colour_odds, head.behaviour_odds) for head in heads)


def _seen(head: TrueHead, x: float, y: float, zoom: float, still: bool) -> HeadSeen:
    lit = is_lit(head)
    colour = {c: 1.0 / len(COLOURS) for c in COLOURS}
    if lit and head.colour is not None:
        colour = {head.colour: 1.0}
    if still:
        steady = 0.5 if lit else 0.0
        behaviour = {"steady": steady, "flashing": 0.5, "dark": 0.5 - steady}
    else:
        behaviour = {head.behaviour: 1.0}
    return HeadSeen(
        colour,
        behaviour,  # type: ignore[arg-type]
        x,
        y,
        head.radius * zoom,
        rate_hz=head.rate_hz,
        rate_sd_hz=None if head.rate_hz is None else 0.01,
        duty=head.duty,
    )


def score(truth: Truth, seen: Seen, book: Rulebook) -> Case:
    return score_case(truth, read(seen, book), book)


def lamp(case: Case, mast: int = 1, head: int = 1, span: int = 0) -> LampRow:
    return next(r for r in case.lamps if (r.mast, r.head, r.span) == (mast, head, span))


def now(aspect: str) -> tuple[None, None, str]:
    return (None, None, aspect)


# --- the perfect reading ---------------------------------------------------------------------


@pytest.mark.parametrize(
    "truth",
    [
        photo(true_mast(1, 200.0, now("yellow over red over red"))),
        photo(true_mast(1, 200.0, now("flashing yellow over red over red"))),
        photo(true_mast(1, 200.0, now("flashing yellow over red"), unlit=[1])),
        photo(
            true_mast(1, 200.0, now("green over red")), true_mast(2, 500.0, now("red over dark"))
        ),
        photo(),
        clip(true_mast(1, 200.0, (0.0, 12.0, "red over red over flashing yellow"))),
        clip(
            true_mast(1, 200.0, (0.0, 5.0, "red over red"), (5.0, 12.0, "yellow over red")),
            true_mast(2, 500.0, (0.0, 12.0, "green over red over red")),
        ),
    ],
    ids=lambda truth: f"{truth.kind}: " + ", ".join(m.spans[0].aspect for m in truth.masts),
)
def test_a_perfect_reading_has_no_fault(truth: Truth, book: Rulebook) -> None:
    case = score(truth, perfect(truth), book)
    assert case.faults() == dict.fromkeys(case.faults(), 0)
    assert all(row.found for row in case.lamps)
    assert all(row.colour == "right" for row in case.lamps if row.lit)
    assert all(row.outcome == "exact" for row in case.readings)
    assert all(row.complete for row in case.masts)
    assert not case.invented


@pytest.mark.parametrize("seed", range(40, 52))
def test_a_perfect_reading_of_a_made_photo_has_no_fault(seed: int, book: Rulebook) -> None:
    _, truth = make_photo(seed, size=(640, 480), noise=False)
    case = score(truth, perfect(truth), book)
    assert case.badness() == 0, case
    assert len(case.lamps) == sum(len(mast.heads) for mast in truth.masts)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_perfect_reading_of_a_made_clip_follows_its_motion(seed: int, book: Rulebook) -> None:
    plan = plan_clip(seed, {"size": (640, 480), "pan_px": 60.0, "zoom": 1.5, "lens_px": 8.0})
    case = score(plan.truth, perfect(plan.truth), book)
    motion = plan.truth.motion
    assert motion is not None
    assert max(max(way) - min(way) for way in (motion.dx, motion.dy)) > 15.0
    assert max(motion.zoom) > 1.4
    assert case.badness() == 0, case
    assert case.lamps


# --- lamps ----------------------------------------------------------------------------------

THREE = photo(true_mast(1, 200.0, now("yellow over red over red")))


def test_a_missed_lamp(book: Rulebook) -> None:
    case = score(THREE, edited(perfect(THREE), lambda head: None, head=1), book)
    row = lamp(case, head=2)
    assert (row.found, row.claim, row.colour) == (False, "none", None)
    assert case.faults()["missed"] == 1
    assert case.masts[0].faults == ("a lamp missed",)
    total = summary([case])["photo"]["total"]
    assert (total["found"], total["lit"], total["colour_right"]) == (2, 3, 2)


@pytest.mark.parametrize(
    ("true", "said", "wrong_side"),
    [
        ("red", "green", True),
        ("red", "yellow", True),
        ("red", "lunar", True),
        ("yellow", "green", True),
        ("lunar", "white", True),
        ("yellow", "lunar", False),
        ("lunar", "yellow", False),
        ("green", "red", False),
        ("yellow", "red", False),
        ("red", "red", False),
    ],
)
def test_the_order_of_colours(true: str, said: str, wrong_side: bool, book: Rulebook) -> None:
    """The order of restrictiveness green, yellow, red: common practice, no source."""
    truth = photo(true_mast(1, 200.0, now(f"{true} over red")))
    seen = edited(perfect(truth), lambda h: replace(h, colour_odds={said: 1.0}))  # type: ignore[dict-item]
    row = lamp(score(truth, seen, book))
    assert row.colour == ("right" if true == said else "wrong")
    assert bool(row.wrong_side) == wrong_side


def test_a_withheld_colour(book: Rulebook) -> None:
    odds = {"red": 0.6, "yellow": 0.4}
    seen = edited(perfect(THREE), lambda h: replace(h, colour_odds=odds), head=1)  # type: ignore[arg-type]
    case = score(THREE, seen, book)
    row = lamp(case, head=2)
    assert (row.found, row.colour, row.stated) == (True, "withheld", None)
    assert row.colour_odds == Odds(0.6, True)
    assert case.faults()["wrong_colour"] == 0
    assert summary([case])["all"]["total"]["colour_withheld"] == 1


def test_an_unreadable_lamp_counts_apart(book: Rulebook) -> None:
    truth = photo(true_mast(1, 200.0, now("yellow over red"), contrast=0.05))
    total = summary([score(truth, Seen(perfect(truth).source, ()), book)])["photo"]["total"]
    assert (total["lit"], total["unreadable"], total["unreadable_withheld"]) == (0, 2, 2)
    assert (total["masts"], total["readings"], total["unreadable_readings"]) == (0, 0, 1)
    # A wrong claim is wrong however hard it was to see.
    seen = edited(perfect(truth), lambda h: replace(h, colour_odds={"green": 1.0}))
    total = summary([score(truth, seen, book)])["photo"]["total"]
    assert (total["unreadable_withheld"], total["colour_wrong"], total["wrong_side_lamps"]) == (
        0,
        1,
        1,
    )


def test_smaller_lenses_need_more_contrast(book: Rulebook) -> None:
    for radius, is_readable in ((1.2, False), (6.0, True), (0.9, False)):
        truth = photo(true_mast(1, 200.0, now("red"), contrast=0.25, radius=radius))
        assert lamp(score(truth, perfect(truth), book)).readable == is_readable


def test_an_invented_lamp(book: Rulebook) -> None:
    seen = perfect(THREE)
    more = mast_of(2, lit_head("green", 600.0, 300.0))
    case = score(THREE, with_masts(seen, *seen.masts, more), book)
    assert [(row.lit, row.colour, row.what) for row in case.invented] == [
        (True, "green", "nothing")
    ]
    assert case.masts[0].faults == ()
    assert summary([case])["photo"]["total"]["invented"] == 1


def test_a_lamp_claimed_twice(book: Rulebook) -> None:
    seen = perfect(THREE)
    more = mast_of(2, lit_head("yellow", 202.0, 101.0))
    case = score(THREE, with_masts(seen, *seen.masts, more), book)
    assert [row.what for row in case.invented] == ["a lamp twice"]
    # The nearer claim is the lamp's.
    assert case.faults()["invented"] == 1
    assert case.masts[0].faults == ()


def test_a_lamp_is_its_own_only_within_reach(book: Rulebook) -> None:
    truth = photo(true_mast(1, 200.0, now("red")))
    for shift, found in ((7.4, True), (7.6, False)):
        seen = edited(perfect(truth), lambda h, shift=shift: replace(h, x=h.x + shift))  # type: ignore[misc]
        case = score(truth, seen, book)
        assert lamp(case).found == found
        assert len(case.invented) == (0 if found else 1)


# --- dark heads -----------------------------------------------------------------------------


def test_a_dark_head_claimed_as_lit_is_wrong_side_and_invented(book: Rulebook) -> None:
    truth = photo(true_mast(1, 200.0, now("dark over red")))
    seen = edited(perfect(truth), lambda h: lit_head("yellow", h.x, h.y))
    case = score(truth, seen, book)
    assert lamp(case).wrong_side == "a dark head claimed as lit"
    part = summary([case])["photo"]
    assert (part["total"]["dark"], part["total"]["dark_found"], part["total"]["invented"]) == (
        1,
        0,
        1,
    )
    assert part["invented"] == {"a dark head": 1}
    assert case.readings[0].outcome == "wrong_side"


def test_a_dark_head_that_was_not_seen_leaves_the_grouping_right(book: Rulebook) -> None:
    truth = photo(true_mast(1, 200.0, now("dark over red")))
    case = score(truth, edited(perfect(truth), lambda h: None), book)
    assert case.masts[0].faults == ()
    assert not case.masts[0].complete
    assert summary([case])["photo"]["total"]["dark_found"] == 0


def test_a_lit_lamp_claimed_as_dark_is_missed_but_safe(book: Rulebook) -> None:
    dark = {"steady": 0.0, "flashing": 0.5, "dark": 0.5}
    seen = edited(perfect(THREE), lambda h: replace(h, behaviour_odds=dark))  # type: ignore[arg-type]
    row = lamp(score(THREE, seen, book))
    assert (row.found, row.claim, row.wrong_side) == (False, "dark", "")


def test_a_dark_multi_lens_head_may_be_placed_at_any_lens(book: Rulebook) -> None:
    for type_, found in (("vertical", True), ("searchlight", False)):
        truth = photo(true_mast(1, 200.0, now("dark over red"), type_=type_))  # type: ignore[arg-type]
        seen = edited(perfect(truth), lambda h: replace(h, y=h.y - 12.0))
        assert lamp(score(truth, seen, book)).found == found


# --- clips ----------------------------------------------------------------------------------

TWO_SPANS = clip(
    true_mast(1, 200.0, (0.0, 5.0, "red over red"), (5.0, 12.0, "flashing yellow over red"))
)


def test_behaviour_right_wrong_and_withheld(book: Rulebook) -> None:
    def behaviour(odds: dict[str, float]) -> LampRow:
        edit = lambda h: replace(h, behaviour_odds=odds)  # noqa: E731
        return lamp(score(TWO_SPANS, edited(perfect(TWO_SPANS), edit, span=1), book), span=1)

    assert behaviour({"flashing": 1.0}).behaviour == "right"
    steady = behaviour({"steady": 1.0})
    # Steady is the more restrictive of the two.
    assert (steady.behaviour, steady.wrong_side) == ("wrong", "")
    assert behaviour({"steady": 0.5, "flashing": 0.5}).behaviour == "withheld"


def test_flashing_claimed_of_a_steady_lamp_is_wrong_side(book: Rulebook) -> None:
    flash = {"flashing": 1.0}
    seen = edited(perfect(TWO_SPANS), lambda h: replace(h, behaviour_odds=flash), span=0)  # type: ignore[arg-type]
    row = lamp(score(TWO_SPANS, seen, book))
    assert row.wrong_side == "steady red claimed as flashing"


def test_flash_rates_and_their_errors(book: Rulebook) -> None:
    cases = [
        score(
            TWO_SPANS,
            edited(perfect(TWO_SPANS), lambda h, f=f: replace(h, rate_hz=0.9 * f), span=1),  # type: ignore[misc]
            book,
        )
        for f in (1.0, 1.005, 1.1)
    ]
    rates = summary(cases)["video"]["rates"]
    # The stated error of 0.01 Hz is 1.1 % of 0.9 Hz.
    assert (rates["count"], rates["within_1_percent"], rates["within_2_sd"]) == (3, 2, 2)
    assert rates["median"] == pytest.approx(0.005, abs=1e-4)


def test_a_change_told_late_missed_and_made_up(book: Rulebook) -> None:
    seen = perfect(TWO_SPANS)
    first, second = seen.masts[0].spans
    late = replace(seen.masts[0], spans=(replace(first, end_s=5.25), replace(second, start_s=5.25)))
    case = score(TWO_SPANS, with_masts(seen, late), book)
    assert [row.error_s for row in case.changes] == [pytest.approx(0.25)]
    assert case.badness() == 0
    one = replace(seen.masts[0], spans=(replace(first, end_s=12.0),))
    case = score(TWO_SPANS, with_masts(seen, one), book)
    assert [row.error_s for row in case.changes] == [None]
    assert lamp(case, span=1).wrong_side == ""
    assert lamp(case, span=1).colour == "wrong"
    more = replace(
        seen.masts[0],
        spans=(replace(first, end_s=2.0), replace(first, start_s=2.0), second),
    )
    case = score(TWO_SPANS, with_masts(seen, more), book)
    changes = summary([case])["video"]["changes"]
    assert (changes["count"], changes["told"], changes["made_up"]) == (1, 1, 1)


def test_a_mast_that_comes_back_under_a_new_number_is_split_not_invented(book: Rulebook) -> None:
    truth = clip(true_mast(1, 200.0, (0.0, 12.0, "red over red")))
    seen = perfect(truth)
    (span,) = seen.masts[0].spans
    first = replace(seen.masts[0], spans=(replace(span, end_s=5.0),))
    again = replace(seen.masts[0], mast=2, spans=(replace(span, start_s=7.0),))
    case = score(truth, with_masts(seen, first, again), book)
    assert not case.invented
    assert case.masts[0].faults == ("split",)
    # At the same time it would be one lamp claimed twice.
    twice = replace(seen.masts[0], mast=2)
    case = score(truth, with_masts(seen, seen.masts[0], twice), book)
    assert [row.what for row in case.invented] == ["a lamp twice"] * 2


def test_what_is_hidden_or_out_of_the_picture_is_not_readable(book: Rulebook) -> None:
    mast = true_mast(1, 200.0, (0.0, 12.0, "red"))
    hidden = clip(replace(mast, hidden=((0.0, 11.8),)))
    assert not lamp(score(hidden, perfect(hidden), book)).readable
    times = tuple(k / 10.0 for k in range(120))
    away = Motion(times, (-300.0,) * 117 + (0.0,) * 3, (0.0,) * 120, (1.0,) * 120)
    panned = clip(mast, motion=away)
    row = lamp(score(panned, perfect(panned), book))
    # Three frames of 0.1 s at the end are too short a look, but the lamp can be found: where the
    # camera's movement says that it was in the middle of the span, or where it was seen.
    assert (row.readable, row.found) == (False, True)
    assert perfect(panned).masts[0].spans[0].heads[0].x == -100.0
    for x, found in ((200.0, True), (-110.0, True), (-120.0, False), (50.0, False)):
        seen = edited(perfect(panned), lambda h, x=x: replace(h, x=x))  # type: ignore[misc]
        assert lamp(score(panned, seen, book)).found == found


def test_a_span_too_short_to_tell_a_flash(book: Rulebook) -> None:
    truth = clip(
        true_mast(1, 200.0, (0.0, 10.0, "red over red"), (10.0, 12.0, "flashing yellow over red"))
    )
    seen = perfect(truth)
    case = score(truth, seen, book)
    assert lamp(case, span=0).readable_behaviour
    assert not lamp(case, span=1).readable_behaviour
    # Nobody could have told the flash, so a reading that names it has told too much.
    assert case.readings[1].outcome == "unproven"


# --- masts ----------------------------------------------------------------------------------

TWO_MASTS = photo(
    true_mast(1, 200.0, now("green over red")), true_mast(2, 500.0, now("yellow over red"))
)


def masts_of(seen: Seen) -> list[tuple[HeadSeen, ...]]:
    return [mast.spans[0].heads for mast in seen.masts]


def faults(truth: Truth, *masts: Sequence[HeadSeen], book: Rulebook) -> list[tuple[str, ...]]:
    seen = perfect(truth)
    made = [mast_of(n, *heads) for n, heads in enumerate(masts, 1)]
    return [row.faults for row in score(truth, with_masts(seen, *made), book).masts]


def test_grouping_faults(book: Rulebook) -> None:
    (a1, a2), (b1, b2) = masts_of(perfect(TWO_MASTS))
    assert faults(TWO_MASTS, [a1, a2], [b1, b2], book=book) == [(), ()]
    joined = [("two masts as one",)] * 2
    assert faults(TWO_MASTS, [a1, b1, a2, b2], book=book) == joined
    assert faults(TWO_MASTS, [a1], [a2], [b1, b2], book=book) == [("split",), ()]
    assert faults(TWO_MASTS, [a2, a1], [b1, b2], book=book) == [("heads out of order",), ()]
    assert faults(TWO_MASTS, [b1, b2], [a1, a2], book=book) == [(), ("masts out of order",)]
    extra = lit_head("red", 200.0, 180.0)
    assert faults(TWO_MASTS, [a1, a2, extra], [b1, b2], book=book) == [("a head too many",), ()]


def test_the_lamps_of_a_position_light_are_one_head(book: Rulebook) -> None:
    truth = photo(true_mast(1, 200.0, now("yellow over red"), type_="position"))
    below = lit_head("red", 200.0, 100.0 + SPACING)
    row = [lit_head("yellow", 200.0 + dx, 100.0) for dx in (-14.0, 14.0)]
    case = score(truth, with_masts(perfect(truth), mast_of(1, *row, below)), book)
    assert not case.invented
    assert [r.colour for r in case.lamps] == ["right", "right"]
    assert case.masts[0].faults == ("a head too many",)


# --- readings -------------------------------------------------------------------------------


def test_outcomes_of_readings(book: Rulebook) -> None:
    truth = clip(true_mast(1, 200.0, (0.0, 12.0, "yellow over red over red")))

    def outcome(colour: dict[str, float], behaviour: dict[str, float]) -> str:
        edit = lambda h: replace(h, colour_odds=colour, behaviour_odds=behaviour)  # noqa: E731
        return score(truth, edited(perfect(truth), edit), book).readings[0].outcome

    steady = {"steady": 1.0}
    assert outcome({"yellow": 1.0}, steady) == "exact"
    assert outcome({"yellow": 0.6, "red": 0.4}, steady) == "withheld"
    assert outcome({"green": 1.0}, steady) == "wrong_side"
    assert outcome({"red": 1.0}, steady) == "wrong"
    assert outcome({"yellow": 1.0}, {"flashing": 1.0}) == "wrong_side"
    assert outcome({"yellow": 1.0}, {"steady": 0.5, "flashing": 0.5}) == "withheld"
    empty = score(truth, Seen(perfect(truth).source, ()), book)
    assert empty.readings[0].outcome == "missed"


def test_what_a_photo_cannot_tell(book: Rulebook) -> None:
    truth = photo(true_mast(1, 200.0, now("yellow over red over red")))
    seen = perfect(truth)
    assert score(truth, seen, book).readings[0].outcome == "exact"
    page = read(seen, book)
    indication = page["masts"][0]["spans"][0]["indication"]
    assert indication["status"] == "ambiguous"
    # Naming the true one all the same is luck, not sight.
    steady = perfect(clip(true_mast(1, 200.0, (0.0, 12.0, "yellow over red over red"))))
    sure = read(steady, book)["masts"][0]["spans"][0]["indication"]
    assert sure["status"] == "read"
    page["masts"][0]["spans"][0]["indication"] = sure
    assert score_case(truth, page, book).readings[0].outcome == "unproven"


def test_leaving_the_true_indication_out_is_an_error(book: Rulebook) -> None:
    """The true aspect is the only thing that may not be excluded, however much is left open."""
    truth = photo(true_mast(1, 200.0, now("yellow over red over red")))
    green = photo(true_mast(1, 200.0, now("flashing yellow over red over red")))
    page = read(perfect(green), book)
    possible = page["masts"][0]["spans"][0]["indication"]["possible"]
    assert len(possible) > 1
    name = "Clear to Stop"
    left = [entry for entry in possible if entry["name"] != name]
    assert len(left) == len(possible) - 1
    page["masts"][0]["spans"][0]["indication"] |= {
        "possible": left,
        "most_restrictive": {"rule": left[0]["rule"], "name": left[0]["name"]},
    }
    assert score_case(truth, page, book).readings[0].outcome == "wrong_side"


# --- sums and tables ------------------------------------------------------------------------


def test_reliability_by_hand() -> None:
    odds = [Odds(0.92, True), Odds(0.94, False), Odds(0.96, True), None]
    table = reliability(odds)
    assert table["count"] == 3
    assert [(row[0], row[2], row[4]) for row in table["bins"]] == [(0.9, 2, 1), (0.95, 1, 1)]
    # (2 |0.93 - 0.5| + 1 |0.96 - 1|) / 3
    assert table["ece"] == pytest.approx(0.3)
    assert table["brier"] == pytest.approx((0.08**2 + 0.94**2 + 0.04**2) / 3)


def test_calibrated_odds_have_no_calibration_error() -> None:
    odds = [Odds(0.75, k < 75) for k in range(100)] + [Odds(1.0, True)] * 50
    assert reliability(odds)["ece"] == pytest.approx(0.0)


def test_size_classes_and_their_sums(book: Rulebook) -> None:
    cases = []
    for radius in (1.4, 1.5, 2.9, 3.0, 6.0, 30.0):
        truth = photo(true_mast(1, 200.0, now("red"), radius=radius))
        cases.append(score(truth, perfect(truth), book))
    part = summary(cases)["photo"]
    lamps = {name: block["lit"] for name, block in part["size"].items()}
    assert lamps == {"under 3 px": 1, "3 to 6 px": 2, "6 to 12 px": 1, "12 px and up": 2}
    assert part["6 px and up"]["lit"] == 3
    for key in ("lit", "found", "masts", "exact", "invented"):
        assert sum(b[key] for b in part["size"].values()) == part["total"][key]


def test_tables_show_every_count(book: Rulebook) -> None:
    seen = edited(perfect(TWO_SPANS), lambda h: replace(h, colour_odds={"green": 1.0}), span=0)
    text = tables(summary([score(TWO_SPANS, seen, book), score(THREE, perfect(THREE), book)]))
    assert "red claimed as green" in text
    assert "=== Photos (1) ===" in text
    assert "=== Photos and clips together (2) ===" in text
    assert "3/3 100.00 %" in text


def test_tables_of_nothing() -> None:
    assert tables(summary([])) == "0 files, 0 could not be read"


def test_a_file_that_could_not_be_read_counts_as_nothing_found(book: Rulebook) -> None:
    page = {"source": {"kind": "photo"}, "masts": [], "error": "photo.jpg: is damaged"}
    case = score_case(THREE, page, book)
    sums = summary([case])
    assert (sums["unread"], sums["photo"]["total"]["lit"], sums["photo"]["total"]["found"]) == (
        1,
        3,
        0,
    )
