"""The report of a batch: where its parts lie meanwhile, and how they become one page."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Final

from mastread.tools.outputs import ReportPlace
from mastread.tools.report.page import write_page
from mastread.tools.report.part import error_part
from mastread.tools.texts import one_line, say
from mastread.tools.work import Outcome

#: The page of several files; of one file it is named after that.
PAGE: Final = "report.html"


@dataclass(slots=True)
class Binder:
    """Hands out places for parts, in the order of the files, and binds them at the end.

    Attributes
    ----------
    out : the output folder
    scratch : a folder on the same file system in which half-written files may lie
    stems : starts of the outputs' names, one for each media file
    alone : whether the batch is one file
    """

    out: Path
    scratch: Path
    stems: Sequence[str]
    alone: bool
    _parts: list[Path] = field(default_factory=list)
    _given: int = 0

    @property
    def page(self) -> str:
        """Path of the page relative to the output folder."""
        return f"{self.stems[0]}.{PAGE}" if self.alone and self.stems else PAGE

    def place(self, stem: str) -> ReportPlace:
        """Return the place of the next file's part."""
        self._given += 1
        prefix = f"f{self._given}"
        return ReportPlace(self.page, self.alone, str(self._part(stem, self._given)), prefix)

    def add(self, outcome: Outcome) -> None:
        """Take the part of the next outcome; one that failed gets a part that says so."""
        path = None if outcome.part is None else Path(outcome.part)
        if path is None:
            path = self.scratch / f"failed-{len(self._parts)}.json"
            reading = outcome.reading
            if "error" not in reading:
                reading = {**reading, "error": outcome.trouble or ""}
            error_part(reading, f"e{len(self._parts)}").save(path)
        self._parts.append(path)

    def bind(self) -> tuple[int, str | None]:
        """Write the page; return how many files were written, and what went wrong, if anything.

        There is no page where nothing could be read.
        """
        if all(path.name.startswith("failed-") for path in self._parts):
            return 0, None
        aside = self.scratch / PAGE
        target = self.out / self.page
        try:
            write_page(self._parts, aside)
            target.parent.mkdir(parents=True, exist_ok=True)
            os.replace(aside, target)
        except OSError as error:
            what = error.strerror or one_line(str(error))
            return 0, say("error.output", path=target, what=what)
        return 1, None

    def _part(self, stem: str, number: int) -> Path:
        return self.scratch / f"part-{number}-{PurePosixPath(stem).name[:40]}.json"
