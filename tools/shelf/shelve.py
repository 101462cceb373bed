"""Making a file's folder: read the file, cut its clips, take its pictures. Runs in a worker."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import traceback
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from mastread.decoder.bookfile import parse_book
from mastread.decoder.rulebook import Rulebook
from mastread.tools.reading import build_reading
from mastread.tools.shelf import record as rec
from mastread.tools.shelf.cut import Cut, cut_clip
from mastread.tools.shelf.history import now
from mastread.tools.shelf.light import light_of
from mastread.tools.shelf.measured import write_measured
from mastread.tools.shelf.record import Made, Record
from mastread.tools.shelf.shots import Shot, crop, shot_of_photo, shot_of_span, write_jpeg
from mastread.tools.shelf.texts import say
from mastread.tools.texts import one_line
from mastread.vision import masts
from mastread.vision.errors import MediaError
from mastread.vision.media_film import decode_with_one_thread
from mastread.vision.photo import open_photo
from mastread.vision.pipeline import see
from mastread.vision.types import Hints, MastSeen, Seen, SpanSeen
from mastread.vision.video import Video, open_video

Progress = Callable[[float], None]

#: Folder of half-made folders, below the shelf.
MAKING: Final = "making"

#: Share of the work on a clip that reading takes; the rest is cutting.
_READING_SHARE: Final = 0.8
_BLOCK: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Recipe:
    """All that the outcome depends on besides the file.

    Attributes
    ----------
    book_text : bytes of the rulebook's file
    book : where the shelf keeps it, relative to the shelf
    hints : what the user told
    reader : version of the program and of what it reads with
    digest : of all of this and of the ways of cutting
    """

    book_text: bytes
    book: str
    hints: Hints
    reader: str
    digest: str


@dataclass(frozen=True, slots=True)
class Task:
    """One file to read.

    Attributes
    ----------
    path : the file
    home : folder under which its own is made
    recipe : how to read it
    single : use one thread only, since other tasks keep the cores busy: measured on two cores,
        two tasks of one thread each take 5 % less processor time than with threads at will
    """

    path: str
    home: str
    recipe: Recipe
    single: bool = False


@dataclass(frozen=True, slots=True)
class Shelved:
    """What became of a task.

    Attributes
    ----------
    path : the file
    folder : its folder, relative to the home; None where something failed
    bytes, mtime_ns : of the file before it was read
    trouble : one line where something failed, else None
    warnings : sentences about the file
    """

    path: str
    folder: str | None = None
    bytes: int = 0
    mtime_ns: int = 0
    trouble: str | None = None
    warnings: tuple[str, ...] = ()


def shelve(task: Task, report: Progress) -> Shelved:
    """Make the folder of one file; it has its place, whole, when this returns. Never raises."""
    path = Path(task.path)
    if task.single:
        cv2.setNumThreads(1)
        decode_with_one_thread()
    try:
        before = path.stat()
        sha256 = digest_of(path)
        folder = rec.folder_of(sha256, task.recipe.digest)
        target = Path(task.home) / folder
        warnings: tuple[str, ...] = ()
        if rec.read_record(target) is None:
            warnings = _make(path, sha256, before.st_size, task, target, report)
        return Shelved(task.path, folder, before.st_size, before.st_mtime_ns, None, warnings)
    except Exception as error:
        return Shelved(task.path, trouble=_what_failed(task.path, error))


def _what_failed(path: str, error: Exception) -> str:
    """Say in one line why a file could not be shelved."""
    if isinstance(error, MediaError):
        return one_line(str(error))
    if isinstance(error, MemoryError):
        return say("error.memory", path=path)
    if isinstance(error, OSError) and error.filename == path:
        return say("error.open", path=path, what=error.strerror)
    if isinstance(error, OSError):
        return say("error.output", path=path, what=error.strerror or one_line(str(error)))
    frames = traceback.extract_tb(error.__traceback__)
    place = f" at {Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
    what = one_line(f"{type(error).__name__}: {error}{place}")
    return say("error.internal", path=path, what=what)


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file, hexadecimal (MediaError where it cannot be read)."""
    total = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(_BLOCK):
                total.update(block)
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise MediaError(path, what, say("error.copy")) from None
    return total.hexdigest()


@lru_cache(maxsize=4)
def _book(text: bytes, path: str) -> Rulebook:
    return parse_book(text, path)


def _make(
    path: Path, sha256: str, size: int, task: Task, target: Path, report: Progress
) -> tuple[str, ...]:
    recipe = task.recipe
    seen = see(path, recipe.hints, lambda share: report(share * _READING_SHARE))
    reading = build_reading(seen, _book(recipe.book_text, recipe.book))
    # Where a file lies is told apart, since it may move; its name is part of what was read.
    reading["source"]["path"] = path.name
    aside = Path(task.home) / MAKING
    aside.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=aside) as name:
        half = Path(name) / "folder"
        half.mkdir()
        made = _photo(path, seen, half) if seen.source.kind == "photo" else _video(seen, half)
        if seen.source.kind == "video":
            write_measured(seen, half)
        report(1.0)
        hints: Mapping[str, Any] = asdict(recipe.hints)
        if digest_of(path) != sha256:
            raise MediaError(path, say("error.changing"), say("error.changing.cure"))
        record: Record = {
            "format": rec.FORMAT,
            "version": rec.VERSION,
            "sha256": sha256,
            "bytes": size,
            "recipe": recipe.digest,
            "reader": recipe.reader,
            "book": recipe.book,
            "book_title": reading["rulebook"]["title"],
            "hints": {
                "heads": hints["heads"],
                "region": None if hints["region"] is None else list(hints["region"]),
                "plates": None if hints["plates"] is None else sorted(hints["plates"]),
            },
            "made_at": now(),
            "reading": reading,
            "made": made,
            "files": {
                file.name: {"bytes": file.stat().st_size, "sha256": digest_of(file)}
                for file in sorted(half.iterdir())
            },
        }
        rec.write_record(half, record)
        _put(half, target)
    return seen.warnings


def _put(half: Path, target: Path) -> None:
    """Give a whole folder its place by one rename."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if target.exists() and rec.read_record(target) is None:
        shutil.rmtree(target)
    try:
        os.rename(half, target)
    except OSError:
        # A copy of the same file was ready a moment earlier; one is as good as the other.
        if rec.read_record(target) is None:
            raise


def _photo(path: Path, seen: Seen, folder: Path) -> list[list[Made]]:
    if not seen.masts:
        return []
    shot = shot_of_photo(open_photo(path))
    whole = f"photo{path.suffix.lower()}"
    shutil.copyfile(path, folder / whole)
    write_jpeg(shot.image, folder / "poster.jpg")
    light = light_of(shot.image)
    return [
        [
            _made(mast, span, n, shot, light, folder, clip=whole, poster="poster.jpg")
            for n, span in enumerate(mast.spans, start=1)
        ]
        for mast in seen.masts
    ]


def _video(seen: Seen, folder: Path) -> list[list[Made]]:
    with open_video(seen.source.path) as video:
        clips: dict[tuple[float, float], tuple[str, Cut]] = {}
        return [
            [
                _span(video, mast, span, n, folder, clips)
                for n, span in enumerate(mast.spans, start=1)
            ]
            for mast in seen.masts
        ]


def _span(
    video: Video,
    mast: MastSeen,
    span: SpanSeen,
    number: int,
    folder: Path,
    clips: dict[tuple[float, float], tuple[str, Cut]],
) -> Made:
    """Cut and picture one span; masts that were seen for the same time share their clip."""
    stem = f"m{mast.mast}-s{number}"
    times = span.start_s or 0.0, span.end_s or 0.0
    if times not in clips:
        clips[times] = f"{stem}.mp4", cut_clip(video, *times, folder / f"{stem}.mp4")
    clip, cut = clips[times]
    shot = shot_of_span(video, mast, span)
    write_jpeg(shot.image, folder / f"{stem}.jpg")
    light = light_of(shot.image)
    poster = f"{stem}.jpg"
    made = _made(mast, span, number, shot, light, folder, clip=clip, poster=poster)
    made["clip_start_s"] = round(cut.start_s, 6)
    made["clip_end_s"] = round(cut.end_s, 6)
    made["clip_coded"] = cut.coded
    return made


def _made(
    mast: MastSeen,
    span: SpanSeen,
    number: int,
    shot: Shot,
    light: str,
    folder: Path,
    *,
    clip: str,
    poster: str,
) -> Made:
    crops = []
    for k, head in enumerate(span.heads, start=1):
        name = f"m{mast.mast}-s{number}-h{k}.jpg"
        close = crop(shot.image, head.x + shot.dx, head.y + shot.dy, head.radius)
        write_jpeg(close, folder / name)
        crops.append(name)
    x, y, radius = (
        np.array([getattr(head, name) for head in span.heads], np.float64)
        for name in ("x", "y", "radius")
    )
    box = masts.box(x + shot.dx, y + shot.dy, radius)
    return {
        "box": [round(value, 1) for value in box],
        "shift": [round(shot.dx, 1), round(shot.dy, 1)],
        "light": light,
        "clip": clip,
        "clip_start_s": None,
        "clip_end_s": None,
        "clip_coded": False,
        "poster": poster,
        "poster_s": None if shot.time_s is None else round(shot.time_s, 6),
        "crops": crops,
    }
