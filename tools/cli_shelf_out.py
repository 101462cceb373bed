"""``mastread shelf sheet``, ``check``, ``pack``: what leaves a shelf, and whether it is whole."""

from __future__ import annotations

from pathlib import Path

import click

from mastread.decoder.words import NOTICE
from mastread.tools.shelf.opening import opened_shelf
from mastread.tools.shelf.options import query_options, shelf_option
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.texts import say


@click.command()
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


@click.command()
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


@click.command()
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
