"""Packing a labelled data set: a Data Package with clips, pictures and tables.

Besides ``datapackage.json`` (Data Package 2.0, frictionlessdata.io) stand a Croissant
description (MLCommons Croissant 1.0) and image boxes in the COCO layout. All of it is written
aside and given its place by one rename.
"""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, Final

from mastread.decoder.words import NOTICE
from mastread.tools.reading import to_json
from mastread.tools.shelf.coco import coco_document
from mastread.tools.shelf.croissant import croissant_document
from mastread.tools.shelf.packtables import HEADS, SPANS, Row, schema_of
from mastread.tools.shelf.search import Hit
from mastread.tools.shelf.sheet import read_image
from mastread.tools.shelf.shelve import digest_of
from mastread.tools.shelf.split import PARTS, split_groups
from mastread.tools.shelf.store import Shelf, Span, WrongCallError
from mastread.tools.shelf.texts import say


@dataclass(frozen=True, slots=True)
class About:
    """What a data set says of itself.

    Attributes
    ----------
    name : lower-case letters, digits, ``-``, ``_``, ``.``
    title : for people
    licence : an SPDX or Open Definition identifier, such as CC-BY-4.0
    credit : whom to name
    shares : of the parts in `PARTS`
    together : ``video`` or ``folder``: what is never divided between parts
    """

    name: str
    title: str
    licence: str
    credit: str
    shares: tuple[float, float, float] = (0.8, 0.1, 0.1)
    together: str = "video"


@dataclass(frozen=True, slots=True)
class Item:
    """A span that is packed, with its part and the names of its files in the package."""

    span: Span
    hit: Hit
    part: str
    clip: str
    poster: str
    size: tuple[int, int]
    licence: str
    credit: str


def pack(
    shelf: Shelf,
    hits: Sequence[Hit],
    target: Path,
    about: About,
    report: Callable[[float], None] = lambda share: None,
) -> dict[str, int]:
    """Write the data set; return how many spans each part has.

    Raises
    ------
    WrongCallError
        If nothing is to be packed, something is there already, or the licence is not known.
    OSError
        If it cannot be written; nothing is left behind then.
    """
    if not hits:
        raise WrongCallError(say("pack.none"))
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise WrongCallError(say("pack.there", path=target))
    rights = _rights(shelf, hits, about)
    parts = _parts(shelf, hits, about)
    target.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".mastread-", dir=target.parent) as aside:
        folder = Path(aside) / "package"
        (folder / "clips").mkdir(parents=True)
        (folder / "posters").mkdir()
        (folder / "coco").mkdir()
        items = []
        for done, hit in enumerate(hits, start=1):
            items.append(_copy(shelf, hit, folder, parts[hit.media], *rights[hit.media]))
            report(done / len(hits))
        _write(folder, items, about)
        if target.exists():
            target.rmdir()
        os.rename(folder, target)
    return {part: sum(item.part == part for item in items) for part in PARTS}


def _rights(shelf: Shelf, hits: Sequence[Hit], about: About) -> dict[int, tuple[str, str]]:
    """Licence and credit of each file: its own where the shelf knows them, else those given."""
    found: dict[int, tuple[str, str]] = {}
    for media in {hit.media for hit in hits}:
        row = shelf.database.execute(
            "SELECT licence, credit FROM media WHERE id = ?", (media,)
        ).fetchone()
        found[media] = row["licence"] or about.licence, row["credit"] or about.credit
    if any(not licence or not credit for licence, credit in found.values()):
        raise WrongCallError(say("pack.rights"))
    return found


def _parts(shelf: Shelf, hits: Sequence[Hit], about: About) -> dict[int, str]:
    """The part of each file."""
    counts = Counter(hit.media for hit in hits)
    names: dict[int, str] = {}
    for media in counts:
        row = shelf.database.execute("SELECT sha256 FROM media WHERE id = ?", (media,)).fetchone()
        names[media] = row["sha256"]
    if about.together == "folder":
        # A folder goes by the first of its files, so that its own name may change.
        folders = {hit.media: str(PurePosixPath(hit.path or "").parent) for hit in hits}
        first = {
            folder: min(names[m] for m, other in folders.items() if other == folder)
            for folder in set(folders.values())
        }
        names = {media: first[folder] for media, folder in folders.items()}
    groups: Counter[str] = Counter()
    for media, count in counts.items():
        groups[names[media]] += count
    chosen = split_groups(groups, about.shares)
    return {media: chosen[names[media]] for media in counts}


def _copy(shelf: Shelf, hit: Hit, folder: Path, part: str, licence: str, credit: str) -> Item:
    span = shelf.span(hit.id)
    view = span.view
    source = view["clip"] or view["poster"]
    clip = f"clips/{hit.id}{PurePosixPath(source).suffix}"
    poster = f"posters/{hit.id}.jpg"
    for name, place in ((source, clip), (view["poster"], poster)):
        try:
            shutil.copyfile(shelf.folder / name, folder / place)
        except FileNotFoundError:
            raise WrongCallError(say("pack.torn", path=name)) from None
    image = read_image(folder / poster)
    if image is None:
        raise WrongCallError(say("pack.torn", path=view["poster"]))
    size = image.shape[1], image.shape[0]
    return Item(span, hit, part, clip, poster, size, licence, credit)


def _write(folder: Path, items: Sequence[Item], about: About) -> None:
    tables = {"spans": [span_row(i) for i in items], "heads": [r for i in items for r in _heads(i)]}
    for name, fields in (("spans", SPANS), ("heads", HEADS)):
        (folder / f"{name}.csv").write_text(
            _csv(fields, tables[name]), encoding="utf-8", newline=""
        )
    for part in PARTS:
        document = coco_document([item for item in items if item.part == part], about)
        (folder / "coco" / f"{part}.json").write_text(to_json(document), encoding="utf-8")
    (folder / "README.md").write_text(_readme(items, about), encoding="utf-8")
    resources = [
        *(_table(folder, name, fields) for name, fields in (("spans", SPANS), ("heads", HEADS))),
        *(_file(folder, f"coco-{part}", f"coco/{part}.json") for part in PARTS),
        *(_file(folder, f"clip-{item.hit.id}", item.clip) for item in items),
        *(_file(folder, f"poster-{item.hit.id}", item.poster) for item in items),
    ]
    package = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": about.name,
        "title": about.title,
        "description": f"{say('pack.what')} {NOTICE}",
        "version": "1.0.0",
        "licenses": [{"name": name} for name in sorted({item.licence for item in items})],
        "contributors": [
            {"title": name, "roles": ["creator"]} for name in sorted({i.credit for i in items})
        ],
        "resources": resources,
    }
    _json(folder / "datapackage.json", package)
    _json(folder / "croissant.json", croissant_document(folder, items, about))


def span_row(item: Item) -> Row:
    """Return the row of a span in ``spans.csv``."""
    view, indication = item.span.view, item.span.view["indication"]
    return {
        "id": item.hit.id,
        "part": item.part,
        "clip": item.clip,
        "poster": item.poster,
        "footage": PurePosixPath(item.hit.path or "").name,
        "mast": view["mast"],
        "start_s": view["start_s"],
        "end_s": view["end_s"],
        "clip_start_s": view["clip_start_s"],
        "aspect": view["aspect"],
        "heads": len(view["heads"]),
        "plates": item.hit.plates,
        "status": indication["status"],
        "rule": indication["rule"],
        "indication": indication["name"],
        "fail_safe": indication["most_restrictive"]["name"],
        "odds": item.hit.sure,
        "machine_indication": item.span.machine["indication"]["name"],
        "verdict": view["verdict"],
        "said_by": view["who"],
        "said_at": view["at"],
        "light": view["light"],
        "licence": item.licence,
        "credit": item.credit,
    }


def _heads(item: Item) -> list[Row]:
    view = item.span.view
    return [
        {
            "span": item.hit.id,
            "head": head["head"],
            "colour": head["colour"],
            "behaviour": head["behaviour"],
            "confidence": head["confidence"],
            "rate_hz": head["rate_hz"],
            "x": round(head["x"] + view["shift"][0], 1),
            "y": round(head["y"] + view["shift"][1], 1),
            "radius": head["radius"],
        }
        for head in view["heads"]
    ]


def _csv(fields: Mapping[str, tuple[str, str]], rows: Sequence[Row]) -> str:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(fields), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _table(folder: Path, name: str, fields: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
    key = "id" if name == "spans" else ["span", "head"]
    schema: dict[str, Any] = {"fields": schema_of(fields), "primaryKey": key}
    if name == "heads":
        reference = {"resource": "spans", "fields": "id"}
        schema["foreignKeys"] = [{"fields": "span", "reference": reference}]
    return {
        **_file(folder, name, f"{name}.csv"),
        "type": "table",
        "encoding": "utf-8",
        "schema": schema,
    }


_TYPES: Final = {
    ".csv": ("csv", "text/csv"),
    ".json": ("json", "application/json"),
    ".jpg": ("jpg", "image/jpeg"),
    ".mp4": ("mp4", "video/mp4"),
}


def _file(folder: Path, name: str, path: str) -> dict[str, Any]:
    suffix = PurePosixPath(path).suffix
    kind, mime = _TYPES.get(suffix, (suffix.removeprefix("."), "application/octet-stream"))
    where = folder / path
    return {
        "name": name,
        "path": path,
        "format": kind,
        "mediatype": mime,
        "bytes": where.stat().st_size,
        "hash": f"sha256:{digest_of(where)}",
    }


def _json(path: Path, document: Mapping[str, Any]) -> None:
    path.write_text(to_json(document, indent=2) + "\n", encoding="utf-8")


def _readme(items: Sequence[Item], about: About) -> str:
    counts = Counter(item.part for item in items)
    lines = [
        f"# {about.title}",
        "",
        say("pack.what"),
        "",
        f"> **{NOTICE}**",
        "",
        *(say("pack.part", part=part, count=counts[part]) for part in PARTS),
        "",
        say("pack.apart", what=say(f"pack.together.{about.together}")),
        "",
        say("pack.licence", names=", ".join(sorted({item.licence for item in items}))),
        say("pack.credit", names=", ".join(sorted({item.credit for item in items}))),
        "",
        say("pack.labels"),
        "",
    ]
    return "\n".join(lines)
