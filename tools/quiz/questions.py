"""Questions from picked spans: what is asked, what can be chosen, and why."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace

from mastread.decoder.aspect import Aspect
from mastread.decoder.explain import explain
from mastread.decoder.faults import Fault, single_faults
from mastread.decoder.language import say_aspect
from mastread.decoder.reasons import place
from mastread.decoder.rulebook import Indication, Rulebook
from mastread.tools.quiz.pick import Picked
from mastread.tools.quiz.texts import say
from mastread.tools.quiz.wrong import Choice, wrong_answers


@dataclass(frozen=True, slots=True)
class Question:
    """One question.

    Attributes
    ----------
    ask : the sentence
    span : the span that is shown; None for a question about a failure, which is drawn
    choices : shuffled; exactly one is right
    answer : sentences told afterwards
    paper : what paper cannot show
    section : heading in a lesson, else empty
    meant, now : the aspects to draw, of a question about a failure
    several : whether the mast must be told apart from others in view
    """

    ask: str
    span: Picked | None
    choices: tuple[Choice, ...]
    answer: tuple[str, ...]
    paper: str = ""
    section: str = ""
    meant: Aspect | None = None
    now: Aspect | None = None


def make_questions(picked: Sequence[Picked], rng: random.Random, *, lesson: bool) -> list[Question]:
    """Return a question for each span; in a lesson in order, with failures among them.

    A lesson goes from one head to three and from steady to flashing, and asks after the first
    question of each aspect what a failure of it would show.
    """
    if not lesson:
        return [ask_about(one, rng) for one in picked]
    questions: list[Question] = []
    told: set[Aspect] = set()
    for one in sorted(picked, key=_step):
        section = _section(one.aspect)
        questions.append(replace(ask_about(one, rng), section=section))
        if one.aspect not in told:
            told.add(one.aspect)
            failure = ask_failure(one, rng)
            if failure is not None:
                questions.append(replace(failure, section=section))
    return questions


def ask_about(one: Picked, rng: random.Random) -> Question:
    """Ask what a span says."""
    told = explain(_plain(one.aspect), one.book)
    name = one.indication.label
    words = one.span.view["aspect"]
    right = Choice(name, right=True, why=say("answer", aspect=words, name=name))
    choices = [right, *wrong_answers(_plain(one.aspect), one.indication, one.book, rng)]
    rng.shuffle(choices)
    view = one.span.view
    by = (
        say("vouched", who=view["who"])
        if view["verdict"] is not None
        else say("machine", percent=100 * one.hit.sure)
    )
    answer = [
        say("answer", aspect=words, name=name),
        say("answer.meaning", name=name, meaning=one.indication.meaning),
        *told.heads,
        by,
    ]
    mast = view["mast"]
    ask = say("ask.mast", mast=mast) if one.several else say("ask")
    return Question(ask, one, tuple(choices), tuple(answer), _on_paper(one))


def ask_failure(one: Picked, rng: random.Random) -> Question | None:
    """Ask what the signal says once something has failed: its flasher, if it has one."""
    aspect, book = _plain(one.aspect), one.book
    faults = [f for f in single_faults(aspect, one.indication, book) if "plate" not in f.what]
    if not faults:
        return None
    stuck = [f for f in faults if _is_stuck(aspect, f)]
    fault = rng.choice(stuck or faults)
    name, words = one.indication.label, say_aspect(aspect)
    key = "ask.stuck" if stuck and len(stuck) == 1 else "ask.fault"
    ask = say(key, aspect=words, name=name, fault=fault.what)
    choices = _after(fault, one.indication, book, rng)
    return Question(
        ask, None, choices, tell_fault(fault, aspect, book), "", "", aspect, fault.shows
    )


def _after(
    fault: Fault, meant: Indication, book: Rulebook, rng: random.Random
) -> tuple[Choice, ...]:
    """The choices after a failure: what is read, what was meant, and what is near."""
    shows = say_aspect(fault.shows)
    key = "fault.read" if fault.status == "read" else "fault.open"
    right = Choice(
        fault.read_as.label, right=True, why=say(key, aspect=shows, name=fault.read_as.label)
    )
    choices = [right]
    if meant.label != fault.read_as.label:
        choices.append(Choice(meant.label, right=False, why=say("fault.trap")))
    for other in wrong_answers(fault.shows, fault.read_as, book, rng):
        if len(choices) <= 3 and other.name not in {choice.name for choice in choices}:
            choices.append(other)
    rng.shuffle(choices)
    return tuple(choices)


def tell_fault(fault: Fault, aspect: Aspect, book: Rulebook) -> tuple[str, ...]:
    """Say what a failure of `aspect` shows, how that reads, and whether it is as safe."""
    key = "fault.read" if fault.status == "read" else "fault.open"
    found = [say(key, aspect=say_aspect(fault.shows), name=fault.read_as.label)]
    if fault.safe:
        found.append(say("fault.safe"))
        return tuple(found)
    listed = {row.show: row.reason for row in book.not_fail_safe}
    reason = listed.get(say_aspect(aspect))
    words = say("fault.listed", reason=reason.rstrip(".")) if reason else ""
    found.append(" ".join(say("fault.unsafe", reason=words).split()))
    return tuple(found)


def _is_stuck(aspect: Aspect, fault: Fault) -> bool:
    """Whether a failure makes one flashing head steady and changes nothing else."""
    changed = [(a, b) for a, b in zip(aspect.heads, fault.shows.heads, strict=True) if a != b]
    return len(changed) == 1 and (
        changed[0][0].behaviour == "flashing"
        and changed[0][1].behaviour == "steady"
        and changed[0][0].colour == changed[0][1].colour
    )


def _plain(aspect: Aspect) -> Aspect:
    """The aspect as it is taken at its word: plates that nobody told are none."""
    return aspect if aspect.plates is not None else replace(aspect, plates=frozenset())


def _step(one: Picked) -> tuple[int, bool, tuple[int, int, int, int], str]:
    flashing = any(head.behaviour == "flashing" for head in one.aspect.heads)
    return len(one.aspect.heads), flashing, one.indication.restrictiveness(), one.span.id


def _section(aspect: Aspect) -> str:
    heads = say(f"section.heads.{len(aspect.heads)}")
    flashing = any(head.behaviour == "flashing" for head in aspect.heads)
    return say("section.flashing" if flashing else "section.steady", heads=heads)


def _on_paper(one: Picked) -> str:
    """What paper cannot show: the flashing, and plates that were told."""
    aspect = one.aspect
    count = len(aspect.heads)
    heads = [place(i, count) for i, h in enumerate(aspect.heads) if h.behaviour == "flashing"]
    if one.span.view["start_s"] is None:
        parts = [say("photo")]
    else:
        parts = [say("flashes", heads=" and ".join(heads)) if heads else say("steady")]
    if aspect.plates:
        parts.append(say("plates", plates=", ".join(sorted(aspect.plates))))
    elif aspect.plates is not None:
        parts.append(say("plates.none"))
    return " ".join(parts)
