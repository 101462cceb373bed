"""The quiz in a real Chromium: by keyboard, by roles and names, on a phone; and on paper."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from shelves import make_record, make_shelf, paint
from sightings import seen_in_clip

from mastread.decoder.words import NOTICE
from mastread.tools.quiz.make import Quiz, make_quiz, write_quiz
from mastread.tools.shelf.search import Query


@pytest.fixture(scope="module")
def quiz(tmp_path_factory: pytest.TempPathFactory) -> tuple[Quiz, Path, Path]:
    folder = tmp_path_factory.mktemp("quiz")
    aspects = ("flashing yellow over red over red", "green over red over red", "yellow over red")
    records = [make_record(seen_in_clip(a), f"clip-{n}") for n, a in enumerate(aspects)]
    with make_shelf(folder / "s", records) as shelf:
        paint(shelf)
        made = make_quiz(shelf, Query(), count=9, seed=5, lesson=True, clips=True)
    write_quiz(made, folder / "q.html", folder / "q.pdf")
    return made, folder / "q.html", folder / "q.pdf"


@pytest.fixture
def opened(browser: Any, quiz: tuple[Quiz, Path, Path]) -> Iterator[Callable[..., Any]]:
    pages: list[Any] = []
    faults: list[str] = []

    def go(**view: int) -> Any:
        size = {"width": 1000, "height": 900, **view}
        context = browser.new_context(viewport=size, offline=True)
        page = context.new_page()
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("console", lambda m: faults.append(m.text) if m.type == "error" else None)
        page.goto(quiz[1].as_uri())
        pages.append(context)
        return page

    yield go
    for context in pages:
        context.close()
    assert faults == []


def test_the_whole_quiz_by_keyboard_alone(
    opened: Callable[..., Any], quiz: tuple[Quiz, Path, Path]
) -> None:
    page, questions = opened(), quiz[0].questions
    assert len(questions) == 6
    for n, question in enumerate(questions, start=1):
        now = page.locator(".question.now")
        assert now.count() == 1
        assert question.ask in now.locator("h2").inner_text()
        page.keyboard.press("Enter")
        assert "Choose an answer" in now.locator(".verdict").inner_text()
        assert not now.locator(".rest").is_visible()
        right = next(k for k, c in enumerate(question.choices, start=1) if c.right)
        wrong = right % 4 + 1
        # Every second one is got wrong first.
        page.keyboard.press(str(wrong if n % 2 else right))
        page.keyboard.press("Enter")
        verdict = now.locator(".verdict").inner_text()
        assert verdict == ("Not quite." if n % 2 else "Right.")
        assert now.locator(".rest").is_visible()
        assert now.locator(".is-right span").inner_text() == question.choices[right - 1].name
        for line in question.answer:
            assert line in now.locator(".answer").inner_text()
        page.keyboard.press("Enter")
    assert page.locator("#score").inner_text().startswith("3 of 6 right")
    assert "last one" in page.locator("#score").inner_text()
    page.keyboard.press("b")
    assert "Question 5 of 6" in page.locator(".question.now h2").inner_text()
    page.locator("#again").click()
    assert "Question 1 of 6" in page.locator(".question.now h2").inner_text()
    assert page.locator("#score").inner_text() == ""
    assert page.locator("input[type=radio]:checked").count() == 0


def test_single_keys_can_be_switched_off(opened: Callable[..., Any]) -> None:
    # WCAG 2.1.4: shortcuts of one character can be turned off.
    page = opened()
    page.locator("#keys").uncheck()
    page.keyboard.press("1")
    assert page.locator("input[type=radio]:checked").count() == 0


def test_what_a_screen_reader_is_told(opened: Callable[..., Any]) -> None:
    page = opened()
    now = page.locator(".question.now")
    assert now.get_by_role("group", name="Choose one").count() == 1
    assert now.get_by_role("radio").count() == 4
    names = [item.inner_text() for item in now.locator(".choice span").all()]
    for name in names:
        assert now.get_by_role("radio", name=name).count() == 1
    assert now.get_by_role("heading", level=2).count() == 1
    now.get_by_role("radio").first.check()
    now.get_by_role("button", name="Check").click()
    assert now.get_by_role("status").count() == 1
    page.get_by_role("button", name="Next question").click()
    assert page.evaluate("document.activeElement.tagName") == "H2"


def test_the_clip_plays_from_the_page_itself(opened: Callable[..., Any]) -> None:
    page = opened()
    page.keyboard.press("p")
    page.wait_for_function("document.querySelector('.now video').currentTime > 0.1")
    page.keyboard.press("p")
    assert page.evaluate("document.querySelector('.now video').paused")
    assert page.evaluate("document.querySelector('.now video').videoWidth") == 640


def test_axe_finds_nothing(opened: Callable[..., Any]) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python"
    )
    page = opened()
    page.keyboard.press("1")
    page.keyboard.press("Enter")
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = axe.Axe().run(page, options={"runOnly": rules})
    broken = {v["id"]: [n["html"][:120] for n in v["nodes"]] for v in found.response["violations"]}
    assert broken == {}
    assert len(found.response["passes"]) > 10


@pytest.mark.parametrize("width", [320, 390])
def test_at_phone_width(opened: Callable[..., Any], width: int) -> None:
    page = opened(width=width, height=800)
    # WCAG 1.4.10: no scrolling in two directions at 320 pixels.
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for item in [*page.locator(".now .choice").all(), *page.locator(".bar button").all()]:
        box = item.bounding_box()
        # WCAG 2.5.8: targets of at least 24 by 24 pixels.
        assert box["width"] >= 24
        assert box["height"] >= 24


def test_the_paper_has_all_questions_and_the_answers_behind_them(
    quiz: tuple[Quiz, Path, Path],
) -> None:
    pypdf = pytest.importorskip("pypdf")
    pages = pypdf.PdfReader(io.BytesIO(quiz[2].read_bytes())).pages
    texts = [" ".join(page.extract_text().split()) for page in pages]
    first = next(n for n, text in enumerate(texts) if text.startswith("Answers"))
    assert first > 0
    asked, answers = " ".join(texts[:first]), " ".join(texts[first:])
    for n, question in enumerate(quiz[0].questions, start=1):
        assert f"{n}. {question.ask}" in asked
        right = next(k for k, c in enumerate(question.choices) if c.right)
        assert f"{n}. {'ABCD'[right]} {question.choices[right].name}" in answers
        for line in question.answer:
            assert line not in asked
            assert line in answers
    assert all(NOTICE in text for text in texts)
    assert sum(len(page.images) for page in pages[:first]) >= 2 * len(quiz[0].questions)
