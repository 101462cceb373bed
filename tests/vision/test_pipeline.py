"""The whole way, on made scenes whose truth is exact: from a file to what its masts showed.

Seeds are of the tuning range, and the scenes are of the readable kind: these tests ask whether the
parts fit together. How well the reading does on hard scenes is measured by the accuracy benchmark.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from mastread.tools.scenes.clip import make_clip
from mastread.tools.scenes.make import write_photo
from mastread.vision.label import label_head
from mastread.vision.pipeline import see
from mastread.vision.types import Hints, Seen

EASY: dict[str, Any] = {"light": "overcast", "size": (960, 540), "masts": 1, "kind": "high"}


def photo(tmp_path: Path, aspect: str, seed: int = 3, **overrides: Any) -> Seen:
    settings = {**EASY, "lens_px": 14.0, "type": "searchlight", "level": 1.2, **overrides}
    truth = write_photo(seed, tmp_path, aspect=aspect, quality=92, **settings)
    return see(tmp_path / truth.file, Hints())


@pytest.mark.parametrize(
    "aspect", ["green over red over red", "red over yellow over red", "red over red over green"]
)
def test_a_photo_is_read_head_by_head(tmp_path: Path, aspect: str) -> None:
    seen = photo(tmp_path, aspect)
    (mast,) = seen.masts
    (span,) = mast.spans
    colours = [label_head(head).colour for head in span.heads]
    # A colour may be withheld, but not more than one of three in so plain a picture, and never
    # another be said.
    assert len(colours) == 3
    right = [said == true for said, true in zip(colours, aspect.split(" over "), strict=True)]
    assert sum(right) >= 2
    assert all(ok or said == "unknown" for ok, said in zip(right, colours, strict=True))
    assert {label_head(head).behaviour for head in span.heads} == {"unknown"}
    assert (span.start_s, span.end_s) == (None, None)
    heights = [head.y for head in span.heads]
    assert heights == sorted(heights)


def test_a_view_without_a_signal_has_no_masts(tmp_path: Path) -> None:
    truth = write_photo(21, tmp_path, light="overcast", size=(960, 540), masts=0)
    assert see(tmp_path / truth.file, Hints()).masts == ()


def test_a_region_limits_the_search(tmp_path: Path) -> None:
    truth = write_photo(
        3, tmp_path, aspect="green over red over red", lens_px=14.0, type="searchlight", **EASY
    )
    path = tmp_path / truth.file
    (whole,) = see(path, Hints()).masts
    x0, y0, x1, _ = whole.box
    top = int((whole.spans[0].heads[0].y + whole.spans[0].heads[1].y) / 2)
    part = see(path, Hints(region=(int(x0), int(y0), int(x1 - x0), top - int(y0))))
    (mast,) = part.masts
    assert label_head(mast.spans[0].heads[0]).colour == "green"
    assert all(head.y < top for head in mast.spans[0].heads if label_head(head).colour != "none")
    away = see(path, Hints(region=(0, 0, 5, 5)))
    assert away.masts == ()


def test_heads_that_were_told_and_not_found_are_unseen(tmp_path: Path) -> None:
    truth = write_photo(
        3, tmp_path, aspect="green over red", lens_px=14.0, type="searchlight", **EASY
    )
    (mast,) = see(tmp_path / truth.file, Hints(heads=3)).masts
    evidence = mast.spans[0].evidence
    assert len(evidence.heads) == 3 or evidence.unseen_head == 1.0
    (mast,) = see(tmp_path / truth.file, Hints(heads=2)).masts
    assert mast.spans[0].evidence.unseen_head == 0.0


def test_a_clip_tells_flashing_with_its_rate(tmp_path: Path) -> None:
    path = tmp_path / "flash.mp4"
    truth = make_clip(
        6,
        path,
        light="overcast",
        size=(640, 480),
        masts=1,
        lens_px=12.0,
        aspect="flashing yellow over red over red",
        type="searchlight",
        level=1.5,
    )
    seen = see(path, Hints())
    seen_duration = seen.source.duration_s
    (mast,) = seen.masts
    (span,) = mast.spans
    words = [(label_head(head).colour, label_head(head).behaviour) for head in span.heads]
    assert words == [("yellow", "flashing"), ("red", "steady"), ("red", "steady")]
    true_rate = truth.masts[0].spans[0].heads[0].rate_hz
    assert true_rate is not None
    head = span.heads[0]
    assert head.rate_hz == pytest.approx(true_rate, rel=0.01)
    assert head.rate_sd_hz is not None
    assert abs(head.rate_hz - true_rate) < 4 * head.rate_sd_hz
    assert len(mast.curves) == 3
    # The span lasts until the last frame ends, not until it begins.
    assert span.start_s == pytest.approx(0.0, abs=1e-6)
    assert span.end_s == seen_duration
    lit_share = float(np.nanmean(mast.curves[0].lit > 0.5))
    # A filament glows on after its current is cut, the longer the more the camera is exposed.
    assert lit_share == pytest.approx(truth.masts[0].spans[0].heads[0].duty or 0.0, abs=0.2)
