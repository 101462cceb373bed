"""``python -m mastread.tools.shelf.trial``: a shelf built under ``kill -9`` against one in peace.

Makes small clips, builds one shelf of them undisturbed, and another one whose building is killed
at random moments, each time either the whole process group or only the process that talks to
the user (its workers then finish as orphans). Both must hold the same: every row that is not a
time or a key of the database, and every file byte for byte.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from mastread.tools.scenes.clip import make_clip
from mastread.tools.shelf.database import connect
from mastread.tools.shelf.record import CLIPS
from mastread.tools.shelf.record import NAME as RECORD

#: Small, short and plain, so that two hundred are affordable; what is tried is the shelf.
_SCENE: Final[dict[str, Any]] = {
    "size": (320, 240),
    "duration_s": 2.0,
    "fps": 10.0,
    "lens_px": 12.0,
    "masts": 1,
    "train": False,
    "light": "overcast",
    "busy": False,
    "falling": False,
    "stutter": False,
    "codec": "h264",
    "shake_px": 0.5,
}

#: Everything that two shelves of the same footage share, with names instead of keys.
_SAME: Final[dict[str, str]] = {
    "media": "SELECT sha256, bytes, kind, width, height, duration_s, frames FROM media",
    "place": "SELECT path, sha256, p.bytes, mtime_ns FROM place p JOIN media m ON m.id = p.media",
    "reading": "SELECT sha256, recipe, reader, book, book_title, hints, folder, document "
    "FROM reading r JOIN media m ON m.id = r.media",
    "span": "SELECT s.id, sha256, recipe, origin, base, view, hidden, mast, start_s, end_s, "
    "aspect, heads, plates, status, rule, name, safest, sure, light, verdict, who, clip "
    "FROM span s JOIN seen v ON v.span = s.row JOIN media m ON m.id = s.media "
    "JOIN reading r ON r.id = s.reading",
    "flash": "SELECT s.id, hz FROM flash f JOIN span s ON s.row = f.span",
    "words": "SELECT s.id, body FROM words w JOIN span s ON s.row = w.rowid",
}


@dataclass(frozen=True, slots=True)
class Trial:
    """What came of it.

    Attributes
    ----------
    files, spans : on the shelf
    starts : how often the killed one was started
    killed : how many of these were killed
    kept : for each start how many files it found on the shelf
    differences : what differs between the two, a line each
    peace_s : how long building in peace took
    """

    files: int
    spans: int
    starts: int
    killed: int
    kept: tuple[int, ...]
    differences: tuple[str, ...]
    peace_s: float


def make_clips(folder: Path, count: int, first_seed: int = 0) -> list[Path]:
    """Make small clips, each with a mast; those that are there already are kept."""
    folder.mkdir(parents=True, exist_ok=True)
    made = []
    for seed in range(first_seed, first_seed + count):
        path = folder / f"clip-{seed:05d}.mp4"
        if not path.exists():
            make_clip(seed, path, **_SCENE)
        made.append(path)
    return made


def try_kills(
    clips: Path, work: Path, *, kills: int, seed: int, jobs: int, longest_s: float | None = None
) -> Trial:
    """Build both shelves below `work` from the clips in `clips`, and compare them.

    The killed one is let run for up to `longest_s` at a time (by default so long that the kills
    fall over the whole of the building), and to its end after the last kill.
    """
    peace, killed_one = work / "peace", work / "killed"
    begin = time.monotonic()
    _wait(_start(peace, clips, jobs))
    peace_s = time.monotonic() - begin
    rng = random.Random(seed)
    longest = longest_s if longest_s is not None else 2.0 * peace_s / max(1, kills)
    kept, killed, starts = [], 0, 0
    while True:
        kept.append(_files(killed_one))
        process = _start(killed_one, clips, jobs)
        starts += 1
        if killed == kills:
            _wait(process)
            break
        try:
            process.wait(rng.uniform(0.2, 1.0) * longest)
        except subprocess.TimeoutExpired:
            _kill(process, whole=rng.random() < 0.5)
            killed += 1
        else:
            # It was through before the kill; a kill while nothing is left to do counts as well.
            killed += 1
    found = _compare(peace, killed_one)
    return Trial(_files(peace), _count(peace, "span"), starts, killed, tuple(kept), found, peace_s)


def contents(shelf: Path) -> dict[str, list[str]]:
    """Return what a shelf holds, table by table and file by file, sorted."""
    database = connect(shelf, create=False)
    try:
        found = {
            table: sorted(json.dumps(list(row)) for row in database.execute(query))
            for table, query in _SAME.items()
        }
    finally:
        database.close()
    found["files"] = sorted(
        f"{path.relative_to(shelf).as_posix()} {_digest(path)}"
        for path in (shelf / CLIPS).rglob("*")
        if path.is_file()
    )
    found["left behind"] = sorted(
        path.relative_to(shelf).as_posix()
        for path in shelf.iterdir()
        if path.name not in ("shelf.sqlite", "books", CLIPS, "adding.lock")
        and not path.name.startswith("shelf.sqlite-")
    )
    return found


def _compare(one: Path, other: Path) -> tuple[str, ...]:
    a, b = contents(one), contents(other)
    found = []
    for key in a:
        extra, missing = set(b[key]) - set(a[key]), set(a[key]) - set(b[key])
        twice = len(b[key]) - len(set(b[key]))
        for what, lines in (("only in peace", missing), ("only under kills", extra)):
            found += [f"{key}: {what}: {line[:160]}" for line in sorted(lines)]
        if twice:
            found.append(f"{key}: {twice} twice")
    return tuple(found)


def _start(shelf: Path, clips: Path, jobs: int) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "mastread.tools.cli", "shelf", "add", str(clips)]
    command += ["--shelf", str(shelf), "--jobs", str(jobs)]
    return subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    )


def _wait(process: subprocess.Popen[bytes]) -> None:
    _, errors = process.communicate()
    if process.returncode:
        raise click.ClickException(f"adding ended with {process.returncode}: {errors.decode()}")


def _kill(process: subprocess.Popen[bytes], *, whole: bool) -> None:
    if whole:
        os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    # Orphaned workers hold the other end of its stderr; waiting for that would let them finish.
    if process.stderr is not None:
        process.stderr.close()
    process.wait()


def _files(shelf: Path) -> int:
    return _count(shelf, "media") if (shelf / "shelf.sqlite").exists() else 0


def _count(shelf: Path, table: str) -> int:
    database = connect(shelf, create=False)
    try:
        return int(database.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
    finally:
        database.close()


def _digest(path: Path) -> str:
    data = path.read_bytes()
    if path.name == RECORD:
        # When it was made is the one thing that may differ.
        record = json.loads(data)
        record["made_at"] = ""
        data = json.dumps(record).encode()
    return hashlib.sha256(data).hexdigest()


def report(trial: Trial) -> Sequence[str]:
    """Return the figures, a line each."""
    return [
        f"{trial.files} files, {trial.spans} spans, built in peace in {trial.peace_s:.0f} s",
        f"{trial.killed} kills in {trial.starts} starts; files on the shelf at each start: "
        + ", ".join(map(str, trial.kept)),
        *(trial.differences or ("the two shelves hold the same",)),
    ]


@click.command()
@click.option("--clips", default=200, show_default=True, help="How many clips.")
@click.option("--kills", default=20, show_default=True, help="How many kills.")
@click.option("--jobs", default=2, show_default=True, help="Workers.")
@click.option("--seed", default=1, show_default=True, help="Draws the moments.")
@click.option(
    "--work",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="Folder for clips and shelves.",
)
def main(clips: int, kills: int, jobs: int, seed: int, work: Path) -> None:
    """Build a shelf under kill -9 and compare it with one built in peace."""
    make_clips(work / "footage", clips)
    trial = try_kills(work / "footage", work, kills=kills, seed=seed, jobs=jobs)
    for line in report(trial):
        click.echo(line)
    sys.exit(1 if trial.differences else 0)


if __name__ == "__main__":
    main()
