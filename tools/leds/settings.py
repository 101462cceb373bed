"""The figures of settings.toml, by section; the file says why each is what it is."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Any


@cache
def data_file(name: str) -> dict[str, Any]:
    """A TOML file of this package."""
    text = files("mastread.tools.leds").joinpath(name).read_text(encoding="utf-8")
    return tomllib.loads(text)


def settings(section: str) -> dict[str, Any]:
    """One section of ``settings.toml``."""
    found: dict[str, Any] = data_file("settings.toml")[section]
    return found
