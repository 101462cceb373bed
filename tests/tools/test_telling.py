"""The decoder's reasons in French: all of them, with every figure and name that they hold."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pytest

from mastread.decoder.decode import decode
from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook, list_books, load_book
from mastread.decoder.words import BEHAVIOURS, COLOURS
from mastread.tools.telling import tell_reason
from mastread.tools.texts import load_language, speaking
from mastread.vision.spans import HIDDEN_NOTE
from mastread.vision.stills import PHOTO_NOTE

#: Words that an English sentence of the decoder can hardly do without.
ENGLISH = re.compile(r"\b(the|is|are|this|that|which|head|heads|mast|here|dwarf|staggered)\b", re.I)


def _evidence(rng: np.random.Generator) -> MastEvidence:
    """Odds as a picture may leave them: mostly sure, at times torn between two or more."""

    def odds(words: tuple[str, ...], sure: float) -> dict[str, float]:
        chosen = rng.choice(len(words), size=int(rng.integers(1, 4)), replace=False)
        shares = rng.dirichlet(np.full(len(chosen), 0.5)) if rng.random() > sure else None
        if shares is None:
            return {words[chosen[0]]: 1.0}
        return {words[k]: float(share) for k, share in zip(chosen, shares, strict=True)}

    heads = tuple(
        HeadEvidence(
            odds(COLOURS, 0.6) if rng.random() > 0.05 else dict.fromkeys(COLOURS, 1 / 6),  # type: ignore[arg-type]
            odds(BEHAVIOURS, 0.5),  # type: ignore[arg-type]
        )
        for _ in range(int(rng.integers(0, 4)))
    )
    plates = (None, frozenset(), frozenset({"A"}), frozenset({"number"}), frozenset({"R", "L"}))
    return MastEvidence(
        heads,
        plates=plates[int(rng.integers(len(plates)))],
        dwarf=(None, 0.0, 0.5, 1.0)[int(rng.integers(4))],
        staggered=(None, 0.0, 0.5, 1.0)[int(rng.integers(4))],
        unseen_head=float(rng.choice([0.0, 0.0, 0.3])),
        notes=((), (PHOTO_NOTE,), (HIDDEN_NOTE,))[int(rng.integers(3))],
    )


def _reasons(book: Rulebook, count: int) -> Iterator[str]:
    rng = np.random.default_rng(6)
    for _ in range(count):
        yield from decode(_evidence(rng), book).reasons


@pytest.mark.parametrize("name", [n for n in list_books() if "position" not in n])
def test_every_reason_is_told_in_french(name: str) -> None:
    found = set(_reasons(load_book(name), 400))
    assert len(found) > 100
    with speaking("fr"):
        for reason in found:
            told, language = tell_reason(reason)
            assert language == "fr", reason
            # Names of indications and of sources are no sentence; all else is French.
            bare = re.sub(r"\([^)]*\)", "", told)
            for indication in load_book(name).indications:
                bare = bare.replace(indication.label, "")
            assert not ENGLISH.search(bare), (reason, told)
            # The same figures, whatever their order.
            figures = [sorted(re.findall(r"\d+", text)) for text in (reason, told)]
            assert figures[0] == figures[1], (reason, told)


def test_english_is_left_alone() -> None:
    for reason in _reasons(load_book("cror"), 30):
        assert tell_reason(reason) == (reason, "en")


def test_a_reason_of_a_kind_that_nobody_knows_stays_as_it_is() -> None:
    with speaking("fr"):
        assert tell_reason("The moon was full.") == ("The moon was full.", "en")
        assert tell_reason("The colour of the lens is unknown.")[1] == "en"


def test_some_reasons_word_for_word() -> None:
    with speaking("fr"):
        for english, french in (
            ("The top head may be dark.", "Le feu du haut est peut-être éteint."),
            (
                "The colour of the middle head is not certain: yellow (58%) or red (42%).",
                "Couleur incertaine pour le feu du milieu : jaune (58 %) ou rouge (42 %).",
            ),
            (
                "Red over flashing yellow is listed as 405 Clear: verified in 2 sources (A, B).",
                "Rouge sur jaune clignotant est donné comme 405 Clear : "
                "vérifié dans 2 sources (A, B).",
            ),
            (
                "Whether this is a dwarf is not known; a dwarf would show 405 Clear or 435 or 436 "
                "Restricting.",
                "On ne sait si c'est un signal nain ; un nain présenterait 405 Clear ou 435 or 436 "
                "Restricting.",
            ),
        ):
            assert tell_reason(english) == (french, "fr")


def test_what_stands_in_braces_stands_in_both() -> None:
    for source, target in load_language("fr").reasons.items():
        slots = [sorted(re.findall(r"\{\w+\}", text)) for text in (source, target)]
        assert slots[0] == slots[1], source
