"""The figures of shelf.toml, by section."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def figures(section: str) -> dict[str, Any]:
    """One section of ``shelf.toml``; the file says why each value is what it is."""
    found: dict[str, Any] = tomllib.loads(figures_text())[section]
    return found


@cache
def figures_text() -> str:
    """The whole file."""
    return files("mastread.tools.shelf").joinpath("shelf.toml").read_text(encoding="utf-8")
