"""A picture of the light curves of a clip: what shone when, and how regularly it flashed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.tools import drawing as d
from mastread.tools.reading import HeadDoc, MastDoc, Reading, SpanDoc
from mastread.tools.sentences import head_words, is_hidden, title
from mastread.tools.texts import clock, say
from mastread.vision.types import LightCurve, Seen

#: Size of the picture and of its parts, pixels.
WIDTH: Final = 1600
UNIT: Final = 26
LABEL_WIDTH: Final = 440
STRIP: Final = 120
GAP: Final = 18
MARGIN: Final = 36

#: Top of a strip, in units of a lamp's typical lit level.
LEAST_TOP: Final = 1.3
LARGEST_TOP: Final = 4.0

#: How strongly the ground is tinted where a lamp was lit.
LIT_TINT: Final = 0.3

#: Distances between the marks of a time axis that people like, seconds.
STEPS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600, 7200)
MOST_MARKS: Final = 12


def draw_curves(seen: Seen, reading: Reading) -> d.Image:
    """Draw the light of every head against time; (height, 1600, 3) uint8 R, G, B.

    `reading` must be the document of `seen`.
    """
    pairs = [
        (mast, doc)
        for mast, doc in zip(seen.masts, reading["masts"], strict=True)
        if any(len(curve.time_s) for curve in mast.curves)
    ]
    notice = d.wrap(say("notice"), WIDTH - 2 * MARGIN, 16, balanced=True)
    blocks = [_block_height(len(mast.curves)) for mast, _ in pairs]
    height = MARGIN + round(UNIT * 1.8) + sum(blocks) + MARGIN + 22 * len(notice)
    if not pairs:
        height += UNIT * 2
    image = np.full((height, WIDTH, 3), d.PAPER, np.uint8)
    y = MARGIN + UNIT
    d.write(image, (MARGIN, y), say("curves.title"), round(UNIT * 1.2), d.TEXT, d.STRONG)
    y += round(UNIT * 0.8)
    if not pairs:
        d.write(image, (MARGIN, y + UNIT), say("curves.none"), 20, d.FAINT)
    for (mast, doc), block in zip(pairs, blocks, strict=True):
        _draw_mast(image, y, mast.curves, doc, many=len(seen.masts) > 1)
        y += block
    y = height - 22 * len(notice)
    for words in notice:
        d.write(image, (MARGIN, y), words, 16, d.FAINT)
        y += 22
    return image


def write_png(image: d.Image) -> bytes:
    """Return `image` as a PNG file.

    Raises
    ------
    OSError
        If it cannot be encoded.
    """
    ok, data = cv2.imencode(".png", np.ascontiguousarray(image[:, :, ::-1]))
    if not ok:
        raise OSError("the picture could not be encoded")
    return data.tobytes()


def _block_height(curves: int) -> int:
    return round(UNIT * 2.4) + curves * (STRIP + GAP) + round(UNIT * 2.2)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Times of a mast on the width of the picture."""

    start: float
    end: float
    x0: int = LABEL_WIDTH
    x1: int = WIDTH - MARGIN

    def across(self, time_s: float) -> float:
        share = (time_s - self.start) / (self.end - self.start)
        return self.x0 + min(1.0, max(0.0, share)) * (self.x1 - self.x0)


def _draw_mast(
    image: d.Image, y: int, curves: tuple[LightCurve, ...], doc: MastDoc, *, many: bool
) -> None:
    """Draw the strips of one mast below `y`, with its spans above and the time axis below."""
    times = np.concatenate([curve.time_s for curve in curves])
    start = float(times.min())
    scale = _Scale(start, max(float(times.max()), start + 0.1))
    if many:
        words = say("mast", number=doc["mast"])
        d.write(image, (MARGIN, y + round(UNIT * 1.7)), words, UNIT, d.TEXT, d.STRONG)
    top = y + round(UNIT * 2.4)
    bottom = top + len(curves) * (STRIP + GAP) - GAP
    for n, curve in enumerate(curves):
        y0 = top + n * (STRIP + GAP)
        strip = image[y0 : y0 + STRIP, scale.x0 : scale.x1]
        strip[:] = d.RAISED
        head = usual_head(doc, curve.head)
        _draw_label(image, y0, curve.head, head)
        _draw_curve(strip, curve, scale, _inks(doc, curve))
    for span in doc["spans"]:
        _draw_span(image, span, scale, y, (top, bottom))
    _draw_axis(image, scale, bottom)


def _draw_label(image: d.Image, top: int, number: int, head: HeadDoc | None) -> None:
    y = top + round(STRIP * 0.36)
    d.write(image, (MARGIN, y), say("curves.head", head=number), 20, d.FAINT)
    if head is None:
        return
    y += round(UNIT * 1.35)
    flashing = head["behaviour"] == "flashing"
    place = (MARGIN + UNIT * 0.6, y - UNIT * 0.36)
    d.lens_shape(image, place, UNIT * 1.15, head["colour"], flashing=flashing)
    words = head_words(head, photo=False, short=True)
    size = UNIT
    while size > 14 and d.text_width(words, size, 500) > LABEL_WIDTH - MARGIN - UNIT * 2:
        size -= 1
    d.write(image, (MARGIN + UNIT * 1.5, y), words, size, d.TEXT, 500)
    if head["rate_hz"] is not None:
        y += round(UNIT * 1.1)
        key = "curves.rate" if head["rate_sd_hz"] is not None else "curves.rate.no_error"
        rate = say(key, hz=head["rate_hz"], sd=head["rate_sd_hz"] or 0.0)
        d.write(image, (MARGIN + UNIT * 1.5, y), rate, 20, d.FAINT)


def _draw_curve(strip: d.Image, curve: LightCurve, scale: _Scale, inks: NDArray[np.uint8]) -> None:
    """Draw one curve; the ground is lighter where the lamp was lit."""
    height, width = strip.shape[:2]
    columns = (curve.time_s - scale.start) / (scale.end - scale.start) * (width - 1)
    _shade_lit(strip, columns, np.asarray(curve.lit, np.float64), inks)
    flux = np.asarray(curve.flux, np.float64)
    known = np.isfinite(flux)
    if not known.any():
        return
    top = float(np.clip(np.percentile(flux[known], 99.5) * 1.15, LEAST_TOP, LARGEST_TOP))
    bottom = -0.15
    rows = (height - 1) * (top - np.clip(flux, bottom, top)) / (top - bottom)
    level = (height - 1) * top / (top - bottom)
    d.line(strip, [(0, level), (width - 1, level)], d.FAINT, 1)
    # Split at what was not measured: no line may bridge a gap.
    edges = np.flatnonzero(np.diff(known.astype(np.int8))) + 1
    for part in np.split(np.arange(len(flux)), edges):
        if not known[part[0]]:
            continue
        points = [(float(columns[i]), float(rows[i])) for i in thinned(part, columns, rows)]
        d.line(strip, points if len(points) > 1 else points * 2, d.TEXT, 2)


def thinned(
    part: NDArray[np.intp], columns: NDArray[np.float64], rows: NDArray[np.float64]
) -> list[int]:
    """Of many samples in one pixel column keep first, lowest, highest and last, in order."""
    column = np.floor(columns[part]).astype(np.int64)
    kept: list[int] = []
    for group in np.split(part, np.flatnonzero(np.diff(column)) + 1):
        chosen = {group[0], group[-1], group[np.argmin(rows[group])], group[np.argmax(rows[group])]}
        kept += sorted(int(i) for i in chosen)
    return kept


def _shade_lit(
    strip: d.Image, columns: NDArray[np.float64], lit: NDArray[np.float64], inks: NDArray[np.uint8]
) -> None:
    """Tint the ground by the probability that the lamp was lit; `inks` is (N, 3)."""
    # Each pixel column takes the sample nearest to it.
    middles = (columns[1:] + columns[:-1]) / 2
    nearest = np.searchsorted(middles, np.arange(strip.shape[1]))
    share = (np.nan_to_num(np.clip(lit, 0, 1))[nearest] * LIT_TINT)[None, :, None]
    mixed = strip * (1 - share) + inks[nearest][None] * share
    strip[:] = np.round(mixed).astype(np.uint8)


def _draw_span(
    image: d.Image, span: SpanDoc, scale: _Scale, y: int, strips: tuple[int, int]
) -> None:
    """A bar above the strips for the time of a span, with the name of its indication."""
    left = scale.across(span["start_s"] or scale.start)
    right = scale.across(span["end_s"] or scale.end)
    read = span["indication"]["status"] == "read"
    ink = d.TEXT if read else d.DOUBT
    bar = strips[0] - 8
    d.line(image, [(left + 1, bar), (right - 1, bar)], ink, 3)
    for x in (left, right):
        d.line(image, [(x, bar - 6), (x, strips[1])], ink, 1)
    size = round(UNIT * 0.85)
    fitting = d.wrap(title(span["indication"]), right - left - 8, size, 500, most=1)
    if fitting and right - left > UNIT * 2:
        d.write(image, (left + 4, y + round(UNIT * 1.7)), fitting[0], size, ink, 500)


def _draw_axis(image: d.Image, scale: _Scale, bottom: int) -> None:
    step = next((s for s in STEPS if (scale.end - scale.start) / s <= MOST_MARKS), STEPS[-1])
    mark = math.ceil(scale.start / step - 1e-9)
    while mark * step <= scale.end + 1e-9:
        x = scale.across(mark * step)
        d.line(image, [(x, bottom), (x, bottom + 7)], d.FAINT, 1)
        words = clock(mark * step)
        if step >= 1:
            words = words.removesuffix(".0")
        left = min(x - d.text_width(words, 18) / 2, WIDTH - MARGIN - d.text_width(words, 18))
        d.write(image, (left, bottom + 28), words, 18, d.FAINT)
        mark += 1


def _inks(doc: MastDoc, curve: LightCurve) -> NDArray[np.uint8]:
    """The ink of a head at each of its samples, (N, 3); outside the spans that of `unknown`."""
    inks = np.full((len(curve.time_s), 3), d.LENS_INK["unknown"], np.uint8)
    for span in doc["spans"]:
        start, end = span["start_s"] or 0.0, span["end_s"] or 0.0
        within = (curve.time_s >= start - 5e-4) & (curve.time_s <= end + 5e-4)
        for head in span["heads"]:
            if head["head"] == curve.head:
                inks[within] = d.LENS_INK[head["colour"]]
    return inks


def usual_head(doc: MastDoc, number: int) -> HeadDoc | None:
    """What a head showed for the longest time, of the time in which it was seen."""
    best: HeadDoc | None = None
    longest = -math.inf
    for span in doc["spans"]:
        lasted = (span["end_s"] or 0.0) - (span["start_s"] or 0.0)
        for head in span["heads"]:
            if head["head"] == number and lasted > longest and not is_hidden(head):
                best, longest = head, lasted
    return best
