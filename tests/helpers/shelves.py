"""Shelves for the tests, filled with hand-made records instead of read footage."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np

from mastread.decoder.rulebook import load_book
from mastread.tools.reading import build_reading
from mastread.tools.shelf.enter import enter
from mastread.tools.shelf.record import Made, Record
from mastread.tools.shelf.store import Shelf
from mastread.vision.types import Seen

BOOK = "books/cror.toml"


def make_record(seen: Seen, name: str = "clip", *, recipe: str = "r1" * 8, **told: Any) -> Record:
    """A record of what was seen, as a worker would write it."""
    document = build_reading(seen, load_book("cror"))
    document["source"]["path"] = f"{name}.mp4"
    made: list[list[Made]] = [
        [
            {
                "box": mast["box"],
                "shift": [0.0, 0.0],
                "light": told.get("light", "day"),
                "clip": f"m{mast['mast']}-{n}.mp4",
                "clip_start_s": max(0.0, (span["start_s"] or 0.0) - 1.0),
                "clip_end_s": (span["end_s"] or 0.0) + 1.0,
                "clip_coded": False,
                "poster": f"m{mast['mast']}-{n}.jpg",
                "poster_s": span["start_s"],
                "crops": [f"m{mast['mast']}-{n}-{h['head']}.jpg" for h in span["heads"]],
            }
            for n, span in enumerate(mast["spans"], start=1)
        ]
        for mast in document["masts"]
    ]
    return {
        "format": "mastread-shelf-record",
        "version": 1,
        "sha256": hashlib.sha256(name.encode()).hexdigest(),
        "bytes": 1000,
        "recipe": recipe,
        "reader": "test",
        "book": BOOK,
        "book_title": "CROR",
        "hints": {"heads": None, "region": None, "plates": told.get("plates", [])},
        "made_at": "2026-01-01T00:00:00Z",
        "reading": document,
        "made": made,
        "files": {},
    }


def make_shelf(folder: Path, records: Sequence[Record] = ()) -> Shelf:
    """A shelf with these records in it; close it."""
    shelf = Shelf.create(folder)
    (folder / "books").mkdir(exist_ok=True)
    text = files("mastread.decoder").joinpath("book_cror.toml").read_bytes()
    (folder / BOOK).write_bytes(text)
    for record in records:
        enter(shelf, record, (f"../{record['reading']['source']['path']}", record["bytes"], 7))
    return shelf


def paint(shelf: Shelf) -> None:
    """Give every span of the shelf a poster with its lamps and a short clip of the same."""
    inks = {"red": (40, 30, 220), "yellow": (20, 190, 240), "green": (90, 200, 20)}
    for row in shelf.database.execute("SELECT id FROM span").fetchall():
        view = shelf.span(row["id"]).view
        image = np.full((720, 1280, 3), 120, np.uint8)
        for head in view["heads"]:
            place = (round(head["x"]), round(head["y"]))
            cv2.circle(image, place, 12, (20, 20, 20), -1)
            cv2.circle(image, place, 6, inks.get(head["colour"], (40, 40, 40)), -1)
        poster = shelf.folder / view["poster"]
        poster.parent.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(poster), image)
        with av.open(str(shelf.folder / str(view["clip"])), "w", format="mp4") as out:
            stream: Any = out.add_stream("libx264", rate=5)
            stream.width, stream.height, stream.pix_fmt = 640, 360, "yuv420p"
            small = cv2.resize(image, (640, 360))
            for n in range(5):
                frame = av.VideoFrame.from_ndarray(small, "bgr24").reformat(format="yuv420p")
                frame.pts = n
                out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
