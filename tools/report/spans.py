"""One span in full: pictures, heads, orders, what was withheld and why, lesson, and faults."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from mastread.decoder.evidence import MastEvidence
from mastread.decoder.weigh import weigh
from mastread.tools.orders import indication_of, words_ahead, words_here
from mastread.tools.reading import HeadDoc, MastDoc, SpanDoc
from mastread.tools.report.light import head_facts
from mastread.tools.report.markup import Html, el, join
from mastread.tools.report.rules import (
    BOOK_LANGUAGE,
    RulesUsed,
    best_rows,
    faults,
    lesson,
    scroll,
)
from mastread.tools.report.shots import CLOSE, LAMP_SIDE, Name
from mastread.tools.report.style import mark
from mastread.tools.report.timeline import Places, seek_words, span_id
from mastread.tools.sentences import all_hidden, aspect_words, head_words, sentence, span_title
from mastread.tools.telling import tell_reason
from mastread.tools.texts import clock, say, spoken

#: An answer that is withheld links to the rows of so many of the likeliest indications.
MOST_LINKS: Final = 6


def span_section(
    mast: MastDoc,
    number: int,
    evidence: MastEvidence,
    rules: RulesUsed,
    pictures: Mapping[Name, str],
    places: Places,
    *,
    photo: bool,
) -> Html:
    """Return the section about span `number` (from 1) of a mast."""
    span = mast["spans"][number - 1]
    name = span_id(places.prefix, mast["mast"], number)
    status = span["indication"]["status"]
    weighed = weigh(evidence, rules.book)
    said = span["indication"]
    read = status == "read"
    odds = {(item["rule"], item["name"]): item["odds"] for item in said["possible"]}
    shown = {(said["rule"], str(said["name"])): 1.0} if read else odds
    rows = best_rows(weighed, shown)
    more: list[Html | None] = []
    if read and rows:
        more = [lesson(rows[0], rules.book), faults(rows[0], rules.book)]
    away = all_hidden(span)
    links = [] if away else [rules.link(row) for row in rows[:MOST_LINKS]]
    return el(
        "section",
        _heading(mast, span, name, places, photo=photo),
        el(
            "div",
            _pictures(mast, number, pictures, photo=photo),
            el(
                "div",
                None if away else _heads(span, photo=photo),
                _orders(span, rules) if read else _withheld(span, listed=not away),
                _reasons(span, 1 if away else None),
                _rules(links) if links else None,
                class_="told",
            ),
            class_="span-body",
        ),
        *more,
        id=name,
        class_=f"one-span {status}",
        aria_labelledby=f"{name}-title",
    )


def _heading(mast: MastDoc, span: SpanDoc, name: str, places: Places, *, photo: bool) -> Html:
    indication = span["indication"]
    words = [el("span", span_title(span), class_="name")]
    if indication["status"] != "read":
        words.insert(0, el("span", "?", class_="doubt", aria_hidden="true"))
    heading = el("h4", *words, id=f"{name}-title")
    if photo:
        return heading
    start, end = span["start_s"] or 0.0, span["end_s"] or 0.0
    button = el(
        "button",
        say("span.times", start=clock(start), end=clock(end)),
        type="button",
        class_="seek",
        data_seek=f"{places.first_frame(start):.3f}",
        data_start=f"{start:.3f}",
        data_end=f"{end:.3f}",
        data_span=name,
        aria_label=seek_words(mast, span),
    )
    return el("div", heading, button, class_="span-head")


def _pictures(
    mast: MastDoc, number: int, pictures: Mapping[Name, str], *, photo: bool
) -> Html | None:
    said = aspect_words(mast["spans"][number - 1]["heads"], photo=photo)
    found: list[Html] = []
    scene = pictures.get(("scene", mast["mast"], number, 0))
    if scene is not None and not photo:
        alt = say("report.scene", mast=say("mast", number=mast["mast"]), aspect=said)
        found.append(el("img", src=scene, alt=alt, class_="scene"))
    close = pictures.get(("close", mast["mast"], number, 0))
    if close is not None:
        alt = say("report.close", mast=say("mast", number=mast["mast"]), aspect=said)
        found.append(el("img", src=close, alt=alt, class_="close", width=CLOSE[0], height=CLOSE[1]))
    lamps = [
        shot
        for head in mast["spans"][number - 1]["heads"]
        for shot in _lamps(head, mast["mast"], number, pictures)
    ]
    if lamps:
        found.append(el("div", *lamps, class_="lamps"))
    return el("div", *found, class_="pictures") if found else None


def _lamps(head: HeadDoc, mast: int, number: int, pictures: Mapping[Name, str]) -> list[Html]:
    found = []
    kinds: tuple[Name, ...] = (
        ("lit", mast, number, head["head"]),
        ("dark", mast, number, head["head"]),
    )
    for name in kinds:
        source = pictures.get(name)
        if source is None:
            continue
        words = say(f"report.lamp.{name[0]}", head=say("curves.head", head=head["head"]))
        image = el("img", src=source, alt=words, width=LAMP_SIDE, height=LAMP_SIDE)
        found.append(el("figure", image, el("figcaption", words)))
    return found


def _heads(span: SpanDoc, *, photo: bool) -> Html:
    rows = []
    for head in span["heads"]:
        flashing = head["behaviour"] == "flashing"
        words = head_words(head, photo=photo)
        rows.append(
            el(
                "tr",
                el("th", head["head"], scope="row"),
                el("td", el("span", mark(head["colour"], flashing=flashing), words, class_="chip")),
                el("td", "; ".join(head_facts(head))),
            )
        )
    titles = (say("report.head"), say("report.shows"), say("report.measured"))
    header = el("tr", *(el("th", words, scope="col") for words in titles))
    return el("table", el("thead", header), el("tbody", *rows), class_="heads")


def _orders(span: SpanDoc, rules: RulesUsed) -> Html:
    indication = indication_of(span["indication"], rules.book)
    parts: list[Html] = []
    if span["indication"]["meaning"]:
        words = sentence(span["indication"]["meaning"])
        parts.append(el("p", words, class_="meaning", lang=BOOK_LANGUAGE))
    if indication is not None:
        here = words_here(indication, rules.book)
        ahead = words_ahead(indication, rules.book)
        parts.append(el("p", say("orders.here", what=here)))
        parts.append(el("p", say("orders.ahead", what=ahead)))
    return el("div", *parts, class_="orders")


def _withheld(span: SpanDoc, *, listed: bool) -> Html:
    """What stays open, where that is to be listed, and what to assume."""
    indication = span["indication"]
    worst = indication["most_restrictive"]["name"]
    rows = [
        el(
            "tr",
            el("th", item["name"], scope="row", lang=BOOK_LANGUAGE),
            el("td", item["rule"] or "–"),
            el(
                "td",
                say("possible.under")
                if round(100 * item["odds"]) < 1
                else say("report.percent", percent=100 * item["odds"]),
            ),
        )
        for item in (indication["possible"] if listed else ())
    ]
    parts: list[Html] = [el("p", say("most_restrictive", name=worst), class_="worst")]
    if rows:
        titles = (say("report.possible"), say("report.rule"), say("report.odds"))
        header = el("tr", *(el("th", words, scope="col") for words in titles))
        table = el("table", el("thead", header), el("tbody", *rows))
        parts.append(scroll(table, say("report.possible")))
    return el(
        "div",
        el("h5", say("report.withheld" if rows else "report.withheld.all")),
        *parts,
        class_="withheld",
    )


def _reasons(span: SpanDoc, most: int | None = None) -> Html | None:
    indication = span["indication"]
    if not indication["reasons"]:
        return None
    key = "report.why" if indication["status"] == "read" else "report.why_withheld"
    items = []
    for reason in indication["reasons"][:most]:
        words, language = tell_reason(reason)
        own = None if language == spoken().code else language
        items.append(el("li", sentence(words), lang=own))
    return el("div", el("h5", say(key)), el("ul", *items), class_="why")


def _rules(links: list[Html]) -> Html:
    parts: list[Html | str] = []
    for link in links:
        parts += ["; ", link] if parts else [link]
    return el("p", el("b", say("report.rules_used")), " ", join(*parts), class_="rules-used")
