"""What the desk answers: the queue, statements, drafts, undo, figures, reading what is dropped."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from desks import ASPECTS, client_of, fill_shelf, make_seen
from shelves import make_record, make_shelf

pytest.importorskip("flask", reason="pip install mastread[desk]")

from mastread.tools.accuracy import main as accuracy
from mastread.tools.desk.app import Desk, make_app
from mastread.tools.desk.order import note_hints, queue
from mastread.tools.desk.overruled import overruled, table
from mastread.tools.desk.work import Work
from mastread.tools.shelf.store import Shelf

HOST = "127.0.0.1:8123"
KEY = "k" * 43


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    fill_shelf(tmp_path / "s")
    return tmp_path / "s"


@pytest.fixture
def desk(folder: Path) -> Desk:
    return Desk(folder, HOST, KEY, "Jo", Work(folder, "cror"))


@pytest.fixture
def post(desk: Desk) -> Callable[..., Any]:
    client = client_of(make_app(desk), HOST)

    def go(path: str, status: int = 200, **body: Any) -> Any:
        answer = client.post(f"/{KEY}/{path}", json={"who": "Jo", **body})
        assert answer.status_code == status, answer.get_json()
        return answer.get_json()

    return go


def _head(colour: str, n: int = 0, behaviour: str = "steady") -> dict[str, Any]:
    return {"colour": colour, "behaviour": behaviour, "x": 300, "y": 200 + 40 * n, "radius": 6}


def _content(*heads: dict[str, Any], **told: Any) -> dict[str, Any]:
    return {"heads": list(heads), "plates": [], "dwarf": False, "words": None, **told}


def _ids(folder: Path) -> list[str]:
    with Shelf.open(folder) as shelf:
        return [r["id"] for r in shelf.database.execute("SELECT id FROM span ORDER BY row")]


def test_what_needs_eyes_comes_first(folder: Path) -> None:
    ids = _ids(folder)
    with Shelf.open(folder) as shelf:
        lines, counts = queue(shelf)
        assert counts == {"all": 10, "open": 10, "done": 0}
        assert lines[0].id == ids[3]
        assert lines[0].why == "withheld"
        rest = [line.sure for line in lines[1:]]
        assert rest == sorted(rest)
        shelf.confirm(ids[3], "Jo")
        assert ids[3] not in [line.id for line in queue(shelf)[0]]
        assert [line.id for line in queue(shelf, "done")[0]] == [ids[3]]
        assert queue(shelf, "all")[0][-1].id == ids[3]
        assert queue(shelf, limit=3, offset=3)[0] == queue(shelf)[0][3:6]
        assert len(queue(shelf, words="flashing yellow")[0]) == 1
        assert queue(shelf, words='" OR 1 --')[0] == []


def test_neighbours_that_disagree_come_before_low_odds(tmp_path: Path) -> None:
    odd = make_record(make_seen("yellow over red", "green over red over red"), "odd")
    with make_shelf(
        tmp_path, [make_record(make_seen("red over red over red"), "plain"), odd]
    ) as shelf:
        for media in (1, 2):
            note_hints(shelf, media)
        lines, _ = queue(shelf)
        assert lines[0].why == "neighbours"
        assert lines[0].file == "odd.mp4"


def test_statements_keep_the_machine_beside_the_person(post: Any, folder: Path) -> None:
    ids = _ids(folder)
    found = post("act", act="confirm", span=ids[0])
    assert found["span"]["view"]["verdict"] == "confirmed"
    assert found["span"]["view"]["who"] == "Jo"
    assert found["counts"]["done"] == 1
    found = post("act", act="withhold", span=ids[1])
    assert found["span"]["view"]["indication"]["status"] == "unreadable"
    assert found["span"]["machine"]["indication"]["name"] == "Clear"
    found = post("act", act="remove", span=ids[2])
    assert found["span"]["view"]["hidden"]
    found = post("act", act="undo", span=ids[0])
    assert found["span"]["id"] == ids[2]
    assert not found["span"]["view"]["hidden"]
    assert post("act", act="redo", span=ids[0])["span"]["view"]["hidden"]
    found = post("act", act="split", span=ids[4], at=3.0)
    later = found["span"]["id"]
    assert len(found["span"]["row"]) == 2
    assert len(post("act", act="join", span=ids[4], other=later)["span"]["row"]) == 1
    assert post("act", act="retime", span=ids[4], start=1, end=5)["span"]["view"]["start_s"] == 1
    post("act", act="note", span=ids[4], note="from the footbridge")
    assert post("act", 409, act="split", span=ids[4], at=99)["trouble"]
    assert post("act", 409, act="confirm", span=ids[0], who=" ")["trouble"]
    assert post("act", 404, act="confirm", span="nothing")["trouble"]
    assert post("act", 400, act="dance", span=ids[0])["trouble"]


def test_the_indication_follows_a_draft_at_once(post: Any, folder: Path) -> None:
    name = _ids(folder)[2]
    found = post("draft", span=name, act="set", content=_content(_head("green"), _head("red", 1)))
    assert found["aspect"] == "green over red"
    assert found["indication"]["name"] == "Clear"
    plates = _content(_head("red"), plates=["R"])
    assert post("draft", span=name, act="set", content=plates)["indication"]["status"] == "read"
    found = post("draft", span=name, act="type", content=_content(_head("red"), words="blurple"))
    assert "blurple" in found["trouble"]
    with Shelf.open(folder) as shelf:
        # A draft is no statement: nothing is said until it is kept.
        assert shelf.history() == []
        assert shelf.span(name).view["verdict"] is None
    assert post("act", 409, act="keep", span=name)["trouble"]
    words = "flashing yellow over red with R plate"
    post("draft", span=name, act="type", content=_content(_head("red"), words=words))
    view = post("act", act="keep", span=name)["span"]["view"]
    assert view["aspect"] == "flashing yellow over red"
    assert view["plates"] == ["R"]
    assert view["verdict"] == "corrected"


def test_steps_of_a_draft_outlive_the_server(desk: Desk, post: Any) -> None:
    name = _ids(desk.folder)[0]
    for colour in ("red", "yellow", "green"):
        post("draft", span=name, act="set", content=_content(_head(colour)))
    assert post("draft", span=name, act="undo")["aspect"] == "yellow"
    # Another server on the same shelf, as after a crash.
    other = client_of(make_app(desk), HOST)
    draft = other.get(f"/{KEY}/span/{name}?who=Jo").get_json()["draft"]
    assert (draft["aspect"], draft["can_undo"], draft["can_redo"]) == ("yellow", True, True)
    assert other.get(f"/{KEY}/span/{name}?who=Mo").get_json()["draft"]["open"] is False
    assert post("draft", span=name, act="redo")["aspect"] == "green"
    assert post("draft", 409, span=name, act="redo")["trouble"]
    for _ in range(3):
        found = post("draft", span=name, act="undo")
    assert not found["open"]
    assert found["can_redo"]
    for _ in range(3):
        post("draft", span=name, act="redo")
    # Dropping a change can be undone as well.
    assert not post("draft", span=name, act="leave")["open"]
    assert post("draft", span=name, act="redo")["aspect"] == "red"
    assert post("draft", 409, span=name, act="dance")["trouble"]
    assert not post("draft", span=name, act="close")["can_redo"]


def test_typing_is_one_step(post: Any, folder: Path) -> None:
    name = _ids(folder)[0]
    post("draft", span=name, act="set", content=_content(_head("red")))
    for words in ("g", "gr", "green"):
        post("draft", span=name, act="type", content=_content(_head("red"), words=words))
    assert post("draft", span=name, act="undo")["aspect"] == "red"


@pytest.mark.parametrize(
    "content",
    [
        None,
        [],
        {"heads": []},
        _content(*[_head("red")] * 4),
        _content(_head("pink")),
        _content(_head("red"), plates=["Q"]),
        _content({**_head("red"), "x": 1e300}),
        _content({**_head("red"), "x": "left"}),
        {**_content(_head("red")), "heads": 7},
    ],
)
def test_a_draft_of_nonsense_is_refused(post: Any, folder: Path, content: Any) -> None:
    assert post("draft", 409, span=_ids(folder)[0], act="set", content=content)["trouble"]


def test_drafts_are_never_altered(post: Any, folder: Path) -> None:
    import sqlite3

    post("draft", span=_ids(folder)[0], act="set", content=_content(_head("red")))
    with Shelf.open(folder) as shelf:
        for text in ("DELETE FROM draft", "UPDATE draft SET who = 'Eve'"):
            with pytest.raises(sqlite3.IntegrityError):
                shelf.database.execute(text)


def test_how_often_people_overruled(folder: Path) -> None:
    ids = _ids(folder)
    with Shelf.open(folder) as shelf:
        assert overruled(shelf) == []
        shelf.confirm(ids[0], "Jo")
        # The machine said Clear: whatever the person says is no less restrictive.
        assert shelf.span(ids[1]).machine["indication"]["name"] == "Clear"
        shelf.correct(ids[1], "Jo", "red over red over red")
        shelf.withhold(ids[2], "Jo")
        # Withheld by the machine, told by a person: nobody was overruled.
        shelf.correct(ids[3], "Jo", ASPECTS[3])
        shelf.remove(ids[4], "Jo")
        # Here the machine erred on the safe side.
        shelf.correct(ids[8], "Jo", "green over red over red")
        rows = overruled(shelf)
    ran = CliRunner().invoke(accuracy, ["--people", str(folder)])
    assert table(rows) in ran.output
    everything = rows[0]
    assert everything["condition"] == "all"
    assert everything["seen"] == 5
    assert everything["overruled"] == 4
    assert everything["wrong_side"] == 2
    assert everything["withheld"] == 1
    assert everything["told"] == 1
    flashing = {row["value"]: row["seen"] for row in rows if row["condition"] == "flashing"}
    assert flashing == {"none": 4, "some head": 1}
    assert "| all |  | 5 | 4 (80.0 %) | 2 | 1 | 1 |" in table(rows)


def test_a_dropped_file_is_read_and_a_bad_one_said(desk: Desk) -> None:
    client = client_of(make_app(desk), HOST)
    import cv2
    import numpy as np

    _, picture = cv2.imencode(".png", np.full((96, 128, 3), 90, np.uint8))
    whole, torn = picture.tobytes(), b"\0\0\0\x18ftypisom" + bytes(5000)
    # Named in the command: read where it lies.
    outside = desk.folder.parent / "outside.png"
    cv2.imwrite(str(outside), np.full((96, 128, 3), 70, np.uint8))
    for name, data in (("plain.png", whole), ("torn <b>.mp4", torn)):
        answer = client.put(f"/{KEY}/drop", query_string={"name": name}, data=data)
        assert answer.status_code == 202
    assert client.put(f"/{KEY}/drop?name=a.svg", data=b"<svg/>").status_code == 415
    for path in (outside, outside, desk.folder.parent / "gone.mp4"):
        desk.work.put(path, path.name, dropped=False)
    desk.work.start()
    end = time.monotonic() + 120
    while any(job.state in ("waiting", "reading") for job in desk.work.jobs):
        assert time.monotonic() < end
        time.sleep(0.1)
    good, bad, named, again, gone = desk.work.jobs
    assert named.state == "done", named.words
    assert "was on the shelf already" in again.words
    assert gone.state == "failed"
    assert "gone.mp4" in gone.words
    assert good.state == "done", good.words
    assert bad.state == "failed"
    assert "torn -b.mp4" in bad.words
    assert str(desk.folder) not in bad.words
    assert "\n" not in bad.words


def test_events_tell_of_every_job(desk: Desk) -> None:
    job = desk.work.put(desk.folder / "a.mp4", "a.mp4", dropped=True)
    heard = desk.work.listen(0.01)
    assert next(heard) == {"kind": "job", **job.told()}
    assert next(heard) is None
    desk.work.tell({"kind": "queue"})
    assert next(heard) == {"kind": "queue"}


def test_help_needs_no_flask_and_the_desk_says_what_is_missing(tmp_path: Path) -> None:
    code = (
        "import sys; sys.modules['flask'] = None; sys.argv = ['mastread', *{args!r}]\n"
        "from mastread.tools.cli import main; main()"
    )

    def run(*args: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", code.format(args=list(args))], capture_output=True, text=True
        )

    assert run("--help").returncode == 0
    assert run("desk", "--help").returncode == 0
    found = run("desk", str(tmp_path))
    assert found.returncode == 1
    assert found.stderr == (
        "mastread: the desk needs Flask; install it with `pip install mastread[desk]`\n"
    )
