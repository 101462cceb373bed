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
from mastread.vision.limits import limits
from mastread.vision.look import Lamp, candidates_in, judge, measure_all, within
from mastread.vision.measure import measure
from mastread.vision.motion import CameraMotion, View
from mastread.vision.rejects import Rejects
from mastread.vision.sites import Site, sample
from mastread.vision.whereabouts import drift_of, join_sites

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
#: Seconds without a frame after which what happened meanwhile counts as not seen; in a clip of few
#: frames a second, four times what is usual in it.
_GAP_S: Final = 0.5
#: Views kept, seconds between tidying up, and scenes remembered while a stream runs for hours.
_LAST_VIEWS: Final = 900
_TIDY_S: Final = 20.0
_MOST_STAGES: Final = 12
#: A frame in which the same lamps are larger by this factor shows the mast better.
_NEARER: Final = 1.3


@dataclass(slots=True)
class Watched:
    """What a clip showed: all sites, and the view of each frame.

    Attributes
    ----------
    sites : every place where a lamp was seen
    views : (time_s, view) of the last frames
    best_frames : by scene, the frame (and its view) in which most lamps were lit: the one in which
        heads without light are looked for
    """

    sites: list[Site] = field(default_factory=list)
    views: deque[tuple[float, View]] = field(default_factory=lambda: deque(maxlen=_LAST_VIEWS))
    best_frames: dict[int, tuple[Frame, View]] = field(default_factory=dict)


@dataclass(slots=True)
class _Stage:
    """What is going on in one scene; it waits while the camera looks elsewhere.

    Attributes
    ----------
    most_lit, largest : lamps that were lit in the best frame, and their typical radius there
    """

    start_s: float
    active: list[Site] = field(default_factory=list)
    rejects: Rejects = field(default_factory=Rejects)
    searches: int = 0
    search_due_s: float = 0.0
    near_due_s: float = 0.0
    most_lit: int = 0
    largest: float = 0.0


class Watcher:
    """Takes the frames of a clip one by one; `watched` holds the result."""

    def __init__(self, region: tuple[int, int, int, int] | None = None) -> None:
        self.watched = Watched()
        self._motion = CameraMotion()
        self._region = region
        self._at_hand: deque[tuple[Frame, View]] = deque()
        self._stages: dict[int, _Stage] = {}
        self._scene = -1
        self._stage = _Stage(0.0)
        self._sites = 0
        self._colour_due_s: dict[int, float] = {}
        self._figures: Scene | None = None
        self._last: tuple[int, float] | None = None
        self._tidy_due_s = _TIDY_S
        self._steps_s: deque[float] = deque(maxlen=15)

    def add(self, frame: Frame) -> None:
        """Take the next frame."""
        planes = frame.planes()
        view = self._motion.update(planes.y)
        now = frame.time_s
        for young, way in view.joined:
            self._join(young, view.scene, way)
        if view.scene != self._scene:
            self._go_to(view.scene, frame)
        elif self._last is not None and now - self._last[1] > self._longest_gap():
            # What happened while no frame came is not known.
            for site in self._stage.active:
                site.miss(self._last[0], self._last[1] + 1e-3)
                site.miss(frame.index, now - 1e-3)
        if self._last is not None:
            self._steps_s.append(now - self._last[1])
        self._last = frame.index, now
        self.watched.views.append((now, view))
        stage = self._stage
        if not view.sure:
            for site in stage.active:
                site.miss(frame.index, now)
            self._at_hand.clear()
            return
        self._keep_at_hand(frame, view)
        for site in stage.active:
            site.add(sample(frame, view, site, drift_of(site, stage.active)))
        if now >= stage.search_due_s - 1e-6:
            self._figures = scene_of(planes)
            self._search(frame, view, self._region, _FULL_CANDIDATES)
            stage.searches += 1
            stage.search_due_s = self._next_search(now)
            stage.near_due_s = now + _NEAR_SEARCH_S
            self._keep_best(frame, view)
        elif now >= stage.near_due_s and stage.active:
            self._search_near(frame, view)
            stage.near_due_s = now + _NEAR_SEARCH_S
        self._look_at_colours(frame, view)
        if now >= self._tidy_due_s:
            self._tidy(now)

    def _longest_gap(self) -> float:
        """Seconds that may pass between two frames with nothing missed."""
        if len(self._steps_s) < 3:
            return np.inf
        return max(_GAP_S, 4.0 * float(np.median(self._steps_s)))

    def forget_before(self, time_s: float) -> None:
        """Drop what was seen before a time, so that a stream may run for hours.

        Places that are no longer watched and have nothing left to say are dropped.
        """
        for site in self.watched.sites:
            site.forget_before(time_s)
        watched = {id(site) for stage in self._stages.values() for site in stage.active}
        self.watched.sites = [
            site for site in self.watched.sites if id(site) in watched or site.count
        ]
        for number, stage in list(self._stages.items()):
            if number != self._scene and len(self._stages) > _MOST_STAGES:
                gone = {id(site) for site in stage.active}
                self.watched.sites = [s for s in self.watched.sites if id(s) not in gone]
                self.watched.best_frames.pop(number, None)
                del self._stages[number]
        kept = {site.number for site in self.watched.sites}
        self._colour_due_s = {n: due for n, due in self._colour_due_s.items() if n in kept}

    def _go_to(self, scene: int, frame: Frame) -> None:
        """The camera looks at another scene, new or known: places of the last are out of view."""
        now = frame.time_s
        for site in self._stage.active:
            site.miss(frame.index, now)
        self._at_hand.clear()
        self._scene = scene
        self._stage = self._stages.setdefault(scene, _Stage(now))
        self._stage.search_due_s = now
        if self._last is not None:
            for site in self._stage.active:
                site.miss(*self._last)

    def _join(self, young: int, old: int, way: NDArray[np.float64]) -> None:
        """Places of a scene that turned out to be a part of another count to that."""
        stage = self._stages.pop(young, None)
        if stage is None:
            return
        target = self._stages.setdefault(old, _Stage(stage.start_s))
        moved = [site for site in self.watched.sites if site.scene == young]
        gone = join_sites(moved, old, way, target.active)
        self.watched.sites = [site for site in self.watched.sites if id(site) not in gone]
        target.active += [site for site in stage.active if id(site) not in gone]
        self.watched.best_frames.pop(young, None)
        if self._scene == young:
            self._stage = _Stage(stage.start_s)

    def _tidy(self, now: float) -> None:
        """What is no lamp by many looks needs no long memory."""
        self._tidy_due_s = now + _TIDY_S
        doubtful_at = limits("lamps")["doubtful_at"]
        for site in self.watched.sites:
            odds = site.lamp_odds
            if len(odds) >= _MANY_LOOKS and float(np.median(odds)) < doubtful_at:
                site.forget_before(now - _TIDY_S)

    def _next_search(self, now: float) -> float:
        if self._stage.searches < len(_FIRST_SEARCHES_S):
            due = self._stage.start_s + _FIRST_SEARCHES_S[self._stage.searches]
            return max(due, now)
        return now + _LATER_SEARCH_S

    def _keep_at_hand(self, frame: Frame, view: View) -> None:
        self._at_hand.append((frame, view))
        while len(self._at_hand) > 1 and (
            len(self._at_hand) > _MOST_AT_HAND
            or frame.time_s - self._at_hand[0][0].time_s > _AT_HAND_S
        ):
            self._at_hand.popleft()

    def _keep_best(self, frame: Frame, view: View) -> None:
        lit = [
            float(site.samples[-1]["r"])
            for site in self._stage.active
            if site.samples and float(site.samples[-1]["peak"]) > 0.5 * site.lit_peak
        ]
        if not lit:
            return
        stage, size = self._stage, float(np.median(lit))
        nearer = len(lit) == stage.most_lit and size > _NEARER * stage.largest
        if len(lit) > stage.most_lit or nearer:
            stage.most_lit, stage.largest = len(lit), size
            self.watched.best_frames[view.scene] = (frame, view)

    def _search_near(self, frame: Frame, view: View) -> None:
        places = [
            tuple(float(site.samples[-1][name]) for name in ("x", "y", "r"))
            for site in self._stage.active
            if site.samples and max(site.lamp_odds, default=0.0) > 0.5
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
        found = self._stage.rejects.new(candidates_in(frame, box, most), view, frame.time_s)
        if not len(found) or self._figures is None:
            return
        spots = within(measure_all(frame, found), self._region)
        lamps = judge(frame, spots, self._figures, pointed_at=self._region is not None)
        self._stage.rejects.add(_apart_from(found, lamps), view, frame.time_s)
        self._meet(frame, view, lamps)

    def _meet(self, frame: Frame, view: View, lamps: list[Lamp]) -> None:
        """Match what a search found with the known sites; open sites for the rest."""
        for lamp in lamps:
            x, y = view.scene_place(lamp.x, lamp.y)
            site = self._nearest(view, lamp)
            if site is None:
                if lamp.lamp_odds >= _OPEN_AT:
                    self._open(frame, view, lamp, x, y)
                continue
            self._note(site, frame.time_s, view, lamp)
            if site.samples and float(site.samples[-1]["peak"]) < 0.5 * site.lit_peak:
                # It was looked for beside the lamp, and found nothing there.
                site.drift = np.array([lamp.x, lamp.y]) - view.place(site.x, site.y)

    def _nearest(self, view: View, lamp: Lamp) -> Site | None:
        """The known site that a lamp of the present frame belongs to."""
        best, nearest = None, np.inf
        for site in self._stage.active:
            x, y = view.place(site.x, site.y) + site.drift
            distance = np.hypot(x - lamp.x, y - lamp.y)
            radius = site.radius * site.growth * view.zoom
            reach = max(0.9 * max(radius, lamp.radius), 2.0)
            if distance < reach and distance < nearest:
                best, nearest = site, distance
        return best

    def _open(self, frame: Frame, view: View, lamp: Lamp, x: float, y: float) -> None:
        site = Site(
            number=self._sites,
            scene=view.scene,
            x=x,
            y=y,
            radius=lamp.radius / view.zoom,
            found_s=frame.time_s,
        )
        self._sites += 1
        self._note(site, frame.time_s, view, lamp)
        # Newest first, so that the place is known well when the walk back reaches its dark past.
        for earlier, earlier_view in reversed(self._at_hand):
            if earlier_view.scene == site.scene:
                site.samples.append(sample(earlier, earlier_view, site, site.drift))
        site.samples.reverse()
        site.drift = np.zeros(2)
        self.watched.sites.append(site)
        self._stage.active.append(site)
        if len(self._stage.active) > _MOST_SITES:
            self._stage.active.remove(min(self._stage.active, key=_worth))

    def _note(self, site: Site, time_s: float, view: View, lamp: Lamp) -> None:
        last = site.samples[-1] if site.samples else None
        # What the edge of the picture cuts off makes no lamp smaller.
        if last is None or not bool(last["outside"]):
            site.note_size(lamp.radius, view.zoom)
        else:
            site.sizes.append(lamp.radius)
        site.spots.append((time_s, lamp))
        site.lamp_odds.append(lamp.lamp_odds)
        peak = float(lamp.spot["peak"]) - float(lamp.spot["ring"])
        site.lit_peak = peak if site.lit_peak == 0 else 0.8 * site.lit_peak + 0.2 * peak
        self._colour_due_s[site.number] = time_s + (
            _COLOUR_LOOK_S if len(site.spots) < _MANY_LOOKS else _LATER_SEARCH_S
        )

    def _look_at_colours(self, frame: Frame, view: View) -> None:
        """Measure lit lamps at full resolution, each every so often."""
        for site in self._stage.active:
            if not site.samples or frame.time_s < self._colour_due_s.get(site.number, 0.0):
                continue
            last = site.samples[-1]
            if bool(last["outside"]) or float(last["peak"]) < 0.6 * site.lit_peak:
                continue
            spot = measure(frame, float(last["x"]), float(last["y"]), float(last["r"]))
            if spot is None or self._figures is None:
                continue
            off = np.hypot(spot["x"] - last["x"], spot["y"] - last["y"])
            if off > max(0.8 * float(last["r"]), 2.0):
                continue
            pointed_at = self._region is not None
            lamps = judge(frame, [spot], self._figures, pointed_at=pointed_at)
            self._colour_due_s[site.number] = frame.time_s + _COLOUR_LOOK_S
            if lamps:
                self._note(site, frame.time_s, view, lamps[0])
            else:
                site.lamp_odds.append(0.0)
                site.sizes.append(float(last["r"]))


def _apart_from(candidates: NDArray[np.void], lamps: list[Lamp]) -> NDArray[np.void]:
    """Candidates that none of the lamps covers."""
    keep = np.ones(len(candidates), bool)
    for lamp in lamps:
        distance = np.hypot(candidates["x"] - lamp.x, candidates["y"] - lamp.y)
        keep &= distance > 1.5 * lamp.radius + 1.0
    return candidates[keep]


def _worth(site: Site) -> float:
    return float(np.mean(site.lamp_odds)) * min(len(site.lamp_odds), 10)
