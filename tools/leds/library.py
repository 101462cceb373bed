"""The libraries of the extra ``leds``: loaded when first needed, named in one line when missing."""

from __future__ import annotations

import importlib
import warnings
from functools import cache
from typing import Any, Final

#: The extra of pyproject.toml that brings each library.
_EXTRAS: Final = {"colour": "leds", "matplotlib": "leds", "scipy": "leds", "rawpy": "leds-raw"}


class MissingExtraError(Exception):
    """A library that is not installed; says which extra brings it."""


@cache
def library(name: str) -> Any:
    """Return a module of an optional library, such as ``colour`` or ``scipy.optimize``.

    Raises
    ------
    MissingExtraError
        If it is not installed.
    """
    root = name.split(".")[0]
    try:
        with warnings.catch_warnings():
            # colour-science says at import which of its own extras are not there.
            warnings.simplefilter("ignore")
            return importlib.import_module(name)
    except ImportError:
        # `say` is light, but texts of the LED check live with it.
        from mastread.tools.leds.words import say_led

        extra = _EXTRAS[root]
        raise MissingExtraError(say_led("error.extra", library=root, extra=extra)) from None
