"""Pictures of aspects as files for handouts: each as SVG and as PNG."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Sequence
from pathlib import Path

from mastread.decoder.aspect import Aspect
from mastread.decoder.language import say_aspect
from mastread.decoder.picture import draw_aspect


def write_pictures(aspects: Sequence[Aspect], folder: Path, row_lamps: int = 3) -> list[Path]:
    """Write an SVG and a PNG of each aspect into `folder`, named by the aspect's words.

    `row_lamps` is the number of lamps in a position-light row, as the rulebook has it. Files
    come to their places whole: they are written aside first.

    Raises
    ------
    OSError
        If the folder cannot be made or written to.
    """
    # Here and not above: it loads OpenCV, which answers in words have no need of.
    from mastread.tools.aspect_png import picture_png

    written = []
    for aspect in aspects:
        picture = draw_aspect(aspect, row_lamps)
        stem = file_stem(say_aspect(aspect))
        for suffix, data in (
            (".svg", picture.svg().encode() + b"\n"),
            (".png", picture_png(picture)),
        ):
            written.append(write_whole(folder / (stem + suffix), data))
    return written


def write_whole(path: Path, data: bytes) -> Path:
    """Write a file under a temporary name beside its place, then rename it; make its folder.

    Raises
    ------
    OSError
        If that cannot be done; nothing is left behind then.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".mastread-", dir=path.parent) as aside:
        whole = Path(aside) / path.name
        # Opened as any new file is, so that it gets the permissions the user has set for them.
        whole.write_bytes(data)
        os.replace(whole, path)
    return path


def file_stem(words: str) -> str:
    """Turn words into a file name without blanks or commas: ``red-over-green``."""
    return re.sub(r"[^a-z0-9]+", "-", words.lower()).strip("-")
