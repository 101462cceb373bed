"""The shelf's store: what people say stays beside what the machine read, and can be undone."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import jsonschema
import pytest
from shelves import make_record, make_shelf

from mastread.decoder.language import AspectError
from mastread.tools.reading import schema
from mastread.tools.shelf.database import NAME, ShelfError
from mastread.tools.shelf.enter import enter
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf, WrongCallError
from mastread.vision.types import Seen

Clips = Callable[..., Seen]


@pytest.fixture
def shelf(tmp_path: Path, clip_seen: Clips) -> Iterator[Shelf]:
    seen = clip_seen(
        [(0.0, 6.0, "yellow over red over red"), (6.0, 12.0, "green over red over red")],
        [(0.0, 12.0, "flashing yellow over red")],
    )
    with make_shelf(tmp_path / "shelf", [make_record(seen, "willow bridge")]) as made:
        yield made


def ids(shelf: Shelf, **query: object) -> list[str]:
    return [hit.id for hit in shelf.find(Query(**query))]  # type: ignore[arg-type]


def test_spans_of_a_file_come_by_mast_and_time(shelf: Shelf) -> None:
    spans = shelf.spans_of(1)
    assert [(s.view["mast"], s.view["start_s"]) for s in spans] == [(1, 0.0), (1, 6.0), (2, 0.0)]
    assert [s.view["indication"]["name"] for s in spans][:2] == ["Clear to Stop", "Clear"]
    assert all(s.view == s.machine for s in spans)
    assert (
        shelf.document(spans[0].reading)["masts"][0]["spans"][0]["heads"]
        == (spans[0].view["heads"])
    )


def test_a_correction_is_decoded_by_the_book_and_kept_beside_the_machines_reading(
    shelf: Shelf,
) -> None:
    span = shelf.spans_of(1)[1]
    shelf.correct(span.id, "Jo", "flashing yellow over red over red")
    now = shelf.span(span.id)
    # CROR rule 409 as in the bundled book (sources beside its row there).
    assert now.view["indication"]["name"] == "Advance Clear to Stop"
    assert now.view["aspect"] == "flashing yellow over red over red"
    assert (now.view["verdict"], now.view["who"]) == ("corrected", "Jo")
    assert now.view["at"] is not None
    assert now.machine["indication"]["name"] == "Clear"
    assert shelf.document(span.reading)["masts"][0]["spans"][1]["indication"]["name"] == "Clear"
    assert ids(shelf, indication="Advance Clear to Stop", sure=1.0, verdict="corrected") == [
        span.id
    ]
    # The lamps are where they were.
    assert [h["y"] for h in now.view["heads"]] == [h["y"] for h in span.view["heads"]]


def test_a_correction_head_by_head_with_places(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[2]
    heads = [
        {"colour": "red", "behaviour": "steady", "x": 10.0, "y": 20.0, "radius": 5.0},
        {"colour": "none", "behaviour": "dark", "x": 10.0, "y": 60.0, "radius": 5.0},
        {"colour": "yellow", "behaviour": "steady", "x": 10.0, "y": 100.0, "radius": 5.0},
    ]
    shelf.correct_heads(span.id, "Jo", heads, plates=["R"])
    view = shelf.span(span.id).view
    assert view["aspect"] == "red over dark over yellow"
    assert view["plates"] == ["R"]
    assert [h["y"] for h in view["heads"]] == [20.0, 60.0, 100.0]
    for wrong in ([], [{"colour": "pink", "behaviour": "steady", "x": 1, "y": 1, "radius": 1}]):
        with pytest.raises(WrongCallError):
            shelf.correct_heads(span.id, "Jo", wrong)


def test_what_a_person_states_keeps_the_schema_of_a_reading(shelf: Shelf) -> None:
    first, second, other = shelf.spans_of(1)
    document = shelf.document(first.reading)
    shelf.correct(first.id, "Jo", "steady or flashing yellow over dark, plates unknown")
    shelf.withhold(second.id, "Jo")
    shelf.correct(other.id, "Jo", "unknown over red with A and R plates, dwarf")
    for span in (first, second, other):
        view = shelf.span(span.id).view
        for key in ("heads", "indication"):
            document["masts"][0]["spans"][0][key] = view[key]  # type: ignore[literal-required]
        jsonschema.validate(document, schema())
        json.dumps(view, allow_nan=False)


def test_each_act_can_be_undone_and_redone(shelf: Shelf) -> None:
    first, second, other = shelf.spans_of(1)
    before = [s.view for s in shelf.spans_of(1)]

    def check(act: Callable[[], object]) -> None:
        act()
        after = [s.view for s in shelf.spans_of(1)]
        assert after != before
        shelf.undo("Jo")
        assert [s.view for s in shelf.spans_of(1)] == before
        shelf.redo("Jo")
        assert [s.view for s in shelf.spans_of(1)] == after
        shelf.undo("Jo")

    check(lambda: shelf.confirm(first.id, "Jo"))
    check(lambda: shelf.correct(first.id, "Jo", "red"))
    check(lambda: shelf.withhold(first.id, "Jo"))
    check(lambda: shelf.remove(other.id, "Jo"))
    check(lambda: shelf.split(other.id, "Jo", 4.0))
    check(lambda: shelf.join([second.id, first.id], "Jo"))
    check(lambda: shelf.note(first.id, "Jo", note="seen from the footbridge", tags=["snow"]))
    check(lambda: shelf.retime(first.id, "Jo", 1.0, 5.0))
    assert [s.view for s in shelf.spans_of(1)] == before
    acts = [change.act for change in shelf.history()]
    assert len(acts) == 8 * 4
    assert not any(c.in_force for c in shelf.history() if c.undoes is None)


def test_undoing_goes_back_step_by_step_and_a_new_act_ends_redoing(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[0]
    shelf.correct(span.id, "Jo", "red")
    shelf.correct(span.id, "Jo", "green")
    shelf.undo("Jo")
    assert shelf.span(span.id).view["aspect"] == "red"
    shelf.undo("Jo")
    assert shelf.span(span.id).view == span.view
    with pytest.raises(WrongCallError, match="nothing to undo"):
        shelf.undo("Jo")
    shelf.redo("Jo")
    shelf.redo("Jo")
    assert shelf.span(span.id).view["aspect"] == "green"
    with pytest.raises(WrongCallError, match="nothing to redo"):
        shelf.redo("Jo")
    shelf.undo("Jo")
    shelf.confirm(span.id, "Jo")
    with pytest.raises(WrongCallError, match="nothing to redo"):
        shelf.redo("Jo")


def test_undo_concerns_ones_own_changes_unless_anybodys_are_meant(shelf: Shelf) -> None:
    first, second, _ = shelf.spans_of(1)
    shelf.confirm(first.id, "Jo")
    shelf.confirm(second.id, "Sam")
    shelf.undo("Jo")
    assert shelf.span(first.id).view["verdict"] is None
    assert shelf.span(second.id).view["verdict"] == "confirmed"
    shelf.undo("Jo", anybody=True)
    assert shelf.span(second.id).view["verdict"] is None
    undone = shelf.history(second.id)
    assert [(c.who, c.act, c.in_force) for c in undone] == [
        ("Sam", "confirm", False),
        ("Jo", "undo", True),
    ]


def test_a_split_makes_two_spans_and_joining_makes_one(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[2]
    later = shelf.split(span.id, "Jo", 4.0)
    parts = shelf.spans_of(1)[2:]
    assert [(p.view["start_s"], p.view["end_s"]) for p in parts] == [(0.0, 4.0), (4.0, 12.0)]
    shelf.correct(later, "Jo", "red over red")
    shelf.join([later, span.id], "Jo")
    (joined,) = shelf.spans_of(1)[2:]
    assert (joined.view["start_s"], joined.view["end_s"]) == (0.0, 12.0)
    with pytest.raises(WrongCallError, match="cannot be split"):
        shelf.split(span.id, "Jo", 12.0)
    with pytest.raises(WrongCallError, match="two spans or more"):
        shelf.join([span.id], "Jo")
    with pytest.raises(WrongCallError, match="not of the same mast"):
        shelf.join([span.id, shelf.spans_of(1)[0].id], "Jo")


def test_a_span_is_not_turned_round(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[0]
    for start, end in ((3.0, 3.0), (4.0, 2.0), (-1.0, 2.0)):
        with pytest.raises(WrongCallError, match="cannot last"):
            shelf.retime(span.id, "Jo", start, end)


def test_spans_with_another_one_between_are_not_joined(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[2]
    middle = shelf.split(span.id, "Jo", 4.0)
    last = shelf.split(middle, "Jo", 8.0)
    with pytest.raises(WrongCallError, match="lies between"):
        shelf.join([span.id, last], "Jo")
    shelf.remove(middle, "Jo")
    shelf.join([span.id, last], "Jo")


def test_a_name_may_be_shortened_as_long_as_it_is_one_spans(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[0]
    assert shelf.span(span.id[:6].upper()).id == span.id
    for wrong in ("", "aeiou", "%"):
        with pytest.raises(WrongCallError):
            shelf.span(wrong)


def test_who_it_was_must_be_said(shelf: Shelf) -> None:
    with pytest.raises(WrongCallError, match="--who"):
        shelf.confirm(shelf.spans_of(1)[0].id, "  ")
    with pytest.raises(AspectError):
        shelf.correct(shelf.spans_of(1)[0].id, "Jo", "purple")
    assert shelf.history() == []


def test_what_people_did_and_what_was_read_cannot_be_altered(shelf: Shelf) -> None:
    shelf.confirm(shelf.spans_of(1)[0].id, "Jo")
    for statement in (
        "UPDATE change SET who = 'Sam'",
        "DELETE FROM change",
        "UPDATE patch SET patch = '{}'",
        "DELETE FROM patch",
        "UPDATE reading SET document = '{}'",
        "DELETE FROM reading",
        "DELETE FROM media",
    ):
        with pytest.raises(sqlite3.IntegrityError):
            shelf.database.execute(statement)


def test_reading_again_keeps_names_and_what_people_said(shelf: Shelf, clip_seen: Clips) -> None:
    first, second, other = shelf.spans_of(1)
    shelf.correct(first.id, "Jo", "red over red over red")
    shelf.note(second.id, "Jo", note="why not")
    # A newer version sees one span where there were two, a little later, and no second mast.
    seen = clip_seen([(0.5, 6.5, "green over red over red")])
    record = make_record(seen, "willow bridge", recipe="r2" * 8)
    enter(shelf, record, ("../willow bridge.mp4", 1000, 8))
    (now,) = shelf.spans_of(1)
    assert now.id == first.id
    assert now.machine["aspect"] == "green over red over red"
    assert now.view["aspect"] == "red over red over red"
    assert now.view["clip"] != first.view["clip"]
    hidden = {s.id: s for s in shelf.spans_of(1, hidden=True)}
    assert hidden[second.id].view["note"] == "why not"
    assert other.id in hidden
    assert ids(shelf, verdict="corrected") == [first.id]
    # The first reading is still there.
    assert len(shelf.document(1)["masts"]) == 2


def test_a_span_that_a_person_vouched_for_stays_when_it_is_no_longer_seen(
    shelf: Shelf, clip_seen: Clips
) -> None:
    other = shelf.spans_of(1)[2]
    shelf.confirm(other.id, "Jo")
    enter(shelf, make_record(clip_seen(), "willow bridge", recipe="r2" * 8))
    assert [s.id for s in shelf.spans_of(1)] == [other.id]


def test_entering_the_same_record_again_changes_nothing(shelf: Shelf, clip_seen: Clips) -> None:
    before = shelf.spans_of(1)
    record = make_record(clip_seen([(0.0, 12.0, "red")]), "willow bridge")
    enter(shelf, record, ("../willow bridge.mp4", 1000, 7))
    assert shelf.spans_of(1) == before
    assert shelf.count(Query()) == 3


def test_everything_is_on_disk_when_a_call_returns(shelf: Shelf) -> None:
    span = shelf.spans_of(1)[0]
    shelf.confirm(span.id, "Jo")
    with Shelf.open(shelf.folder) as second:
        assert second.span(span.id).view["verdict"] == "confirmed"


def test_several_people_work_on_one_shelf_at_a_time(shelf: Shelf) -> None:
    spans = [span.id for span in shelf.spans_of(1)]
    faults: list[BaseException] = []

    def work(who: str) -> None:
        try:
            with Shelf.open(shelf.folder) as own:
                for n in range(12):
                    own.note(spans[n % 3], who, note=f"{who} {n}")
        except BaseException as error:
            faults.append(error)

    people = [threading.Thread(target=work, args=(who,)) for who in ("Jo", "Sam", "Kim")]
    for person in people:
        person.start()
    for person in people:
        person.join()
    assert faults == []
    assert len(shelf.history()) == 36
    assert [c.id for c in shelf.history()] == list(range(1, 37))


def test_a_shelf_that_cannot_be_written_can_be_read(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    span = shelf.spans_of(1)[0]
    shelf.confirm(span.id, "Jo")
    shelf.database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    monkeypatch.setattr("os.access", lambda path, mode: False)
    with Shelf.open(shelf.folder) as locked:
        assert locked.span(span.id).view["verdict"] == "confirmed"
        with pytest.raises(sqlite3.OperationalError):
            locked.confirm(span.id, "Jo")


def test_what_is_no_shelf_is_refused_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(ShelfError, match="there is no shelf"):
        Shelf.open(tmp_path / "nowhere")
    (tmp_path / NAME).write_bytes(b"not a database, though long enough to be taken for one" * 40)
    with pytest.raises(ShelfError, match="cannot be read"):
        Shelf.open(tmp_path)
    (tmp_path / NAME).unlink()
    other = sqlite3.connect(tmp_path / NAME)
    other.execute("CREATE TABLE t (x)")
    other.commit()
    other.close()
    with pytest.raises(ShelfError, match="is not a shelf"):
        Shelf.open(tmp_path)
    other = sqlite3.connect(tmp_path / NAME)
    other.execute("PRAGMA application_id = 0x6D617374")
    other.execute("PRAGMA user_version = 99")
    other.close()
    with pytest.raises(ShelfError, match="newer program"):
        Shelf.open(tmp_path)
