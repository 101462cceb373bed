"""Light curves and places that are kept beside the clips."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from mastread.tools.shelf.measured import NAME, read_measured, write_measured
from mastread.vision.types import Seen


def test_what_was_measured_comes_back(clip_seen: Callable[..., Seen], tmp_path: Path) -> None:
    seen = clip_seen(
        [(0.0, 12.0, "flashing yellow over red over red")], [(0.0, 12.0, "green over red")]
    )
    path = np.array([[0.0, 1.0, 2.0], [6.0, 1.5, 2.5]])
    masts = (replace(seen.masts[0], path=path), seen.masts[1])
    write_measured(replace(seen, masts=masts), tmp_path)
    for mast in masts:
        found = read_measured(tmp_path, mast.mast)
        assert found is not None
        assert np.array_equal(found.path, mast.path)
        assert [c.head for c in found.curves] == [c.head for c in mast.curves]
        for kept, curve in zip(found.curves, mast.curves, strict=True):
            assert np.array_equal(kept.time_s, curve.time_s)
            assert np.array_equal(kept.flux, curve.flux, equal_nan=True)
            assert np.array_equal(kept.lit, curve.lit, equal_nan=True)


def test_where_nothing_was_kept_or_it_is_damaged(
    clip_seen: Callable[..., Seen], tmp_path: Path
) -> None:
    assert read_measured(tmp_path, 1) is None
    write_measured(clip_seen([(0.0, 12.0, "red")]), tmp_path)
    assert read_measured(tmp_path, 7) is None
    whole = (tmp_path / NAME).read_bytes()
    for damaged in (whole[: len(whole) // 2], b"", b"PK\3\4 no archive"):
        (tmp_path / NAME).write_bytes(damaged)
        assert read_measured(tmp_path, 1) is None
