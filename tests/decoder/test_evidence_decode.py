"""Evidence in, honest answer out: what must come out for doubtful sightings."""

from __future__ import annotations

import pytest

from mastread.decoder.decode import Decision, decode, decode_aspect
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.language import parse_aspect, say_aspect
from mastread.decoder.rulebook import list_books, load_book
from mastread.decoder.words import COLOURS

CROR = load_book("cror")
PHOTO = {"steady": 0.5, "flashing": 0.5}
EQUAL = dict.fromkeys(COLOURS, 1 / len(COLOURS))


def head(words: str, behaviour: dict[str, float] | None = None) -> HeadEvidence:
    *how, colour = words.split()
    if colour == "dark":
        return HeadEvidence(EQUAL, {"dark": 1.0})
    if colour == "hidden":
        return HeadEvidence(EQUAL, {"steady": 1 / 3, "flashing": 1 / 3, "dark": 1 / 3})
    stated = {how[0] if how else "steady": 1.0}
    return HeadEvidence({colour: 1.0}, behaviour or stated)  # type: ignore[arg-type,dict-item]


def mast(words: str, behaviour: dict[str, float] | None = None, **more: object) -> MastEvidence:
    heads = tuple(head(w.strip(), behaviour) for w in words.split(" over "))
    return MastEvidence(heads, **more)  # type: ignore[arg-type]


def names(decision: Decision) -> set[str]:
    return {name for _, name, _ in decision.possible}


@pytest.mark.parametrize("name", list_books())
def test_every_row_decodes_to_itself(name: str) -> None:
    book = load_book(name)
    for entry in book.entries():
        decision = decode_aspect(entry.row.aspect, book)
        if entry.row.disputed:
            assert decision.status == "ambiguous"
            assert entry.indication.name in names(decision)
        else:
            assert decision.status == "read", say_aspect(entry.row.aspect)
            assert (decision.rule, decision.name) == (entry.indication.rule, entry.indication.name)
            assert decision.meaning == entry.indication.meaning
            assert decision.most_restrictive == (decision.rule, decision.name)


def test_photo_of_green_over_reds_reads_clear() -> None:
    decision = decode(mast("green over red over red", PHOTO), CROR)
    assert (decision.status, decision.rule, decision.name) == ("read", "405", "Clear")


@pytest.mark.parametrize(
    ("show", "open_", "safest"),
    [
        ("yellow over red over red", {"Clear to Stop", "Advance Clear to Stop"}, "Clear to Stop"),
        ("red over red over red", {"Stop", "Take or Leave Siding"}, "Stop"),
        ("red over green over red", {"Medium to Clear", "Limited to Clear"}, "Medium to Clear"),
        (
            "red over red over yellow",
            {"Restricting", "Slow to Stop", "Diverging to Stop"},
            "Restricting",
        ),
    ],
)
def test_photo_withholds_where_flashing_would_matter(
    show: str, open_: set[str], safest: str
) -> None:
    decision = decode(mast(show, PHOTO), CROR)
    assert decision.status == "ambiguous"
    assert decision.name is decision.rule is decision.meaning is None
    assert names(decision) == open_
    assert decision.most_restrictive[1] == safest
    assert any("steady or flashing cannot be told" in r for r in decision.reasons)


def test_unknown_plate_on_a_single_red() -> None:
    decision = decode(mast("red"), CROR)
    assert decision.status == "ambiguous"
    assert names(decision) == {"Stop and Proceed", "Stop", "Restricting"}
    assert decision.most_restrictive == ("439", "Stop")
    assert any("an A plate" in r for r in decision.reasons)
    assert any("an R plate" in r for r in decision.reasons)


@pytest.mark.parametrize(
    ("plates", "name"), [((), "Stop and Proceed"), (("A",), "Stop"), (("R",), "Restricting")]
)
def test_told_plate_on_a_single_red(plates: tuple[str, ...], name: str) -> None:
    decision = decode(mast("red", plates=frozenset(plates)), CROR)
    assert (decision.status, decision.name) == ("read", name)


def test_a_rare_plate_that_would_only_raise_the_speed_does_not_withhold() -> None:
    decision = decode(mast("red over green over red"), CROR)
    assert (decision.status, decision.name) == ("read", "Medium to Clear")
    assert names(decision) == {"Medium to Clear", "Limited to Clear"}
    assert any("an L plate" in r for r in decision.reasons)


def test_a_plate_without_meaning_here_is_said() -> None:
    decision = decode(mast("green", plates=frozenset({"number", "A"})), CROR)
    assert decision.name == "Clear"
    assert any("number plate no meaning" in r for r in decision.reasons)
    assert any("an A plate changes here" in r for r in decision.reasons)


def test_dark_middle_head_between_reds_counts_as_stop() -> None:
    decision = decode(mast("red over dark over red"), CROR)
    assert decision.status == "ambiguous"
    assert decision.most_restrictive == ("439", "Stop")
    assert names(decision) == {
        "Stop",
        "Medium to Stop",
        "Medium to Clear",
        "Limited to Stop",
        "Limited to Clear",
    }
    assert any("rule 27" in r for r in decision.reasons)


def test_a_dark_head_is_never_read() -> None:
    decision = decode(mast("green over dark over red"), CROR)
    assert decision.status == "ambiguous"
    assert names(decision) == {"Clear"}


def test_dark_top_head_over_green() -> None:
    decision = decode(mast("dark over green over red"), CROR)
    assert decision.status == "ambiguous"
    assert decision.most_restrictive[1] == "Medium to Clear"
    assert "Clear to Medium" in names(decision)
    assert any("No one of these covers" in r for r in decision.reasons)
    medium = CROR.find("Medium to Clear")
    ahead = CROR.find("Clear to Medium")
    assert medium is not None
    assert ahead is not None
    assert decision.obey_all.at_least_as_restrictive_as(medium.orders.meet(ahead.orders))


def test_a_dark_mast_may_be_lit_only_for_a_train() -> None:
    decision = decode(mast("dark over dark over dark"), CROR)
    assert decision.status == "unreadable"
    assert decision.most_restrictive == ("439", "Stop")
    assert any("when a train comes near" in r for r in decision.reasons)


def test_an_unseen_head_enters_with_its_odds() -> None:
    decision = decode(mast("green over red", unseen_head=0.3), CROR)
    assert decision.status == "ambiguous"
    odds = {name: p for _, name, p in decision.possible}
    # A third of 0.3: the unseen head stands above, and then green is the middle head. Seven
    # rows of three heads end in green over red, two of them Medium and Limited to Clear by plate.
    above = 0.3 / 3
    assert 0.0 < odds["Medium to Clear"] < above
    assert sum(odds.values()) + decision.unlisted == pytest.approx(1.0, abs=0.01)
    raised = decode(mast("green over red", unseen_head=0.6), CROR)
    assert {n: p for _, n, p in raised.possible}["Medium to Clear"] == pytest.approx(
        2 * odds["Medium to Clear"]
    )
    assert decision.most_restrictive[1] == "Medium to Clear"
    assert any("a further head that shows no light (30%)" in r for r in decision.reasons)
    told = decode(mast("green over red", unseen_head=0.0), CROR)
    assert (told.status, told.name) == ("read", "Clear")


def test_a_head_hidden_by_a_passing_train() -> None:
    decision = decode(mast("red over hidden over red"), CROR)
    assert decision.status == "ambiguous"
    assert decision.most_restrictive == ("439", "Stop")
    all_hidden = decode(mast("hidden over hidden over hidden"), CROR)
    assert all_hidden.status == "unreadable"
    assert all_hidden.most_restrictive == ("439", "Stop")


def test_a_half_seen_flash() -> None:
    """Four to one for flashing is not enough to read the less restrictive indication."""
    doubt = {"steady": 0.2, "flashing": 0.8}
    evidence = MastEvidence((head("yellow", doubt), head("red"), head("red")))
    decision = decode(evidence, CROR)
    assert decision.status == "ambiguous"
    assert decision.possible[0][1] == "Advance Clear to Stop"
    assert decision.most_restrictive[1] == "Clear to Stop"


def test_the_two_kinds_of_error_weigh_differently() -> None:
    """2 % of doubt block the less restrictive reading, and let the more restrictive one be."""
    for sure, other, status in (
        ("flashing", "steady", "ambiguous"),
        ("steady", "flashing", "read"),
    ):
        evidence = MastEvidence(
            (head("yellow", {sure: 0.98, other: 0.02}), head("red"), head("red"))
        )
        assert decode(evidence, CROR).status == status


def test_an_unlisted_combination_is_no_aspect_of_the_book() -> None:
    decision = decode(mast("green over yellow over red"), CROR)
    assert decision.status == "unreadable"
    assert not decision.possible
    assert decision.most_restrictive == ("439", "Stop")
    assert any("not an aspect of this book" in r for r in decision.reasons)


def test_a_clear_sight_of_something_unlisted_is_not_argued_away() -> None:
    for odds in (0.6, 0.9, 0.98, 0.998):
        lower = HeadEvidence({"yellow": odds, "red": 1 - odds}, {"steady": 1.0})
        decision = decode(MastEvidence((head("green"), lower, head("red"))), CROR)
        assert decision.status != "read"
        assert decision.most_restrictive == ("439", "Stop")


def test_uncertain_colour_between_green_and_yellow_on_top() -> None:
    top = HeadEvidence({"green": 0.95, "yellow": 0.05}, {"steady": 1.0})
    decision = decode(MastEvidence((top, head("red"), head("red"))), CROR)
    assert decision.status == "ambiguous"
    assert decision.most_restrictive[1] == "Clear to Stop"
    assert any("not certain: green (95%) or yellow (5%)" in r for r in decision.reasons)


def test_two_reds_depend_on_how_the_heads_stand() -> None:
    untold = decode(mast("red over red", plates=frozenset()), CROR)
    assert untold.status == "ambiguous"
    assert any("in line gives 439 Stop" in r for r in untold.reasons)
    in_line = decode(mast("red over red", plates=frozenset(), staggered=0.0), CROR)
    assert in_line.name == "Stop"
    staggered = decode(mast("red over red", plates=frozenset(), staggered=1.0), CROR)
    assert staggered.name == "Stop and Proceed"


def test_a_low_mast_without_a_sourced_form_is_not_read() -> None:
    assert decode(mast("green", dwarf=1.0), CROR).status == "unreadable"
    assert decode(mast("green", dwarf=0.0), CROR).name == "Clear"
    assert decode(mast("green"), CROR).name == "Clear"


def test_where_the_book_has_a_dwarf_form_it_must_be_told() -> None:
    norac = load_book("norac")
    decision = decode(mast("yellow"), norac)
    assert decision.status == "ambiguous"
    assert decision.most_restrictive[1] == "Restricting"
    assert any("dwarf" in r for r in decision.reasons)
    assert decode(mast("yellow", dwarf=0.0), norac).name == "Approach"
    assert decode(mast("yellow", dwarf=1.0), norac).name == "Restricting"


def test_a_missing_number_plate_is_not_assumed_to_be_there() -> None:
    norac = load_book("norac")
    decision = decode(mast("red", dwarf=0.0), norac)
    assert decision.status == "ambiguous"
    assert decision.most_restrictive[1] == "Stop Signal"


def test_memory_rows_say_so() -> None:
    decision = decode_aspect(parse_aspect("flashing yellow over green over red"), CROR)
    assert decision.name == "Advance Clear to Medium"
    assert any("recalled, not found in a source" in r for r in decision.reasons)
    assert any("check it against the rulebook" in r for r in decision.reasons)


def test_no_head_at_all_and_too_many() -> None:
    assert decode(MastEvidence(()), CROR).status == "unreadable"
    four = decode(mast("red over red over red over red"), CROR)
    assert four.status == "unreadable"
    assert four.most_restrictive == ("439", "Stop")


def test_notes_stand_first_among_the_reasons() -> None:
    note = "A photo cannot show whether a lamp flashes."
    decision = decode(mast("green over red over red", PHOTO, notes=(note,)), CROR)
    assert decision.reasons[0] == note


def test_json_has_the_fields_of_a_reading() -> None:
    data = decode(mast("yellow over red over red", PHOTO), CROR).as_json()
    assert list(data) == [
        "status",
        "rule",
        "name",
        "meaning",
        "possible",
        "most_restrictive",
        "reasons",
    ]
    assert data["possible"][0].keys() == {"rule", "name", "odds"}
    assert data["most_restrictive"] == {"rule": "411", "name": "Clear to Stop"}


def test_an_unlit_arm_counts_by_its_angle_where_the_book_says_so() -> None:
    arms = load_book("semaphore")
    assert arms.imperfect.arm_alone
    for angle, name in ((0, "Stop"), (45, "Caution / approach"), (90, "Clear / proceed")):
        decision = decode_aspect(parse_aspect(f"dark arm at {angle} degrees"), arms)
        assert (decision.status, decision.name) == ("read", name)
        assert any("lets the arm alone count" in r for r in decision.reasons)
    lamp = decode_aspect(parse_aspect("dark"), arms)
    assert lamp.status == "unreadable"
    assert lamp.most_restrictive[1] == "Stop"


def test_rows_and_arms_by_their_angle() -> None:
    rows = load_book("position_light")
    yellow = HeadEvidence({"yellow": 1.0}, {"steady": 1.0}, {"row 0": 0.6, "row 90": 0.4})
    decision = decode(MastEvidence((yellow,)), rows)
    assert decision.status == "ambiguous"
    assert names(decision) == {"Stop", "Clear"}
    assert decision.most_restrictive[1] == "Stop"
