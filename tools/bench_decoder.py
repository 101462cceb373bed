"""How fast the decoder is: ``python -m mastread.tools.bench_decoder``.

Prints how many decodes a second one core makes of aspects that are stated (a warm table), of
sightings as they come from a camera, and how long importing the decoder takes over a bare
interpreter.
"""

from __future__ import annotations

import os
import platform
import random
import subprocess
import sys
import tempfile
import time
from typing import Final

import click

from mastread.decoder.aspect import Aspect
from mastread.decoder.decode import decode, decode_aspect, evidence_of
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import COLOURS

#: What a program that decodes and explains imports.
IMPORTED: Final = ("mastread.decoder.decode", "mastread.decoder.explain")


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
    bare, full = _starts("pass", f"import {', '.join(IMPORTED)}", 3 * repeats)
    wall, cpu = (1000 * (full[n] - bare[n]) for n in (0, 1))
    click.echo(
        f"import of the decoder  {wall:12.1f} ms over a bare interpreter (CPU time {cpu:.1f} ms)"
    )


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


def _starts(one: str, other: str, repeats: int) -> list[tuple[float, float]]:
    """Time to start Python with each of two programs: the least by the clock, and CPU time.

    In turns, so that both meet the same load of the machine; the least, since load only adds.
    CPU time is the mean, for it is counted in coarse steps. The modules are compiled before, as
    an installation leaves them.
    """
    least, cpu = [float("inf")] * 2, [0.0] * 2
    with tempfile.TemporaryDirectory() as compiled:
        own = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        own["PYTHONPYCACHEPREFIX"] = compiled
        subprocess.run([sys.executable, "-c", other], check=True, env=own)
        for _ in range(repeats):
            for n, program in enumerate((one, other)):
                start, before = time.perf_counter(), os.times()
                subprocess.run([sys.executable, "-c", program], check=True, env=own)
                least[n] = min(least[n], time.perf_counter() - start)
                after = os.times()
                cpu[n] += after.children_user + after.children_system
                cpu[n] -= before.children_user + before.children_system
    return [(least[n], cpu[n] / repeats) for n in (0, 1)]


if __name__ == "__main__":
    main()
