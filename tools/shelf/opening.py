"""A shelf opened for a command: what goes wrong becomes one line and an exit status."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mastread.tools.shelf.texts import say
from mastread.tools.texts import one_line

if TYPE_CHECKING:
    from mastread.tools.shelf.store import Shelf


@contextmanager
def opened_shelf(folder: Path) -> Iterator[Shelf]:
    """Open a shelf for a command; what goes wrong becomes one line and an exit status."""
    from mastread.tools.shelf.store import Shelf

    with spoken_errors(), Shelf.open(folder) as opened:
        yield opened


@contextmanager
def spoken_errors() -> Iterator[None]:
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
