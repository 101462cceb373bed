"""Every language says everything, with the same values, and nothing is said in two places."""

from __future__ import annotations

import string

import pytest

from mastread.decoder.words import NOTICE
from mastread.tools.texts import ENGLISH, LANGUAGES, load_language, say, speaking, spoken

OTHERS = [code for code in LANGUAGES if code != "en"]


def _values(text: str) -> list[tuple[str, str]]:
    """Names in braces with their conversions; the format may differ from language to language."""
    found = [(name, flag or "") for _, name, _, flag in string.Formatter().parse(text) if name]
    return sorted(set(found))


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_has_every_text_with_the_same_values(code: str) -> None:
    texts = load_language(code).texts
    missing, unknown = sorted(set(ENGLISH) - set(texts)), sorted(set(texts) - set(ENGLISH))
    assert (missing, unknown) == ([], []), f"add them to / take them from texts_{code}.toml"
    for key, text in ENGLISH.items():
        assert _values(texts[key]) == _values(text), key
        assert texts[key].strip() or not text.strip(), key


def test_the_notice_is_the_one_of_the_documents() -> None:
    assert say("notice") == NOTICE


def test_a_language_nobody_has_reviewed_says_so() -> None:
    assert load_language("en").reviewed
    assert not load_language("fr").reviewed


def test_figures_are_written_as_the_language_writes_them() -> None:
    assert say("curves.rate", hz=0.9731, sd=0.012) == "0.973 ± 0.012 Hz"
    with speaking("fr"):
        assert say("curves.rate", hz=0.9731, sd=0.012) == "0,973 ± 0,012 Hz"
        assert say("mast", number=2) == "Mât 2"
        # A name stays as it is written, full stops and all.
        assert "a.b.mp4" in say("source.error", path="a.b.mp4")
    assert spoken().code == "en"


def test_an_unknown_language_is_refused() -> None:
    with pytest.raises(KeyError):
        load_language("tlh")
