"""What a picture file says of how it was taken: camera, white balance, merging, compression."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from PIL import Image

Balance = Literal["auto", "locked", "unknown"]

#: Exif 2.32 tags: Make, Model, ExifIFD; in it ExposureTime, CustomRendered, WhiteBalance.
_MAKE: Final = 271
_MODEL: Final = 272
_EXIF: Final = 34665
_EXPOSURE: Final = 33434
_CUSTOM: Final = 41985
_WHITE_BALANCE: Final = 41987


@dataclass(frozen=True, slots=True)
class Facts:
    """Facts of one file; what is not told stays None or ``unknown``.

    Attributes
    ----------
    white_balance : ``auto``, ``locked`` (set by hand), or ``unknown``
    merged : the camera merged several exposures (an HDR picture)
    step : mean step of the JPEG quantisation of low colour frequencies, in codes; 0 where it is
        no JPEG
    exposure_s : shutter
    """

    camera: str = ""
    white_balance: Balance = "unknown"
    merged: bool = False
    step: float = 0.0
    exposure_s: float | None = None


def facts_of(path: Path) -> Facts:
    """Read the facts of a photo; of anything else nothing is known."""
    try:
        with Image.open(path) as image:
            exif = image.getexif()
            inner: dict[int, Any] = dict(exif.get_ifd(_EXIF))
            tables = getattr(image, "quantization", None)
    except Exception:  # metadata are a help, never a reason to fail; reading says what is wrong
        return Facts()
    words = [str(exif.get(tag, "")).strip("\0 ") for tag in (_MAKE, _MODEL)]
    balance: Balance = "unknown"
    if _WHITE_BALANCE in inner:
        balance = "auto" if inner[_WHITE_BALANCE] == 0 else "locked"
    # 3, 4: merged by phones of one maker, common practice; Exif itself knows 0 and 1.
    merged = inner.get(_CUSTOM) in (2, 3, 4)
    return Facts(
        camera=" ".join(word for word in words if word),
        white_balance=balance,
        merged=merged,
        step=_step(tables),
        exposure_s=_seconds(inner.get(_EXPOSURE)),
    )


def _step(tables: Any) -> float:
    """Mean quantisation step of the eight lowest colour-difference frequencies of a JPEG."""
    if not tables:
        return 0.0
    table = tables.get(1, tables[min(tables)])
    return float(sum(table[:8]) / 8.0)


def _seconds(value: Any) -> float | None:
    try:
        seconds = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return seconds if 0.0 < seconds < 3600.0 else None
