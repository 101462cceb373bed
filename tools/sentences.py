"""Parts of a reading document said in words; the sentences themselves are in `texts`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from mastread.tools.reading import HeadDoc, IndicationDoc, PossibleDoc, SpanDoc
from mastread.tools.texts import say

#: More possible indications than this are counted rather than named.
NAMED_POSSIBLE: Final = 4

#: Two colours are named for a head whose colour cannot be told if they have this much together.
TWO_COLOURS_AT: Final = 0.9

#: Odds that differ by less than this say nothing.
LEAST_KNOWN: Final = 0.002


def aspect_words(heads: Sequence[HeadDoc], *, photo: bool) -> str:
    """Return what the heads show, top to bottom: ``flashing yellow over red over dark``.

    In a photo no lit lamp can be told steady or flashing, so that doubt is left to the
    reasons of the reading; in a video it is said of the head it concerns.
    """
    return say("aspect.joint").join(head_words(head, photo=photo) for head in heads)


def head_words(head: HeadDoc, *, photo: bool, short: bool = False) -> str:
    """Return what one head shows; `short` for a tag in a picture."""
    if head["behaviour"] == "dark":
        return say("head.dark")
    if is_hidden(head):
        return say("head.hidden")
    tail = ".short" if short else ""
    if head["colour"] == "unknown":
        colour = _two_colours(head) or say("colour.unknown" + tail)
    else:
        colour = say("colour." + head["colour"])
    if head["behaviour"] == "flashing":
        return say("head.flashing", colour=colour)
    if head["behaviour"] == "unknown" and head["colour"] != "unknown" and not photo:
        return say("head.perhaps_flashing" + tail, colour=colour)
    return colour


def is_hidden(head: HeadDoc) -> bool:
    """Whether a head could not be seen: nothing whatever is known of it."""
    odds = (head["behaviour_odds"].values(), head["colour_odds"].values())
    return all(max(values) - min(values) < LEAST_KNOWN for values in odds)


def all_hidden(span: SpanDoc) -> bool:
    """Whether no head of a mast could be seen."""
    return all(is_hidden(head) for head in span["heads"])


def _two_colours(head: HeadDoc) -> str:
    """Return ``red or yellow`` where two colours have nearly all the odds, else ''."""
    first, second, *_ = sorted(head["colour_odds"].items(), key=lambda item: -item[1])
    if first[1] + second[1] < TWO_COLOURS_AT:
        return ""
    return say("or", first=say("colour." + first[0]), last=say("colour." + second[0]))


def mast_tells(number: int, what: str) -> str:
    """Return what one of several masts tells: ``Mast 2: Clear``."""
    return say("mast.tells", mast=say("mast", number=number), what=what)


def title(indication: IndicationDoc, *, rule: bool = True) -> str:
    """Return the name of the indication, or that it cannot be told or read."""
    if indication["status"] != "read" or indication["name"] is None:
        return say("indication." + indication["status"])
    if rule and indication["rule"] is not None:
        return say("indication.read.rule", name=indication["name"], rule=indication["rule"])
    return indication["name"]


def span_title(span: SpanDoc, *, rule: bool = True) -> str:
    """Return the title of what a span showed; one of which nothing was seen is out of sight."""
    if all_hidden(span):
        return say("picture.away")
    return title(span["indication"], rule=rule)


def short_title(indication: IndicationDoc) -> str:
    """Return one line for a caption: the name, or the doubt with the fail-safe answer."""
    name = title(indication, rule=False)
    if indication["status"] == "read":
        return name
    worst = indication["most_restrictive"]["name"]
    return sentence(name) + " " + say("most_restrictive", name=worst)


def possible_words(possible: Sequence[PossibleDoc], *, rules: bool = True) -> str:
    """Return the possible indications as a list in words, likeliest first; '' when none."""
    if not possible:
        return ""
    named = [_possible(item, rules) for item in possible[:NAMED_POSSIBLE]]
    if len(possible) > NAMED_POSSIBLE:
        named.append(say("possible.more", count=len(possible) - NAMED_POSSIBLE))
    if len(named) == 1:
        return named[0]
    return say("or", first=", ".join(named[:-1]), last=named[-1])


def doubt_sentences(indication: IndicationDoc, *, rules: bool = True) -> list[str]:
    """Return the possible indications and the fail-safe answer; empty when it was read."""
    if indication["status"] == "read":
        return []
    found: list[str] = []
    if indication["possible"]:
        found.append(say("possible", list=possible_words(indication["possible"], rules=rules)))
    found.append(say("most_restrictive", name=indication["most_restrictive"]["name"]))
    return found


def rate_sentences(span: SpanDoc) -> list[str]:
    """Return a sentence for each flashing head of which the rate is known."""
    found: list[str] = []
    for head in span["heads"]:
        hz, sd = head["rate_hz"], head["rate_sd_hz"]
        if hz is None:
            continue
        if sd is None:
            rate = say("rate.no_error", per_minute=hz * 60, hz=hz)
        else:
            rate = say("rate", per_minute=hz * 60, hz=hz, sd=sd)
        found.append(say("rate.head", head=head["head"], rate=rate))
    return found


def sentence(text: str) -> str:
    """Return `text` with a capital first letter and a full stop."""
    text = text.strip()
    if not text:
        return text
    text = text[0].upper() + text[1:]
    return text if text[-1] in ".!?" else text + "."


def _possible(item: PossibleDoc, rules: bool) -> str:
    if round(100 * item["odds"]) < 1:
        return f"{item['name']} {say('possible.under')}"
    if rules and item["rule"] is not None:
        return say(
            "possible.item.rule",
            name=item["name"],
            rule=item["rule"],
            percent=100 * item["odds"],
        )
    return say("possible.item", name=item["name"], percent=100 * item["odds"])
