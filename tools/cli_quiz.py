"""``mastread quiz``: questions from the shelf, as a page and on paper."""

from __future__ import annotations

from pathlib import Path

import click

from mastread.decoder.words import NOTICE
from mastread.tools.quiz.texts import say
from mastread.tools.shelf.opening import opened_shelf
from mastread.tools.shelf.options import query_options, shelf_option
from mastread.tools.shelf.search import Query


@click.command()
@query_options
@shelf_option
@click.option("--count", type=click.IntRange(1, 500), default=20, show_default=True, metavar="N")
@click.option("--rules", metavar="NAME", help="Only spans read by this rulebook, if several were.")
@click.option("--lesson", is_flag=True, help="In order, with what failures would show.")
@click.option("--seed", type=int, default=0, show_default=True, help="Draws the questions.")
@click.option("--pictures", is_flag=True, help="Pictures only, which makes the page much smaller.")
@click.option("--title", metavar="TEXT", help="What stands on top.")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("quiz.html"),
    show_default=True,
    metavar="FILE",
    help="The page to write.",
)
@click.option(
    "--pdf",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Also write it for printing, with the answers at the end; needs mastread[print].",
)
def quiz(
    query: Query,
    folder: Path,
    count: int,
    rules: str | None,
    lesson: bool,
    seed: int,
    pictures: bool,
    title: str | None,
    out: Path,
    pdf: Path | None,
) -> None:
    """Make a quiz from the shelf: one HTML page that opens from disk, and a PDF to print.

    Only spans are asked that are read with odds of 0.95 or more, or that a person confirmed or
    corrected. Wrong answers are those that differ by one lamp or one flash. WORDS and fields
    choose among the spans as in `mastread shelf find`.

    \b
    Examples:
      mastread quiz --count 10 --pdf quiz.pdf
      mastread quiz --lesson --heads 1 --seed 4
    """
    from mastread.tools.quiz.make import make_quiz, write_quiz

    with opened_shelf(folder) as shelf:
        made = make_quiz(
            shelf,
            query,
            count=count,
            seed=seed,
            lesson=lesson,
            clips=not pictures,
            title=title,
            book=rules,
        )
        written = write_quiz(made, out, pdf)
    asked = sum(question.span is not None for question in made.questions)
    if asked < count:
        click.echo(say("few", found=asked, asked=count), err=True)
    for path in written:
        click.echo(say("wrote", count=len(made.questions), path=path))
    click.echo(NOTICE)
