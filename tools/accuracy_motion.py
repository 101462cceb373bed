"""``python -m mastread.tools.accuracy_motion``: how well clips of odd motion and coding are read.

Each case settles what makes it hard (a pan away and back, a cut, a zoom by four, a mast that comes
nearer, a time-lapse, odd rates, fields, ten bits, an upright telephone) and leaves everything else
to the seed. One line a case tells how many masts kept one number, and how their spans were read.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.tools.accuracy import SEEDS
from mastread.tools.accuracy_work import fault_lines, read_one
from mastread.tools.scenes.clip import make_clip
from mastread.tools.score import score_case
from mastread.tools.score_rows import Case

_SMALL: Final = (640, 480)

#: Overrides of `mastread.tools.scenes.clip.make_clip` by case; a sequence is gone through in turn.
CASES: Final[Mapping[str, Mapping[str, Any]]] = {
    "plain": {},
    "pan away and back": {"leave": True, "duration_s": 8.0},
    "zoom by four": {"zoom": 4.0, "lens_px": (4.0, 6.0, 8.0), "masts": 1},
    "cut away and back": {"cut": True, "duration_s": 8.0},
    "comes nearer, 3 to 80 px": {
        "approach": 27.0,
        "lens_px": 80.0,
        "masts": 1,
        "size": (960, 720),
        "aspect": ("red", "green", "yellow over red", "red over green", "flashing yellow"),
    },
    "passing train": {"train": True},
    "time-lapse, 60 times": {"lapse": 60.0},
    "24 to 240 a second": {"fps": (24.0, 48.0, 120.0, 240.0), "duration_s": 4.0},
    "1 to 5 a second": {"fps": (1.0, 2.0, 3.0, 5.0), "duration_s": 12.0},
    "variable rate": {"variable": True},
    "repeated frames": {"stutter": True},
    "fields, flagged": {"fields": "flagged", "fps": 50.0, "codec": "h264", "shake_px": 6.0},
    "fields, not flagged": {"fields": "bare", "fps": 50.0, "codec": "h264", "shake_px": 6.0},
    "ten bits, HLG": {"transfer": "hlg", "codec": ("hevc", "h264")},
    "ten bits, PQ": {"transfer": "pq", "codec": ("hevc", "h264")},
    "upright telephone": {"size": (480, 854), "rotation": (90, 270)},
}


@dataclass(slots=True)
class Sums:
    """What is counted of a case over its clips."""

    clips: int = 0
    masts: int = 0
    one_number: int = 0
    split: int = 0
    joined: int = 0
    lamps: int = 0
    found: int = 0
    invented: int = 0
    exact: int = 0
    wider: int = 0
    withheld: int = 0
    wrong: int = 0
    wrong_side: int = 0
    missed: int = 0

    def add(self, case: Case) -> None:
        """Count one clip; readings of masts that could be read."""
        self.clips += 1
        for mast in case.masts:
            if not mast.readable:
                continue
            self.masts += 1
            self.split += "split" in mast.faults
            self.joined += "two masts as one" in mast.faults
            self.one_number += not {"split", "two masts as one"} & set(mast.faults)
        lit = [row for row in case.lamps if row.lit and row.readable]
        self.lamps += len(lit)
        self.found += sum(row.found for row in lit)
        self.invented += sum(row.lit for row in case.invented)
        self.wrong_side += sum(bool(row.wrong_side) for row in case.lamps)
        for row in case.readings:
            if not row.readable:
                continue
            self.exact += row.outcome == "exact"
            self.wider += row.outcome == "wider"
            self.withheld += row.outcome == "withheld"
            self.missed += row.outcome == "missed"
            self.wrong += row.outcome in ("wrong", "unproven")
            self.wrong_side += row.outcome == "wrong_side"

    def line(self) -> str:
        """The figures in one line."""
        return (
            f"{self.clips:3d} clips; one number {self.one_number} of {self.masts} "
            f"(split {self.split}, joined {self.joined}); lamps {self.found} of {self.lamps}, "
            f"invented {self.invented}; exact {self.exact}, wider {self.wider}, withheld "
            f"{self.withheld}, wrong {self.wrong}, missed {self.missed}; "
            f"wrong-side {self.wrong_side}"
        )


def overrides_of(case: str, number: int) -> dict[str, Any]:
    """What is settled in the clip of that number of a case."""
    settled: dict[str, Any] = {"size": _SMALL, "duration_s": 6.0, "train": False, "masts": 1}
    if case != "pan away and back":
        settled["leave"] = False
    for key, value in CASES[case].items():
        several = isinstance(value, tuple) and key != "size"
        settled[key] = value[number % len(value)] if several else value
    return settled


def run_case(case: str, seeds: Sequence[int], book: Rulebook, keep: Path | None) -> Sums:
    """Make, read and score the clips of one case."""
    sums = Sums()
    for number, seed in enumerate(seeds):
        with tempfile.TemporaryDirectory(prefix="mastread-motion-") as folder:
            path = Path(folder) / f"{case.replace(' ', '-').replace(',', '')}-{seed}.mp4"
            truth = make_clip(seed, path, **overrides_of(case, number))
            scored = score_case(truth, read_one(path, book), book)
            sums.add(scored)
            if keep is not None and (scored.badness() or scored.error):
                keep.mkdir(parents=True, exist_ok=True)
                for file in (path, path.with_suffix(".truth.json")):
                    shutil.move(file, keep / file.name)
                lines = "\n".join(fault_lines(scored))
                (keep / f"{path.stem}.faults.txt").write_text(lines + "\n", encoding="utf-8")
    return sums


@click.command(context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--clips", type=click.IntRange(1), default=10, show_default=True, help="A case.")
@click.option("--seeds", type=click.Choice(list(SEEDS)), default="choosing", show_default=True)
@click.option("--first", type=click.IntRange(0), default=0, help="Skip that many seeds.")
@click.option("--case", "wanted", multiple=True, help="Part of a case's name; may be repeated.")
@click.option(
    "--keep",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the clips with faults, their truth, and the faults.",
)
def main(clips: int, seeds: str, first: int, wanted: tuple[str, ...], keep: Path | None) -> None:
    """Measure how well clips of odd motion and coding are read, against exact truth."""
    names = [name for name in CASES if not wanted or any(part in name for part in wanted)]
    if not names:
        raise click.UsageError(f"no such case; known are: {', '.join(CASES)}")
    chosen = SEEDS[seeds][first : first + clips]
    book = load_book("cror")
    for name in names:
        click.echo(f"{name:26s}{run_case(name, chosen, book, keep).line()}")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
