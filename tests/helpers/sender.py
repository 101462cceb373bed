"""Sends a clip as an MPEG transport stream to a loopback address, paced like a camera.

    python sender.py CLIP URL [SECONDS] [PRESET]

The clip is repeated until so many seconds of stream are sent. `URL` is what PyAV writes to, such
as ``tcp://127.0.0.1:5000?listen=1`` or ``udp://127.0.0.1:5000``.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from fractions import Fraction

import av

TICKS = 90_000


def pictures(path: str) -> Iterator[tuple[av.VideoFrame, float]]:
    """Frames of a clip over and over, with the time at which each is shown."""
    start_s = 0.0
    while True:
        end_s = start_s
        with av.open(path) as clip:
            stream = clip.streams.video[0]
            step_s = 1.0 / float(stream.average_rate or 25)
            for frame in clip.decode(stream):
                end_s = start_s + float(frame.time or 0.0)
                yield frame, end_s
        start_s = end_s + step_s


def send(path: str, url: str, seconds: float, preset: str = "ultrafast") -> None:
    """Send; returns when all is sent or nobody listens any more."""
    began = time.monotonic()
    with av.open(url, "w", format="mpegts") as out:
        stream = None
        for frame, time_s in pictures(path):
            if time_s >= seconds:
                break
            if stream is None:
                stream = out.add_stream("libx264", rate=30)
                stream.width, stream.height, stream.pix_fmt = frame.width, frame.height, "yuv420p"
                stream.codec_context.options = {
                    "preset": preset, "tune": "zerolatency", "crf": "20", "g": "30",
                }  # fmt: skip
                stream.codec_context.time_base = Fraction(1, TICKS)
            time.sleep(max(0.0, began + time_s - time.monotonic()))
            frame.pts, frame.time_base = round(time_s * TICKS), Fraction(1, TICKS)
            frame.pict_type = av.video.frame.PictureType.NONE
            for packet in stream.encode(frame):
                out.mux(packet)
        if stream is not None:
            for packet in stream.encode(None):
                out.mux(packet)


if __name__ == "__main__":
    try:
        send(sys.argv[1], sys.argv[2], float(sys.argv[3]), *sys.argv[4:5])
    except (BrokenPipeError, ConnectionError):
        sys.exit(0)
