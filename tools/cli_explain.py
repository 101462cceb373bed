"""``mastread explain``: what an aspect in words means, and why."""

from __future__ import annotations

import shutil
import sys
from dataclasses import replace

import click

from mastread.tools.cli_options import plate_option, rules_option, told_plates
from mastread.tools.texts import one_line, wrap_lines


@click.command()
@click.argument("aspect", nargs=-1, required=True, metavar="ASPECT")
@rules_option
@plate_option
def explain(aspect: tuple[str, ...], book: str, plates: tuple[str, ...]) -> None:
    """Explain an aspect that is given in words, top head first.

    \b
    Examples:
      mastread explain "green over red over red"
      mastread explain red over flashing yellow over red
      mastread explain red --plate A
    """
    from mastread.decoder.explain import explain as explain_aspect
    from mastread.decoder.language import AspectError, parse_aspect
    from mastread.decoder.rulebook import load_book

    try:
        shown = parse_aspect(" ".join(aspect))
    except AspectError as error:
        raise click.BadParameter(one_line(str(error)), param_hint="ASPECT") from None
    told = told_plates(plates)
    if told is not None:
        shown = replace(shown, plates=told | (shown.plates or frozenset()))
    columns = shutil.get_terminal_size().columns if sys.stdout.isatty() else 96
    click.echo(wrap_lines(explain_aspect(shown, load_book(book)).text(), min(96, columns)))
