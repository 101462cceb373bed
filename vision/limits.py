"""The figures of limits.toml, by section."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def limits(section: str) -> dict[str, Any]:
    """One section of ``vision/limits.toml``; the file says why each value is what it is."""
    text = files("mastread.vision").joinpath("limits.toml").read_text(encoding="utf-8")
    found: dict[str, Any] = tomllib.loads(text)[section]
    return found
