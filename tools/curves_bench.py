"""``python -m mastread.tools.curves_bench``: how well light curves are read, apart from pictures.

    python -m mastread.tools.curves_bench drawn --seeds 10000:12000
    python -m mastread.tools.curves_bench watched FOLDER

``drawn`` makes light curves with exact truth (`mastread.tools.scenes.light_courses`), a thousand in
a minute or two. ``watched`` reads every ``NAME.mp4`` with a truth file in a folder once and keeps
what the watcher saw beside it (``NAME.watched``), so that what follows can be tried again in
seconds. Kept files are pickles: open only your own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import click
import numpy as np

from mastread.decoder.rulebook import load_book
from mastread.tools.accuracy_work import fault_lines
from mastread.tools.curves_kept import Kept, keep
from mastread.tools.reading import build_reading
from mastread.tools.scenes.light_courses import HEIGHT, WIDTH, draw_courses
from mastread.tools.scenes.truth import Truth, read_truth
from mastread.tools.score import score_case
from mastread.tools.score_rows import Case, LampRow
from mastread.tools.score_sums import reliability, summary
from mastread.vision.pipeline import masts_of_clip, to_the_end
from mastread.vision.types import Hints, Seen, SourceInfo


def score(truth: Truth, kept: Kept, book: str) -> Case:
    """Read kept light curves and score the reading."""
    masts = to_the_end(masts_of_clip(kept.watched, Hints()), kept.watched, kept.source.duration_s)
    rules = load_book(book)
    return score_case(truth, build_reading(Seen(kept.source, masts), rules), rules)


def drawn_case(seed: int, book: str) -> Case:
    """Draw one mast's light curves, read and score them."""
    truth, watched = draw_courses(seed)
    source = SourceInfo(truth.file, "video", WIDTH, HEIGHT, truth.duration_s, truth.frames)
    return score(truth, Kept(watched, source), book)


def watched_case(path: Path, book: str) -> Case:
    """Score one clip of a folder."""
    return score(read_truth(path.with_suffix(".truth.json")), keep(path), book)


def report(cases: Iterable[Case]) -> Iterator[str]:
    """What the curves decide: behaviour, changes, rates, and odds against the truth."""
    cases = list(cases)
    sums = summary(cases)["video"]
    for name, block in (("6 px and up", sums["6 px and up"]), *sums["size"].items()):
        told = block["behaviour_right"] + block["behaviour_wrong"]
        claimed = block["colour_right"] + block["colour_wrong"]
        yield (
            f"{name}: behaviour wrong {block['behaviour_wrong']}/{told}, "
            f"withheld {block['behaviour_withheld']}/{block['behaviour_base']}; "
            f"colour wrong {block['colour_wrong']}/{claimed}, "
            f"withheld {block['colour_withheld']}/{block['found']}; "
            f"found {block['found']}/{block['lit']}"
        )
    lamps = [row for case in cases for row in case.lamps]
    wrong = sum(bool(row.wrong_side) for row in lamps)
    sides = sum(row.outcome == "wrong_side" for case in cases for row in case.readings)
    yield f"wrong-side: {wrong}/{len(lamps)} heads, {sides} readings; {sums['wrong_side']}"
    changes = sums["changes"]
    yield (
        f"changes: {changes['told']}/{changes['count']} told, "
        f"{changes['within_a_frame']} within a frame, median {_s(changes['median_s'])}, "
        f"95 % {_s(changes['p95_s'])}; {changes['made_up']} made up in {len(cases)} clips"
    )
    yield _rates(lamps)
    for word in ("colour", "behaviour"):
        table = reliability(getattr(row, f"{word}_odds") for row in lamps)
        bins = "  ".join(f"{a:g}-{b:g}: {p:.3f}/{right}/{n}" for a, b, n, p, right in table["bins"])
        yield f"{word} odds: ECE {table['ece'] or 0:.4f} of {table['count']}; {bins}"


def _rates(lamps: list[LampRow]) -> str:
    pairs = [
        (row.rate_error, row.rate_sd)
        for row in lamps
        if row.rate_error is not None and row.rate_sd is not None
    ]
    if not pairs:
        return "rates: none"
    error, sd = np.array(pairs).T
    pull = error / sd
    return (
        f"rates: within 1 % {int((abs(error) <= 0.01).sum())}/{len(pairs)}, "
        f"within 1.96 sd {float((abs(pull) <= 1.96).mean()):.3f}, spread of pulls "
        f"{float(np.sqrt(np.mean(np.minimum(abs(pull), 5.0) ** 2))):.2f}, "
        f"median error {float(np.median(abs(error))):.5f}, median sd {float(np.median(sd)):.5f}"
    )


def _s(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f} s"


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """Measure how well light curves are read."""


_BOOK = click.option("--rules", "book", default="cror", show_default=True)
_JOBS = click.option("--jobs", type=click.IntRange(1), default=1, show_default=True)
_FAULTS = click.option("--faults", type=click.IntRange(0), default=0, help="List so many cases.")


@main.command()
@click.option("--seeds", default="10000:10500", show_default=True, help="FROM:TO")
@_BOOK
@_JOBS
@_FAULTS
def drawn(seeds: str, book: str, jobs: int, faults: int) -> None:
    """Score drawn light curves."""
    first, last = (int(word) for word in seeds.split(":"))
    _run(partial(drawn_case, book=book), range(first, last), jobs, faults)


@main.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@_BOOK
@_JOBS
@_FAULTS
def watched(folder: Path, book: str, jobs: int, faults: int) -> None:
    """Score the clips of a folder that have NAME.truth.json beside them."""
    names = [path.name.removesuffix(".truth.json") for path in folder.glob("*.truth.json")]
    clips = [path for name in sorted(names) if (path := folder / f"{name}.mp4").exists()]
    if not clips:
        raise click.ClickException(f"{folder}: holds no NAME.mp4 with NAME.truth.json beside it")
    _run(partial(watched_case, book=book), clips, jobs, faults)


def _run(work: partial[Case], tasks: Iterable[object], jobs: int, faults: int) -> None:
    with ProcessPoolExecutor(jobs) as pool:
        cases = list(pool.map(work, tasks, chunksize=4))
    for line in report(cases):
        click.echo(line)
    bad = sorted((c for c in cases if c.badness() or c.extra_changes), key=lambda c: -c.badness())
    for case in bad[:faults]:
        click.echo("")
        for line in fault_lines(case):
            click.echo(line)
        click.echo(f"changes made up: {case.extra_changes}")


if __name__ == "__main__":
    main()
