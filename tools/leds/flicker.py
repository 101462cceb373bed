"""Flicker of a lit lamp that the camera catches: mains or pulse-width dimming, and the cure.

A camera that takes one look per frame sees a fast flicker as a slow one: drive frequency f
appears at ``|f - fps round(f / fps)|``. A shutter that stays open for t lets through
``|sin(pi f t) / (pi f t)|`` of a sinusoidal flicker.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.library import library

Floats = NDArray[np.float64]

#: Mains frequencies of the world, Hz (IEC 60038 names 50 and 60); lamps flicker at twice that,
#: half-wave fed ones at the mains' own.
_MAINS: Final = (50.0, 60.0)
#: How far the mains may wander, as a share (common practice: grids keep within 0.4 %).
_WANDER: Final = 0.002
#: Shutters that cameras offer, seconds.
SHUTTERS: Final = (1 / 25, 1 / 30, 1 / 50, 1 / 60, 1 / 100, 1 / 120, 1 / 200, 1 / 240)
#: Depth (half of the swing over the mean) from which flicker is reported.
_LEAST_DEPTH: Final = 0.01
#: Odds that noise alone makes such a peak.
_CHANCE: Final = 1e-4
#: Rates of pulse-width dimming that are thought of, Hz.
_PWM: Final = (60.0, 2000.0)
_FEWEST: Final = 24


@dataclass(frozen=True, slots=True)
class Flicker:
    """Flicker of one lamp, as the camera saw it.

    Attributes
    ----------
    depth : half of the swing over the mean
    seen_hz : its frequency in the clip; 0 where it only looks like noise from frame to frame
    drives_hz : frequencies of the lamp's supply that would look so, likeliest first
    mains_hz : 50 or 60 where one of them explains it, else None
    shutter_s : the setting that hides it best
    left : share of the flicker which that setting lets through, at the most
    """

    depth: float
    seen_hz: float
    drives_hz: tuple[float, ...]
    mains_hz: float | None
    shutter_s: float
    left: float


def apparent_hz(drive_hz: float, fps: float) -> float:
    """Frequency at which a flicker of `drive_hz` shows at `fps` frames a second."""
    return abs(drive_hz - fps * round(drive_hz / fps))


def let_through(drive_hz: float, shutter_s: float) -> float:
    """Share of a sinusoidal flicker that a shutter lets through."""
    return float(abs(np.sinc(drive_hz * shutter_s)))


def flicker_of(time_s: Floats, flux: Floats) -> Flicker | None:
    """Find flicker in the light of a lamp while it is steadily lit.

    Parameters
    ----------
    time_s, flux : (N,) frames in which it was lit; NaN where not seen
    """
    known = np.isfinite(flux)
    time_s, flux = time_s[known], flux[known]
    if len(flux) < _FEWEST:
        return None
    span = float(time_s[-1] - time_s[0])
    fps = (len(time_s) - 1) / span if span > 0 else 0.0
    gap = float(np.median(np.diff(time_s)))
    if gap > 0:
        fps = 1.0 / gap if abs(fps * gap - 1) > 0.02 else fps
    # Slow drift (exposure, clouds) is no flicker: a straight line and a slow bow are taken out.
    x = (time_s - time_s[0]) / max(span, 1e-9) * 2 - 1
    drift = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, flux, 2))
    rest = flux / np.maximum(drift, 1e-9) - 1.0
    grid = np.arange(1.0 / span, 0.5 * fps + 0.25 / span, 0.2 / span)
    power = library("scipy.signal").lombscargle(
        time_s - time_s[0], rest - rest.mean(), 2 * np.pi * grid, normalize=True
    )
    best = int(np.argmax(power))
    share = float(min(power[best], 1 - 1e-12))
    # Lomb-Scargle: chance of a peak this high in noise, over the independent frequencies.
    chance = len(rest) * (1.0 - share) ** ((len(rest) - 3) / 2)
    depth = float(np.sqrt(2.0) * rest.std())
    if chance > _CHANCE or depth < _LEAST_DEPTH:
        return None
    seen = float(grid[best])
    mains, drives = _drives(seen, fps, span)
    shutter, left = best_shutter(drives, fps)
    return Flicker(depth, seen, drives, mains, shutter, left)


def _drives(seen_hz: float, fps: float, span_s: float) -> tuple[float | None, tuple[float, ...]]:
    """Supplies that show at this frequency: the mains if they do, else every rate of dimming."""
    matches = []
    for mains in _MAINS:
        for drive in (2 * mains, mains):
            room = 1.0 / span_s + _WANDER * drive
            miss = abs(apparent_hz(drive, fps) - seen_hz)
            if miss <= room:
                matches.append((miss / room, mains, drive))
    if matches:
        matches.sort()
        return matches[0][1], tuple(dict.fromkeys(drive for _, _, drive in matches))
    low, high = _PWM
    drives = sorted(
        {
            round(n * fps + sign * seen_hz, 2)
            for n in range(int(high / fps) + 2)
            for sign in (1, -1)
            if low <= n * fps + sign * seen_hz <= high
        }
    )
    return None, tuple(drives)


def best_shutter(drives_hz: tuple[float, ...], fps: float) -> tuple[float, float]:
    """The shutter that hides the worst of some drives best, and what it lets through.

    A shutter cannot be longer than a frame; of equals the shortest is taken, because lamps
    burn out.
    """
    choices = [s for s in SHUTTERS if s <= 1.0 / fps * 1.001] or [min(SHUTTERS)]
    worst = [(max((let_through(d, s) for d in drives_hz), default=0.0), s) for s in choices]
    left, shutter = min(worst, key=lambda one: (round(one[0], 3), one[1]))
    return shutter, left


@dataclass(frozen=True, slots=True)
class Bands:
    """Stripes that a rolling shutter draws across a lamp: rows from one to the next, and depth."""

    rows: float
    depth: float


def bands_of(rise: Floats) -> Bands | None:
    """Find stripes in (H, W) light of one lamp over its surround, unclipped.

    Light that is even across each row but swings from row to row is drawn by the shutter; a
    lamp's own structure is not like that.
    """
    # The middle columns of the lamp, over which a round lamp is as high everywhere.
    across, down = rise.mean(axis=0), rise.mean(axis=1)
    wide = np.flatnonzero(across > 0.5 * across.max())
    tall = np.flatnonzero(down > 0.25 * down.max())
    if len(wide) < 6 or len(tall) < 16:
        return None
    quarter = len(wide) // 4
    middle = rise[:, wide[quarter] : wide[-1 - quarter] + 1].mean(axis=1)
    rows = np.arange(tall[0] + 1, tall[-1])
    profile = middle[rows]
    x = np.linspace(-1, 1, len(rows))
    smooth = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, profile, 2))
    rest = profile / np.maximum(smooth, 1e-9) - 1.0
    inner = rest[1:-1]
    grid = np.arange(1.5 / len(inner), 0.45, 0.1 / len(inner))
    power = library("scipy.signal").lombscargle(
        np.arange(len(inner)).astype(float), inner - inner.mean(), 2 * np.pi * grid, normalize=True
    )
    best = int(np.argmax(power))
    depth = float(np.sqrt(2.0) * inner.std())
    if power[best] < 0.6 or depth < 0.06:
        return None
    return Bands(1.0 / float(grid[best]), depth)
