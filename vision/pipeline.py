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

from mastread.vision import masts
from mastread.vision.coarse import doubt_coarse
from mastread.vision.darkheads import DarkHead, Found, find_heads
from mastread.vision.errors import MediaError
from mastread.vision.frame import Frame
from mastread.vision.inphase import doubt_common_beats
from mastread.vision.landmarks import inverse
from mastread.vision.lenses import heads_of
from mastread.vision.limits import limits
from mastread.vision.links import row_judge_of
from mastread.vision.media import kind_of
from mastread.vision.net import softmax
from mastread.vision.photo import open_photo
from mastread.vision.rows import find_rows
from mastread.vision.sites import Site, without_twins
from mastread.vision.spans import Head, head_of, spans_of
from mastread.vision.stills import ROW_NOTE, box_of, is_mast, see_photo
from mastread.vision.types import (
    Hints,
    LightCurve,
    MastSeen,
    Seen,
    SourceInfo,
)
from mastread.vision.unseen import or_else, with_doubtful
from mastread.vision.video import open_video
from mastread.vision.watch import Watched, Watcher
from mastread.vision.whereabouts import settle_places

Progress = Callable[[float], None]
#: Heads without light by the places of the lit ones in a frame, and the odds of one not found.
DarkKnown = dict[tuple[int, ...], Found]
_MOST_KNOWN: Final = 50

#: A lamp counts as seen in a clip if this many looks agree.
_FEWEST_LOOKS: Final = 3
#: So many looks in a row, a second and a half and more, are enough to know a lamp by.
_LOOKS_IN_A_ROW: Final = 15


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
        rows = _perhaps_rows(watched, scene, heads)
        for group in groups:
            members = doubt_common_beats([heads[i] for i in group.members])
            odds = [_odds_of(lens.site) for head in members for lens in head.lenses]
            if not is_mast(odds, hints):
                continue
            others = [head for i, head in enumerate(heads) if i not in group.members]
            dark, unseen, dwarf = _dark_in_clip(
                watched, scene, members, others, doubtful, hints, known_dark
            )
            if hints.heads is None:
                unseen = or_else(unseen, group)
            in_row = max(rows.get(i, 0.0) for i in group.members)
            unseen = max(unseen, in_row)
            number = len(seen) + 1
            mast = _clip_mast(number, members, dark, unseen, group.staggered, hints)
            if mast.spans:
                numbers = {lens.site.number for head in members for lens in head.lenses}
                mast = _completed(mast, dwarf, (ROW_NOTE,) if in_row > 0.0 else ())
                seen.append((mast, frozenset(numbers)))
    return seen


def _perhaps_rows(watched: Watched, scene: int, heads: list[Head]) -> dict[int, float]:
    """Heads, by index, that may be lamps of one position light, and how likely that is."""
    if scene not in watched.best_frames:
        return {}
    frame, view = watched.best_frames[scene]
    spots = [(*view.place(head.x, head.y), head.radius * view.zoom) for head in heads]
    odds = [softmax(head.lenses[0].colour_scores()) for head in heads]
    table = np.array(spots, np.float64).reshape(-1, 3)
    rows = find_rows(table, np.array(odds).reshape(-1, 6), row_judge_of(frame, spots))
    return {i: row.odds for row in rows for i in row.members}


def _completed(mast: MastSeen, dwarf: float | None, notes: tuple[str, ...]) -> MastSeen:
    """A mast with what holds for all of its spans."""
    spans = []
    for span in mast.spans:
        evidence = replace(span.evidence, dwarf=dwarf, notes=(*span.evidence.notes, *notes))
        spans.append(replace(span, evidence=evidence))
    return replace(mast, spans=tuple(spans))


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
    box = box_of(shown[len(shown) // 2].heads) if shown else (0.0, 0.0, 0.0, 0.0)
    return MastSeen(number, box, tuple(spans), curves, _path(heads))


def _dark_in_clip(
    watched: Watched,
    scene: int,
    heads: list[Head],
    others: list[Head],
    doubtful: list[Site],
    hints: Hints,
    known: DarkKnown | None = None,
) -> tuple[list[DarkHead], float, float | None]:
    """Heads of one mast that never shone, in the scene's coordinates; odds of one not found, and
    of a dwarf."""
    if scene not in watched.best_frames:
        return [], float(limits("heads")["unseen_without_a_look"]), None
    frame, view = watched.best_frames[scene]
    lit = [(*view.place(head.x, head.y), head.radius * view.zoom) for head in heads]
    key = (scene, frame.index, *(round(value) for place in lit for value in place))
    found = known.get(key) if known is not None else None
    if found is None:
        near = [(*view.place(head.x, head.y), head.radius * view.zoom) for head in others]
        found = find_heads(frame, lit, near, told=hints.heads, clip=True)
        if known is not None:
            if len(known) >= _MOST_KNOWN:
                known.clear()
            known[key] = found
    unseen = found.unseen
    if hints.heads is None:
        places = [(head.x, head.y, head.radius) for head in heads]
        spots = [(site.x, site.y, site.radius, _odds_of(site)) for site in doubtful]
        unseen = with_doubtful(unseen, places, spots)
    return (
        [
            DarkHead(*view.scene_place(place.x, place.y), place.radius / view.zoom, place.odds)
            for place in found.dark
        ],
        unseen,
        found.dwarf,
    )


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
