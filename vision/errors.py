"""The one error that reading a media file may end in."""

from __future__ import annotations

import os


class MediaError(Exception):
    """A media file (or a folder of them) cannot be read.

    Attributes
    ----------
    path : the file or folder as it was given
    what : what is wrong with it, a clause without a full stop
    cure : what the person can do about it, a clause without a full stop
    """

    def __init__(self, path: str | os.PathLike[str], what: str, cure: str) -> None:
        self.path = os.fspath(path)
        self.what = what
        self.cure = cure
        super().__init__(self.path, what, cure)

    def __str__(self) -> str:
        """One line for a person, whatever the parts hold."""
        return " ".join(f"{self.path}: {self.what}; {self.cure}".split())
