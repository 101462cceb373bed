"""Every bundled sample is read right, or rightly withheld where its truth says so.

The right answers stand in each truth file under ``conditions.expected``; test_samples.py holds
them against published sources.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from mastread.decoder.rulebook import load_book
from mastread.tools.accuracy_work import fault_lines, read_one
from mastread.tools.reading import Reading, build_reading
from mastread.tools.scenes.truth import Truth, read_truth
from mastread.tools.score import score_case
from mastread.tools.score_rows import Case
from mastread.tools.sentences import aspect_words, is_hidden
from mastread.vision.pipeline import see
from mastread.vision.spans import HIDDEN_NOTE
from mastread.vision.types import Hints

FOLDER = Path(str(files("mastread.sample_frames")))
NAMES = sorted(path.name.removesuffix(".truth.json") for path in FOLDER.glob("*.truth.json"))


def truth_of(name: str) -> Truth:
    return read_truth(FOLDER / f"{name}.truth.json")


#: By night nothing but a lamp can be seen: how many heads there are must be told.
HEADS_TOLD = {"larch-08-green-night": 1}


@cache
def reading_of(name: str) -> Reading:
    path, book = FOLDER / truth_of(name).file, load_book("cror")
    if name in HEADS_TOLD:
        return build_reading(see(path, Hints(heads=HEADS_TOLD[name])), book)
    return read_one(path, book)


def test_by_night_one_lamp_may_not_be_all() -> None:
    path = FOLDER / truth_of("larch-08-green-night").file
    (mast,) = read_one(path, load_book("cror"))["masts"]
    indication = mast["spans"][0]["indication"]
    assert indication["status"] == "ambiguous"
    assert indication["possible"][0]["name"] == "Clear"
    assert any("how many heads" in reason for reason in indication["reasons"])


#: Clips that may be left open, with the right answer as the likeliest, and why.
OPEN = {
    "larch-24-train-passes": "every look at the yellow lamp gives a red one up to 3 in 100; looks "
    "of one clip err alike, so many of them do not make that small enough to read"
}


@cache
def case_of(name: str) -> Case:
    return score_case(truth_of(name), reading_of(name), load_book("cror"))


def test_there_are_samples_of_both_kinds() -> None:
    kinds = [truth_of(name).kind for name in NAMES]
    assert kinds.count("photo") >= 10
    assert kinds.count("video") >= 6


@pytest.mark.parametrize("name", NAMES)
def test_lamps_and_masts(name: str) -> None:
    case = case_of(name)
    faults = case.faults()
    told = "\n".join(fault_lines(case))
    assert case.error == ""
    for kind in ("wrong_side", "wrong_colour", "wrong_behaviour", "invented", "missed"):
        assert faults[kind] == 0, told
    assert faults["wrong_mast"] == 0, told


@pytest.mark.parametrize("name", NAMES)
def test_the_answer(name: str) -> None:
    """One mast of the reading for each true one, one span for each, and the answer as expected."""
    reading, truth = reading_of(name), truth_of(name)
    said: list[tuple[int, Any]] = []
    for mast in reading["masts"]:
        for span in mast["spans"]:
            if all(is_hidden(head) for head in span["heads"]):
                continue
            here = (mast["mast"], span["indication"])
            # The same before and after a train is one answer.
            if not said or (said[-1][0], said[-1][1]["name"]) != (here[0], here[1]["name"]):
                said.append(here)
    expected: list[dict[str, Any]] = list(truth.conditions["expected"])
    assert [number for number, _ in said] == [entry["mast"] for entry in expected]
    for (_, indication), entry in zip(said, expected, strict=True):
        if name in OPEN and indication["status"] == "ambiguous":
            assert indication["possible"][0]["name"] == entry["name"], OPEN[name]
            continue
        assert indication["status"] in entry["status"], (indication, entry)
        if indication["status"] == "read":
            assert indication["name"] == entry["name"]
            if "rule" in entry:
                assert indication["rule"] == entry["rule"]
            continue
        left_open = {possible["name"] for possible in indication["possible"]}
        assert set(entry.get("possible", ())) <= left_open
        assert indication["reasons"]
        # More may be left open than need be, never less: the safe answer is as safe as expected.
        book = load_book("cror")
        safe, due = (
            book.find(indication["most_restrictive"]["name"]),
            book.find(entry["most_restrictive"]),
        )
        assert safe is not None
        assert due is not None
        assert safe.at_least_as_restrictive_as(due)


def test_what_the_train_hides_is_told_as_hidden() -> None:
    name = "larch-24-train-passes"
    ((start, end),) = truth_of(name).masts[0].hidden
    (mast,) = reading_of(name)["masts"]
    before, behind, after = mast["spans"]
    assert behind["start_s"] == pytest.approx(start, abs=0.15)
    assert behind["end_s"] == pytest.approx(end, abs=0.15)
    assert aspect_words(behind["heads"], photo=False) == "hidden over hidden over hidden"
    assert behind["indication"]["status"] != "read"
    assert behind["indication"]["most_restrictive"]["name"] == "Stop"
    assert HIDDEN_NOTE in behind["indication"]["reasons"]
    for span in (before, after):
        assert not any(is_hidden(head) for head in span["heads"])


@pytest.mark.parametrize("name", NAMES)
def test_the_reading_keeps_its_schema(name: str) -> None:
    text = files("mastread.tools").joinpath("reading.schema.json").read_text(encoding="utf-8")
    validator = Draft202012Validator(json.loads(text))
    # Through JSON and back: what a program on the other end gets.
    assert list(validator.iter_errors(json.loads(json.dumps(reading_of(name))))) == []
