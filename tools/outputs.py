"""The outputs of one media file, made of its reading: only those that were asked for."""

from __future__ import annotations

import os
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
from mastread.tools.report.part import clip_address, make_part, photo_address
from mastread.tools.report.shots import Album
from mastread.tools.table import MARK, table
from mastread.tools.wishes import Wishes
from mastread.vision.photo import open_photo
from mastread.vision.types import Seen
from mastread.vision.video import open_video


@dataclass(frozen=True, slots=True)
class Material:
    """What outputs are made of: the media file, what was seen in it, and what that means."""

    path: Path
    seen: Seen
    reading: Reading
    book: Rulebook


@dataclass(frozen=True, slots=True)
class ReportPlace:
    """Where the report of a batch comes to stand.

    Attributes
    ----------
    page : its path relative to the output folder
    alone : whether it tells of one file only
    part : where to save the part of this file
    prefix : what the names of this part within the page begin with
    """

    page: str
    alone: bool
    part: str
    prefix: str


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
    place: ReportPlace | None,
    progress: Callable[[float], None],
) -> None:
    """Make what `wishes` name; the part of a report goes to `place`.

    Raises
    ------
    MediaError
        If the file cannot be read a second time.
    OSError
        If an output cannot be written.
    """
    reading, seen, kinds = material.reading, material.seen, wishes.kinds
    album = Album(reading, seen) if "report" in kinds else None
    if "reading" in kinds:
        sheaf.text(".reading.json", to_json(reading, indent=2) + "\n")
    if "table" in kinds:
        sheaf.text(".spans.csv", MARK + table([reading]))
    if seen.source.kind == "photo":
        _photo(material, wishes, sheaf, album, stem, place)
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
            watch=None if album is None else album.look,
        )
    elif album is not None:
        with open_video(material.path) as video:
            for frame in video:
                album.look(frame)
    if album is not None and place is not None:
        _part(material, album, sheaf, stem, place)


def _photo(
    material: Material,
    wishes: Wishes,
    sheaf: Sheaf,
    album: Album | None,
    stem: str,
    place: ReportPlace | None,
) -> None:
    if album is not None:
        album.look(open_photo(material.path))
    if "marked" in wishes.kinds:
        _marked_photo(material, wishes, sheaf)
    if album is not None and place is not None:
        _part(material, album, sheaf, stem, place)


def _part(material: Material, album: Album, sheaf: Sheaf, stem: str, place: ReportPlace) -> None:
    """Save what the report tells of this file."""
    photo = material.seen.source.kind == "photo"
    ending = ".marked.jpg" if photo else ".marked.mp4"
    marked = next((path for path, name in sheaf.made if name == ending), None)
    media: str | None = None
    if marked is not None and photo:
        media = photo_address(marked)
    elif marked is not None:
        beside = os.path.relpath(stem + ending, Path(place.page).parent)
        media = clip_address(marked, Path(beside).as_posix(), embed=place.alone)
    part = make_part(material.seen, material.reading, material.book, album, media, place.prefix)
    part.save(Path(place.part))


def _marked_photo(material: Material, wishes: Wishes, sheaf: Sheaf) -> None:
    annotate_photo(
        open_photo(material.path),
        material.reading,
        sheaf.new(".marked.jpg"),
        book=material.book,
        style=wishes.style,
        asked=sheaf.new(".asked.jpg") if wishes.style == "question" else None,
    )
