"""Aspects in words, and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.decoder.aspect import PLATES, Aspect, HeadShown
from mastread.decoder.language import AspectError, parse_aspect, say_aspect
from mastread.decoder.words import COLOURS, FORMS


@st.composite
def heads(draw: st.DrawFn) -> HeadShown:
    form = draw(st.sampled_from(FORMS))
    behaviour = draw(st.sampled_from(["steady", "flashing", "dark", "unknown"]))
    if behaviour == "dark":
        return HeadShown(None, "dark", form)
    colour = draw(st.sampled_from([*COLOURS, "unknown"]))
    return HeadShown(colour, behaviour, form)  # type: ignore[arg-type]


@st.composite
def aspects(draw: st.DrawFn) -> Aspect:
    shown = tuple(draw(st.lists(heads(), min_size=1, max_size=3)))
    plates = draw(st.none() | st.frozensets(st.sampled_from(PLATES)))
    places = [None] if len(shown) == 1 else [None, "in line", "staggered"]
    return Aspect(shown, plates, draw(st.booleans()), draw(st.sampled_from(places)))  # type: ignore[arg-type]


@given(aspects())
def test_what_is_said_reads_back_the_same(aspect: Aspect) -> None:
    words = say_aspect(aspect)
    assert parse_aspect(words) == aspect
    assert say_aspect(parse_aspect(words)) == words


@given(aspects(), st.randoms(use_true_random=False))
def test_case_hyphens_and_commas_do_not_matter(aspect: Aspect, rng: object) -> None:
    words = say_aspect(aspect)
    loud = words.upper().replace(" OVER ", ", over  ").replace("FLASHING ", "Flashing-")
    assert parse_aspect(loud) == aspect


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("Solid Green", "green"),
        ("flashing-yellow over red-over-red", "flashing yellow over red over red"),
        (
            "red over red over flashing yellow with R plate, dwarf",
            "red over red over flashing yellow with R plate, dwarf",
        ),
        ("red, A plate", "red with A plate"),
        ("a red light over a green light", "red over green"),
        ("amber/red", "yellow over red"),
        ("red with plates A and L", "red with A and L plates"),
        ("red, no plates", "red"),
        ("red with number plate", "red with number plate"),
        ("red over red inline", "red over red, in line"),
        ("flashing or steady red", "steady or flashing red"),
        (
            "vertical yellow row over yellow centre lamp",
            "yellow row at 90 degrees over yellow centre lamp",
        ),
        ("red arm horizontal", "red arm at 0 degrees"),
        ("unlit over red head", "dark over red"),
        ("lunar white over red", "lunar over red"),
    ],
)
def test_what_people_type(typed: str, said: str) -> None:
    assert say_aspect(parse_aspect(typed)) == said


@pytest.mark.parametrize(
    ("typed", "tells"),
    [
        ("yelow over red", 'did you mean "yellow"?'),
        ("flahsing red", 'did you mean "flashing"?'),
        ("", "no aspect"),
        ("over", "a head is missing"),
        ("red over", "a head is missing"),
        ("red red", 'put "over"'),
        ("flashing over red", "names no colour"),
        ("flashing dark", "neither steady nor flashing"),
        ("red over red over red over red", "at most 3"),
        ("red with Q plate", "known plates are A, R, L, DV, number"),
        ("red with dwarf", 'no plate after "with"'),
        ("red, staggered", "one head"),
        ("red over red, in line, staggered", "keep one"),
        ("red with A plate, plates unknown", "keep one"),
        ("red arm at 30 degrees", "0, 45, 90"),
        ("yellow row", "angle"),
        ("yellow row arm at 45 degrees", "not two"),
        ("yellow centre lamp at 45 degrees", "no angle"),
        ("red dwarf over red", "behind the heads"),
        ("red 45", "is not one head"),
    ],
)
def test_what_is_wrong_is_said_in_one_line(typed: str, tells: str) -> None:
    with pytest.raises(AspectError) as caught:
        parse_aspect(typed)
    assert tells in str(caught.value)
    assert "\n" not in str(caught.value)


@given(st.text(max_size=60))
def test_any_text_parses_or_says_why(text: str) -> None:
    complaint = ""
    try:
        words = say_aspect(parse_aspect(text))
    except AspectError as error:
        complaint = str(error)
        words = "red"
    assert "\n" not in complaint
    assert say_aspect(parse_aspect(words)) == words
