"""Whether a packet of H.264 starts afresh (ITU-T H.264, 7.3.1 and 7.4.1: NAL units)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

#: Type of a NAL unit that is part of an instantaneous decoding refresh (table 7-1).
_IDR: Final = 5
#: The types of other slices: once one of these comes, the picture is no refresh.
_SLICES: Final = frozenset({1, 2, 3, 4})


def is_refresh(data: bytes, extradata: bytes | None) -> bool:
    """Whether the picture in a packet needs nothing from before it, and nor does what follows.

    A key frame of an open group of pictures does not count: browsers do not begin there.

    Parameters
    ----------
    data : the packet
    extradata : of the stream; where it is an ``avcC`` record (ISO/IEC 14496-15), units carry
        their length, else a start code stands before each (H.264, annex B)
    """
    avcc = bool(extradata) and extradata is not None and extradata[0] == 1 and len(extradata) > 4
    units = _by_length(data, (extradata[4] & 3) + 1) if avcc and extradata else _by_code(data)
    for first in units:
        kind = first & 0x1F
        if kind == _IDR:
            return True
        if kind in _SLICES:
            return False
    return False


def _by_length(data: bytes, size: int) -> Iterator[int]:
    """First byte of each unit where its length stands before it, in `size` bytes."""
    at = 0
    while at + size < len(data):
        length = int.from_bytes(data[at : at + size], "big")
        yield data[at + size]
        at += size + length


def _by_code(data: bytes) -> Iterator[int]:
    """First byte of each unit behind a start code, 00 00 01."""
    at = data.find(b"\0\0\1")
    while at >= 0 and at + 3 < len(data):
        yield data[at + 3]
        at = data.find(b"\0\0\1", at + 3)
