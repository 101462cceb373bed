"""One look at one picture: propose, measure, and judge every spot that may be a lit lamp."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS, Colour
from mastread.vision.compare import load_compare_net
from mastread.vision.features import Scene, features, scene_of
from mastread.vision.frame import Frame, Planes
from mastread.vision.limits import limits
from mastread.vision.measure import measure
from mastread.vision.net import load_net, softmax
from mastread.vision.patch import CHANNELS, SIZE, views
from mastread.vision.patch_net import load_patch_net
from mastread.vision.propose import CANDIDATE, propose
from mastread.vision.segment import Seen

#: A spot less likely a lamp than this is not handed on.
LEAST_ODDS: Final = 0.05
#: A spot less likely a lamp than this by its figures alone is not looked at by the patch net.
WORTH_A_LOOK: Final = 0.01
#: A spot at least this likely a lamp by its figures counts among those that look like one.
LOOKS_LIKE_ONE: Final = 0.3

#: Colour difference up to this (of 127) is none: what compression makes of a grey picture.
GREY: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class Lamp:
    """A spot that may be a lit lamp.

    Attributes
    ----------
    spot : its row of `mastread.vision.measure.SPOT`
    lamp_odds : probability that it is a lit signal lamp
    colour_scores : (6,) log-odds of `COLOURS`, up to a constant, if it is one
    """

    spot: NDArray[np.void]
    lamp_odds: float
    colour_scores: NDArray[np.float64]

    @property
    def x(self) -> float:
        """Centre, pixels from the left."""
        return float(self.spot["x"])

    @property
    def y(self) -> float:
        """Centre, pixels from the top."""
        return float(self.spot["y"])

    @property
    def radius(self) -> float:
        """Radius of the spot, pixels."""
        return float(self.spot["radius"])


def look(
    frame: Frame,
    region: tuple[int, int, int, int] | None = None,
    *,
    most: int = 400,
    scene: Scene | None = None,
) -> list[Lamp]:
    """Spots of one picture that may be lit lamps, likeliest first.

    Parameters
    ----------
    region : (x, y, width, height) to search, or None for the whole picture
    most : how many candidates are measured at the most
    scene : figures of the whole picture, if they are known already
    """
    candidates = candidates_in(frame, region, most)
    spots = within(measure_all(frame, candidates), region)
    known = scene or scene_of(frame.planes())
    return judge(frame, spots, known, pointed_at=region is not None)


def within(
    spots: list[NDArray[np.void]], region: tuple[int, int, int, int] | None
) -> list[NDArray[np.void]]:
    """Measured spots whose centre lies in a region; a spot may settle on what stands beside it."""
    if region is None:
        return spots
    x, y, width, height = region
    return [spot for spot in spots if x <= spot["x"] < x + width and y <= spot["y"] < y + height]


def is_grey(planes: Planes) -> bool:
    """Does a picture hold no colour at all (beyond what compression leaves)?"""
    step = max(1, planes.u.shape[1] // 200)
    u = planes.u[::step, ::step].astype(np.int16)
    v = planes.v[::step, ::step].astype(np.int16)
    return bool(max(np.abs(u - 128).max(), np.abs(v - 128).max()) <= GREY)


def candidates_in(
    frame: Frame, region: tuple[int, int, int, int] | None, most: int
) -> NDArray[np.void]:
    """Candidates (`mastread.vision.propose.CANDIDATE`) of a picture or a region of it."""
    planes = frame.planes()
    if is_grey(planes):
        # Without colour a lamp cannot be told from any other bright spot.
        return np.zeros(0, CANDIDATE)
    if region is None:
        return propose(planes, most=most)
    planes, left, top = cut(planes, region)
    found = propose(planes, most=most)
    found["x"] += left
    found["y"] += top
    x, y, width, height = region
    inside = (found["x"] >= x - 1) & (found["x"] <= x + width)
    inside &= (found["y"] >= y - 1) & (found["y"] <= y + height)
    return found[inside]


def measure_all(frame: Frame, candidates: NDArray[np.void]) -> list[NDArray[np.void]]:
    """Measure candidates, strongest first; one inside a spot measured already adds nothing."""
    spots: list[NDArray[np.void]] = []
    seen = Seen()
    places = np.zeros((len(candidates), 3))
    for candidate in candidates:
        x, y = float(candidate["x"]), float(candidate["y"])
        known = places[: len(spots)]
        if len(known):
            near = np.hypot(known[:, 0] - x, known[:, 1] - y) < 0.7 * known[:, 2]
            # A spot much smaller than the candidate may be a detail of it.
            if (near & (known[:, 2] > 0.5 * float(candidate["radius"]))).any():
                continue
        spot = measure(frame, x, y, float(candidate["radius"]), seen)
        if spot is None or _is_known(spot, known):
            continue
        places[len(spots)] = spot["x"], spot["y"], spot["radius"]
        spots.append(spot)
    return spots


def _with_rarity(
    lamp: NDArray[np.float64], colours: NDArray[np.float64], crowd: int
) -> NDArray[np.float64]:
    """Lamp odds moved by how many other things shine alike; see limits.toml.

    `crowd` is how many spots of the picture look like a lamp by their figures.
    """
    figures = limits("lamps")
    shift = softmax(colours) @ np.array([figures["rarity"][colour] for colour in COLOURS])
    shift = shift - figures["crowd_slope"] * np.log(max(crowd / figures["crowd"], 1.0))
    safe = np.clip(lamp, 1e-9, 1.0 - 1e-9)
    return np.asarray(1.0 / (1.0 + (1.0 - safe) / safe * np.exp(-shift)), np.float64)


def _is_known(spot: NDArray[np.void], known: NDArray[np.float64]) -> bool:
    """Has the same spot been measured from another candidate?"""
    near = np.hypot(known[:, 0] - spot["x"], known[:, 1] - spot["y"]) < 0.4 * known[:, 2] + 0.3
    alike = np.abs(known[:, 2] - spot["radius"]) < 0.3 * known[:, 2] + 0.3
    return bool((near & alike).any())


def judge(
    frame: Frame, spots: list[NDArray[np.void]], scene: Scene, *, pointed_at: bool = False
) -> list[Lamp]:
    """Odds of measured spots, likeliest lamp first; of spots that overlap the likeliest stays.

    The measured figures alone sort out what is surely no lamp; at the rest the patch net looks,
    and then the lamps of the picture are compared with one another.
    """
    if not spots:
        return []
    table = np.stack([features(spot, scene) for spot in spots])
    by_figures = load_net("lamp_net").odds(table)[:, 0]
    crowd = int(np.count_nonzero(by_figures >= LOOKS_LIKE_ONE))
    worth = np.flatnonzero(by_figures >= WORTH_A_LOOK)
    spots, table = [spots[i] for i in worth], table[worth]
    patches = [
        views(frame, float(spot["x"]), float(spot["y"]), float(spot["radius"])) for spot in spots
    ]
    lamp, colours = load_patch_net().judge(
        np.array(patches, np.uint8).reshape(-1, SIZE, SIZE, CHANNELS), table
    )
    if not pointed_at:
        # Where a person pointed to a region, there is a signal in it.
        lamp = _with_rarity(lamp, colours, crowd)
    kept: list[int] = []
    for i in np.argsort(-lamp, kind="stable"):
        if lamp[i] < LEAST_ODDS:
            break
        if all(_apart(spots[i], spots[other]) for other in kept):
            kept.append(int(i))
    colours = load_compare_net().correct(table[kept], colours[kept], lamp[kept])
    return [Lamp(spots[i], float(lamp[i]), colours[k]) for k, i in enumerate(kept)]


def colour_odds(scores: NDArray[np.float64]) -> dict[Colour, float]:
    """Odds over `COLOURS` from log-odds."""
    shifted = np.exp(scores - scores.max())
    shifted /= shifted.sum()
    return dict(zip(COLOURS, (float(p) for p in shifted), strict=True))


def cut(planes: Planes, region: tuple[int, int, int, int]) -> tuple[Planes, int, int]:
    """Planes of a region, and the upright pixel at which they begin."""
    x, y, width, height = region
    full_h, full_w = planes.y.shape
    step_x = max(1, round(full_w / planes.u.shape[1]))
    step_y = max(1, round(full_h / planes.u.shape[0]))
    x0 = max(0, x) // step_x * step_x
    y0 = max(0, y) // step_y * step_y
    x1, y1 = min(full_w, x + width), min(full_h, y + height)
    cx1, cy1 = max(x0 // step_x + 1, x1 // step_x), max(y0 // step_y + 1, y1 // step_y)
    return (
        Planes(
            planes.y[y0 : cy1 * step_y, x0 : cx1 * step_x],
            planes.u[y0 // step_y : cy1, x0 // step_x : cx1],
            planes.v[y0 // step_y : cy1, x0 // step_x : cx1],
            planes.full_range,
        ),
        x0,
        y0,
    )


def _apart(a: NDArray[np.void], b: NDArray[np.void]) -> bool:
    reach = max(float(a["radius"]), float(b["radius"])) * 1.2 + 0.5
    return float((a["x"] - b["x"]) ** 2 + (a["y"] - b["y"]) ** 2) > reach**2
