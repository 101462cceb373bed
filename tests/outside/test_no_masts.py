"""No mast is read in photographs that hold none.

Source: the photographs that scikit-image carries in its own package (`skimage.data`; their origins
stand in that package's data/README.txt): portraits, animals, a coffee cup, stones, a rocket on its
pad, the moon, printed text. None of them shows a railway signal.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import skimage.data

from mastread.vision.pipeline import see
from mastread.vision.types import Hints

FOLDER = Path(skimage.data.__file__).parent
PHOTOS = sorted(
    path.name for path in FOLDER.iterdir() if path.suffix in (".png", ".jpg", ".jpeg", ".tif")
)


def test_there_are_photographs_to_look_at() -> None:
    assert len(PHOTOS) >= 8


@pytest.mark.parametrize("name", PHOTOS)
def test_no_mast_is_read(name: str) -> None:
    assert see(FOLDER / name, Hints()).masts == ()
