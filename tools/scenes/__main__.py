"""``python -m mastread.tools.scenes photos|clips|sheet --seeds A:B --out ...``: make scenes."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click
import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.clip import make_clip
from mastread.tools.scenes.make import CHOOSING, REPORTING, TUNING, make_photo, write_photo
from mastread.tools.scenes.still import encode_still

_SETS = {"tuning": TUNING, "choosing": CHOOSING, "reporting": REPORTING}


def parse_seeds(text: str) -> range:
    """Parse ``A:B`` (from A up to, not including, B), one seed, or a set's name with a count.

    ``reporting:200`` means the first 200 seeds of the reporting set.
    """
    first, _, last = text.partition(":")
    try:
        if first in _SETS:
            return _SETS[first][: int(last)] if last else _SETS[first]
        return range(int(first), int(last) if last else int(first) + 1)
    except ValueError:
        names = ", ".join(_SETS)
        raise click.BadParameter(
            f"{text!r} is neither A:B nor a set with a count such as tuning:50 (sets: {names})"
        ) from None


class _Seeds(click.ParamType[range]):
    name = "A:B"

    def convert(
        self, value: str | range, param: click.Parameter | None, ctx: click.Context | None
    ) -> range:
        return value if isinstance(value, range) else parse_seeds(value)


@click.group()
def main() -> None:
    """Make photographs and clips of signal masts with exact truth beside them."""


@main.command()
@click.option("--seeds", type=_Seeds(), required=True, help="A:B or tuning:COUNT")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
@click.option("--light", help="settle the light, such as night")
@click.option("--lens-px", type=float, help="settle the lens diameter in pixels")
def photos(seeds: range, out: Path, light: str | None, lens_px: float | None) -> None:
    """Make one photograph per seed."""
    settled = {k: v for k, v in (("light", light), ("lens_px", lens_px)) if v is not None}
    _folder(out)
    for seed in _bar(seeds):
        write_photo(seed, out, **settled)


@main.command()
@click.option("--seeds", type=_Seeds(), required=True, help="A:B or tuning:COUNT")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), required=True)
@click.option("--light", help="settle the light, such as night")
@click.option("--lens-px", type=float, help="settle the lens diameter in pixels")
@click.option("--seconds", type=float, help="settle the length")
def clips(
    seeds: range, out: Path, light: str | None, lens_px: float | None, seconds: float | None
) -> None:
    """Make one clip per seed."""
    given = (("light", light), ("lens_px", lens_px), ("duration_s", seconds))
    settled = {k: v for k, v in given if v is not None}
    _folder(out)
    for seed in _bar(seeds):
        make_clip(seed, out / f"clip-{seed:05d}.mp4", **settled)


@main.command()
@click.option("--seeds", type=_Seeds(), required=True, help="A:B or tuning:COUNT")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), required=True)
@click.option("--light", help="settle the light, such as night")
def sheet(seeds: range, out: Path, light: str | None) -> None:
    """Put the photographs of some seeds on one sheet (a PNG), for looking at."""
    settled = {} if light is None else {"light": light}
    tiles = []
    for seed in _bar(seeds):
        rgb, truth = make_photo(seed, **settled)
        told = " | ".join(m.spans[0].aspect for m in truth.masts) or "no signal"
        tiles.append(_tile(rgb, f"{seed} {truth.conditions['light']}: {told}"))
    tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % 4)
    rows = [np.hstack(tiles[i : i + 4]) for i in range(0, len(tiles), 4)]
    data = encode_still(np.vstack(rows), ".png")
    part = out.with_name(out.name + ".part")
    try:
        part.write_bytes(data)
    except OSError as error:
        raise click.ClickException(f"{out}: cannot be written: {error.strerror}") from None
    part.replace(out)


def _tile(rgb: NDArray[np.uint8], text: str) -> NDArray[np.uint8]:
    """A picture made to fit 480 x 360, with a line below."""
    h, w = rgb.shape[:2]
    scale = min(480 / w, 360 / h)
    size = (max(1, int(w * scale)), max(1, int(h * scale)))
    tile = np.zeros((380, 480, 3), np.uint8)
    tile[: size[1], : size[0]] = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    cv2.putText(tile, text[:76], (3, 374), cv2.FONT_HERSHEY_SIMPLEX, 0.36, (255, 255, 255), 1)
    return tile


def _folder(out: Path) -> None:
    """Make the folder, or say in one line why not."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.ClickException(f"{out}: cannot be made: {error.strerror}") from None


def _bar(seeds: range) -> Iterator[int]:
    """The seeds, with a bar on stderr when that is a terminal."""
    if not sys.stderr.isatty():
        yield from seeds
        return
    with click.progressbar(seeds, file=sys.stderr) as bar:
        yield from bar


if __name__ == "__main__":
    main()
