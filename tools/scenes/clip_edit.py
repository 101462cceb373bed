"""What an editor or an odd camera makes of clips: a cut away and back, a time-lapse."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.clip_plan import plan_clip
from mastread.tools.scenes.film import Clip, frames
from mastread.tools.scenes.truth import Truth

Shots = Iterator[tuple[float, NDArray[np.uint8]]]

#: The camera of a clip with cuts stands on a tripod, so that one path holds for both scenes.
_TRIPOD: Final[Mapping[str, Any]] = {
    "shake_px": 0.0,
    "pan_px": 0.0,
    "zoom": 1.0,
    "approach": 1.0,
    "leave": False,
    "train": False,
    "stutter": False,
    "variable": False,
}
#: Shares of the length at which the other scene begins and ends.
_AWAY: Final = (0.38, 0.62)


def plan_cut(seed: int, overrides: Mapping[str, Any]) -> tuple[Clip, Clip]:
    """A clip and the clip of another scene, of one size and rate, that is cut into it."""
    first = plan_clip(seed, {**overrides, **_TRIPOD})
    thousand = 10_000 * (seed // 10_000)
    other = thousand + (seed - thousand + 5_000) % 10_000
    settings = {
        **overrides,
        **_TRIPOD,
        "size": (first.width, first.height),
        "fps": first.fps,
        "duration_s": len(first.times) / first.fps,
    }
    return first, plan_clip(other, settings)


def cut_frames(first: Clip, other: Clip) -> Shots:
    """Frames of the first clip, with those of the other in its middle; both go on meanwhile."""
    a, b = (int(share * len(first.times)) for share in _AWAY)
    for i, ((time_s, rgb), (_, away)) in enumerate(zip(frames(first), frames(other), strict=True)):
        yield time_s, away if a <= i < b else rgb


def cut_truth(first: Clip, other: Clip) -> Truth:
    """Truth of both: masts of one scene are hidden while the other is shown."""
    times, end_s = first.times, float(first.truth.duration_s or 0.0)
    a, b = (float(times[int(share * len(times))]) for share in _AWAY)
    away = [
        replace(mast, mast=len(first.truth.masts) + mast.mast, hidden=((0.0, a), (b, end_s)))
        for mast in other.truth.masts
    ]
    home = [replace(mast, hidden=((a, b),)) for mast in first.truth.masts]
    return replace(
        first.truth,
        masts=(*home, *away),
        distractors=(*first.truth.distractors, *other.truth.distractors),
        conditions={**first.truth.conditions, "cut": [a, b]},
    )


def lapse_plan(seed: int, lapse: float, overrides: Mapping[str, Any]) -> Clip:
    """A clip whose frames are taken so many times farther apart than they are shown."""
    fps = float(overrides.get("fps", 30.0))
    duration_s = float(overrides.get("duration_s", 6.0))
    slow = {**overrides, "fps": fps / lapse, "duration_s": duration_s * lapse, "variable": False}
    return plan_clip(seed, slow)


def lapse_frames(clip: Clip, lapse: float) -> Shots:
    """The frames of a slow clip at the times at which they are shown."""
    for time_s, rgb in frames(clip):
        yield time_s / lapse, rgb


def lapse_truth(truth: Truth, lapse: float) -> Truth:
    """Truth with the times at which the frames are shown; rates count in those seconds."""

    def shown(time_s: float | None) -> float | None:
        return None if time_s is None else time_s / lapse

    masts = tuple(
        replace(
            mast,
            hidden=tuple((a / lapse, b / lapse) for a, b in mast.hidden),
            spans=tuple(
                replace(
                    span,
                    start_s=shown(span.start_s),
                    end_s=shown(span.end_s),
                    heads=tuple(
                        replace(head, rate_hz=head.rate_hz * lapse if head.rate_hz else None)
                        for head in span.heads
                    ),
                )
                for span in mast.spans
            ),
        )
        for mast in truth.masts
    )
    motion = truth.motion
    if motion is not None:
        motion = replace(motion, time_s=tuple(t / lapse for t in motion.time_s))
    return replace(
        truth,
        masts=masts,
        motion=motion,
        duration_s=shown(truth.duration_s),
        conditions={**truth.conditions, "lapse": lapse},
    )
