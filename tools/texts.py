"""Every sentence that the tools show to people, in one place per language.

The sentences are data: `texts_en.toml` and `texts_fr.toml` beside this module, keyed by where
they appear. `say` fills the braces and refuses an unknown key or a missing value at once
(KeyError), so a wrong key cannot reach a user unseen: the tests walk through all of them, and
hold the languages against each other. A language that nobody has reviewed says so itself.

What a rulebook says (names, meanings, sources) is never translated: it stays as published.
"""

from __future__ import annotations

import string
import textwrap
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

#: Languages by the code that --language takes, the default first.
LANGUAGES: Final = ("en", "fr")


@dataclass(frozen=True, slots=True)
class Language:
    """One language: its own name, whether a speaker has reviewed it, its decimal mark, texts.

    `phrases` renders common phrases of rulebooks, such as the words for speeds, and `reasons` the
    decoder's sentences (see `mastread.tools.telling`).
    """

    code: str
    name: str
    reviewed: bool
    decimal: str
    texts: dict[str, str]
    phrases: dict[str, str]
    reasons: dict[str, str]


@cache
def load_language(code: str) -> Language:
    """Return a language of `LANGUAGES`.

    Raises
    ------
    KeyError
        If there is no such language.
    """
    if code not in LANGUAGES:
        raise KeyError(code)
    data = files("mastread.tools").joinpath(f"texts_{code}.toml").read_text(encoding="utf-8")
    table = tomllib.loads(data)
    about = table["about"]
    return Language(
        code,
        about["name"],
        about["reviewed"],
        about["decimal"],
        table["texts"],
        table.get("phrases", {}),
        table.get("reasons", {}),
    )


#: The texts that every other language is held against.
ENGLISH: Final[dict[str, str]] = load_language("en").texts

_spoken: Language = load_language("en")


def use_language(code: str) -> None:
    """Speak `code` from now on, in this process."""
    global _spoken
    _spoken = load_language(code)


def spoken() -> Language:
    """Return the language that is spoken now."""
    return _spoken


@contextmanager
def speaking(code: str) -> Iterator[None]:
    """Speak `code` for a while."""
    before = _spoken.code
    use_language(code)
    try:
        yield
    finally:
        use_language(before)


class _Filler(string.Formatter):
    """Fills braces; figures get the language's own decimal mark."""

    def format_field(self, value: Any, format_spec: str) -> str:
        words = str(super().format_field(value, format_spec))
        return words.replace(".", _spoken.decimal) if isinstance(value, float) else words


_filler: Final = _Filler()


def say(key: str, /, **values: object) -> str:
    """Return the sentence `key` with `values` filled in.

    Raises
    ------
    KeyError
        If the key is unknown, or a value that the sentence needs is missing.
    """
    return _filler.vformat(_spoken.texts[key], (), values)


def translate(phrase: str) -> str:
    """Return a phrase of a rulebook in the language spoken, or as it is where that has none."""
    return _spoken.phrases.get(phrase, phrase)


def clock(seconds: float) -> str:
    """Return `seconds` as people write a place in a clip: ``0:05.2``, ``1:02:05.2``."""
    tenths = max(0, round(seconds * 10))
    minutes, rest = divmod(tenths, 600)
    hours, minutes = divmod(minutes, 60)
    tail = f"{rest // 10:02d}.{rest % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def one_line(text: str) -> str:
    """Return `text` with every run of blanks and line ends made one blank."""
    return " ".join(text.split())


def wrap_lines(text: str, width: int) -> str:
    """Return `text` with each of its lines wrapped to `width`, keeping the line's own indent."""
    lines: list[str] = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        lines += textwrap.wrap(
            line,
            width,
            subsequent_indent=indent + "  ",
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return "\n".join(lines)
