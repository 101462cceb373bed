"""HTML that cannot be broken into: whatever is not markup already gets escaped."""

from __future__ import annotations

from html import escape
from typing import Final

#: Elements that have neither content nor an end tag.
VOID: Final = frozenset({"br", "hr", "img", "link", "meta", "source", "rect", "line", "polyline"})


class Html(str):
    """Text that is markup."""

    __slots__ = ()


Child = str | int | None


def el(name: str, /, *children: Child, **attributes: Child) -> Html:
    """Return an element.

    Children are escaped unless they are `Html`, and left out where None. Of attributes a final
    ``_`` is dropped and other ``_`` become ``-``; None leaves one out, "" gives it no value.
    """
    words = [name]
    for key, value in attributes.items():
        if value is not None:
            words.append(f'{key.rstrip("_").replace("_", "-")}="{escape(str(value))}"')
    start = "<" + " ".join(words)
    if name in VOID:
        return Html(start + ("/>" if name in ("rect", "line", "polyline") else ">"))
    return Html(f"{start}>{join(*children)}</{name}>")


def join(*children: Child) -> Html:
    """Return children one after the other."""
    return Html("".join(_child(child) for child in children if child is not None))


def _child(child: Child) -> str:
    return child if isinstance(child, Html) else escape(str(child))


def percent(share: float) -> str:
    """Return a share as a length in CSS: ``12.345%``."""
    return f"{100 * min(1.0, max(0.0, share)):.3f}%"
