"""The rows of the rulebook that a report rests on, and where they come from."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final
from urllib.parse import urlsplit

from mastread.decoder.explain import explain
from mastread.decoder.faults import Fault, single_faults
from mastread.decoder.language import say_aspect
from mastread.decoder.picture import draw_aspect
from mastread.decoder.reasons import say_grade
from mastread.decoder.rulebook import Entry, Rulebook
from mastread.decoder.weigh import Weighed
from mastread.tools.report.markup import Html, el, join
from mastread.tools.telling import tell_reason
from mastread.tools.texts import say, spoken

#: Only addresses of these kinds become links: a book of one's own may hold anything.
LINKED: Final = frozenset({"http", "https"})

#: The language in which rulebooks and their explanations are written.
BOOK_LANGUAGE: Final = "en"


@dataclass(slots=True)
class RulesUsed:
    """Rows and sources that are linked to, by the names under which they stand in the page."""

    book: Rulebook
    rows: dict[str, str] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)

    def link(self, entry: Entry) -> Html:
        """Return a link to a row, which will stand in the page's list of rules."""
        name = row_id(self.book, entry)
        if name not in self.rows:
            self.rows[name] = self._row(entry, name)
        return el("a", say("report.rule.link", name=entry.indication.label), href=f"#{name}")

    def _row(self, entry: Entry, name: str) -> Html:
        row, indication = entry.row, entry.indication
        notes = [note for note in (row.note, indication.note, indication.number_note) if note]
        grade, language = tell_reason(say_grade(row))
        links = []
        for key in dict.fromkeys((*row.sources, *indication.sources)):
            source = self.book.sources.get(key)
            if source is not None:
                link = source_id(self.book, key)
                self.sources[link] = el(
                    "li",
                    f"{source.id}: {source.what} ",
                    address(source.address),
                    id=link,
                    lang=BOOK_LANGUAGE,
                )
                links.append(el("a", source.id, href=f"#{link}"))
        return el(
            "li",
            el("b", indication.label, lang=BOOK_LANGUAGE),
            ": ",
            el("span", say_aspect(row.aspect), lang=BOOK_LANGUAGE),
            el("p", indication.meaning, lang=BOOK_LANGUAGE),
            el("p", say("report.rule.book", book=self.book.label)),
            el("p", say("report.rule.disputed"), class_="warn") if row.disputed else None,
            el("p", say("report.rule.grade"), " ", el("span", grade, lang=language)),
            *(el("p", note, lang=BOOK_LANGUAGE) for note in notes),
            el("p", say("report.rule.sources"), " ", _listed(links)) if links else None,
            id=name,
        )


def best_rows(weighed: Weighed, names: Mapping[tuple[str | None, str], float]) -> list[Entry]:
    """Return for each of some indications its row that fits best, likeliest indication first."""
    found: list[Entry] = []
    for rule, name in names:
        rows = [
            entry
            for entry in weighed.open
            if (entry.indication.rule, entry.indication.name) == (rule, name)
        ]
        if rows:
            found.append(min(rows, key=lambda e: (-weighed.open[e], say_aspect(e.row.aspect))))
    return found


def lesson(entry: Entry, book: Rulebook) -> Html:
    """Return the explanation of a row for a learner: what each head contributes, and why."""
    told = explain(entry.row.aspect, book)
    picture = Html(draw_aspect(entry.row.aspect, book.row_lamps).svg())
    parts = [el("p", words) for words in told.heads]
    parts += [el("p", el("b", "Standing: "), told.standing)] if told.standing else []
    parts += [el("p", words) for words in told.uncertain]
    return el(
        "details",
        el("summary", say("report.lesson")),
        book_note(),
        el("div", el("div", picture), el("div", *parts), class_="lesson", lang=BOOK_LANGUAGE),
    )


def faults(entry: Entry, book: Rulebook) -> Html | None:
    """Return what every single failure of a row would show, as a table."""
    found = single_faults(entry.row.aspect, entry.indication, book)
    if not found:
        return None
    rows = [
        el(
            "tr",
            el("td", fault.what),
            el("td", say_aspect(fault.shows)),
            el("td", _read_as(fault), lang=spoken().code),
            el(
                "td",
                say("report.faults.safe" if fault.safe else "report.faults.unsafe"),
                class_="safe" if fault.safe else "warn",
                lang=spoken().code,
            ),
        )
        for fault in found
    ]
    heads = ("what", "shows", "read", "safe")
    header = el("tr", *(el("th", say(f"report.faults.{key}.title"), scope="col") for key in heads))
    unsafe = sum(not fault.safe for fault in found)
    key = "faults.unsafe" if unsafe else "faults.all_safe"
    return el(
        "details",
        el("summary", say("report.faults")),
        el("p", say(key, unsafe=unsafe, count=len(found))),
        book_note(),
        scroll(
            el("table", el("thead", header), el("tbody", *rows, lang=BOOK_LANGUAGE)),
            say("report.faults"),
        ),
    )


def book_note() -> Html | None:
    """Return the hint that what follows stays in the rulebook's language, where that matters."""
    if spoken().code == BOOK_LANGUAGE:
        return None
    return el("p", say("report.book_language"), class_="small")


def scroll(table: Html, label: str) -> Html:
    """Return a table that scrolls by itself where the page is too narrow for it."""
    return el("div", table, class_="scroll", tabindex="0", role="region", aria_label=label)


def row_id(book: Rulebook, entry: Entry) -> str:
    """Return the name of a row within a page."""
    return "row-" + _digest(book.label, entry.indication.label, say_aspect(entry.row.aspect))


def source_id(book: Rulebook, key: str) -> str:
    """Return the name of a source within a page."""
    return "source-" + _digest(book.label, key)


def address(text: str) -> Html | None:
    """Return an address as a link where it is one of the web, else as text."""
    if not text:
        return None
    if urlsplit(text).scheme.lower() in LINKED:
        return el("a", text, href=text, rel="noreferrer noopener", class_="web")
    return el("span", text)


def _read_as(fault: Fault) -> str:
    """What is read of a failure, or what it counts as where nothing is."""
    name = fault.read_as.label
    return name if fault.status == "read" else say(f"report.faults.{fault.status}", name=name)


def _listed(links: list[Html]) -> Html:
    parts: list[Html | str] = []
    for link in links:
        parts += [", ", link] if parts else [link]
    return join(*parts)


def _digest(*words: str) -> str:
    return hashlib.sha256("\n".join(words).encode()).hexdigest()[:10]
