"""From a media file to what its masts showed: the whole way in one place.

media -> frames -> lamps -> tracks (light curves) -> colour, behaviour -> heads -> masts
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from copy import copy
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.vision import masts
from mastread.vision.coarse import doubt_coarse
from mastread.vision.darkheads import DarkHead, find_dark_heads, shifted_odds
from mastread.vision.errors import MediaError
from mastread.vision.frame import Frame
from mastread.vision.inphase import doubt_common_beats
from mastread.vision.landmarks import inverse
from mastread.vision.lenses import heads_of
from mastread.vision.limits import limits
from mastread.vision.look import Lamp, colour_odds, look
from mastread.vision.media import kind_of
from mastread.vision.odds import photo_odds
from mastread.vision.photo import open_photo
from mastread.vision.sites import Site, without_twins
from mastread.vision.spans import NO_COLOUR, Head, head_of, spans_of
from mastread.vision.types import (
    HeadSeen,
    Hints,
    LightCurve,
    MastSeen,
    Seen,
    SourceInfo,
    SpanSeen,
)
from mastread.vision.video import open_video
from mastread.vision.watch import Watched, Watcher
from mastread.vision.whereabouts import settle_places

Progress = Callable[[float], None]
#: Heads without light by the places of the lit ones in a frame, and the odds of one not found.
DarkKnown = dict[tuple[int, ...], tuple[list[DarkHead], float]]
_MOST_KNOWN: Final = 50

#: A lamp counts as seen in a clip if this many looks agree.
_FEWEST_LOOKS: Final = 3
#: So many looks in a row, a second and a half and more, are enough to know a lamp by.
_LOOKS_IN_A_ROW: Final = 15

PHOTO_NOTE: Final = "A photo cannot show whether a lamp flashes."


def see(path: Path, hints: Hints, progress: Progress | None = None) -> Seen:
    """What the camera saw in one photo or video.

    Parameters
    ----------
    path : the file
    hints : what a person told
    progress : called now and then with the share done, 0..1

    Raises
    ------
    MediaError
        The file cannot be read; the message names it and the cure.
    """
    kind = kind_of(path)
    if kind is None:
        raise MediaError(path, "it is neither a picture nor a video", "give a photo or a video")
    if kind == "photo":
        frame = open_photo(path)
        source = SourceInfo(str(path), "photo", frame.width, frame.height)
        return replace(see_photo(frame, source, hints), warnings=tuple(frame.warnings))
    with open_video(path) as video:
        watched, _ = watch(video.moments(), hints, video.duration_s, progress)
        source = SourceInfo(
            str(path), "video", video.width, video.height, video.duration_s, video.coded
        )
        masts_seen = to_the_end(masts_of_clip(watched, hints), watched, video.duration_s)
        return Seen(source, masts_seen, tuple(video.warnings))


# --- photos ---------------------------------------------------------------------------------


def see_photo(frame: Frame, source: SourceInfo, hints: Hints) -> Seen:
    """Masts of one still picture."""
    lamp_at, doubtful_at = limits("lamps")["lamp_at"], limits("lamps")["doubtful_at"]
    spots = look(frame, hints.region)
    lamps = [lamp for lamp in spots if lamp.lamp_odds >= lamp_at]
    doubtful = [lamp for lamp in spots if doubtful_at <= lamp.lamp_odds < lamp_at]
    x, y, radius = (
        np.array([getattr(lamp, name) for lamp in lamps], np.float64)
        for name in ("x", "y", "radius")
    )
    seen: list[MastSeen] = []
    for group in masts.group(x, y, radius):
        members = [lamps[i] for i in group.members]
        if _is_mast([lamp.lamp_odds for lamp in members], hints):
            number = len(seen) + 1
            seen.append(_photo_mast(frame, number, members, doubtful, group, hints))
    return Seen(source, tuple(seen))


def _is_mast(lamp_odds: Iterable[float], hints: Hints) -> bool:
    """Is one of the lamps of a group sure enough that there is a mast at all?

    Where a person pointed to a region, there is; then a likely lamp will do.
    """
    needed = "sure_at" if hints.region is None else "lamp_at"
    return bool(max(lamp_odds) >= limits("lamps")[needed])


def _photo_mast(
    frame: Frame,
    number: int,
    lamps: list[Lamp],
    doubtful: list[Lamp],
    group: masts.Group,
    hints: Hints,
) -> MastSeen:
    heads = [
        HeadSeen(
            colour_odds=colour_odds(lamp.colour_scores),
            behaviour_odds=photo_odds(True),
            x=lamp.x,
            y=lamp.y,
            radius=lamp.radius,
        )
        for lamp in lamps
    ]
    heads, unseen = _with_dark_heads(frame, heads, hints)
    if hints.heads is None:
        places = [(head.x, head.y, head.radius) for head in heads]
        spots = [(lamp.x, lamp.y, lamp.radius, lamp.lamp_odds) for lamp in doubtful]
        unseen = _or_else(with_doubtful(unseen, places, spots), group)
    evidence = MastEvidence(
        heads=tuple(HeadEvidence(head.colour_odds, head.behaviour_odds) for head in heads),
        unseen_head=unseen,
        plates=hints.plates,
        staggered=group.staggered,
        notes=(PHOTO_NOTE,),
    )
    span = SpanSeen(None, None, tuple(heads), evidence)
    return MastSeen(number, _box_of(heads), (span,))


def with_doubtful(
    unseen: float,
    heads: list[tuple[float, float, float]],
    spots: list[tuple[float, float, float, float]],
) -> float:
    """Odds of a head that was not found, with spots in line that may be lit heads of the mast.

    `heads` are (x, y, radius), `spots` (x, y, radius, odds of being a lamp).
    """
    in_line = [odds for x, y, radius, odds in spots if masts.fits(heads, (x, y, radius))]
    return 1.0 - (1.0 - unseen) * float(np.prod([1.0 - odds for odds in in_line]))


def _or_else(unseen: float, group: masts.Group) -> float:
    """Odds of a head that was not found, or that a mast has other heads than was thought.

    A lamp of the next mast may be one of its heads; whatever that changes, it is not to be read.
    """
    settled = group.odds >= limits("chains")["settled"]
    return unseen if settled else 1.0 - (1.0 - unseen) * group.odds


def _with_dark_heads(
    frame: Frame, heads: list[HeadSeen], hints: Hints
) -> tuple[list[HeadSeen], float]:
    """Add heads that show no light; odds that there is one more that cannot be seen."""
    dark, unseen = _dark_heads(frame, [(head.x, head.y, head.radius) for head in heads], hints)
    return sorted([*heads, *map(_dark_head, dark)], key=lambda head: head.y), unseen


def _dark_heads(
    frame: Frame, lit: list[tuple[float, float, float]], hints: Hints
) -> tuple[list[DarkHead], float]:
    """Heads without light beside the lit ones, and the odds that one more is not to be seen.

    Where a person told how many heads the mast has, just so many are looked for; if they are not
    found, one is surely there and unseen.
    """
    found, told = find_dark_heads(frame, lit)
    if hints.heads is not None:
        missing = max(hints.heads - len(lit), 0)
        sure = sorted(found, key=lambda dark: -dark.odds)[:missing]
        return sure, 0.0 if len(sure) == missing else 1.0
    even = 0.5
    sure = [dark for dark in found if dark.odds >= even]
    doubtful = [shifted_odds(dark.odds) for dark in found if dark.odds < even]
    base = limits("heads")["unseen_where_told"] if told else _unseen_where_not_told(lit)
    return sure, float(1.0 - (1.0 - base) * np.prod([1.0 - p for p in doubtful]))


def _unseen_where_not_told(lit: list[tuple[float, float, float]]) -> float:
    """Odds of a head that was not found where only the lamps themselves can be seen."""
    radius = float(np.median([r for _, _, r in lit]))
    return float(next(p for r, p in limits("heads")["unseen_where_not_told"] if radius < r))


def _dark_head(dark: DarkHead) -> HeadSeen:
    return HeadSeen(dict(NO_COLOUR), photo_odds(False), dark.x, dark.y, dark.radius)


def _box_of(heads: Iterable[HeadSeen]) -> tuple[float, float, float, float]:
    heads = list(heads)
    return masts.box(
        np.array([head.x for head in heads]),
        np.array([head.y for head in heads]),
        np.array([head.radius for head in heads]),
    )


# --- clips ----------------------------------------------------------------------------------


def watch(
    frames: Iterable[Frame],
    hints: Hints,
    duration_s: float | None,
    progress: Progress | None = None,
) -> tuple[Watched, int]:
    """Stream a clip's frames through the watcher; what it saw, and how many frames there were."""
    watcher = Watcher(hints.region)
    count = 0
    for frame in frames:
        watcher.add(frame)
        count += 1
        if progress is not None and duration_s and count % 15 == 0:
            progress(min(frame.time_s / duration_s, 1.0))
    return watcher.watched, count


def masts_of_clip(watched: Watched, hints: Hints) -> tuple[MastSeen, ...]:
    """Masts of a clip, scene after scene, left to right."""
    return tuple(mast for mast, _ in masts_with_sites(watched, hints))


def masts_with_sites(
    watched: Watched, hints: Hints, known_dark: DarkKnown | None = None
) -> list[tuple[MastSeen, frozenset[int]]]:
    """Masts of a clip, each with the numbers of the sites of its lamps.

    Parameters
    ----------
    known_dark : remembers heads without light from call to call, for a stream that is looked at
        again and again while it runs
    """
    seen: list[tuple[MastSeen, frozenset[int]]] = []
    scenes = sorted({site.scene for site in watched.sites})
    for scene in scenes:
        # Copies, so that a stream may be watched on.
        all_sites = [copy(site) for site in watched.sites if site.scene == scene]
        if scene in watched.best_frames:
            best, view = watched.best_frames[scene]
            settle_places(all_sites, best.index, view.zoom, inverse(view.matrix))
        sites = without_twins([site for site in all_sites if _is_lamp(site)])
        doubtful = [site for site in all_sites if _may_be_lamp(site)]
        heads = [doubt_coarse(head_of(lenses)) for lenses in heads_of(sites)]
        heads = [head for head in heads if head.parts]
        groups = masts.group(
            np.array([head.x for head in heads]),
            np.array([head.y for head in heads]),
            np.array([head.radius for head in heads]),
        )
        for group in groups:
            members = doubt_common_beats([heads[i] for i in group.members])
            odds = [_odds_of(lens.site) for head in members for lens in head.lenses]
            if not _is_mast(odds, hints):
                continue
            dark, unseen = _dark_in_clip(watched, scene, members, doubtful, hints, known_dark)
            if hints.heads is None:
                unseen = _or_else(unseen, group)
            number = len(seen) + 1
            mast = _clip_mast(number, members, dark, unseen, group.staggered, hints)
            if mast.spans:
                numbers = {lens.site.number for head in members for lens in head.lenses}
                seen.append((mast, frozenset(numbers)))
    return seen


def to_the_end(
    masts_seen: tuple[MastSeen, ...], watched: Watched, duration_s: float | None
) -> tuple[MastSeen, ...]:
    """Masts whose last span lasts until the last frame, drawn out to the end of that frame."""
    if not watched.views or duration_s is None:
        return masts_seen
    last_s = watched.views[-1][0]
    # A duration that lies farther off belongs to sound that goes on, or to a damaged file.
    if not last_s < duration_s <= last_s + 0.5:
        return masts_seen
    out = []
    for mast in masts_seen:
        final = mast.spans[-1]
        if final.end_s is not None and final.end_s >= last_s - 1e-6:
            mast = replace(mast, spans=(*mast.spans[:-1], replace(final, end_s=duration_s)))
        out.append(mast)
    return tuple(out)


def _is_lamp(site: Site) -> bool:
    """Does a place hold a signal lamp, by all looks at it together?"""
    looks = len(site.lamp_odds)
    if looks == 0 or not site.spots:
        return False
    return looks >= _FEWEST_LOOKS and _odds_of(site) >= limits("lamps")["lamp_at"]


def _may_be_lamp(site: Site) -> bool:
    """Was a place looked at as often as a lamp, and left in doubt?"""
    figures = limits("lamps")
    often = len(site.lamp_odds) >= _FEWEST_LOOKS
    return often and figures["doubtful_at"] <= _odds_of(site) < figures["lamp_at"]


def _odds_of(site: Site) -> float:
    """How surely a place holds a lamp, by the middle one of its looks.

    Of a lamp that came nearer, or was zoomed at, those looks count in which it was large; of one
    that was lit for a part of the time, those of the part in which it was taken for a lamp most
    surely: sunlit glass of a dark lens is looked at, too.
    """
    odds, sizes = np.array(site.lamp_odds), np.array(site.sizes)
    if len(sizes) == len(odds):
        large = sizes >= 0.6 * np.percentile(sizes, 90)
        odds = odds[large] if np.count_nonzero(large) >= _FEWEST_LOOKS else odds
    if len(odds) <= _LOOKS_IN_A_ROW:
        return float(np.median(odds))
    rows = np.lib.stride_tricks.sliding_window_view(odds, _LOOKS_IN_A_ROW)
    return float(np.median(rows, axis=1).max())


def _clip_mast(
    number: int,
    heads: list[Head],
    dark: list[DarkHead],
    unseen: float,
    staggered: float | None,
    hints: Hints,
) -> MastSeen:
    spans = spans_of(heads, dark, staggered, unseen, hints)
    curves = tuple(_curve_of(number, index, head) for index, head in enumerate(heads, start=1))
    # A mast is where it was seen, not where it is reckoned to be behind a train.
    seen = [span for span in spans if not all("hidden" in head.flags for head in span.heads)]
    shown = seen or spans
    box = _box_of(shown[len(shown) // 2].heads) if shown else (0.0, 0.0, 0.0, 0.0)
    return MastSeen(number, box, tuple(spans), curves, _path(heads))


def _dark_in_clip(
    watched: Watched,
    scene: int,
    heads: list[Head],
    doubtful: list[Site],
    hints: Hints,
    known: DarkKnown | None = None,
) -> tuple[list[DarkHead], float]:
    """Heads of one mast that never shone, in the scene's coordinates; odds of one not found."""
    places = [(head.x, head.y, head.radius) for head in heads]
    if scene not in watched.best_frames:
        return [], _unseen_where_not_told(places)
    frame, view = watched.best_frames[scene]
    lit = [(*view.place(head.x, head.y), head.radius * view.zoom) for head in heads]
    key = (scene, frame.index, *(round(value) for place in lit for value in place))
    if known is not None and key in known:
        dark, unseen = known[key]
    else:
        dark, unseen = _dark_heads(frame, lit, hints)
        if known is not None:
            if len(known) >= _MOST_KNOWN:
                known.clear()
            known[key] = dark, unseen
    if hints.heads is None:
        spots = [(site.x, site.y, site.radius, _odds_of(site)) for site in doubtful]
        unseen = with_doubtful(unseen, places, spots)
    return [
        DarkHead(*view.scene_place(place.x, place.y), place.radius / view.zoom, place.odds)
        for place in dark
    ], unseen


def _curve_of(mast: int, number: int, head: Head) -> LightCurve:
    """Light of a head: that of whichever lens is brightest."""
    curves = [lens.curve for lens in head.lenses]
    time_s = np.unique(np.concatenate([curve.time_s for curve in curves]))
    flux = np.full(len(time_s), np.nan, np.float32)
    lit = np.full(len(time_s), np.nan, np.float32)
    for curve in curves:
        at = np.searchsorted(time_s, curve.time_s)
        flux[at] = np.fmax(flux[at], curve.flux)
        lit[at] = np.fmax(lit[at], curve.lit)
    return LightCurve(mast, number, time_s, flux, lit)


def _path(heads: list[Head]) -> NDArray[np.float64]:
    """Where the mast stood against its place in the middle of the clip: (N, 3) time, dx, dy."""
    table = max((head.lenses[0].site.table() for head in heads), key=len)
    if not len(table):
        return np.zeros((0, 3))
    middle = table[len(table) // 2]
    return np.stack(
        [
            table["time_s"],
            table["x"].astype(np.float64) - float(middle["x"]),
            table["y"].astype(np.float64) - float(middle["y"]),
        ],
        axis=1,
    )
