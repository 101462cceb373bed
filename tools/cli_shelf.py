"""``mastread shelf``: a searchable library of labelled clips."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

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
from mastread.tools.shelf.options import query_options, shelf_option, who_option
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.texts import say
from mastread.tools.texts import one_line

if TYPE_CHECKING:
    from mastread.tools.shelf.store import Shelf


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

    with _spoken_errors(), closing(progress):
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


@shelf.command()
@query_options
@shelf_option
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("sheet.html"),
    show_default=True,
    metavar="FILE",
    help="The HTML file to write.",
)
@click.option("--title", metavar="TEXT", help="What stands on top of it.")
@click.option("--limit", type=click.IntRange(1), default=500, show_default=True, metavar="N")
def sheet(query: Query, folder: Path, out: Path, title: str | None, limit: int) -> None:
    """Write a contact sheet of the spans that match, as one HTML file to look at or print."""
    from mastread.tools.picture_files import write_whole
    from mastread.tools.shelf.sheet import make_sheet

    with opened_shelf(folder) as opened:
        hits = opened.find(query, limit)
        page = make_sheet(opened, hits, title or say("sheet.title"))
        write_whole(out, page.encode())
    click.echo(say("sheet.done", count=len(hits), path=out))
    click.echo(NOTICE)


@shelf.command()
@shelf_option
@click.option(
    "--line",
    metavar="ID,ID,...",
    help="These spans are of signals that a train meets one after the other, in this order.",
)
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text")
@click.pass_context
def check(ctx: click.Context, folder: Path, line: str | None, form: str) -> None:
    """Look for missing or changed files, and for readings that others speak against.

    The exit status is 1 where a file is missing or changed. Findings about readings are hints:
    a mast may well show something for a moment, or break a promise since the line has changed.
    """
    from contextlib import closing
    from dataclasses import asdict

    from mastread.tools.progress import Progress
    from mastread.tools.reading import to_json
    from mastread.tools.shelf.check import check as check_all

    progress = Progress()
    names = [name for name in (line or "").split(",") if name.strip()]
    with opened_shelf(folder) as opened, closing(progress):
        found = check_all(opened, names, progress.update)
    files = [one for one in found if one.kind in ("missing", "changed", "torn")]
    if form == "json":
        findings = [{k: v for k, v in asdict(one).items() if k != "media"} for one in found]
        click.echo(to_json({"notice": NOTICE, "findings": findings}, indent=2))
    else:
        for one in found:
            click.echo(f"{one.span}: {one.words}" if one.span else one.words)
        if found:
            count = len(found) - len(files)
            click.echo(say("check.count", files=len(files), readings=count))
        else:
            click.echo(say("check.none", path=folder))
        click.echo(NOTICE)
    if files:
        ctx.exit(1)


@shelf.command()
@click.argument("target", type=click.Path(path_type=Path), metavar="DIR")
@query_options
@shelf_option
@click.option("--licence", default="", metavar="ID", help="Licence of the footage: CC-BY-4.0 ...")
@click.option("--credit", default="", metavar="NAME", help="Whom to name.")
@click.option("--name", default="signals", show_default=True, help="Name of the data set.")
@click.option("--title", metavar="TEXT", help="Its title for people.")
@click.option(
    "--shares",
    default="0.8,0.1,0.1",
    show_default=True,
    metavar="A,B,C",
    help="Shares to train, to validate and to test.",
)
@click.option(
    "--together",
    type=click.Choice(["video", "folder"]),
    default="video",
    show_default=True,
    help="What is never divided between these parts.",
)
def pack(
    target: Path,
    query: Query,
    folder: Path,
    licence: str,
    credit: str,
    name: str,
    title: str | None,
    shares: str,
    together: str,
) -> None:
    """Write the spans that match as a labelled data set into the new folder DIR.

    It is a Data Package with tables, clips and posters, image boxes in the COCO layout and a
    Croissant description.

    \b
    Example:
      mastread shelf pack signals --sure 0.95 --licence CC-BY-4.0 --credit "Jo Larch"
    """
    import re
    from contextlib import closing

    from mastread.tools.progress import Progress
    from mastread.tools.shelf.pack import About
    from mastread.tools.shelf.pack import pack as pack_all

    try:
        train, validation, test = (float(part) for part in shares.split(","))
    except ValueError:
        train = validation = test = -1.0
    if min(train, validation, test) < 0 or abs(train + validation + test - 1) > 1e-6:
        raise click.BadParameter(say("pack.shares", text=shares), param_hint="--shares")
    if not re.fullmatch(r"[a-z0-9][a-z0-9._-]*", name):
        raise click.BadParameter(say("pack.name", text=name), param_hint="--name")
    about = About(
        name,
        title or say("sheet.title"),
        licence,
        credit,
        (train, validation, test),
        together,
    )
    progress = Progress()
    with opened_shelf(folder) as opened, closing(progress):
        counts = pack_all(opened, opened.find(query), target, about, progress.update)
    click.echo(say("pack.done", path=target, **counts))
    click.echo(NOTICE)


@contextmanager
def opened_shelf(folder: Path) -> Iterator[Shelf]:
    """Open a shelf for a command; what goes wrong becomes one line and an exit status."""
    from mastread.tools.shelf.store import Shelf

    with _spoken_errors(), Shelf.open(folder) as opened:
        yield opened


@contextmanager
def _spoken_errors() -> Iterator[None]:
    """Turn what goes wrong with a shelf into one line and an exit status."""
    import sqlite3

    from mastread.decoder.language import AspectError
    from mastread.decoder.rulebook import BookError
    from mastread.tools.shelf.database import ShelfError
    from mastread.tools.shelf.store import WrongCallError

    try:
        yield
    except (WrongCallError, AspectError) as error:
        raise click.UsageError(one_line(str(error))) from None
    except (ShelfError, BookError) as error:
        raise click.ClickException(one_line(str(error))) from None
    except sqlite3.Error as error:
        raise click.ClickException(say("shelf.trouble", what=one_line(str(error)))) from None
    except OSError as error:
        path = error.filename or ""
        what = error.strerror or one_line(str(error))
        raise click.ClickException(say("shelf.cannot", path=path, what=what)) from None
