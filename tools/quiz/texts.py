"""Every English sentence of quizzes, keyed as in `mastread.tools.texts`."""

from __future__ import annotations

from typing import Final

ENGLISH: Final[dict[str, str]] = {
    "title": "What does this signal say?",
    "title.lesson": "Signals, from one head to three",
    "intro": "{count} questions. Indications by the {book}.",
    "intro.credit": "Footage: {names}.",
    "intro.seed": "Made with --seed {seed}: the same shelf gives the same questions again.",
    "ask": "What does this signal say?",
    "ask.mast": "What does mast {mast} from the left say?",
    "ask.fault": "It was meant to show {aspect}: {name}. But {fault}. What does it say now?",
    "ask.stuck": (
        "It was meant to show {aspect}: {name}. But its flasher has stuck. What is it now?"
    ),
    "flashes": "On paper: {heads} flashing.",
    "steady": "On paper: no lamp flashes.",
    "photo": "A photo: whether a lamp flashes makes no difference here.",
    "plates": "Plates: {plates}.",
    "plates.none": "There is no plate on the mast.",
    "alt": "A railway signal; what it shows is the question.",
    "alt.close": "The same signal close up.",
    "meant": "Meant",
    "now": "Now",
    "right": "Right.",
    "wrong": "Not quite.",
    "answer": "It shows {aspect}: {name}.",
    "answer.meaning": "{name}: {meaning}",
    "vouched": "{who} looked at this one and vouched for it.",
    "machine": "Read by the program, with odds of {percent:.1f}% for this answer.",
    "instead": "would be {aspect}: {differences}.",
    "instead.plain": "would be {aspect}.",
    "difference.colour": "{place} {colour} instead of {other}",
    "difference.flash": "{place} flashing instead of steady",
    "difference.steady": "{place} steady instead of flashing",
    "difference.both": "{place} {head} instead of {other}",
    "fault.read": "Now it shows {aspect}, which reads as {name}.",
    "fault.open": "Now it shows {aspect}, which is no sure answer; it counts as {name}.",
    "fault.safe": (
        "That is as restrictive as what was meant, or more: the signal fails to the safe side."
    ),
    "fault.unsafe": "That is less restrictive than what was meant. {reason}",
    "fault.listed": "The book itself names this aspect as not fail-safe: {reason}.",
    "fault.trap": "is what was meant; a driver can only obey what is shown.",
    "section.heads.1": "One head",
    "section.heads.2": "Two heads",
    "section.heads.3": "Three heads",
    "section.steady": "{heads}, steady",
    "section.flashing": "{heads}, flashing",
    "check": "Check",
    "next": "Next question",
    "back": "Question before",
    "again": "Start again",
    "progress": "Question {n} of {count}",
    "score": "{right} of {asked} right at the first try",
    "done": "That was the last one.",
    "choices": "Choose one",
    "keys": "Keys: 1 to 4 choose, Enter checks and goes on, B goes back, P plays and stops a clip.",
    "choose": "Choose an answer first.",
    "noscript": "This page needs JavaScript to tell right from wrong; the PDF has an answer key.",
    "key": "Answers",
    "none": (
        "nothing on the shelf can be asked: there is no reading with odds of {sure} or more, and "
        "none that a person vouched for; confirm some with `mastread shelf fix ID --confirm`"
    ),
    "few": "{found} of {asked} questions: the shelf holds no more that can be asked",
    "print": "--pdf needs fpdf2; install it with `pip install mastread[print]`",
    "wrote": "{count} questions written to {path}",
    "book": "the spans are of several rulebooks; ask by one of them with --rules NAME: {books}",
}


def say(key: str, /, **values: object) -> str:
    """Return the sentence `key` with `values` filled in (KeyError if one is missing)."""
    return ENGLISH[key].format(**values)
