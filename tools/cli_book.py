"""``mastread book``: the rulebooks, and the check of one's own."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from mastread.decoder.words import NOTICE
from mastread.tools.texts import one_line, say, wrap_lines
from mastread.tools.width import text_width

if TYPE_CHECKING:
    from mastread.decoder.rulebook import Rulebook


@click.group()
def book() -> None:
    """List, show, print and check rulebooks."""


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
    from mastread.decoder.booktext import say_book

    click.echo(wrap_lines(say_book(_load(name)).rstrip("\n"), text_width()))


@book.command()
@click.argument("name")
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write the page into this file; left out, it goes to standard output.",
)
def sheet(name: str, out: Path | None) -> None:
    """Make a printable study sheet of a rulebook: one HTML page with a picture of each aspect.

    NAME is one that `mastread book list` prints, or the path of a .toml file.

    \b
    Example:
      mastread book sheet cror --out cror.html
    """
    from mastread.decoder.sheet import make_sheet

    page = make_sheet(_load(name))
    if out is None:
        click.echo(page, nl=False)
        return
    from mastread.tools.picture_files import write_whole

    try:
        write_whole(out, page.encode())
    except OSError as error:
        raise click.ClickException(
            say("error.output", path=out, what=error.strerror or error)
        ) from None
    click.echo(say("wrote.one", path=out), err=True)


@book.command()
@click.argument("file")
@click.pass_context
def check(ctx: click.Context, file: str) -> None:
    """Check a rulebook file for faults.

    Its form is checked first, then whether every aspect reads as it is meant to, agrees with the
    grammar of speed signalling and is safe when a lamp fails. Each fault is one line; the exit
    status is then 1.
    """
    from mastread.decoder.check import check_book

    found = _load(file)
    complaints = check_book(found)
    for complaint in complaints:
        click.echo(f"{file}: {one_line(complaint)}", err=True)
    if complaints:
        ctx.exit(1)
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
