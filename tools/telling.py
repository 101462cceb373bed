"""The decoder's reasons in the language spoken.

A reading document holds them in English, so that it is the same whoever made it. Another
language has a table of them, with braces for what varies; a reason that is not in the table
stays as it is.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Final

from mastread.tools.texts import ENGLISH, load_language, say, spoken, translate

#: Slots of the tables, by what they hold; a number tells two of a kind apart.
_SLOT: Final = re.compile(r"\{([a-z]+)\d?\}")

_LIST: Final = re.compile(r"(.*\D) or (.+)")

_COUNTED: Final = re.compile(r"one of (\d+) indications")


def tell_reason(reason: str) -> tuple[str, str]:
    """Return a reason, and the code of the language that it is in."""
    code = spoken().code
    told = _told(reason, code)
    return (reason, "en") if told is None else (told, code)


def _told(text: str, code: str) -> str | None:
    for pattern, kinds, target in _patterns(code):
        found = pattern.fullmatch(text)
        if found is None:
            continue
        values: dict[str, str] = {}
        for name, value in found.groupdict().items():
            filled = _fill(kinds[name], value, code)
            if filled is None:
                break
            values[name] = filled
        else:
            made = target.format(**values)
            return made[:1].upper() + made[1:] if text[:1].isupper() else made
    return None


def _fill(kind: str, value: str, code: str) -> str | None:
    """A slot's words in the language; None where they are not what the slot holds."""
    phrases = load_language(code).phrases
    if kind == "head":
        number = re.fullmatch(r"head (\d+)", value.lower())
        if number:
            return say("curves.head", head=number[1]).lower()
        return phrases.get(value[:1].lower() + value[1:])
    if kind == "colour":
        return say("colour." + value) if "colour." + value in ENGLISH else None
    if kind == "aspect":
        return _aspect(value[:1].lower() + value[1:])
    if kind == "grade":
        return _told(value, code)
    if kind == "odds":
        return phrases.get(value, value.replace("%", " %").replace(".", spoken().decimal))
    if kind == "names":
        counted = _COUNTED.fullmatch(value)
        if counted:
            return say("reason.one_of", count=counted[1])
        # The "or" of a name ("435 or 436 Restricting") joins no list.
        several = _LIST.fullmatch(value)
        if several:
            return say("or", first=several[1], last=several[2])
    return value


def _aspect(words: str) -> str | None:
    """``flashing yellow over red`` head by head; then plates and the kind of mast."""
    main, comma, rest = words.partition(", ")
    main, plated, plates = main.partition(" with ")
    heads = [_head(head) for head in main.split(" over ")]
    if any(head is None for head in heads):
        return None
    told = say("aspect.joint").join(head for head in heads if head is not None)
    if plated:
        told += say(
            "reason.with_plates",
            plates=plates.removesuffix("s").removesuffix(" plate").replace(" and ", ", "),
        )
    extras = [translate(extra) for extra in rest.split(", ")] if comma else []
    return ", ".join([told, *extras])


def _head(words: str) -> str | None:
    if words == "dark":
        return say("head.dark")
    if words in ("unknown", "steady unknown"):
        return say("colour.unknown")
    for start, key in (
        ("steady or flashing ", "head.perhaps_flashing"),
        ("flashing ", "head.flashing"),
        ("", ""),
    ):
        colour = "colour." + words.removeprefix(start)
        if words.startswith(start) and colour in ENGLISH:
            return say(key, colour=say(colour)) if key else say(colour)
    return None


@cache
def _patterns(code: str) -> list[tuple[re.Pattern[str], dict[str, str], str]]:
    """What to look for, what each slot holds, and what to say; the most words first."""
    made = []
    for source, target in load_language(code).reasons.items():
        kinds: dict[str, str] = {}
        pattern = ""
        at = 0
        for slot in _SLOT.finditer(source):
            name = slot[0][1:-1]
            kinds[name] = slot[1]
            pattern += re.escape(source[at : slot.start()]) + f"(?P<{name}>.+?)"
            at = slot.end()
        pattern += re.escape(source[at:])
        made.append((len(_SLOT.sub("", source)), re.compile(pattern), kinds, target))
    made.sort(key=lambda item: -item[0])
    return [(pattern, kinds, target) for _, pattern, kinds, target in made]
