"""Watch a clip from its first frame to its last, and keep what every lamp's place showed.

Frames stream through once. A full search runs now and then, a search round the known masts more
often, and the light at every known place is measured in every frame. The last half second of
frames is kept at hand, so that a lamp that is found late is measured back to its rise.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.features import Scene, scene_of
from mastread.vision.frame import Frame
from mastread.vision.look import Lamp, candidates_in, judge, measure_all, within
from mastread.vision.measure import measure
from mastread.vision.motion import CameraMotion, View
from mastread.vision.rejects import Rejects
from mastread.vision.sites import Site, sample

#: Seconds between full searches at the start of a scene and later. They are not multiples of one
#: another, so that no flash can stay dark at every search.
_FIRST_SEARCHES_S: Final = (0.0, 0.17, 0.41, 0.73, 1.13, 1.61, 2.17)
_LATER_SEARCH_S: Final = 0.89
#: Seconds between searches round known places, and between looks at a known lamp's colour.
_NEAR_SEARCH_S: Final = 0.19
_COLOUR_LOOK_S: Final = 0.12
#: After this many looks at a lamp the colour is looked at only every `_LATER_SEARCH_S`.
_MANY_LOOKS: Final = 60
#: Frames kept at hand: for this long, and never more than this many.
_AT_HAND_S: Final = 0.6
_MOST_AT_HAND: Final = 24
#: Places followed at once; the least lamp-like are given up.
_MOST_SITES: Final = 28
#: A spot at least this likely a lamp opens a site; a near miss does not.
_OPEN_AT: Final = 0.3
_FULL_CANDIDATES: Final = 90
_NEAR_CANDIDATES: Final = 30


@dataclass(slots=True)
class Watched:
    """What a clip showed: all sites, and the view of each frame.

    Attributes
    ----------
    sites : every place where a lamp was seen
    views : (time_s, view) of every frame
    best_frames : by scene, the frame (and its view) in which most lamps were lit: the one in which
        heads without light are looked for
    """

    sites: list[Site] = field(default_factory=list)
    views: list[tuple[float, View]] = field(default_factory=list)
    best_frames: dict[int, tuple[Frame, View]] = field(default_factory=dict)


class Watcher:
    """Takes the frames of a clip one by one; `watched` holds the result."""

    def __init__(self, region: tuple[int, int, int, int] | None = None) -> None:
        self.watched = Watched()
        self._motion = CameraMotion()
        self._region = region
        self._at_hand: deque[tuple[Frame, View]] = deque()
        self._active: list[Site] = []
        self._scene_number = -1
        self._scene_start_s = 0.0
        self._searches = 0
        self._search_due_s = 0.0
        self._near_due_s = 0.0
        self._colour_due_s: dict[int, float] = {}
        self._figures: Scene | None = None
        self._most_lit = 0
        self._rejects = Rejects()

    def add(self, frame: Frame) -> None:
        """Take the next frame."""
        planes = frame.planes()
        view = self._motion.update(planes.y)
        now = frame.time_s
        if view.scene != self._scene_number:
            self._scene_number, self._scene_start_s = view.scene, now
            self._searches, self._search_due_s = 0, now
            self._active.clear()
            self._at_hand.clear()
            self._most_lit = 0
            self._rejects = Rejects()
        self.watched.views.append((now, view))
        self._keep_at_hand(frame, view)
        for site in self._active:
            self._sample(frame, view, site)
        if now >= self._search_due_s - 1e-6:
            self._figures = scene_of(planes)
            self._search(frame, view, self._region, _FULL_CANDIDATES)
            self._searches += 1
            self._search_due_s = self._next_search(now)
            self._near_due_s = now + _NEAR_SEARCH_S
            self._keep_best(frame, view)
        elif now >= self._near_due_s and self._active:
            self._search_near(frame, view)
            self._near_due_s = now + _NEAR_SEARCH_S
        self._look_at_colours(frame, view)

    def _next_search(self, now: float) -> float:
        if self._searches < len(_FIRST_SEARCHES_S):
            return self._scene_start_s + _FIRST_SEARCHES_S[self._searches]
        return now + _LATER_SEARCH_S

    def _keep_at_hand(self, frame: Frame, view: View) -> None:
        self._at_hand.append((frame, view))
        while len(self._at_hand) > 1 and (
            len(self._at_hand) > _MOST_AT_HAND
            or frame.time_s - self._at_hand[0][0].time_s > _AT_HAND_S
        ):
            self._at_hand.popleft()

    def _keep_best(self, frame: Frame, view: View) -> None:
        lit = sum(
            1
            for site in self._active
            if site.samples and float(site.samples[-1]["peak"]) > 0.5 * site.lit_peak
        )
        if lit > self._most_lit:
            self._most_lit = lit
            self.watched.best_frames[view.scene] = (frame, view)

    def _sample(self, frame: Frame, view: View, site: Site) -> None:
        site.samples.append(sample(frame, view, site, self._drift(site)))

    def _drift(self, site: Site) -> NDArray[np.float64]:
        """Where the place is expected against the common motion.

        A lamp that is lit keeps its own offset up to date; one that is dark, or has left its
        neighbours, follows the lit lamps nearest to it.
        """
        weights, total = 0.0, np.zeros(2)
        for other in self._active:
            if other is site or not other.samples:
                continue
            if float(other.samples[-1]["peak"]) < 0.5 * other.lit_peak:
                continue
            distance = np.hypot(other.x - site.x, other.y - site.y) + 10.0
            weights += 1.0 / distance
            total += other.drift / distance
        common = total / weights if weights else site.drift
        last = site.samples[-1] if site.samples else None
        lit = last is None or float(last["peak"]) >= 0.5 * site.lit_peak
        # A lit lamp that has gone its own way by more than its size follows something else.
        apart = float(np.hypot(*(site.drift - common)))
        return site.drift if lit and apart <= 0.8 * site.radius + 1.5 else common

    def _search_near(self, frame: Frame, view: View) -> None:
        places = [
            (*view.place(site.x, site.y), site.radius * view.zoom)
            for site in self._active
            if max(site.lamp_odds, default=0.0) > 0.5
        ]
        if not places:
            return
        x, y, r = (np.array(column) for column in zip(*places, strict=True))
        room = 20.0 * float(np.median(r)) + 10.0
        x0, y0 = int(max(0, x.min() - room)), int(max(0, y.min() - room))
        x1 = int(min(frame.width, x.max() + room))
        y1 = int(min(frame.height, y.max() + room))
        if x1 - x0 < 8 or y1 - y0 < 8:
            return
        if self._region is not None:
            rx, ry, rw, rh = self._region
            x0, y0 = max(x0, rx), max(y0, ry)
            x1, y1 = min(x1, rx + rw), min(y1, ry + rh)
            if x1 - x0 < 8 or y1 - y0 < 8:
                return
        box = (x0, y0, x1 - x0, y1 - y0)
        self._search(frame, view, box, _NEAR_CANDIDATES)

    def _search(
        self, frame: Frame, view: View, box: tuple[int, int, int, int] | None, most: int
    ) -> None:
        """Measure and judge what stands out and is not known yet."""
        found = self._rejects.new(candidates_in(frame, box, most), view, frame.time_s)
        if not len(found) or self._figures is None:
            return
        spots = within(measure_all(frame, found), self._region)
        lamps = judge(frame, spots, self._figures, pointed_at=self._region is not None)
        self._rejects.add(_apart_from(found, lamps), view, frame.time_s)
        self._meet(frame, view, lamps)

    def _meet(self, frame: Frame, view: View, lamps: list[Lamp]) -> None:
        """Match what a search found with the known sites; open sites for the rest."""
        for lamp in lamps:
            x, y = view.scene_place(lamp.x, lamp.y)
            site = self._nearest(x, y, lamp.radius / view.zoom)
            if site is None:
                if lamp.lamp_odds >= _OPEN_AT:
                    self._open(frame, view, lamp, x, y)
                continue
            self._note(site, frame.time_s, lamp)

    def _nearest(self, x: float, y: float, radius: float) -> Site | None:
        best, nearest = None, np.inf
        for site in self._active:
            distance = np.hypot(site.x + site.drift[0] - x, site.y + site.drift[1] - y)
            reach = max(0.9 * max(site.radius, radius), 2.0)
            if distance < reach and distance < nearest:
                best, nearest = site, distance
        return best

    def _open(self, frame: Frame, view: View, lamp: Lamp, x: float, y: float) -> None:
        site = Site(
            number=len(self.watched.sites),
            scene=view.scene,
            x=x,
            y=y,
            radius=lamp.radius / view.zoom,
            found_s=frame.time_s,
        )
        self._note(site, frame.time_s, lamp)
        # Newest first, so that the place is known well when the walk back reaches its dark past.
        for earlier, earlier_view in reversed(self._at_hand):
            if earlier_view.scene == site.scene:
                site.samples.append(sample(earlier, earlier_view, site, site.drift))
        site.samples.reverse()
        site.drift = np.zeros(2)
        self.watched.sites.append(site)
        self._active.append(site)
        if len(self._active) > _MOST_SITES:
            self._active.remove(min(self._active, key=_worth))

    def _note(self, site: Site, time_s: float, lamp: Lamp) -> None:
        site.spots.append((time_s, lamp))
        site.lamp_odds.append(lamp.lamp_odds)
        peak = float(lamp.spot["peak"]) - float(lamp.spot["ring"])
        site.lit_peak = peak if site.lit_peak == 0 else 0.8 * site.lit_peak + 0.2 * peak
        self._colour_due_s[site.number] = time_s + (
            _COLOUR_LOOK_S if len(site.spots) < _MANY_LOOKS else _LATER_SEARCH_S
        )

    def _look_at_colours(self, frame: Frame, view: View) -> None:
        """Measure lit lamps at full resolution, each every so often."""
        for site in self._active:
            if not site.samples or frame.time_s < self._colour_due_s.get(site.number, 0.0):
                continue
            last = site.samples[-1]
            if bool(last["outside"]) or float(last["peak"]) < 0.6 * site.lit_peak:
                continue
            spot = measure(frame, float(last["x"]), float(last["y"]), site.radius * view.zoom)
            if spot is None or self._figures is None:
                continue
            off = np.hypot(spot["x"] - last["x"], spot["y"] - last["y"])
            if off > max(0.8 * site.radius * view.zoom, 2.0):
                continue
            pointed_at = self._region is not None
            lamps = judge(frame, [spot], self._figures, pointed_at=pointed_at)
            self._colour_due_s[site.number] = frame.time_s + _COLOUR_LOOK_S
            if lamps:
                self._note(site, frame.time_s, lamps[0])
            else:
                site.lamp_odds.append(0.0)


def _apart_from(candidates: NDArray[np.void], lamps: list[Lamp]) -> NDArray[np.void]:
    """Candidates that none of the lamps covers."""
    keep = np.ones(len(candidates), bool)
    for lamp in lamps:
        distance = np.hypot(candidates["x"] - lamp.x, candidates["y"] - lamp.y)
        keep &= distance > 1.5 * lamp.radius + 1.0
    return candidates[keep]


def _worth(site: Site) -> float:
    return float(np.mean(site.lamp_odds)) * min(len(site.lamp_odds), 10)
