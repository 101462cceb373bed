"""Finding spans by words and by fields."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from shelves import make_record, make_shelf

from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf
from mastread.vision.types import Seen


@pytest.fixture
def shelf(tmp_path: Path, clip_seen: Callable[..., Seen]) -> Iterator[Shelf]:
    records = [
        make_record(
            clip_seen(
                [(0, 6, "yellow over red over red"), (6, 12, "flashing yellow over red over red")]
            ),
            "willow bridge",
        ),
        make_record(clip_seen([(0, 12, "flashing yellow")]), "gravel pit", light="night"),
        make_record(clip_seen([(0, 12, "lit yellow over flashing red")]), "tunnel", plates=["R"]),
    ]
    with make_shelf(tmp_path, records) as made:
        yield made


@pytest.mark.parametrize(
    ("query", "found"),
    [
        (Query(), 4),
        (Query(words=("flashing yellow",)), 2),
        (Query(words=("yellow", "flashing red")), 1),
        (Query(words=("FLASHING yellow over red",)), 1),
        (Query(words=("willow",)), 2),
        (Query(words=("willow", "flashing yellow")), 1),
        (Query(words=("red tunnel",)), 0),  # no phrase runs across two fields
        (Query(words=('"; DROP TABLE span; --',)), 0),
        (Query(words=("R plate",)), 1),
        (Query(aspect="Yellow over Red over Red"), 1),
        (Query(indication="clear to stop"), 1),
        (Query(indication="411"), 1),
        (Query(heads=3), 2),
        (Query(heads=1, light="night"), 1),
        (Query(light="day"), 3),
        (Query(rate_hz=(0.9, 1.1)), 3),
        (Query(rate_hz=(1.1, 2.0)), 0),
        (Query(status="read", sure=0.9, heads=3), 2),
        (Query(verdict="none"), 4),
        (Query(verdict="confirmed"), 0),
        (Query(plate="R"), 1),
        (Query(kind="video"), 4),
        (Query(kind="photo"), 0),
        (Query(file="GRAVEL"), 1),
        (Query(words=("flashing yellow",), indication="advance clear to stop", heads=3), 1),
    ],
)
def test_a_query_finds_what_matches_all_of_it(shelf: Shelf, query: Query, found: int) -> None:
    hits = shelf.find(query)
    assert len(hits) == found
    assert shelf.count(query) == found
    assert shelf.look(query, 1) == (hits[:1], found)
    assert shelf.look(query, 99) == (hits, found)
    assert len({hit.id for hit in hits}) == found


def test_a_lamp_of_which_nobody_knows_whether_it_flashes_is_not_found_as_flashing(
    shelf: Shelf,
) -> None:
    (hit,) = shelf.find(Query(file="tunnel"))
    assert hit.aspect == "yellow (steady or flashing) over flashing red"
    assert hit.id not in {h.id for h in shelf.find(Query(words=("flashing yellow",)))}


def test_hits_come_surest_first_and_in_pages(shelf: Shelf) -> None:
    hits = shelf.find(Query())
    assert [h.sure for h in hits] == sorted((h.sure for h in hits), reverse=True)
    pages = [shelf.find(Query(), limit=3, offset=at) for at in (0, 3, 6)]
    assert [h for page in pages for h in page] == hits


def test_what_was_corrected_and_removed_is_found_as_it_now_is(shelf: Shelf) -> None:
    (hit,) = shelf.find(Query(file="gravel"))
    shelf.correct(hit.id, "Jo", "green")
    shelf.note(hit.id, "Jo", note="über the cutting", tags=["snow plough"])
    assert shelf.count(Query(words=("flashing yellow",))) == 1
    assert shelf.count(Query(rate_hz=(0.9, 1.1))) == 2
    for words in ("uber", "snow plough", "Jo", "corrected", "green"):
        assert [h.id for h in shelf.find(Query(words=(words,)))] == [hit.id]
    assert shelf.count(Query(who="Jo")) == 1
    shelf.remove(hit.id, "Jo")
    assert shelf.count(Query()) == 3
    assert shelf.count(Query(words=("green",))) == 0
