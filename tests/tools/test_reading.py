"""The reading document against its contract and its schema."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import jsonschema
import pytest

from mastread.decoder.decode import decode
from mastread.decoder.rulebook import Rulebook
from mastread.decoder.words import COLOURS, NOTICE
from mastread.tools.reading import build_reading, error_reading, schema, to_json
from mastread.vision.types import Seen

Make = Callable[..., Seen]


@pytest.fixture(scope="module")
def check() -> Callable[[object], None]:
    validator = jsonschema.Draft202012Validator(schema())

    def run(document: object) -> None:
        # By way of text, as a reader of the file gets it.
        validator.validate(json.loads(to_json(document)))

    return run


def test_the_schema_is_itself_valid() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


def test_every_object_of_the_schema_is_closed() -> None:
    """A field that the schema does not know must not slip through."""

    def walk(node: Any, path: str) -> None:
        if isinstance(node, dict):
            if node.get("type") == "object":
                assert node.get("additionalProperties") is False, path
            for key, value in node.items():
                walk(value, f"{path}/{key}")
        elif isinstance(node, list):
            for n, value in enumerate(node):
                walk(value, f"{path}/{n}")

    walk(schema(), "")


def test_a_clip(clip_seen: Make, book: Rulebook, check: Callable[[object], None]) -> None:
    seen = clip_seen(
        [(0.0, 5.25, "flashing yellow over red over red"), (5.25, 12.0, "red over red over red")],
        [(1.0, 12.0, "green over red")],
    )
    reading = build_reading(seen, book)
    check(reading)
    assert list(reading) == ["format", "version", "notice", "source", "rulebook", "masts"]
    assert (reading["format"], reading["version"]) == ("mastread-reading", 1)
    assert reading["notice"] == NOTICE
    assert reading["source"] == {
        "path": "a/clip.mp4",
        "kind": "video",
        "width": 1280,
        "height": 720,
        "duration_s": 12.0,
        "frames": 300,
    }
    assert reading["rulebook"]["name"] == "cror"
    assert reading["rulebook"]["edition"] == book.edition
    assert [mast["mast"] for mast in reading["masts"]] == [1, 2]
    first, second = reading["masts"][0]["spans"]
    assert (first["start_s"], first["end_s"], second["end_s"]) == (0.0, 5.25, 12.0)
    top = first["heads"][0]
    assert list(top) == [
        *("head", "colour", "behaviour", "confidence", "colour_odds", "behaviour_odds"),
        *("rate_hz", "rate_sd_hz", "duty", "x", "y", "radius"),
    ]
    assert (top["head"], top["colour"], top["behaviour"]) == (1, "yellow", "flashing")
    assert (top["rate_hz"], top["rate_sd_hz"], top["duty"]) == (0.9731, 0.0123, 0.488)
    assert (top["x"], top["y"], top["radius"]) == (300.0, 200.0, 6.0)
    assert set(top["colour_odds"]) == set(COLOURS)
    assert sum(top["colour_odds"].values()) == pytest.approx(1, abs=1e-3)
    middle = first["heads"][1]
    assert (middle["colour"], middle["behaviour"]) == ("red", "steady")
    assert middle["rate_hz"] is None
    assert [head["y"] for head in first["heads"]] == [200.0, 240.0, 280.0]


def test_the_indication_is_the_decoders(
    clip_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    seen = clip_seen([(0.0, 12.0, "flashing yellow over red over red")])
    reading = build_reading(seen, book)
    check(reading)
    indication = reading["masts"][0]["spans"][0]["indication"]
    decision = decode(seen.masts[0].spans[0].evidence, book)
    assert list(indication) == [
        *("status", "rule", "name", "meaning", "possible", "most_restrictive", "reasons"),
    ]
    assert indication["status"] == decision.status == "read"
    # Rule 415 of the CROR: flashing yellow over red over red, advance clear to stop.
    assert (indication["rule"], indication["name"]) == ("415", "Advance Clear to Stop")
    assert indication["possible"][0]["name"] == "Advance Clear to Stop"


def test_no_lamp_of_a_photo_is_called_steady_or_flashing(
    photo_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    """One instant cannot show a flash, whatever the odds say."""
    reading = build_reading(photo_seen("flashing yellow over red over dark"), book)
    check(reading)
    span = reading["masts"][0]["spans"][0]
    assert span["start_s"] is None
    assert span["end_s"] is None
    assert [head["behaviour"] for head in span["heads"]] == ["unknown", "unknown", "dark"]
    assert [head["colour"] for head in span["heads"]] == ["yellow", "red", "none"]
    assert all(head["rate_hz"] is None and head["duty"] is None for head in span["heads"])


def test_a_head_without_light_in_a_photo_is_dark_and_keeps_its_doubt(
    photo_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    """It may be a flashing lamp between two flashes; the odds say so, the word does not."""
    seen = photo_seen("red over dark")
    span = seen.masts[0].spans[0]
    unlit = replace(span.heads[1], behaviour_odds={"dark": 0.5, "flashing": 0.5})
    spans = (replace(span, heads=(span.heads[0], unlit)),)
    seen = replace(seen, masts=(replace(seen.masts[0], spans=spans),))
    reading = build_reading(seen, book)
    check(reading)
    head = reading["masts"][0]["spans"][0]["heads"][1]
    assert (head["colour"], head["behaviour"], head["confidence"]) == ("none", "dark", 1.0)
    assert head["behaviour_odds"] == {"steady": 0.0, "flashing": 0.5, "dark": 0.5}


def test_a_photo_of_a_lamp_that_may_flash_is_ambiguous(
    photo_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    reading = build_reading(photo_seen("lit yellow over lit red over lit red"), book)
    check(reading)
    indication = reading["masts"][0]["spans"][0]["indication"]
    assert indication["status"] == "ambiguous"
    assert indication["name"] is None
    assert indication["reasons"]


def test_an_unreadable_mast_keeps_the_whole_indication(
    clip_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    reading = build_reading(clip_seen([(0.0, 12.0, "dark over dark")]), book)
    check(reading)
    indication = reading["masts"][0]["spans"][0]["indication"]
    assert indication["status"] == "unreadable"
    assert indication["rule"] is indication["name"] is indication["meaning"] is None
    assert indication["most_restrictive"]["name"] == "Stop"
    assert indication["reasons"]


def test_numbers_that_are_not_finite_become_null(
    clip_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    seen = clip_seen([(0.0, 12.0, "flashing yellow over red")])
    mast = seen.masts[0]
    span = mast.spans[0]
    odd = replace(span.heads[0], rate_sd_hz=math.inf, duty=math.nan)
    spans = (replace(span, heads=(odd, span.heads[1])),)
    reading = build_reading(replace(seen, masts=(replace(mast, spans=spans),)), book)
    check(reading)
    head = reading["masts"][0]["spans"][0]["heads"][0]
    assert head["rate_hz"] == 0.9731
    assert head["rate_sd_hz"] is None
    assert head["duty"] is None


def test_nan_is_never_written() -> None:
    with pytest.raises(ValueError, match="JSON"):
        to_json({"x": math.nan})


def test_no_mast_is_a_normal_reading(
    photo_seen: Make, book: Rulebook, check: Callable[[object], None]
) -> None:
    reading = build_reading(photo_seen(), book)
    check(reading)
    assert reading["masts"] == []
    assert "error" not in reading


def test_an_error_has_no_masts(book: Rulebook, check: Callable[[object], None]) -> None:
    reading = error_reading("b/gone.jpg", "b/gone.jpg: is missing; check the name", book)
    check(reading)
    assert reading["masts"] == []
    assert reading["source"]["path"] == "b/gone.jpg"


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("masts", 0, "spans", 0, "heads", 0, "colour"), "amber"),
        (("masts", 0, "spans", 0, "heads", 0, "behaviour"), "blinking"),
        (("masts", 0, "spans", 0, "heads", 0, "confidence"), 1.2),
        (("masts", 0, "spans", 0, "heads", 1, "rate_hz"), 1.0),
        (("masts", 0, "spans", 0, "heads", 1, "colour"), "none"),
        (("masts", 0, "spans", 0, "start_s"), None),
        (("masts", 0, "spans", 0, "indication", "status"), "maybe"),
        (("masts", 0, "spans", 0, "indication", "name"), None),
        (("masts", 0, "spans", 0, "indication", "note"), "x"),
        (("masts", 0, "box"), [1, 2, 3]),
        (("source", "kind"), None),
        (("source", "frames"), -1),
        (("version",), 2),
        (("extra",), 1),
        (("error",), "an error beside masts"),
    ],
)
def test_the_schema_refuses(
    clip_seen: Make,
    book: Rulebook,
    check: Callable[[object], None],
    path: tuple[str | int, ...],
    value: object,
) -> None:
    seen = clip_seen([(0.0, 12.0, "flashing yellow over red over red")])
    document: Any = build_reading(seen, book)
    check(document)
    node = document
    for key in path[:-1]:
        node = node[key]
    node[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        check(document)
