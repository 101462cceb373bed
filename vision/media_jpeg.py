"""JPEG as it is stored: where a picture ends, and its own luma and colour-difference planes."""

from __future__ import annotations

import re
from collections.abc import Iterator

import av
from av.error import FFmpegError

#: What FFmpeg calls the ordinary kinds of JPEG.
_ORDINARY = ("yuvj420p", "yuvj422p", "yuvj440p", "yuvj444p", "yuvj411p", "gray")
# A mark that is neither a stuffed byte, a restart mark nor a fill byte.
_MARK = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
#: Marks of ITU-T T.81, table B.1: end of image, start of image, and one without a length.
_END, _START, _TEMPORARY = 0xD9, 0xD8, 0x01
#: Frame headers of the lossless and the arithmetic kinds.
_RARE = {0xC3, 0xC7, 0xC9, 0xCA, 0xCB, 0xCD, 0xCE, 0xCF}


def jpeg_end(data: bytes) -> int | None:
    """Position after the end mark of the first picture of a JPEG file; None if it is missing.

    Walks the segments (ITU-T T.81, annex B), so that the end mark of a thumbnail, or bytes
    that follow the picture, are not mistaken for it.
    """
    return next((at for code, at in _marks(data) if code == _END), None)


def is_rare(data: bytes) -> bool:
    """Whether a JPEG is of a kind that `decode_ordinary` may lack: lossless or arithmetic."""
    return any(code in _RARE for code, _ in _marks(data))


def decode_ordinary(data: bytes) -> av.VideoFrame | None:
    """The decoded planes; None if the data are damaged or of a rare kind.

    Takes half the time of a decoder that also converts to R, G, B at full size, and keeps the
    colour difference as it is stored.
    """
    decoder = av.CodecContext.create("mjpeg", "r")
    decoder.thread_count = 1
    decoder.options = {"err_detect": "explode"}
    try:
        frames = decoder.decode(av.Packet(data)) or decoder.decode(None)
    except FFmpegError:
        return None
    frame = frames[0] if frames else None
    if isinstance(frame, av.VideoFrame) and frame.format.name in _ORDINARY:
        return frame
    return None


def _marks(data: bytes) -> Iterator[tuple[int, int]]:
    """Code of each mark after the first and the position behind it, up to the end mark."""
    at = 2
    while (mark := _MARK.search(data, at)) is not None:
        code, at = data[mark.end() - 1], mark.end()
        yield code, at
        if code == _END:
            return
        if code not in (_TEMPORARY, _START):
            at += int.from_bytes(data[at : at + 2], "big")
