"""``mastread book``: the rulebooks, and the check of one's own."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from mastread.decoder.words import NOTICE
from mastread.tools.texts import one_line, say, wrap_lines

if TYPE_CHECKING:
    from mastread.decoder.rulebook import AspectRow, Rulebook


@click.group()
def book() -> None:
    """List, show and check rulebooks."""


@book.command("list")
def list_command() -> None:
    """List the bundled rulebooks."""
    from mastread.decoder.rulebook import list_books, load_book

    for name in list_books():
        found = load_book(name)
        click.echo(f"{name:26} {found.label}")
    click.echo("\n" + NOTICE)


@book.command()
@click.argument("name")
def show(name: str) -> None:
    """Show the indications and aspects of a rulebook.

    Each aspect comes with how sure it is.

    NAME is one that `mastread book list` prints, or the path of a .toml file.
    """
    columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else 96
    found = _load(name)
    click.echo(wrap_lines("\n".join([*_lines(found), "", NOTICE]), min(96, columns)))


@book.command()
@click.argument("file")
def check(file: str) -> None:
    """Check a rulebook file for faults.

    A fault ends it with exit status 1 and one line on what is wrong where.
    """
    found = _load(file)
    aspects = sum(1 for _ in found.entries())
    click.echo(
        say(
            "book.good",
            path=file,
            title=found.label,
            indications=len(found.indications),
            aspects=aspects,
            without=sum(1 for indication in found.indications if not indication.aspects),
        )
    )
    click.echo(NOTICE)


def _load(name: str) -> Rulebook:
    from mastread.decoder.rulebook import BookError, load_book

    try:
        return load_book(name)
    except BookError as error:
        raise click.ClickException(one_line(str(error))) from None
    except OSError as error:
        raise click.ClickException(
            say("error.line", path=name, what=error.strerror or error, cure=say("check.spelling"))
        ) from None


def _lines(found: Rulebook) -> Iterator[str]:
    yield found.label
    if found.note:
        yield found.note
    yield ""
    yield say("book.speeds")
    for speed in found.speeds:
        limit = f" ({speed.mph} mph)" if speed.mph is not None else ""
        yield f"  {speed.name}{limit}: {speed.text}"
    if found.plates:
        yield ""
        yield say("book.plates")
        for plate in found.plates:
            yield f"  {plate.name}: {plate.text}"
    for indication in found.indications:
        yield ""
        yield f"{indication.label}: {indication.meaning}"
        if not indication.aspects:
            yield f"  {say('book.no_aspect')}"
        for row in indication.aspects:
            yield f"  {_row_words(row)}"


def _row_words(row: AspectRow) -> str:
    from mastread.decoder.language import say_aspect
    from mastread.decoder.reasons import say_grade

    disputed = f" {say('book.disputed')}" if row.disputed else ""
    return f"{say_aspect(row.aspect)}: {say_grade(row)}{disputed}"
