"""The desk's answers: the page, the queue, spans, statements, drafts, dropped files, events."""

from __future__ import annotations

import json
import socket
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, cast

from flask import Flask, Response, abort, g, jsonify, render_template, request, send_file
from jinja2 import FunctionLoader
from werkzeug.exceptions import HTTPException

from mastread.decoder.aspect import MAX_HEADS, PLATES
from mastread.decoder.language import AspectError
from mastread.decoder.rulebook import BookError
from mastread.decoder.words import COLOURS, NOTICE
from mastread.tools.desk import drafts, drop
from mastread.tools.desk.guard import guard
from mastread.tools.desk.order import SHOWS, note_hints, queue
from mastread.tools.desk.overruled import overruled
from mastread.tools.desk.spans import book_of, draft_told, means, span_told
from mastread.tools.desk.texts import say
from mastread.tools.desk.work import Work
from mastread.tools.report.markup import Html
from mastread.tools.report.style import inks, symbols
from mastread.tools.shelf.database import ShelfError
from mastread.tools.shelf.record import CLIPS
from mastread.tools.shelf.store import Shelf, Span, WrongCallError

#: The page's own files.
ASSETS: Final = {
    "desk.css": "text/css",
    "icon.svg": "image/svg+xml",
    "desk.js": "text/javascript",
    "stage.js": "text/javascript",
    "heads.js": "text/javascript",
    "shown.js": "text/javascript",
}

#: Kinds of kept files that are handed out; the page is never sent anything else.
KINDS: Final = {".jpg": "image/jpeg", ".mp4": "video/mp4"}

#: Spans in one page of the queue.
PAGE: Final = 60

#: Silence after which a page that listens is sent a sign of life, seconds.
_SIGN_OF_LIFE_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Desk:
    """What an app answers for.

    Attributes
    ----------
    folder : the shelf
    host : the only Host that is answered, ``127.0.0.1:PORT``
    key : first part of every path
    who : name that the page begins with
    work : reads what is dropped
    most_bytes : largest file that is taken
    """

    folder: Path
    host: str
    key: str
    who: str
    work: Work
    most_bytes: int = drop.MOST_BYTES


def make_app(desk: Desk) -> Flask:
    """Return the WSGI application of a desk."""
    app = Flask("mastread.tools.desk", static_folder=None, template_folder=None)
    app.jinja_env.loader = FunctionLoader(_asset)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    guard(app, desk.host, desk.key)
    _troubles(app)
    for path, answer in _answers(desk).items():
        method, _, place = path.partition(" ")
        app.add_url_rule(f"/{desk.key}/{place}", path, answer, methods=[method])

    @app.teardown_appcontext
    def close(error: BaseException | None) -> None:
        shelf = g.pop("shelf", None)
        if shelf is not None:
            shelf.close()

    return app


def _asset(name: str) -> str:
    return files("mastread.tools.desk").joinpath(name).read_text(encoding="utf-8")


def _troubles(app: Flask) -> None:
    """Whatever goes wrong is one line of JSON, never a page and never a traceback."""

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> tuple[Response, int]:
        return jsonify(trouble=error.description), error.code or 500

    @app.errorhandler(WrongCallError)
    @app.errorhandler(AspectError)
    def wrong(error: Exception) -> tuple[Response, int]:
        return jsonify(trouble=str(error)), 409

    @app.errorhandler(ShelfError)
    @app.errorhandler(BookError)
    @app.errorhandler(sqlite3.Error)
    @app.errorhandler(OSError)
    def broken(error: Exception) -> tuple[Response, int]:
        return jsonify(trouble=str(error)), 503


def _answers(desk: Desk) -> dict[str, Callable[..., Any]]:
    def shelf() -> Shelf:
        if "shelf" not in g:
            g.shelf = Shelf.open(desk.folder)
        return cast("Shelf", g.shelf)

    def who() -> str:
        return request.args.get("who", "")

    def page() -> str:
        told = {
            "who": desk.who,
            "colours": COLOURS,
            "plates": PLATES,
            "most_heads": MAX_HEADS,
            "most_bytes": desk.most_bytes,
            "endings": sorted(drop.ENDINGS),
            "shelf": desk.folder.name,
        }
        return render_template("page.html", told=told, notice=NOTICE, symbols=_markup(symbols()))

    def asset(name: str) -> Response:
        kind = ASSETS.get(name)
        if kind is None:
            abort(404, say("gone"))
        # The inks of the marks are those of our pictures.
        more = inks() if name == "desk.css" else ""
        return Response(_asset(name) + more, mimetype=kind)

    def lines() -> Response:
        show = request.args.get("show", "open")
        if show not in SHOWS:
            abort(400, say("refused.json"))
        offset = request.args.get("offset", 0, int)
        words = request.args.get("words", "")[:200]
        found, counts = queue(shelf(), show, words, PAGE, max(0, offset))
        return jsonify(lines=[asdict(line) for line in found], counts=counts)

    def one(name: str) -> Response:
        return jsonify(span_told(shelf(), _span(shelf(), name), who()))

    def kept(name: str, what: str, number: int = 1) -> Response:
        view = _span(shelf(), name).view
        crops = view["crops"]
        if what == "crop" and not 1 <= number <= len(crops):
            abort(404, say("gone"))
        path = {"clip": view["clip"], "poster": view["poster"]}.get(what)
        return _kept_file(desk.folder, crops[number - 1] if what == "crop" else path)

    def act() -> Response:
        asked = _asked()
        name, span = str(asked.get("who", "")), _span(shelf(), str(asked.get("span", "")))
        at = _do(shelf(), span, name, asked)
        now = shelf().span(at)
        with suppress(BookError):
            note_hints(shelf(), now.media)
        _, counts = queue(shelf(), limit=0)
        return jsonify(span=span_told(shelf(), now, name), counts=counts)

    def draft() -> Response:
        asked = _asked()
        name, span = str(asked.get("who", "")), _span(shelf(), str(asked.get("span", "")))
        drafts.write_draft(shelf(), span, name, str(asked.get("act")), asked.get("content"))
        found = drafts.open_draft(shelf(), span, name)
        return jsonify(draft_told(found, span, book_of(shelf(), span.reading)))

    def meant() -> Response:
        asked = _asked()
        span = _span(shelf(), str(asked.get("span", "")))
        content = drafts.checked(asked.get("content"))
        return jsonify(means(content, book_of(shelf(), span.reading)))

    def dropped() -> tuple[Response, int]:
        name = request.args.get("name", "")
        request.max_content_length = None
        try:
            path = drop.take(
                cast("Any", request.stream),
                name,
                request.content_length,
                desk.folder,
                most=desk.most_bytes,
            )
        except drop.DropError as error:
            _hear_no_more(error.status)
            return jsonify(trouble=str(error)), error.status
        return jsonify(desk.work.put(path, path.name, dropped=True).told()), 202

    def events() -> Response:
        def lines() -> Iterator[str]:
            for event in desk.work.listen(_SIGN_OF_LIFE_S):
                yield ": here\n\n" if event is None else f"data: {json.dumps(event)}\n\n"

        return Response(lines(), mimetype="text/event-stream")

    def figures() -> Response:
        return jsonify(overruled(shelf()))

    return {
        "GET ": page,
        "GET asset/<name>": asset,
        "GET queue": lines,
        "GET span/<name>": one,
        "GET span/<name>/<any(clip, poster):what>": kept,
        "GET span/<name>/<any(crop):what>/<int:number>": kept,
        "POST act": act,
        "POST draft": draft,
        "POST means": meant,
        "PUT drop": dropped,
        "GET events": events,
        "GET figures": figures,
    }


def _hear_no_more(status: int) -> None:
    """Do not even read the rest of what is too large or too slow.

    Werkzeug would, up to 10 GB, so that the other end surely hears the answer; the page looks at
    the size before it sends.
    """
    line = request.environ.get("werkzeug.socket")
    if line is not None and status in (408, 413, 507):
        with suppress(OSError):
            line.shutdown(socket.SHUT_RD)


def _do(shelf: Shelf, span: Span, who: str, asked: Mapping[str, Any]) -> str:
    """Do what a person says; return the name of the span to look at then."""
    match asked.get("act"):
        case "confirm":
            shelf.confirm(span.id, who)
        case "keep":
            drafts.keep_draft(shelf, span, who)
        case "withhold":
            shelf.withhold(span.id, who)
        case "remove":
            shelf.remove(span.id, who)
        case "split":
            return shelf.split(span.id, who, _number(asked, "at"))
        case "join":
            shelf.join([span.id, str(asked.get("other", ""))], who)
        case "retime":
            shelf.retime(span.id, who, _number(asked, "start"), _number(asked, "end"))
        case "note":
            shelf.note(span.id, who, note=str(asked.get("note", ""))[:2000])
        case "undo" | "redo" as step:
            number = shelf.undo(who) if step == "undo" else shelf.redo(who)
            query = (
                "SELECT s.id FROM patch p JOIN span s ON s.row = p.span WHERE p.change = ? "
                "ORDER BY s.row = ? DESC, s.hidden, s.row LIMIT 1"
            )
            return str(shelf.database.execute(query, (number, span.row)).fetchone()["id"])
        case _:
            abort(400, say("refused.json"))
    return span.id


def _asked() -> dict[str, Any]:
    found = request.get_json(silent=True)
    if not isinstance(found, dict):
        abort(400, say("refused.json"))
    return found


def _number(asked: Mapping[str, Any], key: str) -> float:
    try:
        number = float(asked[key])
    except (KeyError, TypeError, ValueError):
        abort(400, say("refused.json"))
    if not 0 <= number < 1e7:
        abort(400, say("refused.json"))
    return number


def _span(shelf: Shelf, name: str) -> Span:
    try:
        return shelf.span(name)
    except WrongCallError as error:
        abort(404, str(error))


def _kept_file(shelf: Path, path: str | None) -> Response:
    """Send a file of the shelf's clips; whatever the database may name, nothing else."""
    clips = (shelf / CLIPS).resolve()
    if path is None:
        abort(404, say("gone"))
    try:
        whole = (shelf / path).resolve()
        good = whole.is_relative_to(clips) and whole.is_file()
    except (OSError, ValueError):
        good = False
    kind = KINDS.get(Path(path).suffix.lower())
    if not good or kind is None:
        abort(404, say("gone"))
    # Conditional: one range of bytes, as players ask for. Nothing is kept by the browser: its cache
    # lets one request of a file wait for another, and a player that seeks then stands still.
    response = send_file(whole, mimetype=kind, conditional=True, etag=False)
    response.headers["Cache-Control"] = "no-store"
    return response


def _markup(html: Html) -> Any:
    from markupsafe import Markup

    # `Html` is made by `el`, which escapes; nothing of a file is in these marks.
    return Markup(str(html))
