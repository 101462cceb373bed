"""What a made photo or clip truly shows: one JSON format for every maker and benchmark.

Positions are pixels of the upright picture, the centre of the first pixel is (0, 0); times are
presentation times in seconds. In a clip all positions are those of the *home* frame: frame ``i``
shows the point (x, y) at::

    cx + motion.zoom[i] * (x - cx) + motion.dx[i],   cx = (width - 1) / 2
    cy + motion.zoom[i] * (y - cy) + motion.dy[i],   cy = (height - 1) / 2
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Final, Literal

from mastread.decoder.words import Behaviour, Colour
from mastread.tools.scenes.layers import Arrangement, HeadType, MastKind

FORMAT: Final = "mastread-truth"
VERSION: Final = 1


@dataclass(frozen=True, slots=True)
class TrueHead:
    """One head over one span.

    Attributes
    ----------
    head : number from 1, top to bottom
    colour : colour of the (last or flashing) light; None when dark
    behaviour : steady, flashing or dark
    rate_hz, duty : flash rate and lit fraction of a period; None unless flashing
    lit_now : photo: whether the lamp shone while the shutter was open; None in a clip
    x, y, radius : centre and radius of the lens that shows the colour; of a dark head, those of
        the lens that would be lit, or of the first
    contrast : how far the lamp lifts the finished picture at its strongest point, noise left out,
        in coded values 0..1 of the channel that gains most; 0 when dark
    """

    head: int
    colour: Colour | None
    behaviour: Behaviour
    rate_hz: float | None
    duty: float | None
    lit_now: bool | None
    x: float
    y: float
    radius: float
    contrast: float | None = None


@dataclass(frozen=True, slots=True)
class TrueSpan:
    """A stretch of time with one aspect; times are None in a photo."""

    start_s: float | None
    end_s: float | None
    aspect: str
    heads: tuple[TrueHead, ...]


@dataclass(frozen=True, slots=True)
class TrueHeadPlace:
    """Where a head stands and how it is built."""

    head: int
    x: float
    y: float
    radius: float
    type: HeadType


@dataclass(frozen=True, slots=True)
class TrueMast:
    """One mast, masts numbered from the left.

    Attributes
    ----------
    hidden : stretches (start_s, end_s) in which something passed in front of at least one lens
    """

    mast: int
    box: tuple[float, float, float, float]
    kind: MastKind
    arrangement: Arrangement
    plates: tuple[str, ...]
    heads: tuple[TrueHeadPlace, ...]
    spans: tuple[TrueSpan, ...]
    hidden: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class TrueDistractor:
    """Something that is no signal lamp; `lit` when it shines by itself."""

    x: float
    y: float
    what: str
    lit: bool


@dataclass(frozen=True, slots=True)
class Motion:
    """Per frame: presentation time, shift in pixels, and zoom against the home frame."""

    time_s: tuple[float, ...]
    dx: tuple[float, ...]
    dy: tuple[float, ...]
    zoom: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Truth:
    """Everything about one file; see the module for the conventions."""

    file: str
    kind: Literal["photo", "video"]
    width: int
    height: int
    duration_s: float | None
    frames: int | None
    seed: int
    masts: tuple[TrueMast, ...]
    distractors: tuple[TrueDistractor, ...] = ()
    conditions: dict[str, Any] = field(default_factory=dict)
    motion: Motion | None = None
    rulebook: str = "cror"

    def to_json(self) -> dict[str, Any]:
        """Return the truth as plain lists and dictionaries."""
        page: dict[str, Any] = {"format": FORMAT, "version": VERSION}
        page.update(asdict(self))
        return page


def words(heads: Sequence[TrueHead]) -> str:
    """Return the aspect in words, top head first: "flashing yellow over red over red".

    Of a photo, too, these are the words for what the signal truly showed, a flash included.
    """
    parts = []
    for head in heads:
        if head.behaviour == "dark" or head.colour is None:
            parts.append("dark")
        elif head.behaviour == "flashing":
            parts.append(f"flashing {head.colour}")
        else:
            parts.append(head.colour)
    return " over ".join(parts)


def scaled_truth(truth: Truth, width: int, height: int) -> Truth:
    """Return the truth of a photo that was resized to the given size."""
    fx, fy = width / truth.width, height / truth.height

    def at(x: float, y: float) -> tuple[float, float]:
        return (x + 0.5) * fx - 0.5, (y + 0.5) * fy - 0.5

    def moved(item: Any) -> Any:
        x, y = at(item.x, item.y)
        if hasattr(item, "radius"):
            return replace(item, x=x, y=y, radius=item.radius * fx)
        return replace(item, x=x, y=y)

    masts = tuple(
        replace(
            m,
            box=(m.box[0] * fx, m.box[1] * fy, m.box[2] * fx, m.box[3] * fy),
            heads=tuple(moved(h) for h in m.heads),
            spans=tuple(replace(s, heads=tuple(moved(h) for h in s.heads)) for s in m.spans),
        )
        for m in truth.masts
    )
    lens_px = truth.conditions.get("lens_px")
    return replace(
        truth,
        width=width,
        height=height,
        masts=masts,
        distractors=tuple(moved(d) for d in truth.distractors),
        conditions={
            **truth.conditions,
            "lens_px": None if lens_px is None else round(lens_px * fx, 2),
            "resampled": round(1.0 / fx, 3),
        },
    )


def write_truth(truth: Truth, path: str | os.PathLike[str]) -> None:
    """Write the truth as JSON, to a temporary name first."""
    target = Path(path)
    part = target.with_name(target.name + ".part")
    text = json.dumps(_rounded(truth.to_json()), indent=1, ensure_ascii=False)
    part.write_text(text + "\n", encoding="utf-8")
    part.replace(target)


def read_truth(path: str | os.PathLike[str]) -> Truth:
    """Read a truth file; ValueError names the file when it is something else."""
    page = json.loads(Path(path).read_text(encoding="utf-8"))
    if page.get("format") != FORMAT or page.get("version") != VERSION:
        raise ValueError(f"{path} is not a {FORMAT} file of version {VERSION}")
    masts = tuple(
        TrueMast(
            mast=m["mast"],
            box=tuple(m["box"]),
            kind=m["kind"],
            arrangement=m["arrangement"],
            plates=tuple(m["plates"]),
            heads=tuple(TrueHeadPlace(**h) for h in m["heads"]),
            spans=tuple(
                TrueSpan(
                    start_s=s["start_s"],
                    end_s=s["end_s"],
                    aspect=s["aspect"],
                    heads=tuple(TrueHead(**h) for h in s["heads"]),
                )
                for s in m["spans"]
            ),
            hidden=tuple((float(a), float(b)) for a, b in m["hidden"]),
        )
        for m in page["masts"]
    )
    motion = page["motion"]
    return Truth(
        file=page["file"],
        kind=page["kind"],
        width=page["width"],
        height=page["height"],
        duration_s=page["duration_s"],
        frames=page["frames"],
        seed=page["seed"],
        masts=masts,
        distractors=tuple(TrueDistractor(**d) for d in page["distractors"]),
        conditions=page["conditions"],
        motion=None if motion is None else Motion(**{k: tuple(v) for k, v in motion.items()}),
        rulebook=page["rulebook"],
    )


def _rounded(value: Any) -> Any:
    """Round every number to a tenth of a millipixel or a microsecond, to keep files small."""
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {key: _rounded(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(entry) for entry in value]
    return value
