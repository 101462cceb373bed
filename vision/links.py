"""What the picture says about lamps that may belong together: pole, arm, backing, housing."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from mastread.vision.frame import Frame
from mastread.vision.limits import limits
from mastread.vision.masts import Witness
from mastread.vision.rows import Judge
from mastread.vision.strip import Spot
from mastread.vision.strip_net import look_round


def witness_of(frame: Frame, lamps: Sequence[Spot]) -> Witness:
    """A witness over pairs of lamps of one picture, for `mastread.vision.masts.group`."""

    @cache
    def witness(upper: int, lower: int) -> float:
        odds = _asked(frame, lamps, (upper, lower), "one_mast")
        log_ratio = float(np.log(odds / (1.0 - odds))) - limits("chains")["one_mast_share"]
        most = limits("chains")["most_from_picture"]
        return float(np.clip(log_ratio, -most, most))

    return witness


def row_judge_of(frame: Frame, lamps: Sequence[Spot]) -> Judge:
    """A judge of rows of one picture, for `mastread.vision.rows.find_rows`."""

    def judge(members: tuple[int, ...]) -> float:
        return _asked(frame, lamps, members, "row")

    return judge


def _asked(frame: Frame, lamps: Sequence[Spot], members: tuple[int, ...], question: str) -> float:
    # Nothing is told of the other lamps: some of them may stand on the same mast.
    seen = look_round(frame, [lamps[k] for k in members])
    return min(max(seen.odds[question], 1e-6), 1.0 - 1e-6)
