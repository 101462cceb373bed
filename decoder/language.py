"""The small language for aspects: plain trade words in, the same words out.

    flashing yellow over red over red
    red over red over flashing yellow with R plate, dwarf
    red over green, staggered
    yellow row at 45 degrees over yellow centre lamp
    red, plates unknown

Heads stand top to bottom, joined by "over". A head is a colour, "dark" or "unknown", with
"flashing" or "steady" (also "solid") before the colour; no such word means steady, and
"steady or flashing" says that nobody could tell. Plates, "dwarf", "staggered" and "in line"
follow. Case, hyphens, commas and doubled blanks do not matter. An aspect without a word on
plates carries none; "plates unknown" says that they could not be seen.
"""

from __future__ import annotations

import re
from typing import Final, Literal, cast

from mastread.decoder.aspect import (
    DARK,
    MAX_HEADS,
    PLATES,
    Arrangement,
    Aspect,
    HeadShown,
)
from mastread.decoder.words import COLOURS, Behaviour, Colour


class AspectError(ValueError):
    """The text is not an aspect; the message is one line and names the cure."""


# Everyday words that people type for the words of the vocabulary.
_SYNONYMS: Final = {
    "solid": "steady",
    "fixed": "steady",
    "amber": "yellow",
    "unlit": "dark",
    "inline": "in line",
    "plates": "plate",
    "signal": "",
    "mast": "",
    "the": "",
    "light": "",
    "deg": "degrees",
    "center": "centre",
}
_ANGLE_WORDS: Final = {"horizontal": "0", "vertical": "90"}
_KNOWN: Final = (
    *COLOURS,
    *("dark", "unknown", "steady", "flashing", "solid", "over", "with", "and", "plate", "plates"),
    *("dwarf", "staggered", "inline", "in", "line", "row", "arm", "centre", "lamp", "at"),
    *("degrees", "or", "horizontal", "vertical", "number", "no"),
)
_EXAMPLE: Final = 'say it like "flashing yellow over red over red"'


def parse_aspect(text: str) -> Aspect:
    """Read an aspect from words.

    Parameters
    ----------
    text : str
        See the head of this module.

    Returns
    -------
    Aspect

    Raises
    ------
    AspectError
        One line: what was not understood, and the nearest word where there is one.
    """
    words = _words(text)
    if not words:
        raise AspectError(f"no aspect was given; {_EXAMPLE}")
    tail_at = next((i for i, w in enumerate(words) if _starts_tail(words, i)), len(words))
    heads = tuple(_head(part, text) for part in _split(words[:tail_at], text))
    if len(heads) > MAX_HEADS:
        raise AspectError(f"{_quoted(text)} has {len(heads)} heads; a mast has at most {MAX_HEADS}")
    plates, dwarf, arrangement = _tail(words[tail_at:], text)
    if arrangement is not None and len(heads) == 1:
        raise AspectError(
            f"{_quoted(text)} has one head, which cannot be {arrangement}; leave that word out"
        )
    return Aspect(heads, plates, dwarf, arrangement)


def say_aspect(aspect: Aspect) -> str:
    """Say an aspect in words that `parse_aspect` reads back as the same aspect."""
    text = " over ".join(say_head(head) for head in aspect.heads)
    if aspect.plates:
        names = [p for p in PLATES if p in aspect.plates]
        text += f" with {' and '.join(names)} plate{'s' if len(names) > 1 else ''}"
    extras = []
    if aspect.plates is None:
        extras.append("plates unknown")
    if aspect.dwarf:
        extras.append("dwarf")
    if aspect.arrangement is not None:
        extras.append(aspect.arrangement)
    return ", ".join([text, *extras])


def say_head(head: HeadShown) -> str:
    """Say what one head shows: ``flashing yellow``, ``dark``, ``red row at 45 degrees``."""
    if head.behaviour == "dark":
        words = "dark"
    elif head.colour == "unknown" and head.behaviour == "unknown":
        words = "unknown"
    elif head.behaviour == "unknown":
        words = f"steady or flashing {head.colour}"
    elif head.behaviour == "flashing":
        words = f"flashing {head.colour}"
    elif head.colour == "unknown":
        words = "steady unknown"
    else:
        words = str(head.colour)
    if head.form == "lamp":
        return words
    if head.form == "centre lamp":
        return f"{words} centre lamp"
    kind, angle = head.form.split()
    return f"{words} {kind} at {angle} degrees"


def nearest(word: str, known: tuple[str, ...]) -> str:
    """Return ``' (did you mean X?)'`` for the nearest known word, or an empty string."""
    # Imported here: difflib takes longer to load than the whole decoder.
    from difflib import get_close_matches

    close = get_close_matches(word.lower(), [k.lower() for k in known], n=1, cutoff=0.6)
    if not close:
        return ""
    name = next(k for k in known if k.lower() == close[0])
    return f' (did you mean "{name}"?)'


def _words(text: str) -> list[str]:
    """Split into lower-case words, with synonyms put right and "in line" kept in one piece."""
    plain = re.sub(r"[-,;_]+", " ", text.lower()).replace("°", " degrees ").replace("/", " over ")
    plain = re.sub(r"\bin line\b", "inline", plain)
    plain = re.sub(r"\blunar white\b", "lunar", plain)
    plain = re.sub(r"\bhead(s?)\b", "", plain)
    words = [_SYNONYMS.get(word, word) for word in plain.split()]
    # "A" is a plate's letter where plates are listed, else an article.
    kept = [w for i, w in enumerate(words) if w and (w != "a" or _names_plate(words, i))]
    for word in kept:
        if word != "in line" and word not in _KNOWN and not _is_free(word):
            if "plate" in words[words.index(word) + 1 : words.index(word) + 2]:
                raise AspectError(
                    f'"{word}" in {_quoted(text)} is no plate; known plates are {", ".join(PLATES)}'
                )
            raise AspectError(
                f'"{word}" in {_quoted(text)} is not a word for an aspect'
                f"{nearest(word, _KNOWN) or '; ' + _EXAMPLE}"
            )
    return kept


def _names_plate(words: list[str], i: int) -> bool:
    """Whether the word at `i` belongs to a list of plates."""
    plate_words = {p.lower() for p in PLATES} | {"and", "no"}
    for word in words[i + 1 :]:
        if word == "plate":
            return True
        if word not in plate_words:
            return False
    return "with" in words[:i]


def _is_free(word: str) -> bool:
    """Whether a word is a plate's letter or an angle."""
    return word.isdigit() or word in {p.lower() for p in PLATES}


def _starts_tail(words: list[str], i: int) -> bool:
    word = words[i]
    if word in ("with", "dwarf", "staggered", "in line", "plate", "no"):
        return True
    return word in {p.lower() for p in PLATES}


def _split(words: list[str], text: str) -> list[list[str]]:
    parts: list[list[str]] = [[]]
    for word in words:
        if word == "over":
            parts.append([])
        else:
            parts[-1].append(word)
    if any(not part for part in parts):
        raise AspectError(f'a head is missing beside "over" in {_quoted(text)}; {_EXAMPLE}')
    return parts


def _head(words: list[str], text: str) -> HeadShown:
    """Read one head from its words."""
    said = " ".join(words)
    rest, form = _form(words, text)
    behaviours = [w for w in rest if w in ("steady", "flashing")]
    colours = [w for w in rest if w in (*COLOURS, "unknown", "dark")]
    either = rest[:3] in (["steady", "or", "flashing"], ["flashing", "or", "steady"])
    left = [w for w in rest if w not in behaviours and w not in colours and w != "or"]
    if (len(behaviours) > 1 or "or" in rest) and not either:
        left.append("or")
    if left or len(colours) > 1:
        raise AspectError(f'"{said}" in {_quoted(text)} is not one head; put "over" between heads')
    if not colours:
        raise AspectError(f'"{said}" in {_quoted(text)} names no colour; {_EXAMPLE}')
    if colours[0] == "dark":
        if behaviours:
            raise AspectError(f"{_quoted(text)}: a dark head is neither steady nor flashing")
        return HeadShown(None, "dark", form) if form != "lamp" else DARK
    colour = cast("Colour | Literal['unknown']", colours[0])
    behaviour: Behaviour | Literal["unknown"]
    if either or (colour == "unknown" and not behaviours):
        behaviour = "unknown"
    else:
        behaviour = "flashing" if behaviours == ["flashing"] else "steady"
    return HeadShown(colour, behaviour, form)


def _form(words: list[str], text: str) -> tuple[list[str], str]:
    """Take the words for a row, an arm or a centre lamp out of a head's words."""
    kinds = [w for w in words if w in ("row", "arm", "centre")]
    if not kinds:
        return [w for w in words if w != "lamp"], "lamp"
    if len(kinds) > 1:
        raise AspectError(f"{_quoted(text)}: one head is a row, an arm or a centre lamp, not two")
    rest = [w for w in words if w not in (kinds[0], "lamp", "at", "degrees")]
    angles = [w for w in rest if w.isdigit() or w in _ANGLE_WORDS]
    rest = [w for w in rest if w not in angles]
    if kinds[0] == "centre":
        if angles:
            raise AspectError(f"{_quoted(text)}: a centre lamp has no angle")
        return rest, "centre lamp"
    angle = _ANGLE_WORDS.get(angles[0], angles[0]) if len(angles) == 1 else ""
    allowed = ("0", "45", "90", "135") if kinds[0] == "row" else ("0", "45", "90")
    if angle not in allowed:
        raise AspectError(
            f"{_quoted(text)}: say the angle of the {kinds[0]} as one of "
            f'{", ".join(allowed)} degrees, as in "yellow {kinds[0]} at 45 degrees"'
        )
    return rest, f"{kinds[0]} {angle}"


def _tail(words: list[str], text: str) -> tuple[frozenset[str] | None, bool, Arrangement | None]:
    """Read plates, dwarf and arrangement from the words behind the heads."""
    by_word = {p.lower(): p for p in PLATES}
    plates: set[str] = set()
    unknown = dwarf = False
    arrangement: Arrangement | None = None
    for i, word in enumerate(words):
        if word in by_word:
            plates.add(by_word[word])
        elif word == "dwarf":
            dwarf = True
        elif word in ("in line", "staggered"):
            found: Arrangement = "staggered" if word == "staggered" else "in line"
            if arrangement not in (None, found):
                raise AspectError(f"{_quoted(text)} is both in line and staggered; keep one")
            arrangement = found
        elif word == "unknown" and "plate" in words[:i] + words[i + 1 : i + 2]:
            unknown = True
        elif word not in ("with", "and", "plate", "no"):
            raise AspectError(
                f'"{word}" in {_quoted(text)} does not belong behind the heads; put plates, '
                '"dwarf", "staggered" and "in line" last'
            )
    if unknown and plates:
        raise AspectError(f"{_quoted(text)} names a plate and calls the plates unknown; keep one")
    if "with" in words and not plates and not unknown and "no" not in words:
        raise AspectError(
            f'{_quoted(text)} names no plate after "with"; known plates are {", ".join(PLATES)}'
        )
    return (None if unknown else frozenset(plates)), dwarf, arrangement


def _quoted(text: str) -> str:
    """Show the text in a message on one line, not too long."""
    flat = " ".join(text.split())
    return f'"{flat[:77]}..."' if len(flat) > 80 else f'"{flat}"'
