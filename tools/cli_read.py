"""``mastread read``: what the signals in photos and clips showed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from mastread.tools.cli_options import (
    heads_option,
    jobs_option,
    language_option,
    make_option,
    out_option,
    plate_option,
    region_option,
    report_option,
    rules_option,
    style_option,
    told_plates,
    wanted_kinds,
)
from mastread.tools.texts import say, use_language
from mastread.tools.wishes import Style, Wishes

if TYPE_CHECKING:
    from mastread.vision.types import Hints


@click.command()
@click.argument("paths", nargs=-1, metavar="PATH...")
@click.option(
    "--live",
    metavar="CAMERA_OR_URL",
    help="Read a camera (/dev/video0, or its number) or a network stream (rtsp, http, udp, tcp) "
    "as it comes, and tell each change; Ctrl-C ends it.",
)
@rules_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "jsonl", "csv"]),
    default="text",
    show_default=True,
    help="Text for people, one JSON list, one JSON document a line, or one table row a span.",
)
@out_option
@make_option
@report_option
@style_option
@heads_option
@region_option
@plate_option
@language_option
@jobs_option
@click.pass_context
def read(
    ctx: click.Context,
    paths: tuple[str, ...],
    live: str | None,
    book: str,
    form: str,
    out: Path | None,
    kinds: frozenset[str] | None,
    report: bool,
    style: Style,
    heads: int | None,
    region: tuple[int, int, int, int] | None,
    plates: tuple[str, ...],
    language: str,
    jobs: int | None,
) -> None:
    """Read what signals showed in photos, clips, and folders of them.

    PATH is a photo, a video, a folder (with its sub-folders), or a pattern in quotes. Readings
    go to standard output, everything else to standard error. The exit status is 0 when every
    input was read, whatever it showed, 1 when at least one could not be read, and 2 when the
    call was wrong.

    \b
    Examples:
      mastread read signal.jpg
      mastread read footage --out readings --report
      mastread read clip.mp4 --out quiz --style question --make marked
      mastread read clip.mp4 --heads 3 --plate none --format jsonl
      mastread read --live rtsp://camera.local/video --format jsonl
    """
    if (live is None) == (not paths):
        raise click.UsageError(say("error.live.both" if paths else "error.read.nothing"))
    told = told_plates(plates)
    wanted = wanted_kinds(kinds, out, report=report)
    # Here and not above: these load the video stack, which --help has no need of.
    from mastread.vision.types import Hints

    if live is not None:
        _read_live(ctx, live, form, book, Hints(heads, region, told), out, wanted, language)
        return
    from mastread.tools.read_many import read_many
    from mastread.tools.reporters import REPORTERS

    tally = read_many(
        paths,
        REPORTERS[form](),
        book=book,
        hints=Hints(heads, region, told),
        out=out,
        jobs=jobs,
        wishes=Wishes(style, language, wanted),
    )
    if tally.written:
        key = "wrote.one" if tally.written == 1 else "wrote"
        click.echo(say(key, count=tally.written, path=out), err=True)
    if tally.failed:
        if tally.inputs > 1:
            click.echo(say("failed", failed=tally.failed, count=tally.inputs), err=True)
        ctx.exit(1)


def _read_live(
    ctx: click.Context,
    live: str,
    form: str,
    book: str,
    hints: Hints,
    out: Path | None,
    kinds: frozenset[str],
    language: str,
) -> None:
    """Read a stream until it ends."""
    from mastread.tools.live import read_live

    use_language(language)
    tally = read_live(live, form=form, book=book, hints=hints, out=out, kinds=kinds)
    if tally.written:
        key = "wrote.one" if len(tally.written) == 1 else "wrote"
        click.echo(say(key, count=len(tally.written), path=out), err=True)
    if tally.failed:
        ctx.exit(1)
