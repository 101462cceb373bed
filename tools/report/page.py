"""The page of a report: parts of files put together under a strict content security policy.

The page fetches nothing: style and script stand in it and are allowed by their digests, pictures
are data, and a clip lies in it or beside it.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TextIO

from mastread.tools.report.markup import Html, el, join
from mastread.tools.report.part import Part, load_part
from mastread.tools.report.style import script, sheet, symbols
from mastread.tools.texts import say, spoken


def write_page(parts: Sequence[Path], target: Path) -> None:
    """Write the page of the parts that were saved at `parts`, in that order.

    Only one part is in memory at a time, so that a folder may hold any number of files.

    Raises
    ------
    OSError
        If the page cannot be written.
    """
    outline = [_outline(load_part(path)) for path in parts]
    style = sheet() + "".join(part.sheet for part in outline)
    with target.open("w", encoding="utf-8", newline="\n") as out:
        out.write(_head(style, _title(outline)))
        _body(out, parts, outline)
        out.write(el("script", Html(script())) + "</body></html>\n")


def policy(style: str, code: str) -> str:
    """Return the content security policy of a page with that style sheet and script."""
    return "; ".join(
        (
            "default-src 'none'",
            f"style-src '{_digest(style)}'",
            f"script-src '{_digest(code)}'",
            "img-src data:",
            # A page that is opened from disk has no origin of its own, so its files are named.
            "media-src 'self' data: file:",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


def _outline(part: Part) -> Part:
    """A part without its article, which is the bulk of it."""
    return Part(part.prefix, part.title, part.summary, "", part.sheet, part.rows, part.sources)


def _title(outline: Sequence[Part]) -> str:
    if len(outline) == 1:
        return say("report.title.one", name=outline[0].title)
    return say("report.title", count=len(outline))


def _head(style: str, title: str) -> str:
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", http_equiv="Content-Security-Policy", content=policy(style, script())),
        el("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("meta", name="referrer", content="no-referrer"),
        el("meta", name="generator", content=_maker()),
        el("title", title),
        el("style", Html(style)),
    )
    return f'<!doctype html>\n<html lang="{spoken().code}">{head}<body>\n'


def _maker() -> str:
    try:
        return f"mastread {version('mastread')}"
    except PackageNotFoundError:
        return "mastread"


def _body(out: TextIO, parts: Sequence[Path], outline: Sequence[Part]) -> None:
    out.write(el("a", say("report.skip"), href="#main", class_="skip"))
    out.write(symbols())
    notes = [el("p", say("notice"), class_="notice", role="note")]
    if not spoken().reviewed:
        notes.append(el("p", say("report.unreviewed", language=spoken().name), class_="small"))
    out.write(el("header", el("h1", _title(outline)), *notes))
    out.write('<main id="main">\n')
    if len(outline) > 1:
        out.write(_overview(outline))
    for path in parts:
        out.write(load_part(path).html + "\n")
    out.write(join(*_rules(outline)) + "</main>\n")
    out.write(el("footer", el("p", say("notice"), class_="notice")))


def _overview(outline: Sequence[Part]) -> Html:
    spans = [read for part in outline for _, read in part.summary]
    rows = [
        el(
            "tr",
            el("th", el("a", part.title, href=f"#{part.prefix}file"), scope="row"),
            el("td", *_found(part)),
        )
        for part in outline
    ]
    header = el("tr", *(el("th", say(key), scope="col") for key in ("report.file", "report.found")))
    return el(
        "nav",
        el("h2", say("report.overview")),
        el("p", say("report.counts", files=len(outline), open=spans.count(False))),
        el(
            "div",
            el("table", el("thead", header), el("tbody", *rows)),
            class_="scroll",
            tabindex="0",
            role="region",
            aria_label=say("report.overview"),
        ),
        aria_label=say("report.overview"),
    )


def _found(part: Part) -> Iterator[Html]:
    last: tuple[str, bool] | None = None
    for item in part.summary:
        # What comes again after a pause needs no second line here.
        if item != last:
            words, read = item
            doubt = None if read else el("span", "?", class_="doubt", aria_hidden="true")
            yield el("div", doubt, words, class_="found")
        last = item


def _rules(outline: Sequence[Part]) -> Iterator[Html]:
    """Every row that is linked to, once, and every source."""
    for title, name, lists in (
        ("report.rules", "rules", [part.rows for part in outline]),
        ("report.sources", "sources", [part.sources for part in outline]),
    ):
        merged = {key: html for found in lists for key, html in found.items()}
        if merged:
            items = [Html(html) for html in merged.values()]
            yield el(
                "section",
                el("h2", say(title), id=name),
                el("ul", *items),
                class_=name,
                aria_labelledby=name,
            )
