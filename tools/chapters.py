"""Chapters of an annotated clip: one from each change of what the masts show to the next.

In the style ``question`` a chapter asks, and the next one answers; names would give the answer
away in a player's list.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from mastread.tools.moments import answer_s
from mastread.tools.reading import Reading
from mastread.tools.sentences import mast_tells, span_title
from mastread.tools.texts import say
from mastread.tools.wishes import Style

if TYPE_CHECKING:
    from av.container.core import Chapter

#: Chapters are timed in milliseconds, as the reading document is.
BASE: Final = Fraction(1, 1000)


def chapters(reading: Reading, style: Style = "full") -> list[Chapter]:
    """Return the chapters of a clip, in order, without gaps; empty where no mast was found."""
    spans = [(mast, span) for mast in reading["masts"] for span in mast["spans"]]
    edges = {0, _ms(reading["source"].get("duration_s"))}
    for _, span in spans:
        edges |= {_ms(span["start_s"]), _ms(span["end_s"])}
        if style == "question":
            edges.add(_ms(answer_s(span)))
    found: list[Chapter] = []
    asked = 0
    several = len(reading["masts"]) > 1
    for start, end in pairwise(sorted(edges)):
        names = []
        waiting = starts = False
        for mast, span in spans:
            if not _ms(span["start_s"]) <= start < _ms(span["end_s"]):
                continue
            name = span_title(span, rule=False)
            names.append(mast_tells(mast["mast"], name) if several else name)
            if style == "question" and start < _ms(answer_s(span)):
                waiting = True
                starts = starts or start == _ms(span["start_s"])
        words = "; ".join(names) or say("picture.not_seen")
        if waiting:
            asked += starts
            words = say("question.number", number=asked)
        elif style == "question" and names:
            words = say("question.answer", number=asked, name=words)
        if found and found[-1]["metadata"]["title"] == words:
            found[-1]["end"] = end
            continue
        found.append(
            {
                "id": len(found) + 1,
                "start": start,
                "end": end,
                "time_base": BASE,
                "metadata": {"title": words},
            }
        )
    return found if spans else []


def _ms(seconds: float | None) -> int:
    return max(0, round((seconds or 0.0) * 1000))
