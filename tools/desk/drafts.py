"""Drafts: what a person has begun to say of a span, kept act by act in the shelf's database.

Acts are only ever added. The draft of a span and a person is what their acts since the last
``close`` come to: ``set`` is a step, ``type`` a step that takes the place of typing just before
it, ``undo`` and ``redo`` walk along the steps. So a page or a server that dies in the middle
of an edit loses nothing, not even what can be undone.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, cast

from mastread.decoder.aspect import DARK, MAX_HEADS, Arrangement, Aspect, HeadShown
from mastread.decoder.language import parse_aspect
from mastread.tools.desk.texts import say
from mastread.tools.shelf.database import transaction
from mastread.tools.shelf.history import now
from mastread.tools.shelf.store import Shelf, Span, WrongCallError

#: Longest aspect in words that anybody types, characters.
MOST_WORDS: Final = 300


@dataclass(frozen=True, slots=True)
class Draft:
    """An open draft.

    Attributes
    ----------
    content : ``heads`` (``colour``, ``behaviour``, ``x``, ``y``, ``radius`` each), ``plates``
        (names, or None where nobody can tell), ``dwarf``, ``arrangement``, and ``words``: what
        is typed, which then counts instead of the heads, or None
    can_undo, can_redo : whether there are steps before and after
    """

    content: dict[str, Any]
    can_undo: bool
    can_redo: bool


def open_draft(shelf: Shelf, span: Span, who: str) -> Draft | None:
    """Return the draft of a person about a span, or None where none is open."""
    steps, at = _walk(shelf, span.row, who)
    if at == 0:
        # Undone down to the view itself: no draft, but steps that can be redone.
        return None if not steps else Draft(content_of_view(span), False, True)
    return Draft(json.loads(steps[at - 1]), True, at < len(steps))


def write_draft(shelf: Shelf, span: Span, who: str, act: str, content: Any = None) -> None:
    """Add an act to a draft: ``set`` or ``type`` with content, ``undo``, ``redo``, ``close``.

    ``leave`` undoes all steps, so that each can be redone.

    Raises
    ------
    WrongCallError
        If the content is none, or there is nothing to undo or redo.
    """
    if not who.strip():
        raise WrongCallError(say("who.none"))
    text = None
    if act in ("set", "type"):
        text = json.dumps(checked(content), ensure_ascii=False, allow_nan=False)
    elif act not in ("undo", "redo", "leave", "close"):
        raise WrongCallError(say("refused.json"))
    with transaction(shelf.database) as database:
        steps, at = _walk(shelf, span.row, who)
        if act in ("undo", "redo") and at == (0 if act == "undo" else len(steps)):
            raise WrongCallError(say("draft.end", what=act))
        row = (span.row, who.strip(), now(), "undo" if act == "leave" else act, text)
        database.executemany(
            "INSERT INTO draft (span, who, at, act, content) VALUES (?, ?, ?, ?, ?)",
            [row] * (at if act == "leave" else 1),
        )


def keep_draft(shelf: Shelf, span: Span, who: str) -> int:
    """Make the draft a correction of that person; return the number of the change.

    Raises
    ------
    WrongCallError, AspectError
        If there is none, or what it says is no aspect; the draft stays.
    """
    draft = open_draft(shelf, span, who)
    if draft is None or not draft.can_undo:
        raise WrongCallError(say("draft.none"))
    content = draft.content
    aspect = aspect_of_draft(content)
    if content["words"] is not None or aspect.arrangement is not None:
        number = shelf.correct(span.id, who, aspect)
    else:
        plates = content["plates"]
        number = shelf.correct_heads(
            span.id, who, content["heads"], plates=plates, dwarf=content["dwarf"]
        )
    # Killed right here the draft stays open beside the correction, and says the same.
    write_draft(shelf, span, who, "close")
    return number


def content_of_view(span: Span) -> dict[str, Any]:
    """Return the content of a draft that says what the view says."""
    view = span.view
    return {
        "heads": [
            {key: head[key] for key in ("colour", "behaviour", "x", "y", "radius")}
            for head in cast("list[dict[str, Any]]", view["heads"])
        ],
        "plates": view["plates"],
        "dwarf": view["dwarf"],
        "arrangement": view["arrangement"] if len(view["heads"]) > 1 else None,
        "words": None,
    }


def aspect_of_draft(content: Mapping[str, Any]) -> Aspect:
    """Return what a draft states (AspectError or WrongCallError where it is no aspect)."""
    if content["words"] is not None:
        return parse_aspect(content["words"])
    try:
        return Aspect(
            tuple(_shown(head) for head in content["heads"]),
            None if content["plates"] is None else frozenset(content["plates"]),
            content["dwarf"],
            cast("Arrangement | None", content["arrangement"]),
        )
    except ValueError as error:
        raise WrongCallError(say("draft.bad", what=error)) from None


def checked(content: Any) -> dict[str, Any]:
    """Return the content that a page sent, as far as it belongs in a draft.

    Raises
    ------
    WrongCallError
        If it is none.
    """
    try:
        heads = [
            {
                "colour": str(head["colour"]),
                "behaviour": str(head["behaviour"]),
                **{key: _finite(head[key]) for key in ("x", "y", "radius")},
            }
            for head in content["heads"]
        ]
        plates = content["plates"]
        words = content.get("words")
        found = {
            "heads": heads,
            "plates": None if plates is None else sorted({str(plate) for plate in plates}),
            "dwarf": bool(content["dwarf"]),
            "arrangement": content.get("arrangement") if len(heads) > 1 else None,
            "words": None if words is None else str(words)[:MOST_WORDS],
        }
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise WrongCallError(say("draft.bad", what=error)) from None
    if len(heads) > MAX_HEADS:
        raise WrongCallError(say("draft.bad", what=f"{len(heads)} heads"))
    if found["words"] is None:
        aspect_of_draft(found)
    return found


def _walk(shelf: Shelf, row: int, who: str) -> tuple[list[str], int]:
    """All steps of the open draft, and how many of them are in force."""
    closed = "SELECT max(id) FROM draft WHERE span = ? AND who = ? AND act = 'close'"
    query = (
        f"SELECT act, content FROM draft WHERE span = ? AND who = ? AND id > "
        f"coalesce(({closed}), 0) ORDER BY id"
    )
    whose = (row, who.strip())
    steps: list[str] = []
    at, typing = 0, False
    for act, content in shelf.database.execute(query, (*whose, *whose)):
        if act == "undo":
            at = max(0, at - 1)
        elif act == "redo":
            at = min(len(steps), at + 1)
        elif act == "type" and typing and at:
            steps[at - 1 :] = [content]
        else:
            steps[at:] = [content]
            at += 1
        typing = act == "type"
    return steps, at


def _shown(head: Mapping[str, Any]) -> HeadShown:
    if head["behaviour"] == "dark" or head["colour"] == "none":
        return DARK
    return HeadShown(head["colour"], head["behaviour"])


def _finite(value: Any) -> float:
    number = float(value)
    if not -1e6 < number < 1e6:
        raise ValueError(f"{value} is no place in a picture")
    return number
