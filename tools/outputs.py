"""The outputs of one media file, made of its reading: only those that were asked for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from mastread.decoder.rulebook import Rulebook
from mastread.tools.annotate import annotate_photo
from mastread.tools.annotate_video import annotate_video
from mastread.tools.captions import subrip, webvtt
from mastread.tools.curves import draw_curves, write_png
from mastread.tools.moments import hidden_times
from mastread.tools.reading import Reading, to_json
from mastread.tools.table import MARK, table
from mastread.tools.wishes import Wishes
from mastread.vision.photo import open_photo
from mastread.vision.types import Seen


@dataclass(frozen=True, slots=True)
class Material:
    """What outputs are made of: the media file, what was seen in it, and what that means."""

    path: Path
    seen: Seen
    reading: Reading
    book: Rulebook


@dataclass(slots=True)
class Sheaf:
    """Files that are written aside in `folder`, each with the ending of its later name."""

    folder: Path
    made: list[tuple[Path, str]] = field(default_factory=list)

    def new(self, ending: str) -> Path:
        """Return where to write the output with that ending."""
        path = self.folder / f"out{ending}"
        self.made.append((path, ending))
        return path

    def text(self, ending: str, words: str) -> None:
        """Write a text with its line ends as they are."""
        self.new(ending).write_text(words, encoding="utf-8", newline="")


def make_outputs(
    material: Material,
    wishes: Wishes,
    sheaf: Sheaf,
    stem: str,
    progress: Callable[[float], None],
) -> None:
    """Make what `wishes` name.

    Raises
    ------
    MediaError
        If the file cannot be read a second time.
    OSError
        If an output cannot be written.
    """
    reading, seen, kinds = material.reading, material.seen, wishes.kinds
    if "reading" in kinds:
        sheaf.text(".reading.json", to_json(reading, indent=2) + "\n")
    if "table" in kinds:
        sheaf.text(".spans.csv", MARK + table([reading]))
    if seen.source.kind == "photo":
        _photo(material, wishes, sheaf)
        return
    if "captions" in kinds:
        sheaf.text(".vtt", webvtt(reading, wishes.style))
        sheaf.text(".srt", subrip(reading, wishes.style))
    if "light" in kinds:
        sheaf.new(".light.png").write_bytes(write_png(draw_curves(seen, reading)))
    if "marked" in kinds:
        annotate_video(
            material.path,
            reading,
            [mast.path for mast in seen.masts],
            sheaf.new(".marked.mp4"),
            progress,
            book=material.book,
            style=wishes.style,
            hidden=[hidden_times(mast.curves) for mast in seen.masts],
        )


def _photo(material: Material, wishes: Wishes, sheaf: Sheaf) -> None:
    if "marked" not in wishes.kinds:
        return
    annotate_photo(
        open_photo(material.path),
        material.reading,
        sheaf.new(".marked.jpg"),
        book=material.book,
        style=wishes.style,
        asked=sheaf.new(".asked.jpg") if wishes.style == "question" else None,
    )
