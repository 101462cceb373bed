"""``mastread desk``: look at readings in the browser, and confirm or correct them."""

from __future__ import annotations

from pathlib import Path

import click

from mastread.decoder.words import NOTICE
from mastread.tools.cli_options import rules_option
from mastread.tools.shelf.opening import spoken_errors
from mastread.tools.shelf.options import shelf_option, who_option


@click.command()
@click.argument("paths", nargs=-1, metavar="[SHELF or FILES]...")
@shelf_option
@rules_option
@who_option
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=0,
    metavar="N",
    help="Port on this machine. Default: one that is free.",
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
def desk(
    paths: tuple[str, ...], folder: Path, book: str, who: str, port: int, no_browser: bool
) -> None:
    """Look at readings in your browser: confirm, correct, or say that they cannot be told.

    Name a shelf, or photos and videos that are first read onto the one of --shelf. The page is
    served by this machine to this machine only, and fetches nothing from anywhere else. Needs
    mastread[desk].

    \b
    Examples:
      mastread desk
      mastread desk ~/signals
      mastread desk clip.mp4 --who "Jo Larch"
    """
    try:
        import flask  # noqa: F401
    except ImportError:
        from mastread.tools.desk.texts import say

        raise click.ClickException(say("extra")) from None
    from mastread.tools.desk.serve import DeskServer
    from mastread.tools.desk.texts import say
    from mastread.tools.shelf.database import NAME
    from mastread.tools.shelf.store import Shelf

    if len(paths) == 1 and (Path(paths[0]) / NAME).exists():
        folder, paths = Path(paths[0]), ()
    with spoken_errors():
        # Files make a shelf where there is none; without any there must be one to look at.
        (Shelf.create if paths else Shelf.open)(folder).close()
        server = DeskServer(folder.resolve(), book, who, port)
    with server:
        for path in paths:
            server.work.put(Path(path), Path(path).name, dropped=False)
        server.work.start()
        click.echo(say("open", address=server.address))
        click.echo(say("stop"))
        click.echo(NOTICE)
        if not no_browser:
            click.launch(server.address)
        server.serve_forever()
