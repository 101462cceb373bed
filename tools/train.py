"""Collect spots from rendered scenes, and train the small net that sorts them by figures alone.

    python -m mastread.tools.train collect --photos 0:3000 --out spots.npz
    python -m mastread.tools.train fit spots.npz --check choosing.npz

The net that then looks at what is left is trained by `mastread.tools.train_patch` from the same
collections.

Data come from the scene renderer alone: scenes with seeds of the *tuning* range are trained on,
scenes of the *choosing* range decide when to stop and set the temperature, and the *reporting*
range is never touched here. Each candidate spot of a scene is measured just as when reading; the
truth says whether it is a lit lamp and of which colour. Spots that hit a lamp off centre, and lamps
too faint for anyone, are left out of both.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import click
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS
from mastread.tools.train_fit import fit_and_write
from mastread.tools.train_spots import Place, Spots, spots_of, spots_of_none


@click.group()
def main() -> None:
    """Collect measured spots from rendered scenes, and fit the nets to them."""


@main.command()
@click.option("--photos", default="0:2000", help="seeds of photos, FROM:TO")
@click.option("--clips", default="0:0", help="seeds of clips, FROM:TO; some frames of each")
@click.option("--shots", default=6, show_default=True, help="photographs of each painted place")
@click.option("--even", is_flag=True, help="draw every head's colour evenly from all six")
@click.option(
    "--backdrops",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="folder of photographs (JPEG) without signals, to stand behind some of the masts",
)
@click.option("--jobs", default=2, show_default=True)
@click.option("--seconds", type=float, help="stop after this long, with what there is")
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect(
    photos: str,
    clips: str,
    shots: int,
    even: bool,
    backdrops: Path | None,
    jobs: int,
    seconds: float | None,
    out: Path,
) -> None:
    """Measure candidate spots of rendered scenes and label them by their truth."""
    tasks = [Place("photo", seed, even, shots, backdrops) for seed in _range(photos)]
    tasks += [Place("clip", seed, even) for seed in _range(clips)]
    until = None if seconds is None else time.monotonic() + seconds
    parts: list[Spots] = []
    with ProcessPoolExecutor(jobs) as pool:
        for k, part in enumerate(pool.map(spots_of, tasks, chunksize=2)):
            parts.append(part)
            if k % 200 == 199:
                click.echo(f"{k + 1} of {len(tasks)} scenes", err=True)
            if until is not None and time.monotonic() > until:
                pool.shutdown(wait=False, cancel_futures=True)
                break
    x, patches, y = (np.concatenate(column) for column in zip(*parts, strict=True))
    np.savez(out, x=x, patches=patches, y=y)
    counts = ", ".join(f"{(y == k).sum()} {name}" for k, name in enumerate(("none", *COLOURS)))
    click.echo(f"{len(parts)} scenes, {len(y)} spots: {counts}")


@main.command("collect-none")
@click.argument("photos", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--jobs", default=2, show_default=True)
@click.option("--out", type=click.Path(path_type=Path), required=True)
def collect_none(photos: Sequence[Path], jobs: int, out: Path) -> None:
    """Collect spots of real photographs that show no signal: none of them is a lamp.

    Each is taken at several sizes and qualities, since a spot is judged by its pixels.
    """
    with ProcessPoolExecutor(jobs) as pool:
        parts = list(pool.map(spots_of_none, photos, chunksize=1))
    x, patches, y = (np.concatenate(column) for column in zip(*parts, strict=True))
    np.savez(out, x=x, patches=patches, y=y)
    click.echo(f"{len(parts)} photographs, {len(y)} spots")


@main.command()
@click.argument("spots", nargs=-1, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--check", multiple=True, type=click.Path(exists=True, path_type=Path), required=True)
@click.option("--out", type=click.Path(path_type=Path), default=Path("vision"))
@click.option("--seed", default=7, show_default=True)
def fit(spots: Sequence[Path], check: Sequence[Path], out: Path, seed: int) -> None:
    """Fit `lamp_net` and write it to `vision/` (or --out)."""
    from mastread.vision.features import FEATURES

    x, y = _load(spots)
    cx, cy = _load(check)
    fit_and_write(
        "lamp_net", ("lamp", "other"), FEATURES, (x, y == 0), (cx, cy == 0), (24, 12), seed, out
    )


def _range(text: str) -> range:
    first, last = text.split(":")
    return range(int(first), int(last))


def _load(paths: Sequence[Path]) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    tables = [np.load(path) for path in paths]
    return (
        np.concatenate([table["x"] for table in tables]).astype(np.float64),
        np.concatenate([table["y"] for table in tables]),
    )


if __name__ == "__main__":
    main()
