"""Faults, progression along a line, and explanations."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from mastread.decoder.booktext import say_indication
from mastread.decoder.explain import explain
from mastread.decoder.faults import row_faults, single_faults
from mastread.decoder.grammar import Said, say_by_grammar
from mastread.decoder.language import parse_aspect, say_aspect
from mastread.decoder.progression import check_progression, expected_next, read_row, say_row
from mastread.decoder.rulebook import Indication, load_book
from mastread.decoder.words import NOTICE

CROR = load_book("cror")


def named(name: str) -> Indication:
    found = CROR.find(name)
    assert found is not None
    return found


def test_every_kind_of_fault_is_tried() -> None:
    aspect = parse_aspect("red over flashing yellow over red with L plate")
    shown = {f.what: say_aspect(f.shows) for f in single_faults(aspect, named("421"), CROR)}
    assert shown == {
        "the top head goes dark": "dark over flashing yellow over red with L plate",
        "the middle head goes dark": "red over dark over red with L plate",
        "the flasher of the middle head sticks and its lamp stays lit": (
            "red over yellow over red with L plate"
        ),
        "the colour of the middle head falls to red": (
            "red over flashing red over red with L plate"
        ),
        "the bottom head goes dark": "red over flashing yellow over dark with L plate",
        "the L plate is lost": "red over flashing yellow over red",
    }


def test_a_lost_absolute_plate_is_not_fail_safe() -> None:
    entry = next(e for e in CROR.entries() if say_aspect(e.row.aspect) == "red with A plate")
    lost = [f for f in row_faults(entry, CROR) if "plate" in f.what]
    assert [(f.read_as.name, f.safe) for f in lost] == [("Stop and Proceed", False)]


def test_a_fallen_arm_reads_as_stop() -> None:
    book = load_book("semaphore")
    clear = next(e for e in book.entries() if e.indication.name.startswith("Clear"))
    assert [(f.read_as.name, f.safe) for f in row_faults(clear, book)] == [("Stop", True)]


@pytest.mark.parametrize(
    "row",
    [
        ("advance clear to stop", "clear to stop", "stop"),
        ("clear", "clear to medium", "medium to clear"),
        ("advance clear to medium", "clear to medium", "medium to stop", "stop"),
        ("clear to stop", "stop and proceed"),
        ("restricting", "stop"),
        ("stop", "clear"),
    ],
)
def test_kept_promises(row: tuple[str, ...]) -> None:
    steps = check_progression([named(n) for n in row], CROR)
    assert all(step.kept for step in steps)


@pytest.mark.parametrize(
    ("row", "broken_at", "expected"),
    [
        (("advance clear to stop", "stop"), 2, "411 Clear to Stop"),
        (("clear", "stop"), 2, "track speed or better"),
        (("clear to medium", "slow to clear"), 2, "medium speed or better"),
        (("advance clear to medium", "clear to medium", "slow to stop"), 3, "medium speed"),
        (("limited to medium", "restricting"), 2, "medium speed or better"),
    ],
)
def test_broken_promises(row: tuple[str, ...], broken_at: int, expected: str) -> None:
    broken = [s for s in check_progression([named(n) for n in row], CROR) if not s.kept]
    assert {s.at for s in broken} == {broken_at}
    assert any(expected in s.text for s in broken)
    assert all("promise is broken" in s.text for s in broken)


def test_more_than_promised_is_said_and_does_no_harm() -> None:
    (step,) = check_progression([named("clear to stop"), named("clear")], CROR)
    assert step.kept
    assert step.stricter
    assert step.as_json()["stricter_than_needed"] is True


def test_an_unread_signal_breaks_nothing() -> None:
    steps = check_progression([named("advance clear to stop"), None, named("stop")], CROR)
    assert [(s.at, s.promised_by, s.kept) for s in steps] == [(3, 1, True)]


def test_a_row_of_aspects_in_words() -> None:
    row = [parse_aspect(t) for t in ("flashing yellow over red", "red over red over red", "lunar")]
    assert read_row(row, CROR) == (named("415"), named("439"), None)
    text = say_row(row, CROR)
    assert "BROKEN: 415 Advance Clear to Stop at signal 1" in text
    assert "Signal 3: lunar: not one indication" in text
    assert text.endswith(NOTICE)
    assert "No promise" in say_row(row[1:], CROR)


def test_an_indication_with_all_its_aspects() -> None:
    text = say_indication(named("clear to stop"), CROR)
    assert [line for line in text.splitlines() if line.startswith("  - ")] == [
        "  - yellow [one source (AM)]",
        "  - yellow over red [one source (AM)]",
        "  - yellow over red over red [verified in 2 sources (AM, NOTE); also common practice, "
        "no source]",
    ]
    assert "aspect not sourced" in say_indication(named("410"), CROR)


def test_what_must_follow() -> None:
    assert expected_next(named("advance clear to stop"), CROR) == (named("clear to stop"),)
    assert expected_next(named("clear to stop"), CROR) == (named("stop"),)
    assert {i.here for i in expected_next(named("clear to medium"), CROR)} == {"medium"}
    assert expected_next(named("restricting"), CROR) == ()


def test_an_explanation_for_a_learner() -> None:
    told = explain(parse_aspect("red over red over flashing yellow"), CROR)
    text = told.text()
    assert "Slow to Stop" in text
    assert told.here == "slow speed, at most 15 mph."
    assert told.ahead == "be ready to stop at the next signal."
    assert "placeholder" in told.heads[0]
    assert "it governs" in told.heads[2]
    assert "Flashing lifts" in told.heads[2]
    assert "one source (NOTE)" in told.standing
    assert any("435 or 436 Restricting (as restrictive or more)" in f for f in told.failures)
    assert text.endswith(NOTICE)
    assert json.loads(json.dumps(told.as_json()))["indication"]["name"] == "Slow to Stop"


def test_an_explanation_warns_of_plates_and_of_shaky_rows() -> None:
    plain = explain(parse_aspect("red"), CROR)
    assert any("with A plate it would be 439 Stop" in u for u in plain.uncertain)
    shaky = explain(parse_aspect("flashing yellow over green"), CROR)
    assert "recalled, not found in a source" in shaky.standing
    unlisted = explain(parse_aspect("lunar over lunar"), CROR).text()
    assert "439 Stop" in unlisted
    assert "not an aspect of this book" in unlisted


@pytest.mark.parametrize("show", [say_aspect(e.row.aspect) for e in CROR.entries()])
def test_every_row_is_explained(show: str) -> None:
    text = explain(parse_aspect(show), CROR).text()
    assert text.count(NOTICE) == 1
    assert "  " not in text.replace("\n  ", "\n").replace("%  ", "%")


@pytest.mark.parametrize(
    ("show", "said"),
    [
        ("green over red", Said("track", "track")),
        ("yellow over flashing green over red", Said("track", "limited")),
        ("flashing yellow over yellow", Said("track", "track", "slow")),
        ("red over green over yellow", Said("medium", "slow")),
        ("red over red over yellow", Said("restricted", "nothing")),
        ("red over red over green with DV plate", Said("diverging", "track")),
        ("red over red, staggered", Said("stop, then restricted", "nothing")),
        ("red over red", None),
        ("red over green", None),
        ("lunar", None),
        ("green, dwarf", None),
        ("green over green over red", None),
        ("red over yellow row at 45 degrees", None),
    ],
)
def test_the_grammar(show: str, said: Said | None) -> None:
    assert say_by_grammar(parse_aspect(show), CROR) == said


def test_importing_the_decoder_loads_neither_numpy_nor_opencv() -> None:
    program = (
        "import sys; before = set(sys.modules)\n"
        "import mastread.decoder.decode, mastread.decoder.explain, mastread.decoder.faults\n"
        "import mastread.decoder.progression, mastread.decoder.check, mastread.decoder.sheet\n"
        "mastread.decoder.decode.load_policy()\n"
        "print('\\n'.join(sorted({m.split('.')[0] for m in set(sys.modules) - before})))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    loaded = set(done.stdout.split())
    assert "mastread" in loaded
    assert loaded - {"mastread"} <= set(sys.stdlib_module_names)
    assert not loaded & {"numpy", "cv2", "difflib", "asyncio", "unittest", "email", "http"}
