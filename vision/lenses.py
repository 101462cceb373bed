"""From sites to the lenses of heads: one colour each, lit in turn.

A searchlight shows its colours through one lens, one after the other; a multi-lens head shows
each through a lens of its own. Both become the same thing here: lenses that take turns.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.colourturn import colour_changes
from mastread.vision.cover import runs
from mastread.vision.curves import Curve, light_curve
from mastread.vision.limits import limits
from mastread.vision.look import Lamp
from mastread.vision.sites import Site

#: Lenses of one head lie within this, in radii, and are hardly ever lit together.
SAME_HEAD: Final = 7.0
#: Their radii, as bloom leaves them, agree to this factor.
SAME_SIZE: Final = 2.4
_TOGETHER: Final = 0.02
#: One may still glow while the next one warms (seconds): a filament does for a quarter of one, and
#: longer where the picture is over-exposed.
_HANDOVER_S: Final = 0.6
#: A look that takes a place for a lamp at least this surely, as a share of its surest looks,
#: confirms that it was lit.
_CONFIRMS: Final = 0.5
_DENIES: Final = 0.25
#: Fewer looks than this at a lamp do not tell how far its looks lie apart.
_FEW: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class Lens:
    """One lens in one colour.

    Attributes
    ----------
    site : where it is
    curve : when it was lit in that colour
    looks : (time_s, lamp) of the looks that belong to it
    """

    site: Site
    curve: Curve
    looks: tuple[tuple[float, Lamp], ...]

    def colour_scores(self) -> NDArray[np.float64]:
        """Pooled log-odds of its colour."""
        pooled = _pooled(lamp for _, lamp in self.looks)
        return np.zeros(6) if pooled is None else pooled

    @property
    def radius(self) -> float:
        """Typical radius in its scene's coordinates, pixels."""
        return self.site.radius


def _pooled(lamps: Iterable[Lamp]) -> NDArray[np.float64] | None:
    """Log-odds of the colour by several looks at one lamp together; None of none."""
    scores = [lamp.colour_scores for lamp in lamps]
    if not scores:
        return None
    table = np.stack(scores)
    table = table - np.logaddexp.reduce(table, axis=1, keepdims=True)
    # The median shrugs off the few looks that a passing wire or a burst of noise spoilt.
    middle = np.median(table, axis=0)
    return np.asarray(middle * _worth(table, middle), np.float64)


def _worth(table: NDArray[np.float64], middle: NDArray[np.float64]) -> float:
    """How much surer the middle of many looks is than a single one.

    What a look misjudges has two parts. One is the camera's and the lamp's own (white balance, a
    clipped core): it is the same in all looks of a clip, and no number of them removes it. The
    other is noise, which the middle of many is free of; how large it is shows in how far the looks
    lie apart.
    """
    if len(table) < _FEW:
        return 1.0
    figures = limits("colours")["pool"]
    second, first = np.argsort(middle)[-2:]
    margin = table[:, first] - table[:, second]
    noise = 1.4826 * float(np.median(np.abs(margin - np.median(margin))))
    return float(min(figures["base"] + (noise / figures["lasting"]) ** 2, figures["most"]))


def lenses_of(site: Site) -> list[Lens]:
    """The site's lens, once for each colour that it showed in turn."""
    table = site.table()
    curve = light_curve(table, *_confirmed(site))
    bounds = [-np.inf, *colour_changes(table, curve, site.spots), np.inf]
    lenses = []
    for start, end in itertools.pairwise(bounds):
        inside = (curve.time_s >= start) & (curve.time_s < end)
        lit = np.where(inside | np.isnan(curve.lit), curve.lit, 0.0).astype(np.float32)
        looks = tuple((t, lamp) for t, lamp in site.spots if start <= t < end)
        lenses.append(Lens(site, replace(curve, lit=lit), looks))
    return lenses


def _confirmed(site: Site) -> tuple[list[float], list[float]]:
    """Times of looks that found a lit lamp, and of those that found none.

    The glass of a dark lens may pass for a faint lamp.
    """
    odds = np.array([lamp.lamp_odds for _, lamp in site.spots])
    if not len(odds):
        return [], []
    times = np.array([time_s for time_s, _ in site.spots])
    top = float(np.percentile(odds, 90))
    return times[odds >= _CONFIRMS * top].tolist(), times[odds < _DENIES * top].tolist()


def heads_of(sites: list[Site]) -> list[list[Lens]]:
    """Lenses by head: sites near one another that are hardly ever lit together are one head."""
    lenses = [lenses_of(site) for site in sites]
    parent = list(range(len(sites)))

    def root(i: int) -> int:
        while parent[i] != i:
            i = parent[i]
        return i

    pairs = sorted(
        (float(np.hypot(sites[i].x - sites[j].x, sites[i].y - sites[j].y)), i, j)
        for i in range(len(sites))
        for j in range(i)
    )
    for distance, i, j in pairs:
        reach = SAME_HEAD * max(sites[i].radius, sites[j].radius)
        if distance > reach or root(i) == root(j):
            continue
        if not 1.0 / SAME_SIZE < sites[i].radius / sites[j].radius < SAME_SIZE:
            continue
        members_i = [k for k in range(len(sites)) if root(k) == root(i)]
        members_j = [k for k in range(len(sites)) if root(k) == root(j)]
        if all(
            _take_turns(lenses[a][0].curve, lenses[b][0].curve)
            for a in members_i
            for b in members_j
        ):
            parent[root(i)] = root(j)
    heads: dict[int, list[Lens]] = {}
    for k in range(len(sites)):
        heads.setdefault(root(k), []).extend(lenses[k])
    return list(heads.values())


def _take_turns(a: Curve, b: Curve) -> bool:
    """True where two lenses are hardly ever lit at once, over the time both were watched."""
    start, end = max(a.time_s[0], b.time_s[0]), min(a.time_s[-1], b.time_s[-1])
    in_a = (a.time_s >= start) & (a.time_s <= end)
    in_b = (b.time_s >= start) & (b.time_s <= end)
    times = np.intersect1d(a.time_s[in_a], b.time_s[in_b])
    if len(times) < 3:
        return False
    lit_a = np.nan_to_num(a.lit[np.searchsorted(a.time_s, times)], nan=0.0) > 0.5
    lit_b = np.nan_to_num(b.lit[np.searchsorted(b.time_s, times)], nan=0.0) > 0.5
    if not lit_a.any() or not lit_b.any():
        # One of them was last lit before the other was found.
        return not bool((lit_a & lit_b).any())
    both = lit_a & lit_b
    for first, last in runs(both):
        if _is_handover(times, lit_a, lit_b, first, last):
            both[first : last + 1] = False
    return int(both.sum()) <= _TOGETHER * min(int(lit_a.sum()), int(lit_b.sum()))


def _is_handover(
    times: NDArray[np.float64],
    lit_a: NDArray[np.bool_],
    lit_b: NDArray[np.bool_],
    first: int,
    last: int,
) -> bool:
    """Are both lit only while one hands over to the other: one alone before, the other after?"""
    if last + 1 >= len(times) or times[last] - times[first] > _HANDOVER_S:
        return False
    if first == 0:
        # The later one is followed from here on: the other must go out.
        return bool(lit_a[last + 1] != lit_b[last + 1])
    before, after = first - 1, last + 1
    return bool(lit_a[before] != lit_a[after] and lit_b[before] != lit_b[after])
