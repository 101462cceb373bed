"""The contact sheet: every span with its poster, lamps and indication, as one HTML file."""

from __future__ import annotations

import base64
from collections.abc import Iterator, Sequence
from html import escape
from importlib.resources import files
from pathlib import Path, PurePosixPath
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.picture import draw_aspect
from mastread.decoder.words import NOTICE
from mastread.tools.shelf.listing import by_of, name_of, time_of
from mastread.tools.shelf.search import Hit
from mastread.tools.shelf.store import Shelf, Span
from mastread.tools.shelf.texts import say
from mastread.tools.shelf.views import aspect_of

#: Posters on the sheet are this wide, pixels: sharp at the size of a card on paper.
WIDTH: Final = 480
#: Their JPEG quality: small lamps keep their colour, a card takes some 25 kB.
_QUALITY: Final = 80


def make_sheet(shelf: Shelf, hits: Sequence[Hit], title: str) -> str:
    """Return the sheet as a whole HTML page that opens from disk."""
    return "".join(f"{line}\n" for line in _lines(shelf, hits, title))


def small_poster(shelf: Shelf, span: Span, width: int = WIDTH) -> bytes | None:
    """Return a span's poster as a JPEG file no wider than `width`; None if it is gone."""
    image = read_image(shelf.folder / span.view["poster"])
    if image is None:
        return None
    scale = width / image.shape[1]
    if scale < 1:
        size = (width, max(1, round(image.shape[0] * scale)))
        image = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)
    _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return bytes(data.tobytes())


def read_image(path: Path) -> NDArray[np.uint8] | None:
    """Read a picture as B, G, R whatever signs its path holds; None if it cannot be."""
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    found: Any = cv2.imdecode(data, cv2.IMREAD_COLOR) if len(data) else None
    return None if found is None else np.asarray(found, np.uint8)


def data_uri(data: bytes, kind: str) -> str:
    """Return a file as a ``data:`` address of the MIME type `kind`."""
    return f"data:{kind};base64,{base64.b64encode(data).decode()}"


def _lines(shelf: Shelf, hits: Sequence[Hit], title: str) -> Iterator[str]:
    style = files("mastread.tools.shelf").joinpath("sheet.css").read_text(encoding="utf-8")
    yield '<!doctype html><html lang="en"><head><meta charset="utf-8">'
    yield f"<title>{escape(title)}</title>"
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<style>{style}</style></head><body>"
    yield f'<h1>{escape(title)}</h1><p class="notice">{escape(NOTICE)}</p>'
    yield f"<p>{escape(say('sheet.count', count=len(hits)))}</p><ol>"
    for hit in hits:
        yield from _card(shelf, hit)
    yield f'</ol><p class="notice">{escape(NOTICE)}</p></body></html>'


def _card(shelf: Shelf, hit: Hit) -> Iterator[str]:
    span = shelf.span(hit.id)
    poster = small_poster(shelf, span)
    classes = "" if hit.status == "read" else ' class="open"'
    yield f"<li{classes}>"
    words = say("sheet.alt", aspect=hit.aspect, light=hit.light)
    if poster is None:
        yield f"<p>{escape(say('sheet.gone'))}</p>"
    else:
        yield f'<img loading="lazy" src="{data_uri(poster, "image/jpeg")}" alt="{escape(words)}">'
    yield f'<div class="told"><div><h2>{escape(name_of(hit))}</h2>'
    yield f"<p>{escape(hit.aspect[:1].upper() + hit.aspect[1:])}</p>"
    plates = say("sheet.plates", plates=hit.plates)
    yield f'<p class="small">{escape(plates)}</p>'
    file = PurePosixPath(hit.path or "").name
    yield f'<p class="small">{escape(file)}<br>{escape(time_of(hit))}</p>'
    yield f'<p class="small">{escape(by_of(hit))} <code>{escape(hit.id)}</code></p></div>'
    yield f"{_picture(span)}</div></li>"


def _picture(span: Span) -> str:
    """The aspect drawn; a letter stands on each lit lens, so that colour is not needed."""
    heads = span.view["heads"]
    if not heads or any(head["colour"] == "unknown" for head in heads):
        return ""
    if any(head["behaviour"] == "unknown" for head in heads):
        return ""
    return draw_aspect(aspect_of(span.view)).svg()
