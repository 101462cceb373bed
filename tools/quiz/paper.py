"""The quiz on paper: a PDF with questions first and the answers behind them."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from mastread.decoder.picture import draw_aspect
from mastread.decoder.words import NOTICE
from mastread.tools.aspect_png import picture_png
from mastread.tools.quiz.pictures import Shown
from mastread.tools.quiz.questions import Question
from mastread.tools.quiz.texts import say
from mastread.tools.shelf.database import ShelfError

if TYPE_CHECKING:
    from fpdf import FPDF

#: Millimetres on A4.
_MARGIN: Final = 15.0
_WIDE: Final = 96.0
_HIGH: Final = 54.0
_CLOSE: Final = 34.0
_QUESTION: Final = 108.0
_LETTERS: Final = "ABCDEFGH"

#: Signs that the built-in fonts of PDF lack, and what stands for them.
_PLAIN: Final = {"–": "-", "—": "-", "’": "'", "“": '"', "”": '"', "…": "...", "≤": "<="}


def make_paper(
    questions: Sequence[Question],
    pictures: Sequence[Shown | None],
    title: str,
    intro: Sequence[str],
) -> bytes:
    """Return the PDF file.

    Raises
    ------
    ShelfError
        If fpdf2 is not installed.
    """
    try:
        from fpdf import FPDF
    except ImportError:
        raise ShelfError(say("print")) from None

    class Paper(FPDF):
        """A4 with the notice on the foot of each page."""

        def footer(self) -> None:
            self.set_y(-14)
            self.set_font("Helvetica", size=7.5)
            self.cell(0, 4, plain(NOTICE), align="C")
            self.set_y(-10)
            self.cell(0, 4, str(self.page_no()), align="C")

    paper = Paper(format="A4")
    paper.set_title(plain(title))
    paper.set_lang("en")
    paper.set_auto_page_break(True, margin=18)
    paper.set_margins(_MARGIN, _MARGIN)
    paper.add_page()
    _write(paper, title, 16, "B")
    for line in intro:
        _write(paper, line, 9)
    _write(paper, NOTICE, 10, "B")
    section = ""
    for number, (question, picture) in enumerate(zip(questions, pictures, strict=True), start=1):
        if paper.get_y() + _QUESTION > paper.h - 18:
            paper.add_page()
        if question.section and question.section != section:
            section = question.section
            _write(paper, section, 12, "B")
        _question(paper, number, question, picture)
    paper.add_page()
    _write(paper, say("key"), 16, "B")
    for number, question in enumerate(questions, start=1):
        _answer(paper, number, question)
    return bytes(paper.output())


def plain(text: str) -> str:
    """Return text in the signs that the built-in fonts of PDF have."""
    for sign, other in _PLAIN.items():
        text = text.replace(sign, other)
    found = ""
    for sign in text:
        try:
            sign.encode("latin-1")
            found += sign
        except UnicodeEncodeError:
            bare = unicodedata.normalize("NFKD", sign).encode("latin-1", "ignore").decode("latin-1")
            found += bare or "?"
    return found


def _question(paper: FPDF, number: int, question: Question, picture: Shown | None) -> None:
    _write(paper, f"{number}. {question.ask}", 12, "B")
    top = paper.get_y() + 1
    if question.meant is not None and question.now is not None:
        for n, (key, aspect) in enumerate((("meant", question.meant), ("now", question.now))):
            left = _MARGIN + n * 75
            paper.set_xy(left, top)
            paper.set_font("Helvetica", style="B", size=10)
            paper.cell(70, 5, say(key))
            image = io.BytesIO(picture_png(draw_aspect(aspect)))
            paper.image(image, left, top + 6, 70, _HIGH - 8, keep_aspect_ratio=True)
    elif picture is not None:
        paper.image(io.BytesIO(picture.poster), _MARGIN, top, _WIDE, _HIGH, keep_aspect_ratio=True)
        left = _MARGIN + _WIDE + 5
        paper.image(io.BytesIO(picture.close), left, top, _CLOSE, _HIGH, keep_aspect_ratio=True)
    paper.set_xy(_MARGIN, top + _HIGH + 2)
    if question.paper:
        _write(paper, question.paper, 9.5, "I")
    for letter, choice in zip(_LETTERS, question.choices, strict=False):
        y = paper.get_y() + 1
        paper.rect(_MARGIN + 1, y + 0.8, 3.6, 3.6)
        paper.set_xy(_MARGIN + 7, y)
        paper.set_font("Helvetica", size=11)
        paper.multi_cell(0, 5.2, plain(f"{letter}  {choice.name}"), new_x="LMARGIN", new_y="NEXT")
    paper.ln(6)


def _answer(paper: FPDF, number: int, question: Question) -> None:
    right = next(k for k, choice in enumerate(question.choices) if choice.right)
    name = question.choices[right].name
    _write(paper, f"{number}. {_LETTERS[right]}  {name}", 11, "B")
    for line in question.answer:
        _write(paper, line, 9.5)
    for letter, choice in zip(_LETTERS, question.choices, strict=False):
        if not choice.right:
            _write(paper, f"{letter}  {choice.name} {choice.why}", 9.5)
    paper.ln(2)


def _write(paper: Any, text: str, size: float, style: str = "") -> None:
    paper.set_x(_MARGIN)
    paper.set_font("Helvetica", style=style, size=size)
    paper.multi_cell(0, size * 0.47, plain(text), align="L", new_x="LMARGIN", new_y="NEXT")
    paper.ln(0.8)
