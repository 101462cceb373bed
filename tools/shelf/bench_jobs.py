"""``python -m mastread.tools.shelf.bench_jobs``: what more jobs gain, and how many threads each.

Shelves the same clips with one job and with two, the decoder and OpenCV with one thread each
or as they choose. The ways take turns, several rounds; per way the quickest round counts, since
whatever else runs on the machine can only slow it down. Besides the time on the clock stands
the time of all processors together: where that does not grow, nothing but other load keeps two
jobs on two idle cores from taking half the time.
"""

from __future__ import annotations

import os
import resource
import shutil
import tempfile
import time
from pathlib import Path
from typing import Final

import click

from mastread.tools.batch import Crashed, run_batch
from mastread.tools.scenes.clip import make_clip
from mastread.tools.shelf.recipe import make_recipe
from mastread.tools.shelf.shelve import Task, shelve
from mastread.vision.types import Hints

_WAYS: Final = ((1, False), (1, True), (2, False), (2, True))


@click.command()
@click.option("--clips", default=8, show_default=True, help="How many clips.")
@click.option("--seconds", default=4.0, show_default=True, help="How long each.")
@click.option("--rounds", default=3, show_default=True, help="How often each way is timed.")
@click.option(
    "--work", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder."
)
def main(clips: int, seconds: float, rounds: int, work: Path) -> None:
    """Time shelving with one job and two, with one thread each and with more."""
    footage = work / "footage"
    footage.mkdir(parents=True, exist_ok=True)
    for seed in range(clips):
        if not (footage / f"{seed}.mp4").exists():
            make_clip(
                seed, footage / f"{seed}.mp4", size=(1280, 720), duration_s=seconds, fps=25.0,
                codec="h264", masts=1,
            )  # fmt: skip
    best: dict[tuple[int, bool], tuple[float, float]] = {}
    for _ in range(rounds):
        for way in _WAYS:
            found = _time(footage, work, *way)
            before = best.get(way, found)
            best[way] = min(before[0], found[0]), min(before[1], found[1])
    for way in _WAYS:
        wall, cpu = best[way]
        threads = "one thread each" if way[1] else "threads as they choose"
        click.echo(f"{way[0]} jobs, {threads}: {wall:6.1f} s, processors {cpu:6.1f} s")
    one = min(best[1, False][0], best[1, True][0])
    for single in (False, True):
        words = "one thread each" if single else "threads as they choose"
        ratio, like = one / best[2, single][0], best[1, single][0] / best[2, single][0]
        click.echo(
            f"two jobs ({words}) are {ratio:.2f} times the best single job, {like:.2f} alike"
        )
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    click.echo(f"load of the machine meanwhile: {load:.1f}; cores: {os.cpu_count()}")


def _time(footage: Path, work: Path, jobs: int, single: bool) -> tuple[float, float]:
    """Seconds on the clock and of the processors, without the start of the workers' Python."""
    home = Path(tempfile.mkdtemp(dir=work))
    recipe = make_recipe(home, "cror", Hints())
    paths = sorted(footage.glob("*.mp4"))
    tasks = [Task(str(path), str(home), recipe, single) for path in paths]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    for result in run_batch(shelve, tasks, jobs):
        if isinstance(result, Crashed) or result.trouble:
            raise click.ClickException(f"a clip could not be shelved: {result}")
    wall = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    shutil.rmtree(home)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


if __name__ == "__main__":
    main()
