"""What a question shows: the clip, a picture, and the mast close up."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from mastread.tools.quiz.pick import Picked
from mastread.tools.shelf.sheet import read_image, small_poster
from mastread.tools.shelf.store import Shelf

#: Widest picture, pixels, and the height of the close view: sharp on paper at 9 cm.
WIDTH = 960
CLOSE = 480
#: Room round the mast in the close view, in shares of its height.
_ROOM = 0.35
_QUALITY = 85


@dataclass(frozen=True, slots=True)
class Shown:
    """Files of one question: JPEG pictures, and the clip as MP4 or None."""

    poster: bytes
    close: bytes
    clip: bytes | None


def shown(shelf: Shelf, one: Picked, *, clips: bool) -> Shown | None:
    """Return what a question shows; None where its files are gone from the shelf."""
    poster = small_poster(shelf, one.span, WIDTH)
    image = read_image(shelf.folder / one.span.view["poster"])
    if poster is None or image is None:
        return None
    clip: bytes | None = None
    path = one.span.view["clip"]
    if clips and path is not None and one.span.view["start_s"] is not None:
        try:
            clip = (shelf.folder / path).read_bytes()
        except OSError:
            return None
    x0, y0, x1, y1 = one.span.view["box"]
    room = _ROOM * (y1 - y0)
    height, width = image.shape[:2]
    left, right = (int(np.clip(v, 0, width)) for v in (x0 - room, x1 + room))
    top, bottom = (int(np.clip(v, 0, height)) for v in (y0 - room, y1 + room))
    if right - left < 2 or bottom - top < 2:
        left, top, right, bottom = 0, 0, width, height
    close = image[top:bottom, left:right]
    scale = CLOSE / close.shape[0]
    way = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    size = (max(1, round(close.shape[1] * scale)), CLOSE)
    close = np.asarray(cv2.resize(close, size, interpolation=way), np.uint8)
    _, data = cv2.imencode(".jpg", close, [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    return Shown(poster, bytes(data.tobytes()), clip)
