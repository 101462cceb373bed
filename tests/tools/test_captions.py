"""Captions: their times, their words, and what they never hold."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mastread.decoder.rulebook import Rulebook
from mastread.tools.captions import LINE, Cue, cues, subrip, webvtt
from mastread.tools.reading import Reading, build_reading
from mastread.tools.texts import speaking
from mastread.vision.types import Seen

Make = Callable[..., Seen]


@pytest.fixture
def two_masts(clip_seen: Make, book: Rulebook) -> Reading:
    seen = clip_seen(
        [(0.0, 10.5, "flashing yellow over red over red"), (10.5, 3725.25, "lit yellow over red")],
        [(9.04, 3725.25, "green over red over red")],
        duration=3725.25,
    )
    return build_reading(seen, book)


def test_cues_cover_every_span_without_overlap(two_masts: Reading) -> None:
    found = cues(two_masts)
    assert [(c.start_ms, c.end_ms) for c in found] == [
        (0, 8000),
        (8000, 9040),
        (9040, 10500),
        (10500, 3725250),
    ]
    assert all(a.end_ms <= b.start_ms for a, b in pairwise(found))
    assert all(len(line) <= LINE for cue in found for line in cue.lines)


def test_the_words(two_masts: Reading) -> None:
    texts = [" ".join(cue.lines) for cue in cues(two_masts)]
    assert texts[0].startswith("Mast 1: Advance Clear to Stop Flashing yellow over red over red.")
    assert texts[0].endswith(two_masts["notice"])
    assert two_masts["notice"] not in texts[1]
    assert "Mast 2" not in texts[1]
    assert "Mast 2: Clear Green over red over red." in texts[2]


def test_doubt_is_told_with_the_fail_safe_answer(clip_seen: Make, book: Rulebook) -> None:
    seen = clip_seen([(0.0, 12.0, "lit yellow over red over red")])
    text = " ".join(cues(build_reading(seen, book))[0].lines)
    assert text.startswith("Cannot be told. When in doubt, treat it as ")
    assert "yellow (steady or flashing) over red over red" in text.lower()


def test_a_clip_without_masts_still_says_so(clip_seen: Make, book: Rulebook) -> None:
    reading = build_reading(clip_seen(duration=3.0), book)
    (cue,) = cues(reading)
    assert (cue.start_ms, cue.end_ms) == (0, 3000)
    assert cue.lines[0] == "No signal mast was found."


def test_a_photo_has_no_captions(photo_seen: Make, book: Rulebook) -> None:
    with pytest.raises(ValueError, match="video"):
        cues(build_reading(photo_seen("red"), book))


def test_subrip_layout(two_masts: Reading) -> None:
    blocks = subrip(two_masts).strip().split("\n\n")
    assert len(blocks) == 4
    for number, block in enumerate(blocks, 1):
        lines = block.split("\n")
        assert lines[0] == str(number)
        assert re.fullmatch(r"\d\d:\d\d:\d\d,\d\d\d --> \d\d:\d\d:\d\d,\d\d\d", lines[1])
        assert all(lines[2:])
    assert blocks[-1].split("\n")[1] == "00:00:10,500 --> 01:02:05,250"


def test_webvtt_layout(two_masts: Reading) -> None:
    blocks = webvtt(two_masts).strip().split("\n\n")
    assert blocks[0] == "WEBVTT"
    assert blocks[1] == "NOTE\n" + two_masts["notice"]
    assert blocks[-1].split("\n")[0] == "00:00:10.500 --> 01:02:05.250"


def test_what_means_something_to_a_player_is_disarmed(two_masts: Reading) -> None:
    indication = two_masts["masts"][0]["spans"][0]["indication"]
    indication["name"] = "<b>&A --> B"
    assert "&lt;b&gt;&amp;A --&gt; B" in webvtt(two_masts)
    blocks = subrip(two_masts).split("\n\n")
    assert "<" not in blocks[0]
    assert blocks[0].count("-->") == 1


@given(
    st.lists(
        st.tuples(st.floats(0, 30), st.floats(0, 30), st.sampled_from(["red", "green over red"])),
        max_size=4,
    )
)
def test_cues_are_ordered_and_never_empty_whatever_the_spans(
    spans: list[tuple[float, float, str]],
) -> None:
    reading: Reading = _bare([(min(a, b), max(a, b)) for a, b, _ in spans])
    found: list[Cue] = cues(reading)
    assert all(c.start_ms < c.end_ms and c.lines for c in found)
    assert all(a.end_ms <= b.start_ms for a, b in pairwise(found))
    told = sum(c.end_ms - c.start_ms for c in found)
    assert told <= 30_000


def _bare(spans: list[tuple[float, float]]) -> Reading:
    indication = {
        "status": "read",
        "rule": None,
        "name": "Stop",
        "meaning": "Stop.",
        "possible": [],
        "most_restrictive": {"rule": None, "name": "Stop"},
        "reasons": [],
    }
    sure = {
        "colour_odds": {"red": 1.0, "green": 0.0},
        "behaviour_odds": {"steady": 1.0, "dark": 0.0},
    }
    head = {"head": 1, "colour": "red", "behaviour": "steady", **sure}
    masts = [
        {
            "mast": n,
            "box": [0, 0, 1, 1],
            "spans": [{"start_s": a, "end_s": b, "heads": [head], "indication": indication}],
        }
        for n, (a, b) in enumerate(spans, 1)
    ]
    source = {"path": "x", "kind": "video", "width": 1, "height": 1, "duration_s": 30.0}
    return {  # type: ignore[typeddict-item]
        "notice": "Only a learning aid.",
        "source": source,
        "masts": masts,
    }


def test_captions_withhold_answers_as_long_as_the_clip_does(
    clip_seen: Make, book: Rulebook
) -> None:
    seen = clip_seen(
        [(0.0, 10.0, "green over red over red"), (10.0, 12.0, "red over red over red")]
    )
    made = build_reading(seen, book)
    found = cues(made, "question")
    times = [(cue.start_ms, cue.end_ms) for cue in found]
    assert times == [(0, 3000), (3000, 8000), (8000, 10000), (10000, 11333), (11333, 12000)]
    texts = [" ".join(cue.lines) for cue in found]
    for text, answer in zip(texts, (None, "Clear", "Clear", None, "Stop"), strict=True):
        if answer is None:
            assert text.startswith("What does this signal tell?")
            assert not {"Clear", "Stop.", "green", "Green"} & set(text.split())
        else:
            assert text.startswith(answer)


def test_plain_captions_are_the_name_only(clip_seen: Make, book: Rulebook) -> None:
    made = build_reading(clip_seen([(0.0, 12.0, "green over red over red")]), book)
    assert cues(made, "plain")[-1].lines == ("Clear",)


def test_french_captions(clip_seen: Make, book: Rulebook) -> None:
    made = build_reading(clip_seen([(0.0, 12.0, "flashing yellow over red")]), book)
    with speaking("fr"):
        text = webvtt(made)
    assert "Jaune clignotant sur rouge." in text
    assert "Outil d'apprentissage seulement" in text
