"""``mastread demo``: the bundled samples read, with pictures."""

from __future__ import annotations

from contextlib import ExitStack
from importlib.resources import as_file, files
from pathlib import Path
from typing import Final

import click

from mastread.tools.cli_options import jobs_option, language_option
from mastread.tools.texts import say

#: Kinds of sample that the package may hold.
SUFFIXES: Final = (".jpg", ".png", ".mp4")


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    default=Path("mastread-demo"),
    show_default=True,
    help="Folder for the pictures, clips, captions and readings.",
)
@language_option
@jobs_option
@click.pass_context
def demo(ctx: click.Context, out: Path, language: str, jobs: int | None) -> None:
    """Read the bundled samples and write pictures of them.

    The samples are rendered scenes of an invented railway.
    """
    from mastread.tools.binder import PAGE
    from mastread.tools.read_many import read_many
    from mastread.tools.reporters import Text
    from mastread.tools.wishes import USUAL, Wishes
    from mastread.vision.types import Hints

    folder = files("mastread.sample_frames")
    with ExitStack() as stack:
        samples = [
            str(stack.enter_context(as_file(item)))
            for item in sorted(folder.iterdir(), key=lambda item: item.name)
            if item.name.endswith(SUFFIXES)
        ]
        if not samples:
            click.echo(say("demo.missing"), err=True)
            ctx.exit(1)
        click.echo(say("demo.intro", count=len(samples)), err=True)
        # Wherever the package lies on this machine, samples are named as the repository has them.
        names = {sample: f"sample_frames/{Path(sample).name}" for sample in samples}
        tally = read_many(
            samples,
            Text(),
            book="cror",
            hints=Hints(),
            out=out,
            jobs=jobs,
            wishes=Wishes(language=language, kinds=USUAL | {"report"}),
            shown=names,
        )
    click.echo(say("demo.where", path=out.resolve()))
    if tally.written:
        click.echo(say("demo.report", path=out.resolve() / PAGE))
    if tally.failed:
        ctx.exit(1)
