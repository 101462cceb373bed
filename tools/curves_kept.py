"""What the watcher saw of a clip, kept beside it, so that what follows can be tried in seconds.

Kept files are pickles: open only your own. One from before a change of what is kept is made anew.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Planes
from mastread.vision.motion import View
from mastread.vision.pipeline import watch
from mastread.vision.sites import SAMPLE, Site
from mastread.vision.types import Hints, SourceInfo
from mastread.vision.video import open_video
from mastread.vision.watch import Watched


@dataclass(frozen=True, slots=True)
class KeptFrame:
    """A frame taken out of its decoder, as a `mastread.vision.frame.Frame`."""

    light: NDArray[np.float16]
    values: NDArray[np.float16]
    kept: Planes
    time_s: float
    index: int

    @property
    def width(self) -> int:
        """See `Frame.width`."""
        return int(self.light.shape[1])

    @property
    def height(self) -> int:
        """See `Frame.height`."""
        return int(self.light.shape[0])

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.kept

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.linear`."""
        return self.light[y0:y1, x0:x1].astype(np.float32)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.values[y0:y1, x0:x1].astype(np.float32)


@dataclass(frozen=True, slots=True)
class Kept:
    """What the watcher saw of one file; `fields` are those that it knew then."""

    watched: Watched
    source: SourceInfo
    fields: tuple[object, ...] = ()


def _fields() -> tuple[object, ...]:
    """What a kept file holds: one from before a change of it is made anew."""
    return (SAMPLE.descr, *(tuple(cls.__dataclass_fields__) for cls in (Site, View, Watched)))


def keep(path: Path) -> Kept:
    """What the watcher sees in a clip; kept beside it, and taken from there the next time."""
    beside = path.with_suffix(".watched")
    if beside.exists():
        found = pickle.loads(beside.read_bytes())
        if isinstance(found, Kept) and found.fields == _fields():
            return found
    with open_video(path) as video:
        watched, frames = watch(video.moments(), Hints(), video.duration_s)
        source = SourceInfo(path.name, "video", video.width, video.height, video.duration_s, frames)
        for scene, (frame, view) in watched.best_frames.items():
            planes = frame.planes()
            whole = (0, 0, frame.width, frame.height)
            watched.best_frames[scene] = (
                KeptFrame(
                    frame.linear(*whole).astype(np.float16),
                    frame.coded(*whole).astype(np.float16),
                    Planes(planes.y.copy(), planes.u.copy(), planes.v.copy(), planes.full_range),
                    frame.time_s,
                    frame.index,
                ),
                view,
            )
    kept = Kept(watched, source, _fields())
    part = beside.with_suffix(".part")
    part.write_bytes(pickle.dumps(kept))
    part.replace(beside)
    return kept
