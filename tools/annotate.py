"""Annotated pictures: the photo as it is, tags beside its masts, and a caption panel below.

The same `Canvas` serves photos and the frames of a video.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.rulebook import Rulebook
from mastread.tools import drawing as d
from mastread.tools.moments import Moment, moments, photo_moment
from mastread.tools.panel import VIEW_UNITS, Panel, draw_panel
from mastread.tools.reading import MastDoc, Reading, SpanDoc
from mastread.tools.sentences import all_hidden
from mastread.tools.tags import Free, Place, Sway, choose_places, draw_tags
from mastread.tools.wishes import Style
from mastread.vision.frame import Frame

#: A picture narrower than this is enlarged by a whole factor, so that its words can be read.
LEAST_WIDTH: Final = 800
LARGEST_ENLARGEMENT: Final = 8

#: Body text sizes that fit side by side: on a phone held upright the text of either kind of
#: picture is then about 11 points high.
UNITS_WIDE: Final = 34
UNITS_WIDE_UPRIGHT: Final = 30

#: A photo longer than this is reduced by a whole factor: more cannot be shown anywhere.
LONGEST_SIDE: Final = 4096

#: A mast is shown magnified only where that makes it this much larger.
LEAST_MAGNIFICATION: Final = 1.3

#: Quality of the JPEG files, with full colour resolution since tags are coloured and thin.
JPEG_QUALITY: Final = 92

Offset = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Canvas:
    """Everything about an annotated picture that does not change from frame to frame.

    Attributes
    ----------
    reading : the document that is shown
    width, height : of the picture as it is handed to `draw`
    scale : pixels of the canvas for one pixel of the document (upright full resolution)
    unit : size of the body text
    places : where the tags of each mast stand
    magnified : whether the panel shows a mast magnified
    panel_height : height of the caption panel, the same for every moment
    book : the rulebook of the reading
    style : how much is told
    """

    reading: Reading
    width: int
    height: int
    scale: float
    unit: int
    places: tuple[Place | None, ...]
    magnified: tuple[bool, ...]
    panel_height: int
    book: Rulebook
    style: Style = "full"
    _panels: dict[tuple[int, ...], Panel] = field(default_factory=dict, compare=False)

    def draw(
        self,
        picture: NDArray[np.uint8],
        moment: Moment,
        offsets: Sequence[Offset] | None = None,
    ) -> d.Image:
        """Return the annotated picture, (height + panel, width, 3).

        Parameters
        ----------
        picture : (height, width, 3) uint8 R, G, B
        moment : what is told of each mast of the document
        offsets : how far each mast stands from its place in the document, pixels of it
        """
        spans = moment.spans
        if offsets is None:
            offsets = [(0.0, 0.0)] * len(spans)
        panel = self._panel(moment)
        canvas = np.empty((self.height + self.panel_height, self.width, 3), np.uint8)
        canvas[: self.height] = picture
        canvas[self.height :] = panel.image
        for view in panel.views:
            mast, span = self.reading["masts"][view.index], spans[view.index]
            x0, y0, x1, y1 = view.box
            size = (x1 - x0, y1 - y0)
            part = _magnify(picture, mast, span, self.scale, offsets[view.index], size)
            canvas[self.height + y0 : self.height + y1, x0:x1] = part
        photo = self.reading["source"]["kind"] == "photo"
        masts = self.reading["masts"]
        for k, (mast, span, place) in enumerate(zip(masts, spans, self.places, strict=True)):
            # What stands in front of a mast must not be covered, nor pass for its lamps.
            away = span is None or moment.hidden[k] or all_hidden(span)
            if span is None or place is None or away or (moment.bare and moment.bare[k]):
                continue
            offset = offsets[k]
            draw_tags(
                canvas[: self.height],
                mast,
                span,
                place,
                self.scale,
                self.unit,
                photo=photo,
                numbered=len(masts) > 1,
                shift=(offset[0] * self.scale, offset[1] * self.scale),
                told="nothing" if moment.waits[k] else self.style,
            )
        return canvas

    def _panel(self, moment: Moment) -> Panel:
        key = moment.key()
        panel = self._panels.get(key)
        if panel is None:
            panel = draw_panel(
                self.reading,
                moment,
                self.magnified,
                self.width,
                self.unit,
                self.panel_height,
                book=self.book,
                style=self.style,
            )
            self._panels[key] = panel
        return panel


def make_canvas(
    reading: Reading,
    width: int,
    height: int,
    scale: float,
    *,
    book: Rulebook,
    style: Style = "full",
    sway: Sequence[Sway] = (),
    free: Free | None = None,
    may_hide: bool = False,
) -> Canvas:
    """Lay out the annotated form of pictures of `width` x `height` pixels.

    Parameters
    ----------
    reading : the document
    width, height : of the pictures
    scale : size of those pictures against the document's pixels
    book : the rulebook of the reading
    style : how much is told
    sway : for each mast how far it moves from its place over the whole clip
    free : tells for what share of the time nothing passes through parts of the picture
    may_hide : whether a mast is out of sight for a while
    """
    unit = max(14, round(width / (UNITS_WIDE if width > height else UNITS_WIDE_UPRIGHT)))
    places = choose_places(reading, scale, width, height, unit, sway, free)
    magnified = tuple(_worth_magnifying(mast, scale, unit) for mast in reading["masts"])
    count = len(reading["masts"])
    tallest = [Moment(tuple(s), (0,) * count, (may_hide,) * count) for s in moments(reading)]
    if style == "question":
        tallest += [Moment(m.spans, (9,) * count, m.hidden) for m in tallest]
    tall = max(
        draw_panel(reading, moment, magnified, width, unit, book=book, style=style).image.shape[0]
        for moment in tallest
    )
    # H.264 wants even sides.
    tall += (height + tall) % 2
    return Canvas(reading, width, height, scale, unit, tuple(places), magnified, tall, book, style)


def annotate_photo(
    frame: Frame,
    reading: Reading,
    path: Path,
    *,
    book: Rulebook,
    style: Style = "full",
    asked: Path | None = None,
) -> None:
    """Write the annotated form of a photo as a JPEG file at `path`.

    In the style ``question`` the same picture without its answers goes to `asked`.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    picture, scale = shown_size(frame)
    height, width = picture.shape[:2]
    canvas = make_canvas(reading, width, height, scale, book=book, style=style)
    if asked is not None:
        write_jpeg(canvas.draw(picture, photo_moment(reading, asked=True)), asked)
    write_jpeg(canvas.draw(picture, photo_moment(reading)), path)


def write_jpeg(image: d.Image, path: Path) -> None:
    """Write `image` at `path`; OSError when that fails."""
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        JPEG_QUALITY,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ]
    ok, data = cv2.imencode(".jpg", np.ascontiguousarray(image[:, :, ::-1]), options)
    if not ok:
        raise OSError("the picture could not be encoded")
    path.write_bytes(data.tobytes())


def shown_size(frame: Frame) -> tuple[d.Image, float]:
    """Return the picture of `frame` at the size it is shown in, and that size against its own.

    A huge picture is read in strips, so that only the reduced one is held in memory.
    """
    width, height = frame.width, frame.height
    shrink = -(-max(width, height) // LONGEST_SIDE)
    strips = []
    rows = shrink * max(1, 256 // shrink)
    for y in range(0, height, rows):
        coded = frame.coded(0, y, width, min(height, y + rows))
        strip = np.round(np.clip(coded, 0.0, 1.0) * 255.0).astype(np.uint8)
        if shrink > 1:
            size = (max(1, width // shrink), max(1, round(strip.shape[0] / shrink)))
            strip = np.asarray(cv2.resize(strip, size, interpolation=cv2.INTER_AREA), np.uint8)
        strips.append(strip)
    picture: d.Image = np.concatenate(strips)
    grow = enlargement(width)
    if grow > 1:
        size = (width * grow, height * grow)
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC), np.uint8)
        return picture, float(grow)
    return picture, 1.0 / shrink


def enlargement(width: int) -> int:
    """Return the whole factor by which a picture `width` pixels wide is enlarged."""
    return min(LARGEST_ENLARGEMENT, -(-LEAST_WIDTH // width))


def _view_region(span: SpanDoc, size: tuple[float, float]) -> tuple[float, float, float, float]:
    """Return the part of the picture (x, y, width, height, document pixels) that a view shows."""
    xs = [head["x"] for head in span["heads"]]
    ys = [head["y"] for head in span["heads"]]
    r = max(2.0, *(head["radius"] for head in span["heads"]))
    high = max(max(ys) - min(ys) + 7 * r, (max(xs) - min(xs) + 7 * r) * size[1] / size[0], 14 * r)
    wide = high * size[0] / size[1]
    return (min(xs) + max(xs)) / 2 - wide / 2, (min(ys) + max(ys)) / 2 - high / 2, wide, high


def _worth_magnifying(mast: MastDoc, scale: float, unit: int) -> bool:
    _, _, _, high = _view_region(mast["spans"][0], VIEW_UNITS)
    return VIEW_UNITS[1] * unit / (high * scale) >= LEAST_MAGNIFICATION


def _magnify(
    picture: NDArray[np.uint8],
    mast: MastDoc,
    span: SpanDoc | None,
    scale: float,
    offset: Offset,
    size: tuple[int, int],
) -> d.Image:
    """Return the magnified view of a mast, `size` = (width, height)."""
    x, y, wide, _ = _view_region(span or mast["spans"][0], (float(size[0]), float(size[1])))
    zoom = size[0] / (wide * scale)
    left = (x + offset[0]) * scale
    top = (y + offset[1]) * scale
    # From view to picture; beyond the picture's edge there is paper.
    matrix = np.array(
        [
            [1 / zoom, 0, left + 0.5 / zoom - 0.5],
            [0, 1 / zoom, top + 0.5 / zoom - 0.5],
        ]
    )
    view = cv2.warpAffine(
        picture,
        matrix,
        size,
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=d.RAISED,
    )
    return np.asarray(view, np.uint8)
