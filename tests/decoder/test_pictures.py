"""Pictures of aspects and the study sheet: whole, labelled in words, self-contained."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest

from mastread.decoder.faults import say_faults
from mastread.decoder.language import parse_aspect, say_aspect, say_head
from mastread.decoder.picture import LENS, Label, draw_aspect
from mastread.decoder.rulebook import list_books, load_book
from mastread.decoder.sheet import make_sheet
from mastread.decoder.words import COLOURS, NOTICE

SVG = "{http://www.w3.org/2000/svg}"
ROWS = [(name, e.row.aspect) for name in list_books() for e in load_book(name).entries()]


@pytest.mark.parametrize(
    ("book", "aspect"), ROWS, ids=lambda v: v if isinstance(v, str) else say_aspect(v)
)
def test_a_picture_says_in_words_what_it_shows(book: str, aspect: object) -> None:
    picture = draw_aspect(aspect)  # type: ignore[arg-type]
    root = ET.fromstring(picture.svg())
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == root.get("aria-label") == say_aspect(aspect)  # type: ignore[arg-type]
    words = " ".join(t.text or "" for t in root.iter(f"{SVG}text"))
    for head in aspect.heads:  # type: ignore[attr-defined]
        assert say_head(head) in words
    for plate in aspect.plates:  # type: ignore[attr-defined]
        assert ("No." if plate == "number" else plate) in words


def test_nothing_is_drawn_outside_the_picture() -> None:
    for _, aspect in ROWS:
        picture = draw_aspect(aspect)
        for circle in ET.fromstring(picture.svg()).iter(f"{SVG}circle"):
            x, y, r = (float(circle.get(k, "nan")) for k in ("cx", "cy", "r"))
            assert r <= x <= picture.width - r
            assert r <= y <= picture.height - r


def test_each_colour_has_a_letter_of_its_own() -> None:
    letters = [LENS[c][1] for c in COLOURS]
    assert len(set(letters)) == len(COLOURS)
    shapes = draw_aspect(parse_aspect("red over green")).shapes
    assert {"R", "G", "red", "green"} <= {s.text for s in shapes if isinstance(s, Label)}


def test_flashing_differs_from_steady_without_colour() -> None:
    steady = draw_aspect(parse_aspect("yellow")).svg()
    flashing = draw_aspect(parse_aspect("flashing yellow")).svg()
    assert flashing.count("<line") == steady.count("<line") + 8


class _Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.figures = 0
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta", "br", "circle", "rect", "line", "link", "img"):
            self.open.append(tag)
        self.figures += tag == "figure"
        if tag in ("img", "script", "link", "iframe"):
            self.loads.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


@pytest.mark.parametrize("name", list_books())
def test_the_study_sheet_is_whole_and_loads_nothing(name: str) -> None:
    book = load_book(name)
    html = make_sheet(book)
    page = _Page()
    page.feed(html)
    assert page.open == []
    assert page.figures == sum(1 for _ in book.entries())
    assert page.loads == []
    assert html.count(NOTICE) == 2
    bare = sum(1 for i in book.indications if not i.aspects)
    assert html.count("Aspect not sourced.") == bare


def test_the_table_of_faults() -> None:
    book = load_book("cror")
    meant = book.find("439")
    assert meant is not None
    table = say_faults(parse_aspect("red with A plate"), meant, book).splitlines()
    assert len(table) == 4
    assert table[0].split()[0] == "if"
    assert table[-1].startswith("the A plate is lost")
    assert table[-1].endswith("NO")
    assert table[2].endswith("yes")
