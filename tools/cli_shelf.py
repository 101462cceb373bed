"""``mastread shelf``: a searchable library of labelled clips."""

from __future__ import annotations

from pathlib import Path

import click

from mastread.decoder.words import NOTICE
from mastread.tools.cli_options import (
    heads_option,
    jobs_option,
    plate_option,
    region_option,
    rules_option,
    told_plates,
)
from mastread.tools.cli_shelf_out import check, pack, sheet
from mastread.tools.shelf.opening import opened_shelf, spoken_errors
from mastread.tools.shelf.options import query_options, shelf_option, who_option
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.texts import say


@click.group()
def shelf() -> None:
    """Keep footage as labelled clips: add, find, correct, check, export.

    A shelf is one folder with a database, the clips, posters and crops; move it as you like.
    """


@shelf.command()
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@shelf_option
@rules_option
@heads_option
@region_option
@plate_option
@jobs_option
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help="Send the files to the Dask scheduler at this address; needs mastread[cluster], and "
    "the footage under the same paths on its workers.",
)
@click.option("--licence", default="", metavar="ID", help="Licence of this footage: CC-BY-4.0 ...")
@click.option("--credit", default="", metavar="NAME", help="Whom to name for it.")
@click.pass_context
def add(
    ctx: click.Context,
    paths: tuple[str, ...],
    folder: Path,
    book: str,
    heads: int | None,
    region: tuple[int, int, int, int] | None,
    plates: tuple[str, ...],
    jobs: int | None,
    cluster: str | None,
    licence: str,
    credit: str,
) -> None:
    """Read footage and put one labelled clip per span on the shelf.

    A file that was read already is passed over unless it, the rulebook or the program changed.
    Stopped or killed at any moment, the same command goes on where it was.

    \b
    Examples:
      mastread shelf add footage
      mastread shelf add clip.mp4 --heads 3 --shelf ~/signals
    """
    told = told_plates(plates)
    from contextlib import closing

    from mastread.tools.progress import Progress
    from mastread.tools.shelf.add import Rights, local
    from mastread.tools.shelf.add import add as add_all
    from mastread.vision.types import Hints

    progress = Progress()

    def tell(line: str) -> None:
        progress.clear()
        click.echo(line, err=True)

    with spoken_errors(), closing(progress):
        if cluster is None:
            runner = local(jobs, progress.update)
        else:
            from mastread.tools.shelf.cluster import remote

            runner = remote(cluster, progress.update)
        tally = add_all(
            folder,
            paths,
            book=book,
            hints=Hints(heads, region, told),
            runner=runner,
            tell=tell,
            rights=Rights(licence, credit),
        )
    click.echo(
        say(
            "add.done",
            path=folder,
            read=tally.read,
            known=tally.known,
            failed=tally.failed,
            spans=tally.spans_after,
            more=tally.spans_after - tally.spans_before,
        )
    )
    click.echo(NOTICE)
    if tally.failed:
        ctx.exit(1)


@shelf.command()
@query_options
@shelf_option
@click.option(
    "--limit",
    type=click.IntRange(1),
    default=50,
    show_default=True,
    metavar="N",
    help="Most spans to list.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", "json", "paths"]),
    default="table",
    show_default=True,
    help="A table for people, one JSON document, or the paths of the clips.",
)
def find(query: Query, folder: Path, limit: int, form: str) -> None:
    """List the spans that match words and fields, surest first.

    Each of WORDS is a word or a phrase of the aspect, the indication, a note, a tag or the name
    of the file; all of them must be there.

    \b
    Examples:
      mastread shelf find "flashing yellow" --heads 3 --light night
      mastread shelf find --indication "clear to stop" --sure 0.95 --format paths
      mastread shelf find --rate 0.9..1.1 --verdict none
    """
    from mastread.tools.shelf import listing

    with opened_shelf(folder) as opened:
        hits, count = opened.look(query, limit)
    if form == "json":
        click.echo(listing.as_json(hits, count, folder))
    elif form == "paths":
        for path in listing.as_paths(hits, folder):
            click.echo(path)
    elif hits:
        click.echo(listing.as_table(hits))
        click.echo("\n" + say("find.count", shown=len(hits), count=count))
        click.echo(NOTICE)
    else:
        click.echo(say("find.none"))


@shelf.command()
@click.argument("ids", nargs=-1, metavar="[ID]...")
@shelf_option
@who_option
@click.option("--aspect", metavar="WORDS", help="It showed this, heads top to bottom, with plates.")
@click.option("--confirm", is_flag=True, help="It is right as it stands.")
@click.option("--cannot-tell", is_flag=True, help="It cannot be told.")
@click.option("--remove", is_flag=True, help="There is no signal mast; hides the span.")
@click.option("--split", type=float, metavar="SECONDS", help="The mast changed at this time.")
@click.option("--join", is_flag=True, help="These spans are one.")
@click.option("--note", metavar="TEXT", help="Write a note beside it.")
@click.option("--tag", "tags", multiple=True, metavar="TAG", help="Set tags; may be given again.")
@click.option("--undo", is_flag=True, help="Take back your last change.")
@click.option("--redo", is_flag=True, help="Make it again.")
@click.option("--history", is_flag=True, help="Tell what people did.")
def fix(
    ids: tuple[str, ...],
    folder: Path,
    who: str,
    aspect: str | None,
    confirm: bool,
    cannot_tell: bool,
    remove: bool,
    split: float | None,
    join: bool,
    note: str | None,
    tags: tuple[str, ...],
    undo: bool,
    redo: bool,
    history: bool,
) -> None:
    """Correct or confirm spans; ID is the name that `shelf find` gives, or its first letters.

    The machine's reading stays beside every correction, with who made it and when. What an
    aspect means is looked up in the rulebook at once.

    \b
    Examples:
      mastread shelf fix k7wq --aspect "flashing yellow over red over red"
      mastread shelf fix k7wq 9xpt --confirm --who Jo
      mastread shelf fix --undo
    """
    from mastread.tools.shelf.fixing import Act, do_acts, tell_history

    acts: list[Act] = []
    given: list[tuple[bool, Act]] = [
        (aspect is not None, ("aspect", aspect)),
        (confirm, ("confirm", None)),
        (cannot_tell, ("cannot-tell", None)),
        (remove, ("remove", None)),
        (split is not None, ("split", split)),
        (join, ("join", None)),
        (note is not None, ("note", note)),
        (bool(tags), ("tag", tags)),
        (undo, ("undo", None)),
        (redo, ("redo", None)),
    ]
    acts += [act for said, act in given if said]
    with opened_shelf(folder) as opened:
        if history:
            for line in tell_history(opened, ids):
                click.echo(line)
            return
        for line in do_acts(opened, ids, who, acts):
            click.echo(line)
    click.echo(NOTICE)


for command in (sheet, check, pack):
    shelf.add_command(command)
