"""Every sentence of the LED check, from ``texts.toml``, and the advice from ``advice.toml``."""

from __future__ import annotations

from mastread.tools.leds.settings import data_file


def say_led(key: str, **values: object) -> str:
    """Return the sentence of a dotted key with its braces filled.

    Raises
    ------
    KeyError
        If there is no such sentence, or a value is missing.
    """
    section, _, name = key.partition(".")
    text: str = data_file("texts.toml")[section][name]
    return text.format(**values)
