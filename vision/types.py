"""The tables that the stages of the pipeline hand on, with their units.

Conventions (they hold in every module of this package)
-------------------------------------------------------
* Positions are ``x`` (to the right), ``y`` (down), in pixels of the upright full-resolution
  picture; the centre of the first pixel is (0, 0), so a box ``[x0, y0, x1, y1]`` holds the
  pixels ``x0 <= x < x1``.
* Arrays of pixels are (rows, columns) or (rows, columns, 3) in R, G, B order.
* ``coded`` values are as stored (gamma-coded), scaled to 0..1; ``linear`` values are
  proportional to light, 1 = the clipping level.
* Times are presentation times in seconds from the start of the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.evidence import MastEvidence
from mastread.decoder.words import Behaviour, Colour

Kind = Literal["photo", "video"]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Hints:
    """What a person told: things that the picture does not show.

    Attributes
    ----------
    heads : how many heads each mast has, or None
    region : (x, y, width, height) in upright pixels that the search is limited to, or None
    plates : plates on the mast; None when not told, empty when told that there are none
    """

    heads: int | None = None
    region: tuple[int, int, int, int] | None = None
    plates: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class SourceInfo:
    """The media file as the reading states it; sizes after the file's own rotation."""

    path: str
    kind: Kind
    width: int
    height: int
    duration_s: float | None = None
    frames: int | None = None


@dataclass(frozen=True, slots=True)
class HeadSeen:
    """One head over one span.

    Attributes
    ----------
    colour_odds, behaviour_odds : as in `mastread.decoder.evidence.HeadEvidence`
    rate_hz, rate_sd_hz, duty : flash rate, its standard error, and lit fraction; None unless
        flashing
    x, y, radius : place and radius of the lens, at the middle of the span
    flags : why a value is doubtful; ``hidden``: the head could not be seen in most of the span
    """

    colour_odds: Mapping[Colour, float]
    behaviour_odds: Mapping[Behaviour, float]
    x: float
    y: float
    radius: float
    rate_hz: float | None = None
    rate_sd_hz: float | None = None
    duty: float | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class SpanSeen:
    """A stretch of time in which a mast showed one thing; times None in a photo."""

    start_s: float | None
    end_s: float | None
    heads: tuple[HeadSeen, ...]
    evidence: MastEvidence


@dataclass(frozen=True, slots=True)
class LightCurve:
    """Light of one head against time.

    Attributes
    ----------
    time_s : (N,) presentation times
    flux : (N,) background-subtracted light of the lens, linear, in units of the head's own
        typical lit level (about 1 when lit, about 0 when dark); NaN where not measured
    lit : (N,) probability that the lamp was lit at that time; NaN where not measured
    """

    mast: int
    head: int
    time_s: NDArray[np.float64]
    flux: NDArray[np.float32]
    lit: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class MastSeen:
    """One mast: its number from the left (1, 2, ...), its box, and what it showed when."""

    mast: int
    box: Box
    spans: tuple[SpanSeen, ...]
    curves: tuple[LightCurve, ...] = ()
    #: (N, 3) time_s, dx, dy: where the mast stood against its place in `box`; empty in a photo
    path: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 3)))


@dataclass(frozen=True, slots=True)
class Seen:
    """All that the camera saw in one media file."""

    source: SourceInfo
    masts: tuple[MastSeen, ...]
    warnings: tuple[str, ...] = ()
