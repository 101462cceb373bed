"""Where lamps are expected, and where they stand against one another.

The common motion of a view says where what stands still has gone. A mast that comes nearer moves
against it, the more the nearer: its lamps keep an offset of their own (`Site.drift`), and one that
is dark for a while is expected where the lit ones of its mast say.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.landmarks import Matrix
from mastread.vision.sites import Site

#: Rows that are gone back over to when a lamp was last lit.
_BACK: Final = 150
#: Lamps part by at most this share of their distance before it is known that they have grown.
_PARTING: Final = 0.5


def drift_of(site: Site, all_sites: Sequence[Site]) -> NDArray[np.float64]:
    """Where a place is expected against the common motion, (2,) pixels of the frame.

    A lamp that is lit keeps its own offset up to date; one that is dark, or has left its
    neighbours, follows the lit lamps nearest to it.
    """
    lit = [other for other in all_sites if other is not site and _is_lit(other)]
    if site.growth != 1.0 or any(other.growth != 1.0 for other in lit):
        return site.drift if _is_lit(site) else _grown(site, lit)
    weights, total = 0.0, np.zeros(2)
    for other in lit:
        distance = np.hypot(other.x - site.x, other.y - site.y) + 10.0
        weights += 1.0 / distance
        total += other.drift / distance
    common = total / weights if weights else site.drift
    keeps = not site.samples or _is_lit(site)
    # A lit lamp that has gone its own way by more than its size follows something else.
    return site.drift if keeps and _belongs(site, common, lit) else common


def _belongs(site: Site, common: NDArray[np.float64], lit: Sequence[Site]) -> bool:
    """May a lit lamp stand where it does against the common motion of its neighbours?

    Lamps of a mast that comes nearer part from one another, straight along what joins them.
    """
    room = 0.8 * site.radius + 1.5
    apart = site.drift - common
    if float(np.hypot(*apart)) <= room:
        return True
    near = min(lit, key=lambda other: np.hypot(other.x - site.x, other.y - site.y), default=None)
    if near is None:
        return True
    join = np.array([site.x - near.x, site.y - near.y])
    length = float(np.hypot(*join))
    apart = site.drift - near.drift
    along = float(apart @ join) / max(length, 1e-6)
    across = float(np.hypot(*(apart - along * join / max(length, 1e-6))))
    return 0.0 < along <= _PARTING * length and across <= room


def _is_lit(site: Site) -> bool:
    return bool(site.samples) and float(site.samples[-1]["peak"]) >= 0.5 * site.lit_peak


def _grown(site: Site, lit: Sequence[Site]) -> NDArray[np.float64]:
    """Offset of a dark place on a mast that comes nearer, by the lit lamps of it."""
    back = next(
        (
            k
            for k, row in enumerate(reversed(site.samples[-_BACK:]))
            if float(row["peak"]) >= 0.5 * site.lit_peak
        ),
        None,
    )
    others = [other for other in lit if back is not None and len(other.samples) > back]
    if back is None or not others:
        return site.drift
    then = np.array([_place(other, back) for other in others])
    now = np.array([_place(other, 0) for other in others])
    own = np.array(_place(site, back)[:2])
    if len(others) > 1:
        wide = [
            np.linalg.norm(places[:, :2] - places[0, :2], axis=1).max() for places in (then, now)
        ]
        scale = wide[1] / max(wide[0], 1.0)
    else:
        scale = float(now[0, 2] / max(then[0, 2], 0.1))
    near = int(np.argmin(np.linalg.norm(then[:, :2] - own, axis=1)))
    rows = others[near].samples
    moved = rows[-1]["drift"].astype(np.float64) - rows[-1 - back]["drift"].astype(np.float64)
    start = site.samples[-1 - back]["drift"].astype(np.float64)
    return np.asarray(start + moved + (scale - 1.0) * (own - then[near, :2]), np.float64)


def _place(site: Site, back: int) -> tuple[float, float, float]:
    row = site.samples[-1 - back]
    return float(row["x"]), float(row["y"]), float(row["r"])


def join_sites(moved: Sequence[Site], scene: int, way: Matrix, known: Sequence[Site]) -> set[int]:
    """Take sites over into another scene; `way` leads from their coordinates to its.

    One that stands on a known site of that scene is the same lamp, and is merged into it.

    Returns
    -------
    ids of the sites that were merged away
    """
    gone: set[int] = set()
    scale = float(np.hypot(way[0, 0], way[1, 0]))
    for site in moved:
        place = way @ (site.x, site.y, 1.0)
        site.x, site.y = float(place[0]), float(place[1])
        site.radius *= scale
        site.scene = scene
        same = next(
            (
                one
                for one in known
                if np.hypot(one.x - site.x, one.y - site.y)
                < max(0.9 * max(one.radius, site.radius), 2.0)
            ),
            None,
        )
        if same is not None:
            same.take_over(site)
            gone.add(id(site))
    return gone


def settle_places(sites: Sequence[Site], frame: int, zoom: float, back: Matrix) -> None:
    """Give the sites of a scene the places that they had in one frame, in the scene's coordinates.

    Lamps of a mast that comes nearer were found at different distances; only at one moment do their
    places tell how they stand to one another. Sites that were not watched then keep theirs.

    Parameters
    ----------
    frame : index of that frame
    zoom, back : its zoom, and the similarity from its pixels to the scene
    """
    if all(site.growth == 1.0 for site in sites):
        return
    for site in sites:
        table = site.table()
        at = np.flatnonzero((table["frame"] == frame) & ~table["outside"])
        if not len(at):
            continue
        row = table[at[0]]
        place = back @ (float(row["x"]), float(row["y"]), 1.0)
        site.x, site.y = float(place[0]), float(place[1])
        site.radius = float(row["r"]) / zoom
