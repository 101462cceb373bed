"""``python -m mastread.tools.shelf.bench_find``: how fast a large shelf answers.

Fills a shelf with made-up spans (25,000 files of four spans each by default) through the same
entering as real ones, then times queries, each several times after one to warm up.
"""

from __future__ import annotations

import hashlib
import random
import statistics
import time
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import click

from mastread.decoder.decode import decode_aspect
from mastread.decoder.language import say_head
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import BEHAVIOURS, COLOURS, NOTICE
from mastread.tools.reading import Reading
from mastread.tools.shelf.database import settle
from mastread.tools.shelf.enter import enter
from mastread.tools.shelf.record import Made, Record
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf

_QUERIES: Final[dict[str, Query]] = {
    'find "flashing yellow"': Query(words=("flashing yellow",)),
    "the example of the guide, all fields": Query(
        words=("flashing yellow",),
        indication="clear to stop",
        heads=3,
        light="night",
        sure=0.95,
        rate_hz=(0.9, 1.1),
    ),
    'find "red over red" --heads 3': Query(words=("red over red",), heads=3),
    "--indication clear --light night --sure 0.95": Query(
        indication="clear", light="night", sure=0.95
    ),
    "--rate 0.95..1.05": Query(rate_hz=(0.95, 1.05)),
    "--verdict confirmed": Query(verdict="confirmed"),
    "--file willow": Query(file="willow"),
    "find willow": Query(words=("willow",)),
    "everything": Query(),
}
_PLACES: Final = ("willow", "gravel", "larch", "tunnel", "mill", "ferry", "orchard", "quarry")


@click.command()
@click.option("--spans", default=100_000, show_default=True, help="How many spans.")
@click.option("--times", default=15, show_default=True, help="How often each query is timed.")
@click.option(
    "--work", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder."
)
def main(spans: int, times: int, work: Path) -> None:
    """Time queries on a large shelf: what `shelf find` asks, the first 50 spans and the count."""
    if not (work / "shelf.sqlite").exists():
        fill(work, spans)
    with Shelf.open(work) as shelf:
        click.echo(f"{shelf.count(Query())} spans")
        for words, query in _QUERIES.items():
            taken, worked = [], []
            for _ in range(times + 1):
                begin, cpu = time.perf_counter(), time.process_time()
                hits, count = shelf.look(query, 50)
                taken.append(1000 * (time.perf_counter() - begin))
                worked.append(1000 * (time.process_time() - cpu))
            click.echo(
                f"{statistics.median(taken[1:]):7.1f} ms (slowest {max(taken[1:]):.1f}; "
                f"processor {statistics.median(worked[1:]):.1f})  {len(hits)} of {count}  {words}"
            )


def fill(folder: Path, spans: int) -> None:
    """Make a shelf of made-up readings in `folder`; no clips, only what is looked up."""
    rng = random.Random(7)
    book = load_book("cror")
    with Shelf.create(folder) as shelf:
        (folder / "books").mkdir(exist_ok=True)
        text = files("mastread.decoder").joinpath("book_cror.toml").read_bytes()
        (folder / "books" / "cror.toml").write_bytes(text)
        # This shelf is thrown away: nothing is lost by not waiting for the disk.
        shelf.database.execute("PRAGMA synchronous = OFF")
        for number in range(spans // 4):
            name = f"{rng.choice(_PLACES)}-{number:06d}.mp4"
            enter(shelf, _record(name, rng, book), (f"../footage/{name}", 1000, number))
        for hit in shelf.find(Query(), 200):
            shelf.confirm(hit.id, "Jo")
        settle(shelf.database)


def _record(name: str, rng: random.Random, book: Rulebook) -> Record:
    entries = [entry for entry in book.entries() if not entry.row.disputed]
    spans: list[Any] = []
    for k in range(4):
        aspect = rng.choice(entries).row.aspect
        heads = []
        for n, shown in enumerate(aspect.heads, start=1):
            flashing = shown.behaviour == "flashing"
            heads.append(
                {
                    "head": n,
                    "colour": shown.colour or "none",
                    "behaviour": shown.behaviour,
                    "confidence": 0.98,
                    "colour_odds": {c: float(c == shown.colour) for c in COLOURS},
                    "behaviour_odds": {b: float(b == shown.behaviour) for b in BEHAVIOURS},
                    "rate_hz": round(rng.uniform(0.6, 1.6), 4) if flashing else None,
                    "rate_sd_hz": 0.01 if flashing else None,
                    "duty": 0.5 if flashing else None,
                    "x": 100.0,
                    "y": 100.0 + 40 * n,
                    "radius": 6.0,
                }
            )
        indication = decode_aspect(aspect, book).as_json()
        for item in indication["possible"][:1]:
            item["odds"] = round(rng.uniform(0.8, 1.0), 4)
        words = " over ".join(say_head(head) for head in aspect.heads)
        spans.append(
            {
                "start_s": 10.0 * k,
                "end_s": 10.0 * k + 10,
                "heads": heads,
                "indication": {**indication, "reasons": [f"Made up: {words}."]},
            }
        )
    reading: Reading = {
        "format": "mastread-reading",
        "version": 1,
        "notice": NOTICE,
        "source": {
            "path": name,
            "kind": "video",
            "width": 1280,
            "height": 720,
            "duration_s": 40.0,
            "frames": 1000,
        },
        "rulebook": {"name": book.name, "title": book.title, "edition": book.edition},
        "masts": [{"mast": 1, "box": [80.0, 80.0, 120.0, 240.0], "spans": spans}],
    }
    light = rng.choice(("day", "day", "day", "night", "unknown"))
    return {
        "format": "mastread-shelf-record",
        "version": 1,
        "sha256": hashlib.sha256(name.encode()).hexdigest(),
        "bytes": 1000,
        "recipe": "made-up-for-speed",
        "reader": "made up",
        "book": "books/cror.toml",
        "book_title": book.title,
        "hints": {"heads": None, "region": None, "plates": []},
        "made_at": "2026-01-01T00:00:00Z",
        "reading": reading,
        "made": [_made(spans, light)],
        "files": {},
    }


def _made(spans: Sequence[Any], light: str) -> list[Made]:
    return [
        {
            "box": [80.0, 80.0, 120.0, 240.0],
            "shift": [0.0, 0.0],
            "light": light,
            "clip": f"m1-s{n}.mp4",
            "clip_start_s": max(0.0, span["start_s"] - 1),
            "clip_end_s": span["end_s"] + 1,
            "clip_coded": False,
            "poster": f"m1-s{n}.jpg",
            "poster_s": span["start_s"] + 5,
            "crops": [f"m1-s{n}-h{h['head']}.jpg" for h in span["heads"]],
        }
        for n, span in enumerate(spans, start=1)
    ]


if __name__ == "__main__":
    main()
