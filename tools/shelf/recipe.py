"""What a reading on the shelf depends on besides its file; when it changes, files are read anew."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from importlib.resources import files
from pathlib import Path

from mastread.decoder.bookfile import bundled
from mastread.decoder.rulebook import load_book
from mastread.tools.reading import VERSION as READING_VERSION
from mastread.tools.shelf.figures import figures_text
from mastread.tools.shelf.record import VERSION as RECORD_VERSION
from mastread.tools.shelf.shelve import Recipe
from mastread.vision.types import Hints

#: Folder of the books that were read with, below the shelf.
BOOKS = "books"

#: Data that the reading rests on: nets, limits, policies. Books are told apart.
_READS_WITH = (("mastread.vision", (".json", ".onnx", ".toml")), ("mastread.decoder", (".toml",)))


def make_recipe(shelf: Path, book: str, hints: Hints) -> Recipe:
    """Return the recipe for reading with `book` and `hints`, putting the book on the shelf.

    Raises
    ------
    BookError
        If the book cannot be used.
    OSError
        If it cannot be written.
    """
    loaded = load_book(book)
    text = _book_text(book)
    mark = hashlib.sha256(text).hexdigest()
    place = f"{BOOKS}/{loaded.name}-{mark[:8]}.toml"
    _put(shelf / place, text)
    told = {
        "heads": hints.heads,
        "region": hints.region,
        "plates": None if hints.plates is None else sorted(hints.plates),
    }
    reader = reader_version()
    parts = (reader, mark, json.dumps(told), figures_text(), str(RECORD_VERSION))
    digest = hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]
    return Recipe(text, place, hints, reader, digest)


@cache
def reader_version() -> str:
    """The program's version and a digest of the nets and limits that it reads with."""
    total = hashlib.sha256()
    for package, endings in _READS_WITH:
        for item in sorted(files(package).iterdir(), key=lambda item: item.name):
            if item.name.endswith(endings) and not item.name.startswith("book_"):
                total.update(item.name.encode() + b"\0" + item.read_bytes())
    try:
        number = version("mastread")
    except PackageNotFoundError:
        number = "unknown"
    return f"{number} reading {READING_VERSION} data {total.hexdigest()[:8]}"


def _book_text(book: str) -> bytes:
    name = bundled().get(book.lower())
    if name is not None:
        return files("mastread.decoder").joinpath(name).read_bytes()
    return Path(book).read_bytes()


def _put(path: Path, data: bytes) -> None:
    if path.exists():
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as aside:
        aside.write(data)
    # Temporary files are for their owner alone; books are as readable as the rest.
    os.chmod(aside.name, 0o644)
    os.replace(aside.name, path)
