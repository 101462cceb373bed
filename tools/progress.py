"""A progress bar on stderr: only for a terminal, and never in the way of the data."""

from __future__ import annotations

import sys
import time
from typing import Final

import click

from mastread.tools.texts import say

WIDTH: Final = 30
REDRAW_EVERY_S: Final = 0.1


class Progress:
    """Draws the share that is done; `clear` before anything else is printed."""

    def __init__(self, *, shown: bool | None = None) -> None:
        self._shown = sys.stderr.isatty() if shown is None else shown
        self._drawn = False
        self._last = 0.0

    def update(self, share: float) -> None:
        """Draw the bar anew, unless that was done a moment ago."""
        now = time.monotonic()
        if not self._shown or now - self._last < REDRAW_EVERY_S:
            return
        self._last = now
        full = round(WIDTH * min(1.0, max(0.0, share)))
        bar = "#" * full + "." * (WIDTH - full)
        click.echo(f"\r{say('progress')} {bar} {share:4.0%}", err=True, nl=False)
        self._drawn = True

    def close(self) -> None:
        """Leave no bar behind."""
        self.clear()

    def clear(self) -> None:
        """Take the bar off its line."""
        if self._drawn:
            click.echo("\r\x1b[K", err=True, nl=False)
            self._drawn = False
