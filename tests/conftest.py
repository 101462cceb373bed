"""Makers of small media files whose content and times are known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, TypedDict, Unpack

import av
import numpy as np
import pytest
from numpy.typing import NDArray

#: Width and height of the made clips, and the corners of their frames in R, G, B.
CLIP_SIZE = (160, 96)
CORNER = 24
CORNERS = {"top left": (220, 30, 30), "top right": (30, 200, 60), "bottom left": (40, 60, 220)}
_BITS = 8
_CELL = 16
_MILLISECOND = Fraction(1, 1000)


class ClipOptions(TypedDict, total=False):
    """What a clip may be made with."""

    codec: str
    pix_fmt: str
    size: tuple[int, int]
    count: int
    rate: int
    stamps_ms: Sequence[int]
    rotation: float
    options: dict[str, str]
    container_options: dict[str, str]
    sound: bool
    corners: bool


ClipMaker = Callable[[Path, Unpack[ClipOptions]], Path]


def numbered_frame(number: int, size: tuple[int, int] = CLIP_SIZE) -> NDArray[np.uint8]:
    """A frame with coloured corners and its number as a row of black and white cells."""
    width, height = size
    frame = np.full((height, width, 3), 90, np.uint8)
    frame[:CORNER, :CORNER] = CORNERS["top left"]
    frame[:CORNER, -CORNER:] = CORNERS["top right"]
    frame[-CORNER:, :CORNER] = CORNERS["bottom left"]
    top = height // 2 - _CELL // 2
    for bit in range(_BITS):
        left = _CELL + bit * _CELL
        frame[top : top + _CELL, left : left + _CELL] = 235 if number >> bit & 1 else 16
    return frame


def number_of(luma: NDArray[np.uint8]) -> int:
    """The number that `numbered_frame` wrote into a frame, from its luma plane."""
    row = luma.shape[0] // 2
    cells = [luma[row, _CELL + bit * _CELL + _CELL // 2] for bit in range(_BITS)]
    return sum(1 << bit for bit, value in enumerate(cells) if value > 125)


def _make_clip(path: Path, **asked: Unpack[ClipOptions]) -> Path:
    size = asked.get("size", CLIP_SIZE)
    stamps = asked.get("stamps_ms")
    rate = asked.get("rate", 30)
    with av.open(str(path), "w", options=asked.get("container_options", {})) as container:
        stream: Any = container.add_stream(
            asked.get("codec", "libx264"), rate=rate, options=asked.get("options", {})
        )
        stream.width, stream.height = size
        stream.pix_fmt = asked.get("pix_fmt", "yuv420p")
        if "rotation" in asked:
            stream.set_display_rotation(asked["rotation"])
        if stamps is not None:
            stream.codec_context.time_base = _MILLISECOND
        sound: Any = None
        if asked.get("sound"):
            sound = container.add_stream("aac", rate=48000)
            sound.layout = "mono"
        for number in range(asked.get("count", len(stamps) if stamps is not None else 12)):
            frame = av.VideoFrame.from_ndarray(numbered_frame(number, size), "rgb24")
            frame = frame.reformat(format=stream.pix_fmt)
            frame.pts = number if stamps is None else stamps[number]
            frame.time_base = Fraction(1, rate) if stamps is None else _MILLISECOND
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if sound is not None:
            for block in range(20):
                silence = av.AudioFrame.from_ndarray(
                    np.zeros((1, 1024), np.float32), "fltp", "mono"
                )
                silence.sample_rate, silence.pts = 48000, block * 1024
                container.mux(sound.encode(silence))
            container.mux(sound.encode(None))
    return path


def _make_sound(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        sound: Any = container.add_stream("aac", rate=48000)
        sound.layout = "mono"
        for block in range(20):
            silence = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            silence.sample_rate, silence.pts = 48000, block * 1024
            container.mux(sound.encode(silence))
        container.mux(sound.encode(None))
    return path


@pytest.fixture(scope="session")
def make_clip() -> ClipMaker:
    """Make a clip of numbered frames: ``make_clip(path, codec=..., stamps_ms=...)``."""
    return _make_clip


@pytest.fixture(scope="session")
def make_sound() -> Callable[[Path], Path]:
    """Make a file with sound and no picture."""
    return _make_sound


@pytest.fixture(scope="session")
def read_number() -> Callable[[NDArray[np.uint8]], int]:
    """The number written into a frame, from its luma plane."""
    return number_of
