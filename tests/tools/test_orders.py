"""Orders and promises: in English the words of the decoder, in other languages the same ones."""

from __future__ import annotations

import pytest

from mastread.decoder.explain import say_ahead, say_here
from mastread.decoder.rulebook import list_books, load_book
from mastread.tools.orders import indication_of, words_ahead, words_here
from mastread.tools.texts import speaking


@pytest.mark.parametrize("name", list_books())
def test_english_is_what_the_decoder_says(name: str) -> None:
    book = load_book(name)
    for indication in book.indications:
        assert words_here(indication, book) + "." == say_here(indication, book)
        assert words_ahead(indication, book) + "." == say_ahead(indication, book)


def test_french_keeps_the_figures() -> None:
    book = load_book("cror")
    with speaking("fr"):
        (found,) = [i for i in book.indications if i.name == "Limited to Slow"]
        assert words_here(found, book) == "vitesse limitée, 45 mi/h au plus"
        assert words_ahead(found, book) == (
            "s'attendre à la petite vitesse (15 mi/h) au prochain signal"
        )
        # No word of the speeds of this book is left in English.
        for indication in book.indications:
            for word in ("speed", "stop", "signal asks", "mph"):
                assert word not in words_here(indication, book) + words_ahead(indication, book)


def test_an_indication_is_found_by_rule_and_name() -> None:
    book = load_book("cror")
    for indication in book.indications:
        assert indication_of({"rule": indication.rule, "name": indication.name}, book) is indication
    assert indication_of({"rule": "1", "name": "Clear"}, book) is None
