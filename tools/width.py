"""How wide lines of text may be: the terminal's width, but never harder to read than a page."""

from __future__ import annotations

import shutil
import sys
from typing import Final

#: Longer lines are hard to follow, whatever the terminal allows.
PAGE: Final = 96


def text_width() -> int:
    """Columns for text on standard output; a file or a pipe gets a page's."""
    return min(PAGE, shutil.get_terminal_size().columns) if sys.stdout.isatty() else PAGE
