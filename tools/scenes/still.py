"""Stores pictures as JPEG, PNG or WebP; JPEG with an orientation tag."""

from __future__ import annotations

import struct

import cv2
import numpy as np
from numpy.typing import NDArray

#: Quarter turns anticlockwise by which a picture is stored, for each EXIF orientation
#: (CIPA DC-008, tag 0x0112): 6 is shown turned clockwise, 8 anticlockwise, 3 upside down.
_STORED_TURNS = {1: 0, 6: 1, 3: 2, 8: 3}


def encode_still(
    rgb: NDArray[np.uint8],
    suffix: str,
    quality: int = 90,
    full_chroma: bool = False,
    orientation: int = 1,
) -> bytes:
    """Return the file content of an upright picture.

    Parameters
    ----------
    suffix : ``.jpg``, ``.png`` or ``.webp``
    quality : of JPEG and WebP, 0 to 100
    full_chroma : JPEG keeps colour at full size (4:4:4) rather than half (4:2:0)
    orientation : EXIF orientation 1, 3, 6 or 8; the pixels are stored turned accordingly (JPEG)
    """
    if orientation != 1 and suffix != ".jpg":
        raise ValueError(f"{suffix} pictures are stored upright here; orientation needs .jpg")
    stored = np.ascontiguousarray(np.rot90(rgb, _STORED_TURNS[orientation])[:, :, ::-1])
    thin = (
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444
        if full_chroma
        else cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420
    )
    options: dict[str, list[int]] = {
        ".jpg": [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, thin],
        ".png": [],
        ".webp": [cv2.IMWRITE_WEBP_QUALITY, max(60, quality)],
    }
    if suffix not in options:
        raise ValueError(f"pictures cannot be written as {suffix}; known are .jpg, .png, .webp")
    done, data = cv2.imencode(suffix, stored, options[suffix])
    if not done:
        raise ValueError(f"the picture could not be written as {suffix}")
    content = data.tobytes()
    return _tagged(content, orientation) if orientation != 1 else content


def _tagged(jpeg: bytes, orientation: int) -> bytes:
    """Put an EXIF segment with nothing but an orientation behind the start of a JPEG."""
    entry = struct.pack("<HHIHH", 0x0112, 3, 1, orientation, 0)
    tiff = b"II*\0" + struct.pack("<IH", 8, 1) + entry + struct.pack("<I", 0)
    body = b"Exif\0\0" + tiff
    return jpeg[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + jpeg[2:]
