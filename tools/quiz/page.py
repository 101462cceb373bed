"""The quiz as one HTML page that opens from disk and needs nothing else."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from html import escape
from importlib.resources import files

from mastread.decoder.aspect import Aspect
from mastread.decoder.language import say_aspect
from mastread.decoder.picture import draw_aspect
from mastread.decoder.words import NOTICE
from mastread.tools.quiz.pictures import Shown
from mastread.tools.quiz.questions import Question
from mastread.tools.quiz.texts import ENGLISH, say
from mastread.tools.shelf.sheet import data_uri

#: Sentences that the page's program says.
_SAID = ("right", "wrong", "choose", "score", "done")


def make_page(
    questions: Sequence[Question],
    pictures: Sequence[Shown | None],
    title: str,
    intro: Sequence[str],
) -> str:
    """Return the page; `pictures` holds what each question shows, None for a drawn one."""
    return "".join(f"{line}\n" for line in _lines(questions, pictures, title, intro))


def _lines(
    questions: Sequence[Question],
    pictures: Sequence[Shown | None],
    title: str,
    intro: Sequence[str],
) -> Iterator[str]:
    here = files("mastread.tools.quiz")
    style = here.joinpath("quiz.css").read_text(encoding="utf-8")
    script = here.joinpath("quiz.js").read_text(encoding="utf-8")
    yield '<!doctype html><html lang="en"><head><meta charset="utf-8">'
    yield f"<title>{escape(title)}</title>"
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<style>{style}</style></head><body><header>"
    yield f'<h1>{escape(title)}</h1><p class="notice">{escape(NOTICE)}</p>'
    yield "".join(f'<p class="small">{escape(line)}</p>' for line in intro)
    yield f"<noscript><p>{escape(say('noscript'))}</p></noscript></header><main>"
    section = ""
    for number, (question, picture) in enumerate(zip(questions, pictures, strict=True), start=1):
        heading = question.section if question.section != section else ""
        section = question.section
        yield from _question(number, len(questions), question, picture, heading)
    yield '</main><nav class="bar">'
    for name in ("back", "next", "again"):
        yield f'<button type="button" id="{name}">{escape(say(name))}</button>'
    yield '<span id="score" role="status"></span></nav>'
    yield (
        '<p class="keys small"><label><input type="checkbox" id="keys" checked> '
        f"{escape(say('keys'))}</label></p>"
    )
    said = json.dumps({key: ENGLISH[key] for key in _SAID}).replace("<", "\\u003c")
    yield f'<script type="application/json" id="words">{said}</script>'
    yield f"<script>{script}</script></body></html>"


def _question(
    number: int, count: int, question: Question, picture: Shown | None, heading: str
) -> Iterator[str]:
    yield f'<section class="question" id="q{number}" aria-labelledby="t{number}">'
    if question.section:
        yield f'<p class="section">{escape(heading or question.section)}</p>'
    progress = say("progress", n=number, count=count)
    yield f'<h2 id="t{number}" tabindex="-1"><small>{escape(progress)}</small>'
    yield f'{escape(question.ask)}</h2><div class="show">'
    yield from _show(question, picture)
    yield "</div>"
    if picture is not None and question.span is not None:
        yield from _plates(question.span.aspect)
    yield f"<form><fieldset><legend>{escape(say('choices'))}</legend>"
    for n, choice in enumerate(question.choices, start=1):
        right = ' data-right="yes"' if choice.right else ""
        yield f'<label class="choice"><kbd aria-hidden="true">{n}</kbd>'
        yield f'<input type="radio" name="a{number}" value="{n}"{right}>'
        yield f"<span>{escape(choice.name)}</span></label>"
    yield f'</fieldset><button class="main" type="submit">{escape(say("check"))}</button></form>'
    yield '<div class="answer" role="status" hidden><p class="verdict"></p><div class="rest">'
    yield "".join(f"<p>{escape(line)}</p>" for line in question.answer)
    yield '<ul class="told">'
    for choice in question.choices:
        if not choice.right:
            yield f"<li><strong>{escape(choice.name)}</strong> {escape(choice.why)}</li>"
    yield "</ul></div></div></section>"


def _plates(aspect: Aspect) -> Iterator[str]:
    """Plates that a person told: they may be too small to see."""
    if aspect.plates:
        words = say("plates", plates=", ".join(sorted(aspect.plates)))
        yield f"<p>{escape(words)}</p>"


def _show(question: Question, picture: Shown | None) -> Iterator[str]:
    if question.meant is not None and question.now is not None:
        for key, aspect in (("meant", question.meant), ("now", question.now)):
            yield f"<figure><figcaption>{escape(say(key))}</figcaption>{_drawn(aspect)}</figure>"
        return
    if picture is None:
        return
    poster = data_uri(picture.poster, "image/jpeg")
    alt = escape(say("alt"))
    if picture.clip is None:
        yield f'<img class="wide" src="{poster}" alt="{alt}">'
    else:
        clip = data_uri(picture.clip, "video/mp4")
        yield (
            f'<video class="wide" controls loop playsinline preload="metadata" poster="{poster}" '
            f'src="{clip}" aria-label="{alt}"></video>'
        )
    close = data_uri(picture.close, "image/jpeg")
    yield f'<img class="close" src="{close}" alt="{escape(say("alt.close"))}">'


def _drawn(aspect: Aspect) -> str:
    svg = draw_aspect(aspect).svg()
    return svg.replace("<svg ", f'<svg data-aspect="{escape(say_aspect(aspect))}" ', 1)
