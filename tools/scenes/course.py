"""How the light of a head goes with time, and how the camera moves.

Times are seconds from the first frame's moment. Light is 0..1 of the lamp's full strength.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour

Rng = np.random.Generator
Floats = NDArray[np.float64]

#: Samples of light per second: four per period of the fastest pulse width modulation drawn here.
GRID_HZ: Final = 4000.0
#: Light before the clip begins, so that filaments have settled.
_LEAD_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Show:
    """What a head is told to show from `start_s` on.

    Attributes
    ----------
    colour : None for dark
    rate_hz : flash rate, None when steady
    duty : lit fraction of each period
    phase : fraction of a period by which the flash is ahead at time 0
    """

    start_s: float
    colour: Colour | None
    rate_hz: float | None = None
    duty: float = 0.5
    phase: float = 0.0


@dataclass(frozen=True, slots=True)
class Lamp:
    """How a lamp follows its current.

    Attributes
    ----------
    kind : LED (follows at once, or over `rise_s`) or filament (first-order warming)
    rise_s, fall_s : time constants
    ripple_hz, ripple : frequency and depth of mains ripple or pulse width modulation; 0 none
    square : the ripple is switched on and off rather than a smooth swell
    ripple_duty : lit share of a switched ripple
    """

    kind: Literal["led", "filament"]
    rise_s: float
    fall_s: float
    ripple_hz: float = 0.0
    ripple: float = 0.0
    square: bool = False
    ripple_duty: float = 0.5


@dataclass(frozen=True, slots=True)
class Changeover:
    """How a head goes from one thing to the next.

    Attributes
    ----------
    gap_s : dark time between
    through : colour that passes by (the vane of a searchlight swinging past), or None
    through_s : how long it is seen
    """

    gap_s: float = 0.0
    through: Colour | None = None
    through_s: float = 0.0


def draw_lamp(rng: Rng, kind: Literal["led", "filament"]) -> Lamp:
    """Draw how a lamp of a kind behaves."""
    if kind == "filament":
        return Lamp(
            "filament",
            float(rng.uniform(0.05, 0.12)),
            float(rng.uniform(0.07, 0.18)),
            float(rng.choice([0.0, 100.0, 120.0])),
            float(rng.uniform(0.0, 0.12)),
        )
    pick = rng.random()
    edge = float(rng.uniform(0.0, 0.02)) if rng.random() < 0.75 else float(rng.uniform(0.02, 0.06))
    if pick < 0.6:
        return Lamp("led", edge, edge)
    if pick < 0.8:
        mains = float(rng.choice([100.0, 120.0]))
        return Lamp("led", edge, edge, mains, float(rng.uniform(0.2, 1.0)))
    rate = float(rng.uniform(180.0, 1000.0))
    return Lamp("led", edge, edge, rate, 1.0, True, float(rng.uniform(0.3, 0.95)))


def light_of(
    shows: Sequence[Show], lamp: Lamp, change: Changeover, duration_s: float
) -> Mapping[Colour, Floats]:
    """Return the light of each colour of a head on a grid of `GRID_HZ`, starting at time 0.

    Parameters
    ----------
    shows : in order of time; the first holds from the beginning
    """
    lead = int(_LEAD_S * GRID_HZ)
    count = int(np.ceil(duration_s * GRID_HZ)) + 1
    time = (np.arange(count + lead) - lead) / GRID_HZ
    orders: dict[Colour, Floats] = {}
    for i, show in enumerate(shows):
        start = -np.inf if i == 0 else show.start_s + (change.gap_s + change.through_s) / 2.0
        end = np.inf
        if i + 1 < len(shows):
            end = shows[i + 1].start_s - (change.gap_s + change.through_s) / 2.0
            if change.through is not None:
                passing = orders.setdefault(change.through, np.zeros_like(time))
                begin = end + change.gap_s / 2.0
                passing[(time >= begin) & (time < begin + change.through_s)] = 1.0
        if show.colour is None:
            continue
        order = orders.setdefault(show.colour, np.zeros_like(time))
        held = (time >= start) & (time < end)
        if show.rate_hz is not None:
            cycle = np.mod(time * show.rate_hz + show.phase, 1.0)
            held &= cycle < show.duty
        order[held] = 1.0
    return {c: _follow(order, lamp, time)[lead:] for c, order in orders.items()}


def through_shutter(light: Floats, start_s: Floats, open_s: float) -> Floats:
    """Return the mean light while the shutter is open, for each opening time."""
    total = np.concatenate([[0.0], np.cumsum(light)]) / GRID_HZ
    grid = np.arange(len(total)) / GRID_HZ
    end = np.interp(start_s + open_s, grid, total)
    begin = np.interp(start_s, grid, total)
    return np.asarray((end - begin) / open_s)


def _follow(order: Floats, lamp: Lamp, time: Floats) -> Floats:
    """Let a lamp follow what it is told, then put the ripple of its supply on it."""
    out = order
    if max(lamp.rise_s, lamp.fall_s) > 1.0 / GRID_HZ:
        out = _warm(order, lamp)
    if lamp.ripple > 0.0 and lamp.ripple_hz > 0.0:
        cycle = np.mod(time * lamp.ripple_hz, 1.0)
        if lamp.square:
            wave = (cycle < lamp.ripple_duty).astype(np.float64)
        else:
            wave = 0.5 - 0.5 * np.cos(2.0 * np.pi * cycle)
        out = out * (1.0 - lamp.ripple + lamp.ripple * wave)
    return np.asarray(out)


def _warm(order: Floats, lamp: Lamp) -> Floats:
    """First-order following with separate time constants; filaments dim faster than they cool."""
    edges = np.flatnonzero(np.diff(order)) + 1
    starts = np.concatenate([[0], edges, [len(order)]])
    out = np.empty_like(order)
    level = float(order[0])
    for a, b in pairwise(starts):
        aim = float(order[a])
        tau = max(1e-6, lamp.rise_s if aim > level else lamp.fall_s)
        steps = np.arange(1, b - a + 1) / GRID_HZ
        out[a:b] = aim + (level - aim) * np.exp(-steps / tau)
        level = float(out[b - 1])
    # Light of a filament rises steeply with its heat; an LED's light is its current.
    return out**1.7 if lamp.kind == "filament" else out


@dataclass(frozen=True, slots=True)
class Path:
    """Camera movement per frame: shift in px, zoom, and exposure factor."""

    dx: Floats
    dy: Floats
    zoom: Floats
    gain: Floats


def draw_path(
    rng: Rng, time_s: Floats, shake_px: float, pan_px: float, zoom: float, drift: float
) -> Path:
    """Draw a hand-held path that starts and ends anywhere within the given reach.

    Parameters
    ----------
    shake_px : greatest shift by the hand, each way
    pan_px : slow shift from first to last frame, in a random direction
    zoom : factor reached at the end; 1 none
    drift : greatest relative change of exposure
    """
    n = len(time_s)
    fps = (n - 1) / max(1e-6, float(time_s[-1] - time_s[0])) if n > 1 else 30.0
    wander = np.stack([_smooth(rng, n, 0.6 * fps) for _ in range(2)])
    jitter = np.stack([_smooth(rng, n, 0.07 * fps) for _ in range(2)])
    peak = np.abs(wander).max() + 1e-9
    shift = shake_px * (0.85 * wander / peak + 0.15 * jitter / (np.abs(jitter).max() + 1e-9))
    if shake_px <= 0.0:
        shift = np.zeros((2, n))
    ramp = np.linspace(-0.5, 0.5, n)
    turn = rng.uniform(0.0, 2.0 * np.pi)
    shift[0] += pan_px * ramp * np.cos(turn)
    shift[1] += 0.3 * pan_px * ramp * np.sin(turn)
    ease = np.clip(np.linspace(-0.3, 1.3, n), 0.0, 1.0)
    zooms = np.exp(np.log(zoom) * ease * ease * (3.0 - 2.0 * ease))
    slow = _smooth(rng, n, 1.2 * fps)
    gain = 1.0 + drift * slow / (np.abs(slow).max() + 1e-9)
    return Path(shift[0], shift[1], zooms, gain)


def with_leave(rng: Rng, path: Path, width: int) -> Path:
    """Return a path that pans away until nothing of the home picture is left, and comes back."""
    n = len(path.dx)
    along = np.linspace(0.0, 1.0, n)
    turn = float(rng.uniform(0.05, 0.15))
    out = np.clip((along - 0.25) / turn, 0.0, 1.0)
    back = np.clip((along - float(rng.uniform(0.55, 0.7))) / turn, 0.0, 1.0)
    ease = out * out * (3.0 - 2.0 * out) - back * back * (3.0 - 2.0 * back)
    side = 1.0 if rng.random() < 0.5 else -1.0
    return Path(path.dx + side * 1.05 * width * ease, path.dy, path.zoom, path.gain)


def repeats(rng: Rng, count: int) -> NDArray[np.intp]:
    """Return which moment each frame shows when a busy camera repeats some frames."""
    order = np.arange(count)
    share = float(rng.uniform(0.02, 0.12))
    for i in range(1, count):
        if rng.random() < share:
            order[i] = order[i - 1]
    return order


def frame_times(rng: Rng, fps: float, duration_s: float, variable: bool) -> Floats:
    """Return presentation times from 0; variable rate jitters and drops some frames."""
    time = np.arange(max(2, round(duration_s * fps))) / fps
    if not variable:
        return np.asarray(time)
    keep = rng.random(len(time)) > 0.06
    keep[0] = keep[-1] = True
    moved = time + rng.normal(0.0, 0.08 / fps, len(time))
    moved -= moved[0]
    return np.asarray(np.maximum.accumulate(moved[keep]) + np.arange(int(keep.sum())) * 1e-4)


def _smooth(rng: Rng, n: int, sigma: float) -> Floats:
    """Gaussian-smoothed white noise with mean near 0."""
    pad = int(4 * sigma) + 4
    noise = rng.standard_normal(n + 2 * pad)
    out = cv2.GaussianBlur(noise.reshape(1, -1), (0, 0), max(0.3, sigma))[0]
    return np.asarray(out[pad : pad + n], np.float64)
