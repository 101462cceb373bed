"""``mastread explain``: what an aspect in words means, and why."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mastread.decoder.aspect import PLATES
from mastread.tools.cli_options import Plate, rules_option, told_plates
from mastread.tools.texts import one_line, say, wrap_lines
from mastread.tools.width import text_width

if TYPE_CHECKING:
    from mastread.decoder.aspect import Aspect
    from mastread.decoder.rulebook import Rulebook
    from mastread.tools.answers import Answer

#: What can be asked beside the meaning, by the option that asks it.
QUESTIONS = ("--faults", "--then", "--indication")


@click.command()
@click.argument("words", nargs=-1, required=True, metavar="ASPECT...")
@rules_option
@click.option(
    "--plate",
    "plates",
    type=Plate(),
    multiple=True,
    metavar="PLATE",
    help=f"A plate on the mast besides those that ASPECT names: {', '.join(PLATES)}; may be given "
    "again. Left out: ASPECT is taken at its word.",
)
@click.option("--faults", is_flag=True, help="Show what every single failure would look like.")
@click.option(
    "--then",
    is_flag=True,
    help="Each ASPECT, in quotes, is the next signal on the line: are promises kept?",
)
@click.option(
    "--indication",
    is_flag=True,
    help="ASPECT is the name or rule number of an indication: show every aspect that gives it.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json"]),
    default="text",
    show_default=True,
    help="Text for people, or one JSON object.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Also write a picture of each aspect, as SVG and PNG, into this folder.",
)
def explain(
    words: tuple[str, ...],
    book: str,
    plates: tuple[str, ...],
    faults: bool,
    then: bool,
    indication: bool,
    form: str,
    out: Path | None,
) -> None:
    """Explain an aspect that is given in words, top head first.

    \b
    Examples:
      mastread explain "green over red over red"
      mastread explain red over flashing yellow over red
      mastread explain red --plate A
      mastread explain --faults "flashing yellow over red over red"
      mastread explain --then "flashing yellow over red" "yellow over red" "red with A plate"
      mastread explain --indication "clear to stop" --out handout
    """
    asked = [name for name, on in zip(QUESTIONS, (faults, then, indication), strict=True) if on]
    if len(asked) > 1:
        raise click.UsageError(say("error.explain.both", first=asked[0], second=asked[1]))
    told = told_plates(plates)
    if indication and told is not None:
        raise click.UsageError(say("error.explain.plate"))
    answer = _answer(words, book, told, asked[0] if asked else "")
    if form == "json":
        click.echo(json.dumps(answer.data, indent=2, ensure_ascii=False))
    else:
        click.echo(answer.text if faults else wrap_lines(answer.text, text_width()))
    if out is not None:
        _draw(answer, out, book)


def _answer(
    words: tuple[str, ...], name: str, told: frozenset[str] | None, question: str
) -> Answer:
    """Ask the decoder, and refuse in one line what cannot be asked."""
    from mastread.decoder.rulebook import load_book
    from mastread.tools import answers

    book: Rulebook = load_book(name)
    try:
        if question == "--indication":
            return answers.answer_indication(" ".join(words), book)
        if question == "--then":
            if len(words) < 2:
                raise click.BadParameter(say("error.then.one"), param_hint="ASPECT")
            return answers.answer_row([_parse(text, told) for text in words], book)
        aspect = _parse(" ".join(words), told)
        if question == "--faults":
            return answers.answer_faults(aspect, book, text_width())
        return answers.answer_aspect(aspect, book)
    except answers.NoAnswerError as error:
        raise click.BadParameter(one_line(str(error)), param_hint="ASPECT") from None


def _parse(text: str, told: frozenset[str] | None) -> Aspect:
    """Read one aspect; plates that were told by option come to those that the words name."""
    from mastread.decoder.language import AspectError, parse_aspect

    try:
        shown = parse_aspect(text)
    except AspectError as error:
        raise click.BadParameter(one_line(str(error)), param_hint="ASPECT") from None
    return shown if told is None else replace(shown, plates=told | (shown.plates or frozenset()))


def _draw(answer: Answer, out: Path, name: str) -> None:
    """Write the pictures of an answer, and say how many."""
    from mastread.decoder.rulebook import load_book
    from mastread.tools.picture_files import write_pictures

    if not answer.aspects:
        click.echo(say("pictures.none"), err=True)
        return
    try:
        written = write_pictures(answer.aspects, out, load_book(name).row_lamps)
    except OSError as error:
        raise click.ClickException(
            say("error.output", path=out, what=error.strerror or error)
        ) from None
    click.echo(say("wrote", count=len(written), path=out), err=True)
