"""The Croissant description of a packed data set (MLCommons Croissant 1.0, JSON-LD)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from mastread.decoder.words import NOTICE
from mastread.tools.shelf.history import now
from mastread.tools.shelf.packtables import HEADS, SPANS
from mastread.tools.shelf.shelve import digest_of
from mastread.tools.shelf.split import PARTS
from mastread.tools.shelf.texts import say

if TYPE_CHECKING:
    from mastread.tools.shelf.pack import About, Item

#: The context that the specification prints for version 1.0.
_CONTEXT: Final[dict[str, Any]] = {
    "@language": "en",
    "@vocab": "https://schema.org/",
    "citeAs": "cr:citeAs",
    "column": "cr:column",
    "conformsTo": "dct:conformsTo",
    "cr": "http://mlcommons.org/croissant/",
    "rai": "http://mlcommons.org/croissant/RAI/",
    "data": {"@id": "cr:data", "@type": "@json"},
    "dataType": {"@id": "cr:dataType", "@type": "@vocab"},
    "dct": "http://purl.org/dc/terms/",
    "equivalentProperty": "cr:equivalentProperty",
    "examples": {"@id": "cr:examples", "@type": "@json"},
    "extract": "cr:extract",
    "field": "cr:field",
    "fileProperty": "cr:fileProperty",
    "fileObject": "cr:fileObject",
    "fileSet": "cr:fileSet",
    "format": "cr:format",
    "includes": "cr:includes",
    "isLiveDataset": "cr:isLiveDataset",
    "jsonPath": "cr:jsonPath",
    "key": "cr:key",
    "md5": "cr:md5",
    "parentField": "cr:parentField",
    "path": "cr:path",
    "recordSet": "cr:recordSet",
    "references": "cr:references",
    "regex": "cr:regex",
    "repeated": "cr:repeated",
    "replace": "cr:replace",
    "samplingRate": "cr:samplingRate",
    "sc": "https://schema.org/",
    "separator": "cr:separator",
    "source": "cr:source",
    "subField": "cr:subField",
    "transform": "cr:transform",
}

_TYPES: Final = {
    "string": "sc:Text",
    "integer": "sc:Integer",
    "number": "sc:Float",
    "datetime": "sc:Date",
}


def croissant_document(folder: Path, items: Sequence[Item], about: About) -> dict[str, Any]:
    """Return the description of the package in `folder`, whose tables are written."""
    clips = sorted({f"*.{item.clip.rpartition('.')[2]}" for item in items})
    return {
        "@context": _CONTEXT,
        "@type": "sc:Dataset",
        "name": about.name,
        "description": f"{say('pack.what')} {NOTICE}",
        "conformsTo": "http://mlcommons.org/croissant/1.0",
        "license": sorted({item.licence for item in items}),
        "creator": [
            {"@type": "sc:Person", "name": name} for name in sorted({i.credit for i in items})
        ],
        "creditText": "; ".join(sorted({item.credit for item in items})),
        "citeAs": f"{about.title}. {about.credit}.",
        "datePublished": now()[:10],
        "version": "1.0.0",
        "url": f"https://example.org/{about.name}",
        "distribution": [
            *(_table(folder, name) for name in ("spans", "heads")),
            *(_coco(folder, part) for part in PARTS),
            _files("clips", [f"clips/{ending}" for ending in clips], "video/mp4"),
            _files("posters", ["posters/*.jpg"], "image/jpeg"),
        ],
        "recordSet": [_parts(), _records("spans", SPANS), _records("heads", HEADS)],
    }


def _table(folder: Path, name: str) -> dict[str, Any]:
    return _object(folder, f"{name}.csv", f"{name}.csv", "text/csv")


def _coco(folder: Path, part: str) -> dict[str, Any]:
    return _object(folder, f"coco-{part}", f"coco/{part}.json", "application/json")


def _object(folder: Path, name: str, path: str, kind: str) -> dict[str, Any]:
    return {
        "@type": "cr:FileObject",
        "@id": name,
        "name": name,
        "contentUrl": path,
        "contentSize": f"{(folder / path).stat().st_size} B",
        "encodingFormat": kind,
        "sha256": digest_of(folder / path),
    }


def _files(name: str, patterns: Sequence[str], kind: str) -> dict[str, Any]:
    return {
        "@type": "cr:FileSet",
        "@id": name,
        "name": name,
        "encodingFormat": kind,
        "includes": list(patterns) if len(patterns) > 1 else patterns[0],
    }


def _parts() -> dict[str, Any]:
    """The parts as the specification wants them: a record set of the type Split."""
    links = {"train": "TrainingSplit", "validation": "ValidationSplit", "test": "TestSplit"}
    return {
        "@type": "cr:RecordSet",
        "@id": "parts",
        "name": "parts",
        "dataType": "cr:Split",
        "key": {"@id": "parts/name"},
        "field": [
            {"@type": "cr:Field", "@id": "parts/name", "name": "name", "dataType": "sc:Text"},
            {"@type": "cr:Field", "@id": "parts/url", "name": "url", "dataType": ["sc:URL"]},
        ],
        "data": [
            {"parts/name": part, "parts/url": f"http://mlcommons.org/croissant/{links[part]}"}
            for part in PARTS
        ],
    }


def _records(name: str, fields: Mapping[str, tuple[str, str]]) -> dict[str, Any]:
    return {
        "@type": "cr:RecordSet",
        "@id": name,
        "name": name,
        "key": {"@id": f"{name}/{'id' if name == 'spans' else 'span'}"},
        "field": [_field(name, field, *about) for field, about in fields.items()],
    }


def _field(table: str, field: str, kind: str, words: str) -> dict[str, Any]:
    found: dict[str, Any] = {
        "@type": "cr:Field",
        "@id": f"{table}/{field}",
        "name": field,
        "description": words,
        "dataType": _TYPES[kind],
        "source": {"fileObject": {"@id": f"{table}.csv"}, "extract": {"column": field}},
    }
    if (table, field) == ("spans", "part"):
        found["references"] = {"field": {"@id": "parts/name"}}
    if (table, field) == ("heads", "span"):
        found["references"] = {"field": {"@id": "spans/id"}}
    return found
