"""Still pictures: one upright frame in the depth that the file has.

A JPEG keeps its own luma and colour-difference planes; everything else is read as R, G, B or
grey. Only the first picture of a file with several is read. Transparent parts are laid on
black, because no light comes from them.
"""

from __future__ import annotations

import os
import re
import warnings
from dataclasses import dataclass
from typing import Any

import av
import cv2
import numpy as np
from av.error import FFmpegError
from numpy.typing import NDArray
from PIL import (
    AvifImagePlugin,
    Image,
    MpoImagePlugin,
    TiffImagePlugin,
    UnidentifiedImageError,
    WebPImagePlugin,
)

from mastread.vision.errors import MediaError
from mastread.vision.frame import Planes
from mastread.vision.media import media_limits, read_head
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
    MpoImagePlugin.MpoImageFile.format,
    TiffImagePlugin.TiffImageFile.format,
    WebPImagePlugin.WebPImageFile.format,
)

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
#: What FFmpeg calls the ordinary kinds of JPEG.
_ORDINARY_JPEG = ("yuvj420p", "yuvj422p", "yuvj440p", "yuvj444p", "yuvj411p", "gray")
# A marker that is neither a stuffed byte, a restart mark nor a fill byte.
_JPEG_MARKER = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")

# Pillow's names of modes with an alpha channel that it must convert.
_PREMULTIPLIED = ("PA", "RGBa", "La")

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
    with warnings.catch_warnings():
        # Sizes are checked below against a limit of our own; odd metadata is no reason to fail.
        warnings.simplefilter("ignore")
        try:
            with Image.open(path, formats=_FORMATS) as image:
                _check_size(path, image.size)
                return _read(path, head, image)
        except Image.DecompressionBombError:
            limit = media_limits()["max_megapixels"]
            raise MediaError(
                path, f"has more than {limit} megapixels", "make a smaller copy of it"
            ) from None
        except UnidentifiedImageError:
            raise _not_a_picture(path, head) from None
        except MemoryError:
            raise MediaError(
                path, "is too large for this computer's memory", "make a smaller copy of it"
            ) from None
        except (OSError, SyntaxError, ValueError, EOFError) as error:
            raise MediaError(path, f"is damaged or cut off ({error})", _COPY_AGAIN) from None


def _check_size(path: str | os.PathLike[str], size: tuple[int, int]) -> None:
    width, height = size
    limit = media_limits()["max_megapixels"]
    if width * height > limit * 1e6:
        raise MediaError(
            path,
            f"has {width * height / 1e6:.0f} megapixels ({width} x {height}), more than the "
            f"{limit} that can be read",
            "make a smaller copy of it",
        )


def _not_a_picture(path: str | os.PathLike[str], head: bytes) -> MediaError:
    if head[4:8] == b"ftyp":
        return MediaError(path, "is a HEIF picture, which cannot be read here", _SAVE_AS)
    if head.startswith((b"\xff\xd8\xff", b"\x89PNG", b"II*", b"MM\0*", b"RIFF", b"BM", b"GIF8")):
        return MediaError(path, "is a picture but damaged or cut off", _COPY_AGAIN)
    return MediaError(path, "is not a picture that can be read", _SAVE_AS)


def _turn_of(image: Image.Image) -> Turn:
    try:
        return _TURNS.get(image.getexif().get(_EXIF_ORIENTATION, 1), UPRIGHT)
    except Exception:  # any garbage in metadata that no one relies on
        return UPRIGHT


def _read(path: str | os.PathLike[str], head: bytes, image: Image.Image) -> PhotoFrame:
    notes: list[str] = []
    turn = _turn_of(image)
    frames = getattr(image, "n_frames", 1)
    if frames > 1 and image.format != "MPO":
        notes.append(f"the file holds {frames} pictures; only the first was read")
    raster: YccRaster | RgbRaster
    if image.format in ("JPEG", "MPO"):
        raster = _read_jpeg(path, turn)
    elif image.format == "TIFF":
        raster = _read_by_opencv(path, turn)
    elif image.format == "PNG" and head[24] == 16:
        image.verify()
        raster = _read_by_opencv(path, turn)
    else:
        raster = RgbRaster(_pillow_samples(image), turn=turn)
    return PhotoFrame(os.fspath(path), raster, tuple(notes))


def _read_bytes(path: str | os.PathLike[str]) -> bytes:
    with open(path, "rb") as file:
        return file.read()


def _read_jpeg(path: str | os.PathLike[str], turn: Turn) -> YccRaster | RgbRaster:
    data = _read_bytes(path)
    end = jpeg_end(data)
    if end is None:
        raise MediaError(path, "is cut off: its end is missing", _COPY_AGAIN)
    decoder = av.CodecContext.create("mjpeg", "r")
    decoder.thread_count = 1
    decoder.options = {"err_detect": "explode"}
    try:
        frames = decoder.decode(av.Packet(data[:end])) or decoder.decode(None)
    except FFmpegError:
        frames = []
    frame = frames[0] if frames else None
    if not isinstance(frame, av.VideoFrame) or frame.format.name not in _ORDINARY_JPEG:
        # Rare kinds (four inks, arithmetic coding, twelve bits) and damage: a second opinion.
        return _read_by_opencv(path, turn, data)
    return SampleReader(turn, centred=True, photographic=True).raster(frame)


def jpeg_end(data: bytes) -> int | None:
    """Position after the end mark of the first picture of a JPEG file; None if it is missing.

    Walks the segments (ITU-T T.81, annex B), so that the end mark of a thumbnail, or bytes
    that follow the picture, are not mistaken for it.
    """
    at = 2
    while (mark := _JPEG_MARKER.search(data, at)) is not None:
        code = data[mark.start() + 1]
        at = mark.end()
        if code == 0xD9:
            return at
        if code in (0x01, 0xD8):
            continue
        if at + 2 > len(data):
            return None
        at += int.from_bytes(data[at : at + 2], "big")
    return None


def _read_by_opencv(
    path: str | os.PathLike[str], turn: Turn, data: bytes | None = None
) -> RgbRaster:
    # Rows and columns are turned here for every kind of file alike, so OpenCV must not.
    raw = np.frombuffer(data if data is not None else _read_bytes(path), np.uint8)
    flags = cv2.IMREAD_UNCHANGED if data is None else cv2.IMREAD_COLOR
    samples = cv2.imdecode(raw, flags | cv2.IMREAD_IGNORE_ORIENTATION)
    if samples is None:
        raise MediaError(path, "is damaged or of a kind that cannot be read", _SAVE_AS)
    return RgbRaster(_from_opencv(path, samples), turn=turn)


def _from_opencv(path: str | os.PathLike[str], samples: NDArray[Any]) -> NDArray[Any]:
    if samples.dtype == np.float64:
        samples = samples.astype(np.float32)
    if samples.dtype not in (np.uint8, np.uint16, np.float32):
        raise MediaError(path, f"has samples of kind {samples.dtype}", _SAVE_AS)
    if samples.ndim == 3 and samples.shape[2] == 4:
        return _on_black(cv2.cvtColor(samples, cv2.COLOR_BGRA2RGBA))
    if samples.ndim == 3 and samples.shape[2] == 3:
        return cv2.cvtColor(samples, cv2.COLOR_BGR2RGB)
    return samples[..., 0] if samples.ndim == 3 else samples


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


def _pillow_samples(image: Image.Image) -> NDArray[Any]:
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
