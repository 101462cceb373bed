"""``python -m mastread.tools.curves_bench``: how well light curves are read, apart from pictures.

    python -m mastread.tools.curves_bench drawn --seeds 10000:12000
    python -m mastread.tools.curves_bench watched FOLDER

``drawn`` makes light curves with exact truth (`mastread.tools.scenes.light_courses`), a thousand in
a minute or two. ``watched`` reads every ``NAME.mp4`` with a truth file in a folder once and keeps
what the watcher saw beside it (``NAME.watched``), so that what follows can be tried again in
seconds. Kept files are pickles: open only your own.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.rulebook import load_book
from mastread.tools.accuracy_work import fault_lines
from mastread.tools.reading import build_reading
from mastread.tools.scenes.light_courses import HEIGHT, WIDTH, draw_courses
from mastread.tools.scenes.truth import Truth, read_truth
from mastread.tools.score import score_case
from mastread.tools.score_rows import Case, LampRow
from mastread.tools.score_sums import reliability, summary
from mastread.vision.frame import Planes
from mastread.vision.motion import View
from mastread.vision.pipeline import masts_of_clip, to_the_end, watch
from mastread.vision.sites import SAMPLE, Site
from mastread.vision.types import Hints, Seen, SourceInfo
from mastread.vision.video import open_video
from mastread.vision.watch import Watched


@dataclass(frozen=True, slots=True)
class KeptFrame:
    """A frame taken out of its decoder, as a `mastread.vision.frame.Frame`."""

    light: NDArray[np.float16]
    values: NDArray[np.float16]
    kept: Planes
    time_s: float
    index: int

    @property
    def width(self) -> int:
        """See `Frame.width`."""
        return int(self.light.shape[1])

    @property
    def height(self) -> int:
        """See `Frame.height`."""
        return int(self.light.shape[0])

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.kept

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.linear`."""
        return self.light[y0:y1, x0:x1].astype(np.float32)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.values[y0:y1, x0:x1].astype(np.float32)


@dataclass(frozen=True, slots=True)
class Kept:
    """What the watcher saw of one file; `fields` are those that it knew then."""

    watched: Watched
    source: SourceInfo
    fields: tuple[object, ...] = ()


def _fields() -> tuple[object, ...]:
    """What a kept file holds: one from before a change of it is made anew."""
    return (SAMPLE.descr, *(tuple(cls.__dataclass_fields__) for cls in (Site, View, Watched)))


def keep(path: Path) -> Kept:
    """What the watcher sees in a clip; kept beside it, and taken from there the next time."""
    beside = path.with_suffix(".watched")
    if beside.exists():
        found = pickle.loads(beside.read_bytes())
        if isinstance(found, Kept) and found.fields == _fields():
            return found
    with open_video(path) as video:
        watched, frames = watch(video, Hints(), video.duration_s)
        source = SourceInfo(path.name, "video", video.width, video.height, video.duration_s, frames)
        for scene, (frame, view) in watched.best_frames.items():
            planes = frame.planes()
            whole = (0, 0, frame.width, frame.height)
            watched.best_frames[scene] = (
                KeptFrame(
                    frame.linear(*whole).astype(np.float16),
                    frame.coded(*whole).astype(np.float16),
                    Planes(planes.y.copy(), planes.u.copy(), planes.v.copy(), planes.full_range),
                    frame.time_s,
                    frame.index,
                ),
                view,
            )
    kept = Kept(watched, source, _fields())
    part = beside.with_suffix(".part")
    part.write_bytes(pickle.dumps(kept))
    part.replace(beside)
    return kept


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
