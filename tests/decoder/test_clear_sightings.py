"""What most clips and photos look like: clear sightings must be read, and safely."""

from __future__ import annotations

import pytest

from mastread.decoder.decode import Decision, decode
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import load_book
from mastread.decoder.words import Behaviour, Colour

CROR = load_book("cror")
PHOTO: dict[Behaviour, float] = {"steady": 0.5, "flashing": 0.5}
GAP: dict[Behaviour, float] = {"flashing": 0.5, "dark": 0.5}

#: What a lamp is taken for when its colour is not sure, as chromaticities lie (common practice,
#: no source): red and yellow are neighbours, so are green and lunar.
NEIGHBOURS: dict[Colour, dict[Colour, float]] = {
    "red": {"yellow": 0.9, "white": 0.1},
    "yellow": {"red": 0.6, "white": 0.3, "green": 0.1},
    "green": {"lunar": 0.6, "yellow": 0.2, "white": 0.2},
}


def lamp(colour: Colour, sure: float, behaviour: dict[Behaviour, float]) -> HeadEvidence:
    odds = {other: (1 - sure) * p for other, p in NEIGHBOURS[colour].items()}
    return HeadEvidence({colour: sure, **odds}, behaviour)


def dark(behaviour: dict[Behaviour, float] | None = None) -> HeadEvidence:
    colours: tuple[Colour, ...] = ("red", "yellow", "green", "lunar", "white", "blue")
    return HeadEvidence(dict.fromkeys(colours, 1 / 6), behaviour or {"dark": 1.0})


def steady(share: float = 0.998) -> dict[Behaviour, float]:
    return {"steady": share, "flashing": 1 - share}


def names(decision: Decision) -> set[str]:
    return {name for _, name, _ in decision.possible}


@pytest.mark.parametrize("sure", [0.985, 0.99, 0.995, 0.999])
def test_red_over_green_over_red_is_medium_to_clear_and_the_plate_is_said(sure: float) -> None:
    """The L plate is unlikely and would only lift the speed, so it does not keep from reading."""
    heads = tuple(lamp(c, sure, steady()) for c in ("red", "green", "red"))  # type: ignore[arg-type]
    decision = decode(MastEvidence(heads), CROR)
    assert (decision.status, decision.name) == ("read", "Medium to Clear")
    assert any("with an L plate it would be 416 Limited to Clear" in r for r in decision.reasons)
    assert decision.most_restrictive == ("422", "Medium to Clear")


@pytest.mark.parametrize("sure", [0.98, 0.99, 0.997])
@pytest.mark.parametrize("unseen", [0.0, 0.004])
def test_photo_of_green_over_red_over_red_is_clear(sure: float, unseen: float) -> None:
    heads = tuple(lamp(c, sure, PHOTO) for c in ("green", "red", "red"))  # type: ignore[arg-type]
    decision = decode(MastEvidence(heads, unseen_head=unseen), CROR)
    assert (decision.status, decision.name) == ("read", "Clear")


@pytest.mark.parametrize(
    ("show", "name"),
    [
        (("red", "red", "red"), "Stop"),
        (("yellow", "red", "red"), "Clear to Stop"),
        (("red", "yellow", "red"), "Medium to Stop"),
        (("red", "red", "green"), "Slow to Clear"),
        (("red", "red", "yellow"), "Restricting"),
    ],
)
def test_other_clear_clips(show: tuple[Colour, ...], name: str) -> None:
    decision = decode(MastEvidence(tuple(lamp(c, 0.99, steady()) for c in show)), CROR)
    assert (decision.status, decision.name) == ("read", name)


def test_a_doubtful_top_lamp_keeps_from_reading_track_speed() -> None:
    """Of green, 3 in 100 for yellow: track speed without announcement would be wrong-side."""
    top = HeadEvidence({"green": 0.97, "yellow": 0.03}, steady())
    decision = decode(
        MastEvidence((top, lamp("red", 0.99, steady()), lamp("red", 0.99, steady()))), CROR
    )
    assert decision.status == "ambiguous"
    assert decision.most_restrictive[1] == "Clear to Stop"


def test_three_reds_are_stop_even_if_one_may_be_yellow() -> None:
    """The same doubt the other way round: naming the more restrictive does no harm."""
    bottom = HeadEvidence({"red": 0.96, "yellow": 0.04}, steady())
    heads = (lamp("red", 0.995, steady()), lamp("red", 0.995, steady()), bottom)
    decision = decode(MastEvidence(heads), CROR)
    assert (decision.status, decision.name) == ("read", "Stop")


@pytest.mark.parametrize("behaviour", [{"dark": 1.0}, GAP], ids=["clip", "photo"])
def test_a_dark_middle_head_is_never_read(behaviour: dict[Behaviour, float]) -> None:
    lit = steady() if behaviour is not GAP else PHOTO
    for top, safest in (("red", "Stop"), ("yellow", "Clear to Stop"), ("green", "Clear")):
        heads = (lamp(top, 0.995, lit), dark(behaviour), lamp("red", 0.995, lit))  # type: ignore[arg-type]
        decision = decode(MastEvidence(heads), CROR)
        assert decision.status == "ambiguous"
        assert decision.most_restrictive[1] == safest
        said = " ".join(decision.reasons)
        assert "by rule 27 it counts as the most restrictive" in said
        assert f"(here {decision.most_restrictive[0]} {safest})" in said
        between = "caught between two flashes" in said
        assert between == (behaviour is GAP)


@pytest.mark.parametrize("unseen", [0.05, 0.4, 1.0])
def test_two_lit_of_three_heads_at_night(unseen: float) -> None:
    """Where the unlit head stands is not known, so nothing is read, and the answer covers all."""
    for show, safest in (
        (("green", "red"), "Medium to Clear"),
        (("yellow", "red"), "Medium to Stop"),
        (("red", "red"), "Stop"),
        (("red", "yellow"), "Restricting"),
    ):
        heads = tuple(lamp(c, 0.995, steady()) for c in show)  # type: ignore[arg-type]
        decision = decode(MastEvidence(heads, unseen_head=unseen), CROR)
        assert decision.status == "ambiguous", show
        assert decision.most_restrictive[1] == safest
        assert any("a further head that shows no light" in r for r in decision.reasons)


def test_told_that_there_are_only_two_heads() -> None:
    heads = (lamp("green", 0.995, steady()), lamp("red", 0.995, steady()))
    assert decode(MastEvidence(heads, unseen_head=0.0), CROR).name == "Clear"


def test_colours_are_not_counted_twice_where_flashing_cannot_be_told() -> None:
    """Yellow over reds is listed steady and flashing, green over reds steady only."""
    top = HeadEvidence({"green": 0.5, "yellow": 0.5}, PHOTO)
    red = HeadEvidence({"red": 1.0}, PHOTO)
    decision = decode(MastEvidence((top, red, red)), CROR)
    odds = {name: p for _, name, p in decision.possible}
    yellow = odds["Clear to Stop"] + odds["Advance Clear to Stop"]
    assert odds["Clear"] == pytest.approx(yellow, rel=0.02)


def test_what_is_likeliest_no_aspect_of_the_book_counts_as_stop_and_is_named() -> None:
    """Flashing green over reds is not listed: nothing argues the sight of it away."""
    red = HeadEvidence({"red": 1.0}, steady())
    for share in (0.51, 0.6, 0.95):
        top = HeadEvidence({"green": 1.0}, {"flashing": share, "steady": 1 - share})
        decision = decode(MastEvidence((top, red, red)), CROR)
        assert decision.status != "read"
        assert decision.most_restrictive == ("439", "Stop")
    top = HeadEvidence({"green": 1.0}, {"flashing": 0.6, "steady": 0.4})
    reasons = " ".join(decode(MastEvidence((top, red, red)), CROR).reasons)
    assert "the likeliest sight is flashing green over red over red, which is no aspect" in reasons
    low = decode(MastEvidence((HeadEvidence({"green": 1.0}, steady()),), dwarf=0.6), CROR)
    assert any("listed for another kind of mast only" in reason for reason in low.reasons)
