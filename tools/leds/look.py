"""Open a photo or clip, find its lamps, and measure each in the frames that show it lit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.facts import Facts, facts_of
from mastread.tools.leds.flicker import Bands, bands_of
from mastread.tools.leds.profile import Profile
from mastread.tools.leds.raw import DevelopedFrame, RawFrame, is_raw, open_raw
from mastread.tools.leds.sample import Sample, sample_lamp
from mastread.tools.leds.toned import TonedFrame
from mastread.tools.leds.words import say_led
from mastread.vision.errors import MediaError
from mastread.vision.frame import Frame
from mastread.vision.measure import measure
from mastread.vision.media import kind_of
from mastread.vision.photo import open_photo
from mastread.vision.pipeline import see
from mastread.vision.stills import see_photo
from mastread.vision.types import Hints, MastSeen, SourceInfo
from mastread.vision.video import open_video

Floats = NDArray[np.float64]

#: Radii with which a lamp is looked for where a person pointed, pixels.
_GUESSES: Final = (4.0, 10.0, 25.0, 60.0)
#: Frames of a clip in which a lamp's colour is measured.
_LOOKS: Final = 9


@dataclass(frozen=True, slots=True)
class Place:
    """A lamp's place: told by a person or found; `mast` and `head` are 0 where it was told."""

    x: float
    y: float
    radius: float
    mast: int = 0
    head: int = 0
    meant: str | None = None
    #: (N, 3) time, dx, dy: where it stood against (x, y) in a clip
    path: Floats = field(default_factory=lambda: np.zeros((0, 3)))


@dataclass(frozen=True, slots=True)
class Told:
    """A place that a person named, and the colour it is meant to show, if told."""

    x: float
    y: float
    meant: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Lit:
    """One lamp as measured.

    Attributes
    ----------
    sample : in the frame (or the middle of the frames) that shows it best; None where it was
        never seen
    crop : (h, w, 3) uint8 picture of it
    time_s, flux : its light in every frame of a clip; empty in a photo
    bands : stripes drawn by a rolling shutter
    """

    place: Place
    sample: Sample | None
    crop: NDArray[np.uint8]
    time_s: Floats
    flux: Floats
    bands: Bands | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """A file's lamps, and the frame by which the picture as a whole is judged."""

    source: SourceInfo
    facts: Facts
    linear: bool
    frame: Frame
    lamps: tuple[Lit, ...]
    warnings: tuple[str, ...] = ()


def look_at(path: Path, told: Sequence[Told], hints: Hints, profile: Profile | None) -> Looked:
    """Find and measure the lamps of a file.

    Raises
    ------
    MediaError
        If it cannot be read.
    """
    if not is_raw(path) and kind_of(path) == "video":
        return _look_at_clip(path, told, hints, profile)
    frame: Frame = open_raw(path) if is_raw(path) else open_photo(path)
    source = SourceInfo(str(path), "photo", frame.width, frame.height)
    finding: Frame = DevelopedFrame(frame) if isinstance(frame, RawFrame) else frame
    if told:
        places = [_told_place(finding, one) for one in told]
    else:
        places = _lit_places(see_photo(finding, source, hints).masts)
    linear = isinstance(frame, RawFrame)
    measured = _toned(frame, profile)
    lamps = tuple(_lit_in_photo(measured, place, linear, profile) for place in places)
    warnings = tuple(getattr(frame, "warnings", ()))
    return Looked(source, facts_of(path), linear, frame, lamps, warnings)


def _toned(frame: Frame, profile: Profile | None) -> Frame:
    return frame if profile is None or profile.form == "raw" else TonedFrame(frame, profile.tone)


def _told_place(frame: Frame, told: Told) -> Place:
    """Settle on the spot that a person pointed to; radius 0 where there is none."""
    if not (0 <= told.x < frame.width and 0 <= told.y < frame.height):
        where = f"{told.x:g},{told.y:g}"
        size = f"{frame.width} x {frame.height}"
        raise MediaError(say_led("error.at.name"), say_led("error.at.outside", where=where,
                         size=size), say_led("error.at.cure"))  # fmt: skip
    for guess in _GUESSES:
        spot = measure(frame, told.x, told.y, guess)
        if spot is None:
            continue
        apart = float(np.hypot(spot["x"] - told.x, spot["y"] - told.y))
        if apart <= 1.5 * float(spot["radius"]) + 3.0:
            return Place(float(spot["x"]), float(spot["y"]), float(spot["radius"]),
                         meant=told.meant)  # fmt: skip
    return Place(told.x, told.y, 0.0, meant=told.meant)


def _lit_places(masts: Sequence[MastSeen]) -> list[Place]:
    """Lit heads of all masts, in the middle of the span in which most of them shine."""
    places = []
    for mast in masts:
        best: dict[int, Place] = {}
        for span in mast.spans:
            for number, head in enumerate(span.heads, start=1):
                if head.behaviour_odds["dark"] > 0.5 or "hidden" in head.flags:
                    continue
                if max(head.colour_odds.values()) < 0.2:
                    continue
                best.setdefault(
                    number,
                    Place(head.x, head.y, head.radius, mast.mast, number, path=mast.path),
                )
        places += [best[number] for number in sorted(best)]
    return places


def _lit_in_photo(frame: Frame, place: Place, linear: bool, profile: Profile | None) -> Lit:
    none = np.zeros(0)
    crop = _picture(frame, place)
    if place.radius <= 0:
        return Lit(place, None, crop, none, none)
    sample = sample_lamp(
        frame, place.x, place.y, place.radius, linear=linear, tone_known=profile is not None
    )
    return Lit(place, sample, crop, none, none, _bands(frame, place, sample))


def _bands(frame: Frame, place: Place, sample: Sample) -> Bands | None:
    if place.radius < 8:
        return None
    half = int(place.radius * 1.2)
    x0, y0 = max(0, round(place.x) - half), max(0, round(place.y) - half)
    x1, y1 = min(frame.width, x0 + 2 * half + 1), min(frame.height, y0 + 2 * half + 1)
    light = frame.linear(x0, y0, x1, y1).astype(np.float64)
    return bands_of(light.max(axis=2) - float(sample.surround.max()))


def _picture(frame: Frame, place: Place) -> NDArray[np.uint8]:
    """A square crop round a lamp as the picture shows it."""
    half = int(np.clip(np.ceil(3.0 * max(place.radius, 3.0)), 12, 160))
    x0, y0 = max(0, round(place.x) - half), max(0, round(place.y) - half)
    x1, y1 = min(frame.width, x0 + 2 * half + 1), min(frame.height, y0 + 2 * half + 1)
    return np.asarray(frame.coded(x0, y0, x1, y1) * 255.0 + 0.5).astype(np.uint8)


# --- clips ----------------------------------------------------------------------------------


def _look_at_clip(
    path: Path, told: Sequence[Told], hints: Hints, profile: Profile | None
) -> Looked:
    with open_video(path) as video:
        source = SourceInfo(str(path), "video", video.width, video.height, video.duration_s, None)
        places = _told_in_clip(path, told) if told else _lit_places(see(path, hints).masts)
        curves = _curves(path, places)
        frames = _best_frames(path, places, curves)
        if frames is None:
            raise MediaError(path, say_led("error.no_frames"), say_led("error.no_frames_cure"))
        first, samples = frames
        lamps = []
        for number, place in enumerate(places):
            time_s, flux = curves[number]
            looks = [
                (frame, sample_lamp(_toned(frame, profile), x, y, place.radius, linear=False,
                                    tone_known=profile is not None))
                for frame, x, y in samples[number]
            ] if place.radius > 0 else []  # fmt: skip
            best = _middle([sample for _, sample in looks])
            at = next((f for f, s in looks if s is best), first)
            crop = _picture(at, place)
            bands = _bands(at, place, best) if best is not None else None
            lamps.append(Lit(place, best, crop, time_s, flux, bands))
        return Looked(source, Facts(), False, first, tuple(lamps), tuple(video.warnings))


def _told_in_clip(path: Path, told: Sequence[Told]) -> list[Place]:
    """Places that a person named, settled in the frame that shows each brightest."""
    best: list[tuple[float, Place | None]] = [(-1.0, None)] * len(told)
    with open_video(path) as video:
        for frame in video:
            if frame.index % 5:
                continue
            for i, one in enumerate(told):
                if not (2 <= one.x < frame.width - 2 and 2 <= one.y < frame.height - 2):
                    _told_place(frame, Told(-1, -1) if one.x < 0 or one.y < 0 else one)
                    continue
                x, y = round(one.x), round(one.y)
                light = float(frame.linear(x - 2, y - 2, x + 3, y + 3).max(axis=2).mean())
                if light > best[i][0]:
                    best[i] = light, _told_place(frame, one)
    return [place or Place(one.x, one.y, 0.0, meant=one.meant) for (_, place), one in
            zip(best, told, strict=True)]  # fmt: skip


def _at(place: Place, time_s: float) -> tuple[float, float]:
    if not len(place.path):
        return place.x, place.y
    dx = float(np.interp(time_s, place.path[:, 0], place.path[:, 1]))
    dy = float(np.interp(time_s, place.path[:, 0], place.path[:, 2]))
    return place.x + dx, place.y + dy


def _curves(path: Path, places: Sequence[Place]) -> list[tuple[Floats, Floats]]:
    """Light of each place in every frame."""
    times: list[float] = []
    light: list[list[float]] = [[] for _ in places]
    with open_video(path) as video:
        for frame in video:
            times.append(frame.time_s)
            for i, place in enumerate(places):
                light[i].append(_flux(frame, *_at(place, frame.time_s), max(place.radius, 2.0)))
    time_s = np.array(times)
    return [(time_s, np.array(values)) for values in light]


def _flux(frame: Frame, x: float, y: float, radius: float) -> float:
    """Light of the strongest channel over the surround, summed over a lamp; NaN outside."""
    half = int(np.ceil(3.0 * radius + 3))
    x0, y0 = round(x) - half, round(y) - half
    x1, y1 = x0 + 2 * half + 1, y0 + 2 * half + 1
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, frame.width), min(y1, frame.height)
    if x1 - x0 < 4 or y1 - y0 < 4:
        return float("nan")
    light = frame.linear(x0, y0, x1, y1)
    rows, columns = np.mgrid[y0:y1, x0:x1]
    distance = np.hypot(columns - x, rows - y)
    ring = distance > 2.0 * radius + 1.5
    over = light - np.median(light[ring], axis=0)
    return float(over[distance <= 1.3 * radius + 1.0].sum(axis=0).max())


def _best_frames(
    path: Path, places: Sequence[Place], curves: Sequence[tuple[Floats, Floats]]
) -> tuple[Frame, list[list[tuple[Frame, float, float]]]] | None:
    """A frame of the clip, and for each place frames, spread over the clip, that show it lit."""
    wanted: dict[int, list[int]] = {}
    for i, (_, flux) in enumerate(curves):
        known = np.isfinite(flux)
        if not known.any():
            continue
        lit = np.flatnonzero(known & (np.nan_to_num(flux) > 0.85 * np.nanpercentile(flux, 90)))
        for k in lit[np.linspace(0, len(lit) - 1, min(_LOOKS, len(lit))).astype(int)]:
            wanted.setdefault(int(k), []).append(i)
    first: Frame | None = None
    out: list[list[tuple[Frame, float, float]]] = [[] for _ in places]
    with open_video(path) as video:
        for number, frame in enumerate(video):
            if first is None:
                frame.planes()
                first = frame
            for i in wanted.get(number, ()):
                frame.planes()
                out[i].append((frame, *_at(places[i], frame.time_s)))
    return None if first is None else (first, out)


def _middle(samples: Sequence[Sample]) -> Sample | None:
    """The sample in the middle of all by the share of its weaker channels."""
    good = [sample for sample in samples if sample.tint is not None]
    if not good:
        return samples[0] if samples else None
    shares = [float(np.sum(s.tint.rgb)) for s in good if s.tint is not None]
    return good[int(np.argsort(shares)[len(shares) // 2])]
