"""Quizzes: what is asked, which wrong answers teach, and that the answer is the right one."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from shelves import make_record, make_shelf, paint

from mastread.decoder.decode import decode_aspect
from mastread.decoder.faults import row_faults
from mastread.decoder.language import parse_aspect
from mastread.decoder.rulebook import Rulebook, list_books, load_book
from mastread.decoder.words import NOTICE
from mastread.tools.cli import cli
from mastread.tools.quiz.make import Quiz, make_quiz
from mastread.tools.quiz.page import make_page
from mastread.tools.quiz.paper import plain
from mastread.tools.quiz.questions import tell_fault
from mastread.tools.quiz.wrong import differences, distance, wrong_answers
from mastread.tools.shelf.enter import enter
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf, WrongCallError
from mastread.vision.types import Seen


@pytest.fixture
def shelf(tmp_path: Path, clip_seen: Callable[..., Seen]) -> Iterator[Shelf]:
    aspects = (
        "flashing yellow over red over red",
        "yellow over red over red",
        "green over red over red",
        "red over yellow over red",
        "flashing yellow",
        "red over red over flashing yellow",
    )
    records = [make_record(clip_seen([(0.0, 12.0, a)]), f"clip-{n}") for n, a in enumerate(aspects)]
    records.append(make_record(clip_seen([(0.0, 12.0, "lit yellow over red over red")]), "doubt"))
    with make_shelf(tmp_path / "s", records) as made:
        paint(made)
        yield made


def quiz_of(shelf: Shelf, **asked: object) -> Quiz:
    told = {"count": 20, "seed": 1, "lesson": False, "clips": False, **asked}
    return make_quiz(shelf, Query(), **told)  # type: ignore[arg-type]


def test_only_what_is_sure_or_vouched_for_is_asked(shelf: Shelf) -> None:
    asked = {q.span.hit.path for q in quiz_of(shelf).questions if q.span}
    assert asked == {f"../clip-{n}.mp4" for n in range(6)}
    (doubt,) = shelf.find(Query(file="doubt"))
    shelf.correct(doubt.id, "Jo", "yellow over red over red")
    questions = quiz_of(shelf).questions
    (now,) = [q for q in questions if q.span and q.span.span.id == doubt.id]
    assert any("Jo" in line for line in now.answer)
    shelf.withhold(doubt.id, "Jo")
    assert all(q.span and q.span.span.id != doubt.id for q in quiz_of(shelf).questions)


def test_a_reading_below_the_odds_is_left_out(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = len(quiz_of(shelf).questions)
    (hit,) = shelf.find(Query(file="clip-2"))
    shelf.database.execute("UPDATE span SET sure = 0.94 WHERE id = ?", (hit.id,))
    assert len(quiz_of(shelf).questions) == before - 1


def test_each_question_has_one_right_answer_and_three_others(shelf: Shelf) -> None:
    for question in quiz_of(shelf, lesson=True).questions:
        names = [choice.name for choice in question.choices]
        assert len(set(names)) == len(names) == 4
        assert sum(choice.right for choice in question.choices) == 1
        assert all(choice.why for choice in question.choices)
        if question.span is not None:
            (right,) = [choice for choice in question.choices if choice.right]
            book = question.span.book
            told = decode_aspect(parse_aspect(question.span.hit.aspect), book)
            assert right.name == " ".join(filter(None, (told.rule, told.name)))


def test_the_same_seed_asks_the_same_and_another_one_otherwise(shelf: Shelf) -> None:
    def asked(seed: int) -> list[object]:
        return [(q.ask, q.choices) for q in quiz_of(shelf, seed=seed).questions]

    assert asked(1) == asked(1)
    assert len({str(asked(seed)) for seed in range(5)}) > 1


def test_wrong_answers_are_one_lamp_or_one_flash_away(book: Rulebook) -> None:
    # CROR 411 Clear to Stop: flashing makes it 415 Advance Clear to Stop, a green top head 405
    # Clear, a red one 439 Stop. Rows and their sources: decoder/book_cror.toml.
    aspect = parse_aspect("yellow over red over red")
    right = book.find("411")
    assert right is not None
    near: set[str] = set()
    for seed in range(20):
        found = wrong_answers(aspect, right, book, random.Random(seed))
        assert len(found) == 3
        near |= {choice.name for choice in found}
        for choice in found:
            other = book.find(choice.name)
            assert other is not None
            least = min(distance(aspect, row.aspect) for row in other.aspects if not row.disputed)
            assert least[0] <= 1, choice.name
    assert {"415 Advance Clear to Stop", "405 Clear", "439 Stop"} <= near


@pytest.mark.parametrize("name", list_books())
def test_every_aspect_of_a_book_can_be_asked(name: str) -> None:
    book = load_book(name)
    for entry in book.entries():
        found = wrong_answers(entry.row.aspect, entry.indication, book, random.Random(1))
        names = [choice.name for choice in found]
        assert entry.indication.label not in names
        shown = {i.label for i in book.indications if any(not r.disputed for r in i.aspects)}
        assert len(names) == len(set(names)) == min(3, len(shown - {entry.indication.label}))


def test_differences_are_said_head_by_head() -> None:
    shown = parse_aspect("yellow over red")
    assert differences(shown, parse_aspect("flashing yellow over red")) == [
        "the upper head flashing instead of steady"
    ]
    assert differences(shown, parse_aspect("green over green")) == [
        "the upper head green instead of yellow",
        "the lower head green instead of red",
    ]
    assert differences(parse_aspect("flashing yellow over red"), shown) == [
        "the upper head steady instead of flashing"
    ]
    assert differences(shown, parse_aspect("yellow")) == []


def test_a_lesson_goes_from_one_head_to_three_and_asks_what_fails(shelf: Shelf) -> None:
    questions = quiz_of(shelf, lesson=True).questions
    steps = [
        (len(q.span.aspect.heads), any(h.behaviour == "flashing" for h in q.span.aspect.heads))
        for q in questions
        if q.span is not None
    ]
    assert steps == sorted(steps)
    failures = [q for q in questions if q.span is None]
    assert len(failures) == 6
    stuck = [q for q in failures if "flasher has stuck" in q.ask]
    assert len(stuck) == 3
    # A flasher that sticks makes Advance Clear to Stop read as Clear to Stop: to the safe side.
    (one,) = [q for q in stuck if "flashing yellow over red over red" in q.ask]
    (right,) = [choice for choice in one.choices if choice.right]
    assert right.name == "411 Clear to Stop"
    assert any("safe side" in line for line in one.answer)
    assert "415 Advance Clear to Stop" in [choice.name for choice in one.choices]


@pytest.mark.parametrize("name", list_books())
def test_what_a_failure_makes_less_restrictive_is_said_to_be(name: str) -> None:
    book = load_book(name)
    unsafe = 0
    for entry in book.entries():
        for fault in row_faults(entry, book):
            told = " ".join(tell_fault(fault, entry.row.aspect, book))
            assert ("less restrictive than what was meant" in told) == (not fault.safe)
            assert ("safe side" in told) == fault.safe
            assert fault.read_as.label in told
            unsafe += not fault.safe
    # Each book's own list of aspects that are not fail-safe is never empty-handed here.
    assert bool(unsafe) == bool(book.not_fail_safe)


def test_an_empty_shelf_says_what_to_do(tmp_path: Path) -> None:
    with make_shelf(tmp_path / "s") as shelf, pytest.raises(WrongCallError, match="--confirm"):
        quiz_of(shelf)


def test_spans_of_several_books_are_not_mixed(shelf: Shelf, clip_seen: Callable[..., Seen]) -> None:
    record = make_record(clip_seen([(0.0, 12.0, "green over red over red")]), "other")
    text = (shelf.folder / record["book"]).read_text().replace('"cror"', '"other"', 1)
    edition = text.index("edition = ")
    changed = text[:edition] + 'edition = "next"\n' + text[text.index("\n", edition) + 1 :]
    (shelf.folder / "books" / "other.toml").write_text(changed)
    enter(shelf, {**record, "book": "books/other.toml"}, ("../other.mp4", 1, 1))
    paint(shelf)
    with pytest.raises(WrongCallError, match="--rules NAME: cror, other"):
        quiz_of(shelf)
    assert len(quiz_of(shelf, book="other").questions) == 1
    assert len(quiz_of(shelf, book="cror").questions) == 6


def test_names_cannot_break_the_page(shelf: Shelf) -> None:
    (hit,) = shelf.find(Query(file="clip-2"))
    shelf.confirm(hit.id, "</script><script>alert(1)</script>")
    quiz = quiz_of(shelf, title="<img src=x onerror=alert(1)>")
    page = make_page(quiz.questions, quiz.pictures, quiz.title, quiz.intro)
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert NOTICE in page


def test_whoever_filmed_is_named(shelf: Shelf) -> None:
    shelf.database.execute(
        "UPDATE media SET credit = 'Sam Alder', licence = 'CC0-1.0' WHERE id = 1"
    )
    assert "Footage: Sam Alder (CC0-1.0)." in quiz_of(shelf).intro


def test_letters_that_pdf_fonts_lack_are_put_plainly() -> None:
    assert plain("Łukasz’s “école” – Ďáblice 東") == '?ukasz\'s "école" - Dáblice ?'


def test_the_command_writes_page_and_pdf(shelf: Shelf, tmp_path: Path) -> None:
    page, paper = tmp_path / "q.html", tmp_path / "q.pdf"
    call = ["quiz", "--shelf", str(shelf.folder), "--out", str(page), "--pdf", str(paper)]
    answer = CliRunner().invoke(cli, [*call, "--lesson", "--pictures", "--count", "3"])
    assert answer.exit_code == 0, answer.output
    assert NOTICE in answer.output
    assert page.read_text().count('class="question"') == 6
    assert paper.read_bytes().startswith(b"%PDF")
    again = CliRunner().invoke(cli, [*call, "no such words"])
    assert again.exit_code == 2
    assert "nothing on the shelf can be asked" in again.stderr
