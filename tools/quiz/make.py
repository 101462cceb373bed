"""From a shelf to the files of a quiz."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from mastread.tools.picture_files import write_whole
from mastread.tools.quiz.page import make_page
from mastread.tools.quiz.paper import make_paper
from mastread.tools.quiz.pick import SURE_AT, Picked, pick
from mastread.tools.quiz.pictures import Shown, shown
from mastread.tools.quiz.questions import Question, make_questions
from mastread.tools.quiz.texts import say
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf, WrongCallError


@dataclass(frozen=True, slots=True)
class Quiz:
    """Questions with what they show, and the words on top."""

    questions: tuple[Question, ...]
    pictures: tuple[Shown | None, ...]
    title: str
    intro: tuple[str, ...]


def make_quiz(
    shelf: Shelf,
    query: Query,
    *,
    count: int,
    seed: int,
    lesson: bool,
    clips: bool,
    title: str | None = None,
    book: str | None = None,
) -> Quiz:
    """Return a quiz of up to `count` spans that match `query`; the same for the same seed.

    Raises
    ------
    WrongCallError
        If nothing on the shelf can be asked, or the spans are of several rulebooks.
    """
    rng = random.Random(seed)
    picked = pick(shelf, query, count, rng, book=book)
    kept = [(one, shown(shelf, one, clips=clips)) for one in picked]
    found = {one.span.id: picture for one, picture in kept if picture is not None}
    picked = [one for one in picked if one.span.id in found]
    if not picked:
        raise WrongCallError(say("none", sure=SURE_AT))
    books = sorted({one.book.label for one in picked})
    if len(books) > 1:
        names = ", ".join(sorted({one.book.name for one in picked}))
        raise WrongCallError(say("book", books=names))
    questions = make_questions(picked, rng, lesson=lesson)
    pictures = [None if q.span is None else found[q.span.span.id] for q in questions]
    words = title or say("title.lesson" if lesson else "title")
    intro = [say("intro", count=len(questions), book=books[0]), *_credits(shelf, picked)]
    intro.append(say("intro.seed", seed=seed))
    return Quiz(tuple(questions), tuple(pictures), words, tuple(intro))


def _credits(shelf: Shelf, picked: Sequence[Picked]) -> list[str]:
    """Whom to name for the footage, where the shelf knows."""
    found = set()
    for one in picked:
        row = shelf.database.execute(
            "SELECT credit, licence FROM media WHERE id = ?", (one.span.media,)
        ).fetchone()
        if row["credit"]:
            found.add(f"{row['credit']} ({row['licence']})" if row["licence"] else row["credit"])
    return [say("intro.credit", names="; ".join(sorted(found)))] if found else []


def write_quiz(quiz: Quiz, page: Path | None, paper: Path | None) -> list[Path]:
    """Write the page and the PDF, each where a path is given; return the paths."""
    written = []
    parts = (quiz.questions, quiz.pictures, quiz.title, quiz.intro)
    if paper is not None:
        # First, since it may find that its library is missing.
        written.append(write_whole(paper, make_paper(*parts)))
    if page is not None:
        written.append(write_whole(page, make_page(*parts).encode()))
    return written
