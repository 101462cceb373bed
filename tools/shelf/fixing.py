"""The acts of ``mastread shelf fix``, each said back in a line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from mastread.tools.shelf.history import Change
from mastread.tools.shelf.store import Shelf, WrongCallError
from mastread.tools.shelf.texts import say
from mastread.tools.shelf.views import View

#: What to do, and with what.
Act = tuple[str, Any]

#: Acts that may go together with another one.
_BESIDE = frozenset({"note", "tag"})


def do_acts(shelf: Shelf, ids: Sequence[str], who: str, acts: Sequence[Act]) -> Iterator[str]:
    """Do the acts on each span and yield a line about each; all names are looked up first.

    Raises
    ------
    WrongCallError
        If the call makes no sense, or a span is not there; nothing has been done then.
    AspectError
        If an aspect is none.
    """
    names = [name for name, _ in acts]
    if not acts or len([name for name in names if name not in _BESIDE]) > 1:
        raise WrongCallError(say("fix.one"))
    if names[0] in ("undo", "redo"):
        if ids:
            raise WrongCallError(say("fix.undo.ids"))
        number = shelf.undo(who) if names[0] == "undo" else shelf.redo(who)
        yield say(f"fix.{names[0]}", number=number)
        return
    if not ids:
        raise WrongCallError(say("fix.ids"))
    spans = [shelf.span(text) for text in ids]
    if names[0] == "join":
        shelf.join([span.id for span in spans], who)
        yield say("fix.join", count=len(spans), id=spans[0].id)
        return
    for span in spans:
        for name, value in acts:
            _do(shelf, span.id, who, name, value)
        yield say("fix.now", id=span.id, view=in_line(shelf.span(span.id).view))


def tell_history(shelf: Shelf, ids: Sequence[str]) -> Iterator[str]:
    """Yield a line for each change of the spans, or of the whole shelf."""
    changes: list[Change] = []
    names: Sequence[str | None] = ids or (None,)
    for name in names:
        changes += shelf.history(name)
    unique = {change.id: change for change in changes}
    for change in sorted(unique.values(), key=lambda change: change.id):
        key = "history.line" if change.in_force else "history.undone"
        what = ", ".join(sorted(change.patches))
        if change.undoes is not None:
            what = say("history.number", number=change.undoes)
        yield say(key, number=change.id, at=change.at, who=change.who, act=change.act, what=what)
    if not unique:
        yield say("history.none")


def in_line(view: View) -> str:
    """Return what a view says in one line."""
    indication = view["indication"]
    if view["hidden"]:
        return say("fix.hidden")
    if indication["status"] != "read":
        name = say("name.open", safest=indication["most_restrictive"]["name"])
    elif indication["rule"]:
        name = say("name.rule", name=indication["name"], rule=indication["rule"])
    else:
        name = str(indication["name"])
    return f"{view['aspect']}: {name}"


def _do(shelf: Shelf, span: str, who: str, name: str, value: Any) -> None:
    match name:
        case "aspect":
            shelf.correct(span, who, str(value))
        case "confirm":
            shelf.confirm(span, who)
        case "cannot-tell":
            shelf.withhold(span, who)
        case "remove":
            shelf.remove(span, who)
        case "split":
            shelf.split(span, who, float(value))
        case "note":
            shelf.note(span, who, note=str(value))
        case "tag":
            shelf.note(span, who, tags=list(value))
        case _:
            raise ValueError(name)
