"""The form of a rulebook file: its tables, their fields, and the words that they allow."""

from __future__ import annotations

from typing import Final

from mastread.decoder.rulebook import GRADES

SCHEMA: Final = 1
KINDS: Final = ("colour light", "position light", "colour position light", "semaphore", "layout")
GRAMMARS: Final = ("speed", "none")
GRADE_WORDS: Final = (*GRADES, "verified 2", "verified 3")

Fields = dict[str, tuple[type, bool]]

# Fields of each table: name -> (type, required).
BOOK: Final[Fields] = {
    "name": (str, True),
    "title": (str, True),
    "edition": (str, True),
    "kind": (str, True),
    "grammar": (str, True),
    "lower_of_two": (str, False),
    "row_lamps": (int, False),
    "note": (str, False),
}
GRADED: Final[Fields] = {"grade": (str, True), "sources": (list, False)}
SPEED: Final[Fields] = {
    "name": (str, True),
    "mph": (int, False),
    "text": (str, True),
    **GRADED,
}
PLATE: Final[Fields] = {
    "name": (str, True),
    "text": (str, True),
    "prior": (float, True),
    **GRADED,
}
SOURCE: Final[Fields] = {
    "id": (str, True),
    "what": (str, True),
    "address": (str, False),
}
IMPERFECT: Final[Fields] = {
    "rule": (str, False),
    "text": (str, True),
    "arm_alone": (bool, False),
    **GRADED,
}
EXEMPT: Final[Fields] = {"show": (str, True), "reason": (str, True)}
INDICATION: Final[Fields] = {
    "rule": (str, False),
    "number": (str, False),
    "name": (str, True),
    "meaning": (str, True),
    "here": (str, True),
    "next": (str, True),
    "second": (str, False),
    "tie": (int, False),
    "reduce": (str, False),
    "note": (str, False),
    "aspect": (list, False),
    **GRADED,
}
ASPECT: Final[Fields] = {
    "show": (str, True),
    "note": (str, False),
    "disputed": (bool, False),
    "common_practice": (bool, False),
    **GRADED,
}
TOP: Final[Fields] = {
    "schema": (int, True),
    "book": (dict, True),
    "speed": (list, True),
    "plate": (list, False),
    "source": (list, False),
    "imperfect": (dict, True),
    "indication": (list, True),
    "not_by_grammar": (list, False),
    "not_fail_safe": (list, False),
}

TYPE_WORDS: Final[dict[type, str]] = {
    str: "text in quotes",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    list: "a list",
    dict: "a table",
}
