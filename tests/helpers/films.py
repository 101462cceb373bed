"""Films whose frames and sound tell the time."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

FILM_RATE = 25
TONE_HZ = 50.0


def make_film(
    path: Path,
    *,
    seconds: float = 12.0,
    gop: int = 25,
    codec: str = "libx264",
    sound: str | None = "aac",
    options: dict[str, str] | None = None,
    stamps: list[int] | None = None,
    rotation: float | None = None,
) -> Path:
    """A film whose frames carry their number as grey, and whose sound is a ramp of tone bursts."""
    count = round(seconds * FILM_RATE) if stamps is None else len(stamps)
    with av.open(str(path), "w") as out:
        opts = {"g": str(gop), "sc_threshold": "0", "crf": "10", **(options or {})}
        picture: Any = out.add_stream(codec, rate=FILM_RATE, options=opts if "264" in codec else {})
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        if codec == "mpeg4":
            picture.gop_size = gop
        if rotation is not None:
            picture.set_display_rotation(rotation)
        if stamps is not None:
            picture.codec_context.time_base = Fraction(1, 1000)
        track: Any = None
        if sound is not None:
            track = out.add_stream(sound, rate=8000)
            track.layout = "mono"
        for n in range(count):
            grey = np.full((48, 64, 3), 20 + n % 200, np.uint8)
            frame = av.VideoFrame.from_ndarray(grey, "rgb24").reformat(format="yuv420p")
            frame.pts = n if stamps is None else stamps[n]
            frame.time_base = Fraction(1, FILM_RATE) if stamps is None else Fraction(1, 1000)
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        if track is not None:
            # Every second of sound has a pitch of its own, so that a shift would be heard.
            total = round(8000 * seconds)
            t = np.arange(total) / 8000
            wave = 0.5 * np.sin(2 * np.pi * TONE_HZ * (1 + np.floor(t)) * t)
            fmt = "s16" if sound == "pcm_s16le" else "fltp"
            data = (wave * 32000).astype(np.int16) if fmt == "s16" else wave.astype(np.float32)
            for at in range(0, total, 1024):
                piece = np.ascontiguousarray(data[None, at : at + 1024])
                block = av.AudioFrame.from_ndarray(piece, fmt, "mono")
                block.sample_rate, block.pts = 8000, at
                out.mux(track.encode(block))
            out.mux(track.encode(None))
    return path
