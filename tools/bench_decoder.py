"""How fast the decoder is: ``python -m mastread.tools.bench_decoder``.

Prints how many decodes a second one core makes of aspects that are stated (a warm table), of
sightings as they come from a camera, and how long importing the decoder takes over a bare
interpreter.
"""

from __future__ import annotations

import platform
import random
import subprocess
import sys
import time

import click

from mastread.decoder.aspect import Aspect
from mastread.decoder.decode import decode, decode_aspect, evidence_of
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import COLOURS


@click.command()
@click.option("--rules", default="cror", show_default=True, help="Rulebook to decode by.")
@click.option("--repeats", default=5, show_default=True, help="Runs; the best one counts.")
def main(rules: str, repeats: int) -> None:
    """Measure decoding and import time on this machine."""
    book = load_book(rules)
    aspects = [entry.row.aspect for entry in book.entries()]
    sightings = [_camera_like(evidence_of(a), random.Random(n)) for n, a in enumerate(aspects)]
    click.echo(f"Python {platform.python_version()}, {platform.machine()}, rulebook {rules}")
    stated = max(_rate_stated(aspects, book) for _ in range(repeats))
    click.echo(f"stated aspects, warm   {stated:12,.0f} decodes/s")
    seen = max(_rate_seen(sightings, book) for _ in range(repeats))
    click.echo(f"sightings with odds    {seen:12,.0f} decodes/s")
    bare = _start("pass", repeats)
    full = _start("import mastread.decoder.decode, mastread.decoder.explain", repeats)
    click.echo(f"import of the decoder  {1000 * (full - bare):12.1f} ms over a bare interpreter")


def _rate_stated(aspects: list[Aspect], book: Rulebook, count: int = 100_000) -> float:
    rounds = range(count // len(aspects) + 1)
    start = time.perf_counter()
    for _ in rounds:
        for aspect in aspects:
            decode_aspect(aspect, book)
    return len(rounds) * len(aspects) / (time.perf_counter() - start)


def _rate_seen(sightings: list[MastEvidence], book: Rulebook) -> float:
    start = time.perf_counter()
    for sighting in sightings:
        decode(sighting, book)
    return len(sightings) / (time.perf_counter() - start)


def _camera_like(sure: MastEvidence, rng: random.Random) -> MastEvidence:
    """Blur every head's odds a little, as a camera would."""
    heads = []
    for head in sure.heads:
        doubt = rng.uniform(0.001, 0.1)
        colour = {c: (1 - doubt) * head.colour.get(c, 0.0) + doubt / 6 for c in COLOURS}
        heads.append(HeadEvidence(colour, {"steady": 0.5, "flashing": 0.5}, head.form))
    return MastEvidence(tuple(heads), unseen_head=rng.uniform(0.0, 0.1))


def _start(program: str, repeats: int) -> float:
    times = []
    for _ in range(3 * repeats):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", program], check=True)
        times.append(time.perf_counter() - start)
    # The least disturbed run: whatever else the machine does can only add to it.
    return min(times)


if __name__ == "__main__":
    main()
