"""Made-up ambience for the sample clips, and how it gets into their files."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[Any]

_SOUND_HZ = 44100
_BLOCK = 1024


def add_sound(path: Path, wave: NDArray[np.float32]) -> None:
    """Put a mono sound track (AAC) beside the picture of an MP4 file; the picture is copied."""
    part = path.with_name(f".{path.stem}.sound{path.suffix}")
    with av.open(str(path)) as source, av.open(str(part), "w") as out:
        pictures = source.streams.video[0]
        video: Any = out.add_stream_from_template(pictures)
        audio: Any = out.add_stream("aac", rate=_SOUND_HZ)
        audio.layout = "mono"
        audio.bit_rate = 56000
        for packet in source.demux(pictures):
            if packet.dts is not None:
                packet.stream = video
                out.mux(packet)
        for start in range(0, len(wave) - _BLOCK + 1, _BLOCK):
            frame = av.AudioFrame.from_ndarray(
                wave[None, start : start + _BLOCK], format="fltp", layout="mono"
            )
            frame.sample_rate = _SOUND_HZ
            frame.pts = start
            frame.time_base = Fraction(1, _SOUND_HZ)
            out.mux(audio.encode(frame))
        out.mux(audio.encode())
    part.replace(path)


def make_sound(kind: str, seconds: float, seed: int) -> NDArray[np.float32]:
    """Return made-up ambience, mono, 44.1 kHz: ``wind``, ``crickets`` or ``train``."""
    rng = np.random.default_rng(seed)
    n = int(seconds * _SOUND_HZ)
    t = np.arange(n) / _SOUND_HZ
    hertz = np.fft.rfftfreq(n, 1 / _SOUND_HZ)
    shape = 1.0 / (1.0 + (hertz / 180.0) ** 1.6)
    shape[hertz < 40] = 0.0

    def noise(weight: Floats) -> Floats:
        spectrum = np.fft.rfft(rng.standard_normal(n))
        wave = np.fft.irfft(spectrum * weight, n)
        return np.asarray(wave / np.abs(wave).max(), np.float64)

    gust = 0.6 + 0.25 * np.sin(2 * np.pi * 0.23 * t + 1) + 0.15 * np.sin(2 * np.pi * 0.61 * t)
    wave = 0.22 * gust * noise(shape)
    if kind == "crickets":
        wave *= 0.4
        for pitch, rate, offset in ((4350.0, 2.1, 0.0), (4620.0, 1.7, 0.3)):
            chirp = np.mod(t * rate + offset, 1.0) < 0.32
            pulse = np.maximum(0.0, np.sin(2 * np.pi * 31.0 * t)) ** 2
            wave += 0.05 * chirp * pulse * np.sin(2 * np.pi * pitch * t)
    elif kind == "train":
        near = np.exp(-(((t - 4.2) / 2.3) ** 2))
        wave += 0.5 * near * noise(1.0 / (1.0 + (hertz / 400.0) ** 1.3) * (hertz > 30))
        for at in np.arange(1.5, seconds - 0.2, 0.92):
            for step in (0.0, 0.12, 0.42, 0.54):
                since = np.maximum(t - at - step, 0.0)
                knock = np.exp(-38.0 * since) * np.sin(2 * np.pi * 310.0 * since)
                wave += 0.35 * near * knock
    elif kind != "wind":
        raise ValueError(f"unknown sound {kind!r}; known are wind, crickets and train")
    return np.asarray(np.clip(wave, -0.95, 0.95), np.float32)
