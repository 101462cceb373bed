"""A printable study sheet of a whole book: one HTML file that opens from disk."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Final

from mastread.decoder.booktext import say_standing
from mastread.decoder.explain import say_ahead, say_here
from mastread.decoder.picture import LENS, draw_aspect
from mastread.decoder.reasons import say_grade
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.decoder.words import NOTICE

_STYLE: Final = """
:root { color-scheme: light; }
body { font: 15px/1.4 sans-serif; color: #1b1d20; background: #fff; margin: 2rem auto;
  max-width: 60rem; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin: 0; }
.notice { border: 2px solid #1b1d20; padding: .5rem .8rem; margin: 1rem 0; font-weight: bold; }
table { border-collapse: collapse; margin: 1rem 0; }
th, td { border: 1px solid #8a9098; padding: .2rem .6rem; text-align: left; }
section { border-top: 1px solid #8a9098; padding: .8rem 0; break-inside: avoid; }
section.indication { display: grid; grid-template-columns: 17rem 1fr; column-gap: 1rem; }
h2 { font-size: 1.15rem; margin: 0 0 .3rem; }
p { margin: .2rem 0; }
.grade { color: #555b63; font-size: .85rem; }
.aspects { display: flex; flex-wrap: wrap; gap: .6rem; }
figure { margin: 0; width: 200px; border: 1px solid #c4c9d0; break-inside: avoid; }
figcaption { font-size: .8rem; padding: .3rem .5rem; }
.none { font-style: italic; }
@media (max-width: 45rem) { section.indication { display: block; } }
@media print {
  @page { margin: 14mm 12mm; }
  body { margin: 0; padding: 0; max-width: none; font-size: 10pt; }
  section { padding: .5rem 0; }
  section.indication { display: grid; grid-template-columns: 13rem 1fr; }
  figure { width: 150px; }
  svg { width: 150px; height: auto; }
  a { color: inherit; text-decoration: none; }
}
"""


def make_sheet(book: Rulebook) -> str:
    """Return the study sheet of a book as a whole HTML page."""
    return "".join(f"{line}\n" for line in _lines(book))


def _lines(book: Rulebook) -> Iterator[str]:
    title = escape(f"{book.title}: study sheet")
    yield '<!doctype html><html lang="en"><head><meta charset="utf-8">'
    yield f"<title>{title}</title>"
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<style>{_STYLE}</style></head><body>"
    yield f"<h1>{escape(book.title)}</h1><p>{escape(book.edition)}</p>"
    yield f'<p class="notice">{escape(NOTICE)}</p>'
    if book.note:
        yield f"<p>{escape(book.note.strip())}</p>"
    yield "<table><tr><th>Speed</th><th>mph</th><th>Meaning</th></tr>"
    for speed in book.speeds:
        number = "–" if speed.mph is None else str(speed.mph)
        yield (
            f"<tr><td>{escape(speed.name)}</td><td>{number}</td><td>{escape(speed.text)}</td></tr>"
        )
    yield "</table>"
    if book.plates:
        yield "<table><tr><th>Plate</th><th>Effect</th></tr>"
        for plate in book.plates:
            yield f"<tr><td>{escape(plate.name)}</td><td>{escape(plate.text)}</td></tr>"
        yield "</table>"
    rule = f" (rule {escape(book.imperfect.rule)})" if book.imperfect.rule else ""
    yield f"<p>Badly displayed signals{rule}: {escape(book.imperfect.text)}</p>"
    letters = ", ".join(f"{letter} {colour}" for colour, (_, letter) in LENS.items())
    yield (
        f"<p>In the pictures a letter stands on each lit lens ({letters}); eight rays round it "
        "mean that it flashes, and a grey lens without a letter is dark.</p>"
    )
    for indication in book.indications:
        yield from _section(indication, book)
    for title, exemptions in (
        ("Aspects that one failure can make less restrictive", book.not_fail_safe),
        ("Aspects outside the grammar of speed signalling", book.not_by_grammar),
    ):
        if exemptions:
            yield f"<section><h2>{title}</h2>"
            for row in exemptions:
                yield f"<p>{escape(_cap(row.show))}: {escape(row.reason)}.</p>"
            yield "</section>"
    yield "<section><h2>Sources</h2>"
    for source in book.sources.values():
        words = f"{escape(source.id)}: {escape(source.what)}"
        yield f'<p class="grade">{words} {_link(source.address)}</p>'
    yield f'</section><p class="notice">{escape(NOTICE)}</p></body></html>'


def _section(indication: Indication, book: Rulebook) -> Iterator[str]:
    yield '<section class="indication"><div>'
    yield f"<h2>{escape(indication.label)}</h2><p>{escape(indication.meaning)}</p>"
    yield f"<p>Here: {escape(say_here(indication, book))}</p>"
    yield f"<p>Ahead: {escape(say_ahead(indication, book))}</p>"
    yield f'<p class="grade">{escape(say_standing(indication))}</p>'
    if not indication.aspects:
        yield '<p class="none">Aspect not sourced.</p></div>'
    else:
        yield '</div><div class="aspects">'
        for row in indication.aspects:
            picture = draw_aspect(row.aspect, book.row_lamps)
            disputed = " <strong>Disputed.</strong>" if row.disputed else ""
            yield (
                f"<figure>{picture.svg()}<figcaption>{escape(_cap(picture.words))}.{disputed}"
                f'<br><span class="grade">{escape(say_grade(row))}</span></figcaption></figure>'
            )
        yield "</div>"
    yield "</section>"


def _cap(text: str) -> str:
    return text[:1].upper() + text[1:]


def _link(address: str) -> str:
    parts = [a.strip() for a in address.split(" ; ") if a.strip()]
    return " ".join(
        f'<a href="{escape(a)}">{escape(a)}</a>' if a.startswith("http") else escape(a)
        for a in parts
    )
