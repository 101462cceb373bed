"""What a report tells of one media file, made where the file is read."""

from __future__ import annotations

import base64
import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Final
from urllib.parse import quote

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.rulebook import Rulebook
from mastread.tools.reading import MastDoc, Reading
from mastread.tools.report.light import light_curves
from mastread.tools.report.markup import Html, el
from mastread.tools.report.rules import RulesUsed
from mastread.tools.report.shots import Album, as_data
from mastread.tools.report.spans import span_section
from mastread.tools.report.timeline import Places, length_of, timeline
from mastread.tools.sentences import mast_tells, sentence, span_title
from mastread.tools.texts import clock, say
from mastread.vision.types import Seen

#: A clip up to this size is put into the page of a single clip; a larger one stays beside it.
EMBED_MOST: Final = 8 * 2**20

#: An annotated photo is put into the page at most this wide, pixels.
PHOTO_WIDTH: Final = 1000
PHOTO_QUALITY: Final = 84


@dataclass(frozen=True, slots=True)
class Part:
    """The part of one file.

    Attributes
    ----------
    prefix : what its names within the page begin with
    title : the file's name
    summary : what was found, one short text for each mast and span, and whether it was read
    html : the article
    sheet : style rules of its places
    rows, sources : rows of rulebooks and their sources that it links to, by name
    """

    prefix: str
    title: str
    summary: list[tuple[str, bool]] = field(default_factory=list)
    html: str = ""
    sheet: str = ""
    rows: dict[str, str] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)

    def save(self, path: Path) -> None:
        """Write it for `load_part`."""
        path.write_text(json.dumps(asdict(self)), encoding="utf-8")


def load_part(path: Path) -> Part:
    """Return what `Part.save` wrote."""
    data = json.loads(path.read_text(encoding="utf-8"))
    data["summary"] = [(words, read) for words, read in data["summary"]]
    return Part(**data)


def make_part(
    seen: Seen,
    reading: Reading,
    book: Rulebook,
    album: Album,
    media: str | None,
    prefix: str,
) -> Part:
    """Make the part of one file.

    Parameters
    ----------
    seen, reading, book : what was seen, its document, and the book it was read by
    album : the pictures that were taken of it
    media : address of the picture or clip to show, None where there is none
    prefix : what its names within the page begin with
    """
    photo = reading["source"]["kind"] == "photo"
    places = Places(prefix, length_of(reading), _frame_times(seen))
    rules = RulesUsed(book)
    name = reading["source"]["path"]
    body: list[Html | None] = [
        el("h2", name, id=f"{prefix}title"),
        el("p", _facts(reading), class_="facts"),
    ]
    poster = album.pictures.get(
        next((n for n in album.pictures if n[0] == "scene"), ("scene", 0, 0, 0))
    )
    body.append(_picture(media or poster, name) if photo else _stage(media, name, poster))
    if not reading["masts"]:
        body.append(el("p", say("no_mast"), " ", say("no_mast.cure"), class_="none"))
    elif not photo:
        body.append(_player(seen, reading, places))
    for mast, doc in zip(seen.masts, reading["masts"], strict=True):
        sections = [
            span_section(doc, n, span.evidence, rules, album.pictures, places, photo=photo)
            for n, span in enumerate(mast.spans, start=1)
        ]
        body.append(_mast(doc, sections, prefix, alone=len(reading["masts"]) == 1))
    article = el(
        "article",
        *body,
        class_="file",
        id=f"{prefix}file",
        aria_labelledby=f"{prefix}title",
        data_length=None if photo else f"{places.length_s:.3f}",
    )
    return Part(
        prefix, name, summary_of(reading), article, places.sheet(), rules.rows, rules.sources
    )


def error_part(reading: Reading, prefix: str) -> Part:
    """Return the part of a file that could not be read."""
    name = reading["source"]["path"]
    article = el(
        "article",
        el("h2", name, id=f"{prefix}title"),
        el("p", sentence(reading.get("error", "").removeprefix(f"{name}: ")), class_="warn"),
        class_="file",
        id=f"{prefix}file",
        aria_labelledby=f"{prefix}title",
    )
    return Part(prefix, name, [(say("report.not_read"), False)], article)


def summary_of(reading: Reading) -> list[tuple[str, bool]]:
    """Return what each span of each mast was read as."""
    found = []
    several = len(reading["masts"]) > 1
    for mast in reading["masts"]:
        for span in mast["spans"]:
            words = span_title(span)
            if several:
                words = mast_tells(mast["mast"], words)
            found.append((words, span["indication"]["status"] == "read"))
    return found or [(say("picture.no_mast"), True)]


def clip_address(clip: Path, beside: str, *, embed: bool) -> str:
    """Return the address of a clip: itself where it is small enough and wished, else `beside`.

    `beside` is the path of the clip relative to the page, with ``/`` between its parts.
    """
    if embed and clip.stat().st_size <= EMBED_MOST:
        data = base64.b64encode(clip.read_bytes()).decode("ascii")
        return f"data:video/mp4;base64,{data}"
    return quote(beside)


def photo_address(picture: Path) -> str:
    """Return an annotated photo as a data address, made smaller where it is large."""
    raw = cv2.imdecode(np.frombuffer(picture.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
    image = np.asarray(raw, np.uint8)[:, :, ::-1]
    if image.shape[1] > PHOTO_WIDTH:
        size = (PHOTO_WIDTH, round(image.shape[0] * PHOTO_WIDTH / image.shape[1]))
        image = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.uint8)
    return as_data(image, PHOTO_QUALITY)


def _frame_times(seen: Seen) -> NDArray[np.float64]:
    """Every time at which a lamp was measured: lamps are, in every frame."""
    times = [curve.time_s for mast in seen.masts for curve in mast.curves]
    return np.unique(np.concatenate(times)) if times else np.zeros(0)


def _facts(reading: Reading) -> str:
    source = reading["source"]
    book = say(
        "report.book", title=reading["rulebook"]["title"], edition=reading["rulebook"]["edition"]
    )
    size = f"{source['width']} × {source['height']}"
    if source["kind"] == "photo":
        return say("report.facts.photo", size=size, book=book)
    count = source.get("frames")
    frames = say("frames.one" if count == 1 else "frames", count=count)
    duration = clock(source.get("duration_s") or 0.0)
    return say("report.facts.video", duration=duration, frames=frames, size=size, book=book)


def _picture(address: str | None, name: str) -> Html | None:
    if address is None:
        return None
    return el("img", src=address, alt=say("report.photo", name=name), class_="photo")


def _stage(address: str | None, name: str, poster: str | None) -> Html | None:
    if address is None:
        return None
    video = el(
        "video",
        src=address,
        poster=poster,
        controls="",
        # A page of a folder may hold hundreds of clips: each loads when it comes into view.
        preload="none",
        playsinline="",
        aria_label=say("report.video", name=name),
    )
    where = (
        say("report.embedded")
        if address.startswith("data:")
        else say("report.beside", path=address)
    )
    lost = el("p", say("report.video_lost"), class_="lost warn", hidden="")
    return el("div", video, lost, el("p", where, class_="small"), class_="stage")


def _player(seen: Seen, reading: Reading, places: Places) -> Html:
    """Timeline and light curves."""
    figures: list[Html | None] = []
    for mast, doc in zip(seen.masts, reading["masts"], strict=True):
        curves = light_curves(mast.curves, doc, places)
        if curves is not None and len(reading["masts"]) > 1:
            figures.append(el("h4", say("mast", number=doc["mast"])))
        figures.append(curves)
    return el(
        "section",
        el("h3", say("report.timeline")),
        el("p", say("report.timeline.help"), class_="small screen"),
        timeline(reading, places),
        el("p", class_="now", role="status", aria_live="polite"),
        el("h3", say("curves.title")) if any(figures) else None,
        *figures,
        class_="player",
    )


def _mast(doc: MastDoc, sections: list[Html], prefix: str, *, alone: bool) -> Html:
    name = f"{prefix}m{doc['mast']}title"
    heading = el("h3", say("mast", number=doc["mast"]), id=name)
    return el(
        "section",
        heading,
        *sections,
        class_="mast" + (" alone" if alone else ""),
        aria_labelledby=name,
    )
