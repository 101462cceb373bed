"""One process at a time adds to a shelf; the system lets go of the lock however that one ends."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from mastread.tools.shelf.database import ShelfError
from mastread.tools.shelf.texts import say

NAME: Final = "adding.lock"


@contextmanager
def adding(shelf: Path) -> Iterator[None]:
    """Hold the shelf for adding.

    Raises
    ------
    ShelfError
        If another process holds it.
    """
    with (shelf / NAME).open("a") as file:
        try:
            _hold(file.fileno())
        except OSError:
            raise ShelfError(say("shelf.busy", path=shelf)) from None
        yield


if sys.platform == "win32":
    import msvcrt

    def _hold(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _hold(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
