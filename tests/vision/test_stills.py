"""Masts of one made photo: rows of position lights are one head, or nothing is read from them."""

from __future__ import annotations

from pathlib import Path

import pytest

from mastread.decoder.decode import decode
from mastread.decoder.rulebook import load_book
from mastread.tools.scenes.make import write_photo
from mastread.vision.pipeline import see
from mastread.vision.types import Hints, Seen


def seen_of(tmp_path: Path, seed: int, aspect: str, type_: str) -> Seen:
    truth = write_photo(
        seed,
        tmp_path,
        light="overcast",
        size=(640, 480),
        masts=1,
        kind="high",
        type=type_,
        lens_px=13.0,
        level=1.3,
        quality=92,
        orientation=1,
        aspect=aspect,
    )
    return see(tmp_path / truth.file, Hints())


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5, 6])
@pytest.mark.parametrize("aspect", ["green", "yellow over green"])
def test_no_row_is_read_as_a_colour_light(tmp_path: Path, seed: int, aspect: str) -> None:
    # Two or three green lamps that stand in a row are no "Clear" of a colour-light mast.
    book = load_book("cror")
    for mast in seen_of(tmp_path, seed, aspect, "position").masts:
        assert decode(mast.spans[0].evidence, book).status != "read"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_heads_of_one_colour_are_no_row(tmp_path: Path, seed: int) -> None:
    (mast,) = seen_of(tmp_path, seed, "red over red", "searchlight").masts
    evidence = mast.spans[0].evidence
    assert [head.form for head in evidence.heads if head.behaviour["steady"] > 0] == [None, None]
