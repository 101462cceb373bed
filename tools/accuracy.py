"""``python -m mastread.tools.accuracy``: how well the tool reads, measured against exact truth.

    python -m mastread.tools.accuracy --photos 200 --clips 40 --seeds reporting
    python -m mastread.tools.accuracy --files FOLDER
    python -m mastread.tools.accuracy --lamps FOLDER --labels labels.csv

Scenes are made, read and scored one by one in worker processes, and their files deleted. How
everything is counted stands in `mastread.tools.score` and in accuracy.toml.
"""

from __future__ import annotations

import datetime
import importlib.metadata
import json
import platform
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, Literal

import click

from mastread.tools.accuracy_lamps import lamp_report
from mastread.tools.accuracy_work import Task, failed, fault_lines, keep_case, work
from mastread.tools.batch import Crashed, cores, run_batch
from mastread.tools.cli_options import rules_option
from mastread.tools.desk.overruled import NONE, overruled, table
from mastread.tools.scenes.make import CHOOSING, REPORTING, TUNING
from mastread.tools.scenes.truth import read_truth
from mastread.tools.score_rows import Case
from mastread.tools.score_sums import summary
from mastread.tools.score_tables import tables
from mastread.tools.shelf.opening import opened_shelf

SEEDS: Final = {"tuning": TUNING, "choosing": CHOOSING, "reporting": REPORTING}


def measure(
    tasks: Sequence[Task],
    jobs: int,
    *,
    keep: Path | None = None,
    worst: int = 0,
    on_progress: Callable[[float], None] | None = None,
) -> list[Case]:
    """Work through tasks in processes of their own; their cases in the same order.

    Parameters
    ----------
    keep, worst : folder that is to hold the files of the worst cases, and how many of them
    """
    cases: list[Case] = []
    kept: list[tuple[int, int, Path]] = []
    for task, result in zip(tasks, run_batch(work, tasks, jobs, on_progress), strict=True):
        case = failed(task, "the reading process died") if isinstance(result, Crashed) else result
        cases.append(case)
        folder = None if task.folder is None else Path(task.folder)
        if folder is None or not folder.exists():
            continue
        kept.append((-case.badness(), len(cases), folder))
        kept.sort()
        for _, _, beaten in kept[worst:]:
            shutil.rmtree(beaten, ignore_errors=True)
        del kept[worst:]
    if keep is not None:
        for rank, (_, number, folder) in enumerate(kept, start=1):
            case = cases[number - 1]
            keep_case(case, folder, keep / f"{rank:03d}-{Path(case.name).stem}")
    return cases


def scene_tasks(
    photos: int, clips: int, seeds: range, first: int, book: str, folder: Path, keep: bool
) -> list[Task]:
    """Tasks for scenes of a set's seeds, clips first since they take longest.

    Raises
    ------
    ValueError
        The set does not hold that many seeds.
    """
    chosen = seeds[first : first + max(photos, clips)]
    if len(chosen) < max(photos, clips):
        raise ValueError(f"the set holds {len(seeds)} seeds, {first + max(photos, clips)} wanted")
    kinds: tuple[tuple[Literal["photo", "video"], int], ...] = (
        ("video", clips),
        ("photo", photos),
    )
    return [
        Task(kind, seed, str(folder / f"{kind}-{seed}"), None, book, keep)
        for kind, count in kinds
        for seed in chosen[:count]
    ]


def file_tasks(folder: Path, book: str) -> list[Task]:
    """Tasks for every ``NAME.truth.json`` of a folder; ValueError where there is none."""
    found = sorted(folder.rglob("*.truth.json"))
    if not found:
        raise ValueError(f"{folder}: holds no NAME.truth.json; name a folder with truth files")
    tasks = []
    for path in found:
        truth = read_truth(path)
        tasks.append(Task(truth.kind, truth.seed, None, str(path), book, False))
    return tasks


def header() -> str:
    """One line: version, date, machine."""
    version = importlib.metadata.version("mastread")
    return (
        f"mastread {version} accuracy, {datetime.date.today().isoformat()}, "
        f"{platform.system()} {platform.machine()}, {cores()} cores, "
        f"Python {platform.python_version()}"
    )


@contextmanager
def _progress(label: str) -> Iterator[Callable[[float], None] | None]:
    """A bar on stderr if that is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    with click.progressbar(length=1000, label=label, file=sys.stderr) as bar:
        yield lambda share: bar.update(max(0, round(1000 * share) - bar.pos))


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--photos", type=click.IntRange(0), default=0, help="How many photos to make.")
@click.option("--clips", type=click.IntRange(0), default=0, help="How many clips to make.")
@click.option(
    "--seeds",
    type=click.Choice(list(SEEDS)),
    default="tuning",
    show_default=True,
    help="Set of seeds that the scenes are drawn from.",
)
@click.option("--first", type=click.IntRange(0), default=0, help="Skip that many seeds.")
@click.option("--jobs", type=click.IntRange(1), default=None, help="Processes; default: cores.")
@click.option(
    "--keep",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the worst cases, with truth, reading and faults.",
)
@click.option(
    "--worst",
    type=click.IntRange(1),
    default=20,
    show_default=True,
    help="How many cases to keep, and to list.",
)
@click.option(
    "--files",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Score the files of a folder that have NAME.truth.json beside them.",
)
@click.option(
    "--lamps",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="Score lamp colours on photographs with labelled boxes; needs --labels.",
)
@click.option(
    "--labels",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="CSV with file,label,x,y,w,h,kind,note for --lamps.",
)
@click.option(
    "--around",
    type=click.FloatRange(1.0),
    help="With --lamps: search only this many box sizes around each box.",
)
@click.option(
    "--people",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="SHELF",
    help="How often people overruled the machine on a shelf, by condition.",
)
@rules_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="Tables for people, or the sums as JSON.",
)
def main(
    photos: int,
    clips: int,
    seeds: str,
    first: int,
    jobs: int | None,
    keep: Path | None,
    worst: int,
    files: Path | None,
    lamps: Path | None,
    labels: Path | None,
    around: float | None,
    people: Path | None,
    book: str,
    form: str,
) -> None:
    """Measure how well masts are read, against exact truth."""
    if people is not None:
        with opened_shelf(people) as shelf:
            rows = overruled(shelf)
        text = table(rows) if rows else NONE
        click.echo(json.dumps(rows, indent=1) if form == "json" else f"{header()}\n\n{text}")
        return
    if lamps is not None:
        if labels is None:
            raise click.UsageError("--lamps needs --labels, the CSV with the boxes")
        try:
            with _progress("measuring") as on_progress:
                sums, text = lamp_report(lamps, labels, around, jobs or cores(), on_progress)
        except ValueError as error:
            raise click.ClickException(str(error)) from None
        click.echo(json.dumps(sums, indent=1) if form == "json" else f"{header()}\n\n{text}")
        return
    if files is None and not photos and not clips:
        raise click.UsageError("nothing to measure: give --photos, --clips, --files or --lamps")
    with tempfile.TemporaryDirectory(prefix="mastread-accuracy-") as folder:
        try:
            tasks = (
                file_tasks(files, book)
                if files is not None
                else scene_tasks(
                    photos, clips, SEEDS[seeds], first, book, Path(folder), keep is not None
                )
            )
        except ValueError as error:
            raise click.ClickException(str(error)) from None
        with _progress("measuring") as on_progress:
            cases = measure(tasks, jobs or cores(), keep=keep, worst=worst, on_progress=on_progress)
    if form == "json":
        click.echo(json.dumps(summary(cases), indent=1))
        return
    click.echo(header())
    where = str(files) if files is not None else f"{seeds} seeds from number {first}"
    click.echo(f"{where}; rulebook {book}")
    click.echo(tables(summary(cases)))
    bad = sorted((c for c in cases if c.badness() or c.error), key=lambda c: -c.badness())
    if bad:
        click.echo(f"\n=== Worst cases ({min(worst, len(bad))} of {len(bad)} with faults) ===")
        for case in bad[:worst]:
            click.echo("\n".join(["", *fault_lines(case)]))


if __name__ == "__main__":
    main()
