"""Still pictures: one upright frame in the depth that the file has.

A JPEG keeps its own luma and colour-difference planes; everything else is read as R, G, B or
grey. Only the first picture of a file with several is read. Transparent parts are laid on
black, because no light comes from them.
"""

from __future__ import annotations

import contextlib
import logging
import os
import re
import struct
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import (
    AvifImagePlugin,
    Image,
    Jpeg2KImagePlugin,
    TiffImagePlugin,
    UnidentifiedImageError,
    WebPImagePlugin,
)

from mastread.vision.errors import MediaError
from mastread.vision.frame import Planes
from mastread.vision.media import kind_of_head, media_limits, read_head
from mastread.vision.media_icc import read_profile
from mastread.vision.media_jpeg import decode_ordinary, is_rare, jpeg_end
from mastread.vision.media_raster import UPRIGHT, RgbRaster, Turn, YccRaster
from mastread.vision.media_samples import SampleReader

# The plugins register themselves when they are imported.
_FORMATS = (
    "BMP",
    "GIF",
    "JPEG",
    "PNG",
    "PPM",
    AvifImagePlugin.AvifImageFile.format,
    Jpeg2KImagePlugin.Jpeg2KImageFile.format,
    TiffImagePlugin.TiffImageFile.format,
    WebPImagePlugin.WebPImageFile.format,
)

_TIFF_STARTS = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_TIFF_BITS_PER_SAMPLE = 258
_EXIF_ORIENTATION = 274
#: Exif 2.3, tag Orientation: how the stored rows and columns lie.
_TURNS = {
    1: UPRIGHT,
    2: Turn(mirrored=True),
    3: Turn(quarters=2),
    4: Turn(mirrored=True, quarters=2),
    5: Turn(mirrored=True, quarters=3),
    6: Turn(quarters=1),
    7: Turn(mirrored=True, quarters=1),
    8: Turn(quarters=3),
}
_STDERR = 2
#: Where the bit depth stands in a PNG file (its first chunk is always IHDR).
_PNG_DEPTH_AT = 24
# Pillow's names of modes with an alpha channel that it must convert.
_PREMULTIPLIED = ("PA", "RGBa", "La")

#: What decoders raise on damaged files.
_DAMAGE = (
    ArithmeticError,
    AttributeError,
    EOFError,
    LookupError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    cv2.error,
    struct.error,
)

_COPY_AGAIN = "copy it again from the camera or the backup"
_SAVE_AS = "save it as JPEG or PNG"


@dataclass(frozen=True, slots=True, eq=False)
class PhotoFrame:
    """A photo as a `mastread.vision.frame.Frame`.

    Attributes
    ----------
    path : as given
    raster : the samples
    warnings : sentences about what was passed over while reading
    """

    path: str
    raster: YccRaster | RgbRaster
    warnings: tuple[str, ...] = ()
    time_s: float = 0.0
    index: int = 0

    @property
    def width(self) -> int:
        """Upright width in pixels."""
        return self.raster.width

    @property
    def height(self) -> int:
        """Upright height in pixels."""
        return self.raster.height

    def planes(self) -> Planes:
        """See `Frame.planes`."""
        return self.raster.planes()

    def linear(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.linear`."""
        return self.raster.linear(x0, y0, x1, y1)

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        """See `Frame.coded`."""
        return self.raster.coded(x0, y0, x1, y1)


def open_photo(path: str | os.PathLike[str]) -> PhotoFrame:
    """Read a photo.

    Raises
    ------
    MediaError : missing, empty, cut off, damaged, too large, or not a picture that can be read
    """
    head = read_head(path)
    with warnings.catch_warnings(), _no_log("PIL"):
        # Sizes are checked below against a limit of our own; odd metadata is no reason to fail.
        warnings.simplefilter("ignore")
        try:
            with Image.open(path, formats=_FORMATS) as image:
                pixels = image.width * image.height
                if pixels > media_limits()["max_megapixels"] * 1e6:
                    raise _too_large(path, pixels)
                return _read(path, head, image)
        except Image.DecompressionBombError as error:
            # Pillow's own guard comes before the size can be asked for; it names the pixels.
            named = re.search(r"\d+", str(error))
            raise _too_large(path, int(named[0]) if named else 0) from None
        except UnidentifiedImageError:
            if head.startswith(_TIFF_STARTS):
                return _open_odd_tiff(path)
            raise _not_a_picture(path, head) from None
        except MemoryError:
            raise MediaError(
                path, "is too large for this computer's memory", "make a smaller copy of it"
            ) from None
        except _DAMAGE as error:
            raise MediaError(path, f"is damaged or cut off ({error})", _COPY_AGAIN) from None


def _too_large(path: str | os.PathLike[str], pixels: int) -> MediaError:
    limit = media_limits()["max_megapixels"]
    return MediaError(
        path,
        f"has {pixels / 1e6:.0f} megapixels, more than the {limit} that can be read",
        "make a smaller copy of it",
    )


def _not_a_picture(path: str | os.PathLike[str], head: bytes) -> MediaError:
    if head[4:8] == b"ftyp" and head[8:12] != b"avif":
        return MediaError(path, "is a HEIF picture, which cannot be read here", _SAVE_AS)
    if kind_of_head(head) == "photo":
        return MediaError(path, "is a picture but damaged or cut off", _COPY_AGAIN)
    return MediaError(path, "is not a picture that can be read", _SAVE_AS)


def _turn_of(image: Image.Image) -> Turn:
    try:
        return _TURNS.get(image.getexif().get(_EXIF_ORIENTATION, 1), UPRIGHT)
    except Exception:  # any garbage in metadata that no one relies on
        return UPRIGHT


def _read(path: str | os.PathLike[str], head: bytes, image: Image.Image) -> PhotoFrame:
    notes: list[str] = []
    frames = getattr(image, "n_frames", 1)
    if frames > 1 and image.format != "MPO":
        notes.append(f"the file holds {frames} pictures; only the first was read")
    raster: YccRaster | RgbRaster
    if image.format in ("JPEG", "MPO"):
        raster = _read_jpeg(path, image)
    elif image.format == "PNG":
        # Decoding alone does not look at the check sums; a damaged picture would pass.
        with Image.open(path, formats=("PNG",)) as again:
            again.verify()
        deep = head[_PNG_DEPTH_AT] == 16
        profile = image.info.get("icc_profile")
        raster = _read_deep(path, _turn_of(image), profile) if deep else _read_plain(image)
    elif image.format == "TIFF" and _tiff_bits(image) > 8:
        raster = _read_deep(path, UPRIGHT, image.info.get("icc_profile"))
    else:
        raster = _read_plain(image)
    return PhotoFrame(os.fspath(path), raster, tuple(notes))


def _read_plain(image: Image.Image) -> RgbRaster:
    transfer, to_bt709 = read_profile(image.info.get("icc_profile"))
    with _quiet() if image.format == "TIFF" else contextlib.nullcontext():
        samples = _samples(image)
    # Asked only now: where loading has turned the picture already, the tag is gone.
    return RgbRaster(samples, transfer, _turn_of(image), to_bt709)


@contextlib.contextmanager
def _no_log(name: str) -> Iterator[None]:
    """A library's log is off: what matters is said in a MediaError."""
    log = logging.getLogger(name)
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        log.setLevel(level)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Nothing gets to the terminal: libtiff and libpng complain past Python to stderr."""
    try:
        kept = os.dup(_STDERR)
    except OSError:
        # There is no stderr.
        yield
        return
    sink = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(sink, _STDERR)
        yield
    finally:
        os.dup2(kept, _STDERR)
        os.close(kept)
        os.close(sink)


def _tiff_bits(image: Image.Image) -> int:
    bits = getattr(image, "tag_v2", {}).get(_TIFF_BITS_PER_SAMPLE, 1)
    return int(max(bits)) if isinstance(bits, tuple) else int(bits)


def _open_odd_tiff(path: str | os.PathLike[str]) -> PhotoFrame:
    """A TIFF file of a kind that Pillow does not know, such as three floating-point channels."""
    # Rarely needed, and slow to import.
    from tifffile import TiffFile, TiffFileError

    try:
        with _no_log("tifffile"), TiffFile(path) as file:
            page = file.pages.first
            pixels, count = int(page.imagewidth) * int(page.imagelength), len(file.pages)
            # OpenCV takes planes that are stored one after the other for interleaved ones.
            planes = page.asarray() if _in_planes(page) else None
    except (TiffFileError, *_DAMAGE):
        raise MediaError(path, "is a picture but damaged or cut off", _COPY_AGAIN) from None
    if pixels > media_limits()["max_megapixels"] * 1e6:
        raise _too_large(path, pixels)
    notes = (f"the file holds {count} pictures; only the first was read",) if count > 1 else ()
    if planes is not None:
        samples = np.ascontiguousarray(np.moveaxis(planes, 0, -1)[..., ::-1])
        transfer, to_bt709 = read_profile(None)
        raster = RgbRaster(_from_opencv(path, samples), transfer, UPRIGHT, to_bt709)
        return PhotoFrame(os.fspath(path), raster, notes)
    return PhotoFrame(os.fspath(path), _read_deep(path, UPRIGHT, None), notes)


def _in_planes(page: Any) -> bool:
    """Does a TIFF page hold three planes one after the other, small enough to be read at once?"""
    pixels = int(page.imagewidth) * int(page.imagelength)
    small = pixels <= media_limits()["max_megapixels"] * 1e6
    return small and int(page.planarconfig) == 2 and int(page.samplesperpixel) == 3


def _read_bytes(path: str | os.PathLike[str]) -> bytes:
    with open(path, "rb") as file:
        return file.read()


def _read_jpeg(path: str | os.PathLike[str], image: Image.Image) -> YccRaster | RgbRaster:
    data = _read_bytes(path)
    end = jpeg_end(data)
    if end is None:
        raise MediaError(path, "is cut off: its end is missing", _COPY_AGAIN)
    frame = decode_ordinary(data[:end])
    if frame is not None:
        profile = read_profile(image.info.get("icc_profile"))
        reader = SampleReader(_turn_of(image), centred=True, photographic=True, profile=profile)
        return reader.raster(frame)
    if image.mode in ("L", "RGB") and not is_rare(data):
        raise MediaError(path, "is damaged: its picture data make no sense", _COPY_AGAIN)
    return _read_plain(image)


def _read_deep(path: str | os.PathLike[str], turn: Turn, profile: bytes | None) -> RgbRaster:
    """More than eight bits: OpenCV keeps them.

    turn : still to be done; OpenCV itself turns TIFF files, whatever it is told
    """
    raw = np.frombuffer(_read_bytes(path), np.uint8)
    level = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    try:
        with _quiet():
            samples = cv2.imdecode(raw, cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    finally:
        cv2.utils.logging.setLogLevel(level)
    if samples is None:
        raise MediaError(path, "is damaged or of a kind that cannot be read", _SAVE_AS)
    transfer, to_bt709 = read_profile(profile)
    return RgbRaster(_from_opencv(path, samples), transfer, turn, to_bt709)


def _from_opencv(path: str | os.PathLike[str], samples: NDArray[Any]) -> NDArray[Any]:
    if samples.dtype.kind == "f":
        # Light is neither negative nor endless, and what is no number is no light.
        top = float(np.finfo(np.float32).max)
        sane = np.nan_to_num(samples, nan=0.0, posinf=top, neginf=0.0)
        samples = np.clip(sane, 0, top).astype(np.float32)
    if samples.dtype not in (np.uint8, np.uint16, np.float32):
        raise MediaError(path, f"has samples of kind {samples.dtype}", _SAVE_AS)
    if samples.ndim == 3 and samples.shape[2] == 4:
        return _on_black(cv2.cvtColor(samples, cv2.COLOR_BGRA2RGBA))
    if samples.ndim == 3 and samples.shape[2] == 3:
        colour: NDArray[Any] = cv2.cvtColor(samples, cv2.COLOR_BGR2RGB)
        return colour
    grey: NDArray[Any] = samples[..., 0] if samples.ndim == 3 else samples
    return grey


def _on_black(samples: NDArray[Any]) -> NDArray[Any]:
    """Colour or grey with alpha last, laid on black as a viewer would show it."""
    alpha = samples[..., -1:]
    colour = samples[..., :-1]
    if colour.shape[2] == 1:
        colour = colour[..., 0]
        alpha = alpha[..., 0]
    if samples.dtype == np.float32:
        return np.ascontiguousarray(colour * np.clip(alpha, 0, 1))
    top = np.iinfo(samples.dtype).max
    if alpha.min() == top:
        return np.ascontiguousarray(colour)
    wide = colour.astype(np.uint32) * alpha
    laid: NDArray[Any] = ((wide + top // 2) // top).astype(samples.dtype)
    return laid


def _samples(image: Image.Image) -> NDArray[Any]:
    if image.mode == "P" or (image.mode == "1" and "transparency" in image.info):
        image = image.convert("RGBA" if "transparency" in image.info else "RGB")
    elif image.mode == "1":
        image = image.convert("L")
    elif image.mode == "L" and "transparency" in image.info:
        image = image.convert("LA")
    elif (image.mode == "RGB" and "transparency" in image.info) or image.mode in (
        "PA",
        "RGBa",
        "La",
    ):
        image = image.convert("RGBA")
    elif image.mode not in ("L", "LA", "RGB", "RGBA", "I;16"):
        image = image.convert("RGB")
    samples = np.asarray(image)
    return _on_black(samples) if image.mode in ("LA", "RGBA") else samples
