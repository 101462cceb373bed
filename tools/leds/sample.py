"""Measure the R, G, B of one lamp alone, from the pixels that can be trusted.

Only pixels between the foot of the glow and the clipping level count: a burnt-out core has lost
its colour. The shares of the channels come from a straight line through the pixels (light of
one channel against that of the strongest), which leaves the surround out by itself. A channel
that has sunk to zero, as saturated colours do in developed pictures, is read only where the
surround lifts it above zero; where nothing does, it counts as cut off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.estimate import Tint
from mastread.tools.leds.settings import settings
from mastread.vision.frame import Frame

Floats = NDArray[np.float64]

#: Rise over the surround that a pixel needs, in scatters of the surround.
_OVER_NOISE: Final = 4.0
_LEAST_PIXELS: Final = 6
#: Share of a lamp's area at clipping from which only its rim counts.
_BURNT: Final = 0.02
#: The darker half of plain noise spreads half as far as the whole; of two grounds, much less.
_TWO_GROUNDS: Final = 4.0
#: Pixels near the light at which a channel sinks to zero are bent already.
_UNBENT_SHARE: Final = 0.7


@dataclass(frozen=True, slots=True)
class Sample:
    """One lamp in one picture.

    Attributes
    ----------
    x, y, radius : pixels
    tint : its R, G, B; None where no pixel can be trusted
    flux : light of the strongest channel summed over the lamp, 1 = one pixel at clipping
    burnt : share of the lamp's area at the clipping level
    pixels : how many pixels the tint rests on
    contrast : top of the lamp over its surround, linear
    noise : scatter of the surround, linear
    surround : (3,) linear R, G, B round the lamp
    elongation : longer over shorter axis of the lit area
    uneven : how far the colour changes across the lamp, as a share of the strongest channel
    touches : the lamp's area reaches the edge of the picture
    """

    x: float
    y: float
    radius: float
    tint: Tint | None
    flux: float
    burnt: float
    pixels: int
    contrast: float
    noise: float
    surround: Floats
    elongation: float
    uneven: float
    touches: bool


def sample_lamp(
    frame: Frame, x: float, y: float, radius: float, *, linear: bool, tone_known: bool
) -> Sample:
    """Measure a lamp.

    Parameters
    ----------
    x, y, radius : where it is, pixels
    linear : the picture is camera raw: its values are proportional to light and not cut at zero
    tone_known : the tone curve of a developed picture is known from a calibration
    """
    s = settings("measure")
    light, left, top_row = _crop(frame, x, y, radius)
    height, width = light.shape[:2]
    rows, columns = np.mgrid[:height, :width]
    distance = np.hypot(columns + left - x, rows + top_row - y)
    r = max(radius, 1.0)
    ring = (distance > 2.2 * r + 2.0) & (distance < 3.6 * r + 6.0)
    if np.count_nonzero(ring) < 8:
        ring = distance > 1.8 * r
    # A ring that is half disc and half sky is not noisy: its darker half is the surround.
    brightness = light.max(axis=2)
    darker = ring & (brightness <= np.median(brightness[ring]))
    if _spread(brightness[ring]) > _TWO_GROUNDS * _spread(brightness[darker]):
        ring = darker
    surround = np.median(light[ring], axis=0)
    over = light - surround
    inside = distance <= 1.15 * r + 0.5
    lead = int(np.argmax(np.maximum(over[inside], 0.0).sum(axis=0)))
    rise = over[..., lead]
    scatter = 1.48 * np.median(np.abs(light[ring] - surround), axis=0) + 2e-4
    peak = float(np.quantile(rise[inside], 0.9))
    near = distance < 2.0 * r + 2.0
    burnt = float((light[inside] >= s["clipped"]).any(axis=1).mean())
    least = max(_OVER_NOISE * float(scatter[lead]), 0.08 * peak)
    good = near & (brightness < s["unbent"]) & (rise > least)
    if burnt > 0.0:
        # Where a core bleeds into its neighbours, sharpening bends the pixels next to it.
        good &= ~_next_to(brightness >= s["clipped"])
    tint, count = _tint(light, over, good, lead, scatter, linear=linear)
    if tint is not None and not linear:
        tint = _with_errors_of_developing(
            tint, r, frame, tone_known=tone_known, burnt=burnt > _BURNT
        )
    return Sample(
        x=x,
        y=y,
        radius=radius,
        tint=tint,
        flux=float(np.maximum(rise[near], 0.0).sum()),
        burnt=burnt,
        pixels=count,
        contrast=peak,
        noise=float(scatter[lead]),
        surround=surround,
        elongation=_elongation(rise, distance, peak, r),
        uneven=_uneven(over, good & inside, lead, tint),
        touches=bool(
            x < 1.2 * r
            or y < 1.2 * r
            or x > frame.width - 1 - 1.2 * r
            or y > frame.height - 1 - 1.2 * r
        ),
    )


def _spread(values: Floats) -> float:
    """Median distance from the median, with a floor of a coded step."""
    return float(np.median(np.abs(values - np.median(values)))) + 2e-4


def mean_of(frame: Frame, box: tuple[int, int, int, int]) -> tuple[Floats, Floats, Floats]:
    """Median linear R, G, B of a patch (x, y, width, height), the standard error of it, and the
    shares of its pixels that are clipped or dark in each channel."""
    x, y, w, h = box
    light = frame.linear(x, y, x + w, y + h).astype(np.float64).reshape(-1, 3)
    middle = np.median(light, axis=0)
    scatter = 1.48 * np.median(np.abs(light - middle), axis=0)
    error = scatter / np.sqrt(max(len(light) / settings("measure")["correlated_px"], 1.0)) + 2e-4
    limit = settings("measure")["clipped"]
    return middle, error, ((light >= limit) | (light <= _floor(linear=False))).mean(axis=0)


def _floor(*, linear: bool) -> float:
    """Linear light at and below which a channel of a developed picture has sunk to zero."""
    return -1.0 if linear else float(settings("measure")["floor_code"]) / 255.0 / 12.92


def _crop(frame: Frame, x: float, y: float, radius: float) -> tuple[Floats, int, int]:
    half = int(np.ceil(3.8 * max(radius, 1.0) + 8))
    left, top = max(0, round(x) - half), max(0, round(y) - half)
    right = min(frame.width, round(x) + half + 1)
    bottom = min(frame.height, round(y) + half + 1)
    return frame.linear(left, top, right, bottom).astype(np.float64), left, top


def _next_to(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels of a mask and their eight neighbours."""
    out = mask.copy()
    for axis in (0, 1):
        forward, back = np.roll(out, 1, axis), np.roll(out, -1, axis)
        out = out | forward | back
    return out


def _tint(
    light: Floats,
    over: Floats,
    good: NDArray[np.bool_],
    lead: int,
    scatter: Floats,
    *,
    linear: bool,
) -> tuple[Tint | None, int]:
    """Shares of the channels by weighted straight lines through the pixels, with their errors."""
    s = settings("measure")
    count = int(np.count_nonzero(good))
    if count < _LEAST_PIXELS:
        return None, count
    rise = over[good][:, lead]
    rgb, variance, cut = np.ones(3), np.zeros(3), np.zeros(3, bool)
    floor = _floor(linear=linear)
    for c in range(3):
        if c == lead:
            continue
        value, raw = over[good][:, c], light[good][:, c]
        keep = rise <= _unsunk(rise, raw <= floor, s["at_floor"])
        fit = _slope(rise[keep], value[keep], float(scatter[c]), float(scatter[lead]))
        if fit is None:
            # Sunk to zero wherever the lamp shines: at or below what is left of it.
            cut[c] = True
            share = np.maximum(value, 0.0) @ rise / float(rise @ rise)
            rgb[c] = share + floor / float(rise.max())
            variance[c] = (floor / float(np.median(rise))) ** 2
            continue
        rgb[c], variance[c] = fit
    variance += s["least_sd"] ** 2
    variance[lead] = 1e-8
    return Tint(rgb, np.diag(variance), cut), count


def _unsunk(rise: Floats, sunk: NDArray[np.bool_], share: float) -> float:
    """Light of the strongest channel up to which a channel has not sunk to zero.

    Chosen by the strongest channel alone, so that what is left is no biased choice.
    """
    if sunk.mean() <= share:
        return float(rise.max())
    order = np.argsort(rise)
    # In a window of neighbours by light, because a running share hides where sinking begins.
    window = max(5, len(order) // 12)
    local = np.convolve(sunk[order], np.ones(window) / window, mode="valid")
    bad = np.flatnonzero(local > share)
    return _UNBENT_SHARE * float(rise[order][bad[0]]) if len(bad) and bad[0] else -1.0


def _slope(
    rise: Floats, value: Floats, sd_value: float, sd_rise: float
) -> tuple[float, float] | None:
    """Slope of value against rise through the origin, and its variance; None with too few.

    The variance is that of the scatter that is seen, with pixels sharing their noise.
    """
    if len(rise) < _LEAST_PIXELS:
        return None
    slope = float(value @ rise / (rise @ rise))
    for _ in range(3):
        rest = value - slope * rise
        scale = max(1.48 * float(np.median(np.abs(rest))), np.hypot(sd_value, slope * sd_rise))
        weight = np.minimum(1.0, 2.5 * scale / np.maximum(np.abs(rest), 1e-9))
        slope = float((weight * value) @ rise / ((weight * rise) @ rise))
    rest = value - slope * rise
    scale = max(1.48 * float(np.median(np.abs(rest))), sd_value)
    freedom = max(len(rise) / settings("measure")["correlated_px"], 1.0) / len(rise)
    variance = scale**2 / (float(rise @ rise) * freedom)
    # An error of the surround moves every pixel alike.
    shift = (sd_value / np.sqrt(40.0) * float(rise.sum()) / float(rise @ rise)) ** 2
    return slope, variance + shift


def _with_errors_of_developing(
    tint: Tint, radius: float, frame: Frame, *, tone_known: bool, burnt: bool
) -> Tint:
    """Add what the tone curve, colour at half resolution, and a burnt core may do to the shares."""
    s = settings("measure")
    share = np.clip(np.abs(tint.rgb), 0.01, 1.0)
    tone = (s["tone_known"] if tone_known else s["tone_unknown"]) * share * np.abs(np.log(share))
    planes = frame.planes()
    halved = planes.u.shape[1] < planes.y.shape[1]
    chroma = s["chroma_px"] / max(radius, 1.0) if halved else 0.0
    lead = int(np.argmax(tint.rgb))
    # Shares below zero are read from the foot of the glow alone.
    foot = s["below_zero"] * np.maximum(-tint.rgb, 0.0)
    # Of a burnt lamp only the rim is left, where colours of lamp and surround are smeared together.
    rim = s["burnt_rim"] * np.maximum(np.abs(tint.rgb), 3.0 * np.maximum(-tint.rgb, 0.0))
    extra = tone**2 + chroma**2 + foot**2 + (rim**2 if burnt else 0.0)
    extra[lead] = 0.0
    return Tint(tint.rgb, tint.covariance + np.diag(extra), tint.cut)


def _elongation(rise: Floats, distance: Floats, peak: float, r: float) -> float:
    lit = (rise > 0.5 * peak) & (distance < 3.0 * r + 3.0)
    rows, columns = np.nonzero(lit)
    if len(rows) < 4:
        return 1.0
    values = np.linalg.eigvalsh(np.cov(np.stack([columns, rows])) + np.eye(2) / 12.0)
    return float(np.sqrt(values[1] / values[0]))


def _uneven(over: Floats, where: NDArray[np.bool_], lead: int, tint: Tint | None) -> float:
    """Difference of the channels' shares between the halves of the lamp, left-right or up-down."""
    if tint is None or np.count_nonzero(where) < 24:
        return 0.0
    rows, columns = np.nonzero(where)
    light = over[where]
    worst = 0.0
    for place in (rows, columns, rows + columns, rows - columns):
        first = place < np.median(place)
        if first.all() or not first.any():
            continue
        a, b = light[first].sum(axis=0), light[~first].sum(axis=0)
        apart = np.abs(a / max(a[lead], 1e-6) - b / max(b[lead], 1e-6))
        worst = max(worst, float(apart.max()))
    return worst
