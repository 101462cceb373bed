"""Reporters: how readings leave on standard output, as text, as JSON, or as JSON lines."""

from __future__ import annotations

import shutil
import sys
import textwrap
from abc import ABC, abstractmethod
from typing import Final

import click

from mastread.tools.reading import Reading, to_json
from mastread.tools.report_text import text_report
from mastread.tools.table import table
from mastread.tools.texts import say

#: Lines of text are no longer than this, however wide the terminal.
LONGEST_LINE: Final = 96


class Reporter(ABC):
    """Takes readings one by one, in order."""

    @abstractmethod
    def add(self, reading: Reading) -> None:
        """Print one reading."""

    @abstractmethod
    def finish(self) -> None:
        """Print what comes after the last reading."""


class JsonLines(Reporter):
    """One document a line; nothing at all when there is none."""

    def add(self, reading: Reading) -> None:
        """Print one line."""
        click.echo(to_json(reading))

    def finish(self) -> None:
        """Print nothing: a line would be taken for a document."""


class JsonList(Reporter):
    """One pretty list of documents."""

    def __init__(self) -> None:
        self._opened = False

    def add(self, reading: Reading) -> None:
        """Print one item."""
        click.echo(",\n" if self._opened else "[\n", nl=False)
        self._opened = True
        click.echo(textwrap.indent(to_json(reading, indent=2), "  "), nl=False)

    def finish(self) -> None:
        """Close the list."""
        click.echo("\n]" if self._opened else "[]")


class Text(Reporter):
    """Paragraphs for people; a file that could not be read is told of on stderr instead."""

    def __init__(self) -> None:
        columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else LONGEST_LINE
        self._width = min(LONGEST_LINE, columns)

    def add(self, reading: Reading) -> None:
        """Print the paragraphs of one file."""
        if "error" not in reading:
            click.echo(text_report(reading, self._width) + "\n")

    def finish(self) -> None:
        """Print the notice."""
        click.echo(textwrap.fill(say("notice"), self._width))


class Table(Reporter):
    """Comma-separated values, one row a span."""

    def __init__(self) -> None:
        self._started = False

    def add(self, reading: Reading) -> None:
        """Print the rows of one file."""
        click.echo(table([reading], header=not self._started), nl=False)
        self._started = True

    def finish(self) -> None:
        """Print the header where there was nothing else."""
        if not self._started:
            click.echo(table([]), nl=False)


REPORTERS: Final[dict[str, type[Reporter]]] = {
    "text": Text,
    "json": JsonList,
    "jsonl": JsonLines,
    "csv": Table,
}
