"""What the files in the output folder are called, so that no two inputs share a name."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path


def plan_stems(files: Sequence[Path], given: Sequence[str]) -> list[str]:
    """Return for each file the start of its outputs' names, relative to the output folder.

    Files that were found in a folder keep their sub-folders below it; a file that was named
    itself goes to the top. Where that makes two names equal (also on a file system that takes
    no notice of case), the suffix is added, then the folders that lead to it, then a number.

    Parameters
    ----------
    files : media files
    given : the paths that the user named
    """
    folders = [Path(text) for text in given if Path(text).is_dir()]
    below = [_below(file, folders) for file in files]
    ways: list[Callable[[int], str]] = [
        lambda n: below[n].with_suffix("").as_posix(),
        lambda n: _with_suffix(below[n]),
        lambda n: (
            below[n].parent / f"{_folder_words(files[n])}{_with_suffix(Path(below[n].name))}"
        ).as_posix(),
    ]
    stems = [""] * len(files)
    open_ones = list(range(len(files)))
    for way in ways:
        names = {n: way(n) for n in open_ones}
        counts = Counter(name.casefold() for name in names.values())
        taken = {stem.casefold() for stem in stems if stem}
        for n, name in names.items():
            if counts[name.casefold()] == 1 and name.casefold() not in taken:
                stems[n] = name
        open_ones = [n for n in open_ones if not stems[n]]
    used = {stem.casefold() for stem in stems if stem}
    for n in open_ones:
        base = ways[-1](n)
        count = 2
        while f"{base}-{count}".casefold() in used:
            count += 1
        stems[n] = f"{base}-{count}"
        used.add(stems[n].casefold())
    return stems


def _below(file: Path, folders: Sequence[Path]) -> Path:
    """The file's path below the folder that it was found in, else its mere name."""
    for folder in folders:
        try:
            return file.relative_to(folder)
        except ValueError:
            continue
    return Path(file.name)


def _with_suffix(path: Path) -> str:
    suffix = path.suffix.removeprefix(".")
    stem = path.with_suffix("").as_posix()
    return f"{stem}-{suffix}" if suffix else stem


def _folder_words(file: Path) -> str:
    """The folders that lead to a file as one word: ``2024-west-``."""
    parts = [part for part in file.parent.parts if part not in ("..", ".", file.anchor)]
    return "".join(f"{part}-" for part in parts)
