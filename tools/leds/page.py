"""The outputs of one checked file: bench page, pictures, JSON."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from html import escape
from importlib.resources import files
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds import report
from mastread.tools.leds.diagram import diagram_png, diagram_svg
from mastread.tools.leds.flash_plot import flash_svg
from mastread.tools.leds.look import Lit, Looked
from mastread.tools.leds.screen import fits_screen, srgb_of, target_xy
from mastread.tools.leds.words import say_led

Document = dict[str, Any]


def outputs(document: Document, looked: Looked) -> dict[str, bytes]:
    """Every output of one file: what its name ends in, and its bytes."""
    drawing = diagram_svg(document)
    flash = flash_svg(document, looked.lamps)
    made = {
        ".leds.json": (json.dumps(document, indent=1, ensure_ascii=False) + "\n").encode(),
        ".leds.html": page(document, looked, drawing, flash).encode(),
        ".leds.diagram.png": diagram_png(document),
    }
    if looked.lamps:
        made[".leds.strip.png"] = _png(strip(document, looked.lamps))
    if flash is not None:
        made[".leds.flash.svg"] = flash
    return made


def page(document: Document, looked: Looked, drawing: bytes, flash: bytes | None) -> str:
    """One HTML page that needs no other file."""
    return "".join(f"{line}\n" for line in _lines(document, looked, drawing, flash))


def _lines(
    document: Document, looked: Looked, drawing: bytes, flash: bytes | None
) -> Iterator[str]:
    style = files("mastread.tools.leds").joinpath("page.css").read_text(encoding="utf-8")
    title = say_led("say.title")
    yield '<!doctype html><html lang="en"><head><meta charset="utf-8">'
    yield f"<title>{escape(title)}</title>"
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<style>{style}</style></head><body><h1>{escape(title)}</h1>"
    yield f"<p>{escape(say_led('say.file', **document['source']))}</p>"
    yield f"<p>{escape(document['basis']['words'])}</p>"
    yield f'<p class="notice">{escape(document["notice"])}</p>'
    for reason in document["reasons"]:
        yield f'<p class="refused">{escape(say_led("say.refused", reason=reason))}</p>'
    if document["better_picture"]:
        yield f"<h2>{escape(say_led('say.better'))}</h2><ul>"
        for point in document["better_picture"]:
            yield f"<li>{escape(point)}</li>"
        yield "</ul>"
    yield "<h2>Lamps</h2>"
    for lamp, lit in zip(document["lamps"], looked.lamps, strict=True):
        yield from _lamp(lamp, lit)
    sets = list(report.set_lines(document))
    if sets:
        yield "<h2>Sets</h2>" + "".join(f"<p>{escape(line)}</p>" for line in sets)
    yield f'<h2>Chromaticity</h2><div class="drawing">{_inner(drawing)}</div>'
    if flash is not None:
        yield f'<h2>Light against time</h2><div class="drawing">{_inner(flash)}</div>'
    yield f"<p>{escape(say_led('say.limit_note'))}</p>"
    yield f'<p class="notice">{escape(document["notice"])}</p></body></html>'


def _lamp(lamp: Document, lit: Lit) -> Iterator[str]:
    yield '<section class="lamp"><div class="pictures">'
    data = base64.b64encode(_png(lit.crop)).decode()
    title = escape(report.lamp_title(lamp))
    yield f'<figure><img alt="{title}" src="data:image/png;base64,{data}">'
    yield f"<figcaption>lamp {lamp['lamp']} as photographed</figcaption></figure>"
    if lamp["colour"] is not None:
        codes = ",".join(map(str, srgb_of(target_xy(lamp["colour"]))))
        yield f'<figure><div class="patch" style="background:rgb({codes})"></div>'
        yield f"<figcaption>{escape(_target_words(lamp['colour']))}</figcaption></figure>"
    yield f"</div><div><h3>{title}</h3>"
    for line in report.lamp_lines(lamp):
        kind = "refused" if lamp["reasons"] and line.endswith(lamp["reasons"][-1]) else ""
        kind = "advice" if line == lamp["advice"] else kind
        mark = f' class="{kind}"' if kind else ""
        yield f"<p{mark}>{escape(line)}</p>"
    if lamp["limits"]:
        yield f"<details><summary>{len(lamp['limits'])} limits with their sources</summary><table>"
        heads = ("limit", "lamp is", "distance x, y", "source and edition", "grade")
        yield "<tr>" + "".join(f"<th>{head}</th>" for head in heads) + "</tr>"
        for m in lamp["limits"]:
            away = f"{m['distance']:.3f} towards {m['toward']}" if m["toward"] else ""
            source = f"{m['source']}; {m['edition']}"
            cells = (f"{m['set']} {m['colour']}", m["standing"], away, source, m["grade"])
            yield "<tr>" + "".join(f"<td>{escape(c)}</td>" for c in cells) + "</tr>"
        yield "</table></details>"
    yield "</div></section>"


def _target_words(colour: str) -> str:
    words = f"prototype's {colour}"
    return words if fits_screen(target_xy(colour)) else f"{words}, paler than it is"


def _inner(svg: bytes) -> str:
    """An SVG without its XML head, to stand inside a page."""
    text = svg.decode()
    return text[text.index("<svg") :]


def strip(document: Document, lamps: tuple[Lit, ...]) -> NDArray[np.uint8]:
    """Crops of all lamps, each above its prototype's colour, with words; (H, W, 3) R, G, B."""
    from mastread.tools import drawing as d

    size, gap, label = 180, 16, 74
    count = len(lamps)
    columns = min(count, 6)
    rows = -(-count // columns)
    cell_w, cell_h = size + gap, 2 * size + label + gap
    image = np.full((rows * cell_h + gap, columns * cell_w + gap, 3), d.PAPER, np.uint8)
    for k, (lamp, lit) in enumerate(zip(document["lamps"], lamps, strict=True)):
        x, y = gap + k % columns * cell_w, gap + k // columns * cell_h
        image[y : y + size, x : x + size] = cv2.resize(
            lit.crop, (size, size), interpolation=cv2.INTER_NEAREST
        )
        lines = [f"lamp {lamp['lamp']}"]
        if lamp["colour"] is not None:
            patch = srgb_of(target_xy(lamp["colour"]))
            image[y + size : y + 2 * size, x : x + size] = patch
            lines.append(_target_words(lamp["colour"]))
        wrapped = [part for text in lines for part in d.wrap(text, size, 16)]
        for row, text in enumerate(wrapped[:3]):
            d.write(image, (x, y + 2 * size + 20 + 22 * row), text, 16, d.TEXT)
    return image


def _png(image: NDArray[np.uint8]) -> bytes:
    done, data = cv2.imencode(".png", cv2.cvtColor(image, cv2.COLOR_RGB2BGR))
    assert done
    return data.tobytes()
