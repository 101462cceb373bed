"""Whether a live stream is kept up with, in flat memory: ``python -m mastread.tools.speed_live``.

Two measurements, both of a 1080p clip of one flashing mast that is repeated without end:

* *fast forward*: hours of stream are gone through as fast as this machine can, with the memory
  held on the way and the processor seconds that a second of stream takes, beside bare decoding;
* *paced*: the clip is sent over a loopback connection at its own pace and read by the very
  command, with the frames that could not be looked at.

``python -m mastread.tools.speed_live send CLIP URL SECONDS`` is the sender alone.
"""

from __future__ import annotations

import gc
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import av
import click

from mastread.tools.memory import hand_back_early, memory_mb

_TICKS: Final = 90_000
#: Seconds of stream at which memory is told, then every `_THEN_S`.
_FIRST_S: Final = (10.0, 60.0)
_THEN_S: Final = 300.0


def send(path: str | os.PathLike[str], url: str, seconds: float) -> float:
    """Send a clip as an MPEG transport stream, over and over, at its own pace.

    Parameters
    ----------
    url : what PyAV writes to: ``tcp://127.0.0.1:5000?listen=1``, ``udp://127.0.0.1:5000``
    seconds : how long

    Returns
    -------
    seconds of stream that were sent; less where nobody listens any more
    """
    began, sent_s = 0.0, 0.0
    try:
        with av.open(url, "w", format="mpegts") as out:
            stream: Any = None
            for packet, template, time_s in _packets(path):
                if time_s >= seconds:
                    break
                if stream is None:
                    # Not before: opening waits for the listener.
                    began, stream = time.monotonic(), out.add_stream_from_template(template)
                time.sleep(max(0.0, began + time_s - time.monotonic()))
                packet.stream = stream
                out.mux(packet)
                sent_s = time_s
    except (BrokenPipeError, ConnectionError):
        # The listener has hung up, as listeners do.
        pass
    return sent_s


def _packets(path: str | os.PathLike[str]) -> Iterator[tuple[Any, Any, float]]:
    """Packets of a clip without end, with the stream they are from and when they are due."""
    offset_s = 0.0
    while True:
        end_s = offset_s
        with av.open(os.fspath(path)) as clip:
            stream = clip.streams.video[0]
            step_s = 1.0 / float(stream.average_rate or 25)
            for packet in clip.demux(stream):
                if packet.dts is None or packet.pts is None:
                    continue
                unit = float(packet.time_base)
                due_s = offset_s + packet.dts * unit
                end_s = max(end_s, offset_s + packet.pts * unit + step_s)
                packet.dts = round(due_s * _TICKS)
                packet.pts = round((offset_s + packet.pts * unit) * _TICKS)
                packet.time_base = Fraction(1, _TICKS)
                yield packet, stream, due_s
        offset_s = end_s


def fast_forward(path: Path, minutes: float) -> Iterator[str]:
    """Go through a repeated clip as a live reading does; lines that tell how it went."""
    import cv2

    from mastread.vision.live import LiveReader
    from mastread.vision.types import Hints
    from mastread.vision.video import open_video

    hand_back_early()
    cv2.setNumThreads(1)
    began = time.process_time()
    with open_video(path) as video:
        count = sum(frame.planes() is not None for frame in video)
        length_s = video.duration_s or count / video.rate_hz
    decoding_s = time.process_time() - began
    reader, offset_s = LiveReader(Hints()), 0.0
    due, changes, frames = list(_FIRST_S), 0, 0
    began = time.process_time()
    while offset_s < 60.0 * minutes:
        with open_video(path) as video:
            for frame in video:
                frame.time_s += offset_s
                frame.index += frames
                changes += len(reader.add(frame))
                if due and frame.time_s >= due[0]:
                    yield f"memory after {due[0]:6.0f} s of stream: {memory_mb():6.1f} MB"
                    due = due[1:] or [due[0] + _THEN_S]
        frames += count
        offset_s += length_s
        # A file that was read through leaves its decoder in a cycle; a stream is opened once.
        gc.collect()
    spent = time.process_time() - began
    yield f"memory after {offset_s:6.0f} s of stream: {memory_mb():6.1f} MB"
    yield (
        f"processor seconds for a second of stream: {spent / offset_s:.2f} "
        f"(decoding alone {decoding_s / length_s:.2f}); changes told: {changes}; "
        f"spans: {sum(len(mast.spans) for mast in reader.masts())}"
    )


def paced(path: Path, seconds: float, port: int = 5187) -> str:
    """Send a clip over the loopback and read it by the command; a line that tells how it went."""
    command = [sys.executable, "-m", "mastread.tools.speed_live", "send", str(path)]
    sender = subprocess.Popen([*command, f"tcp://127.0.0.1:{port}?listen=1", str(seconds)])
    time.sleep(2.0)
    try:
        read = [sys.executable, "-m", "mastread.tools.cli", "read", "--format", "jsonl"]
        done = subprocess.run(
            [*read, "--live", f"tcp://127.0.0.1:{port}"],
            capture_output=True,
            text=True,
            timeout=seconds + 60.0,
            check=False,
        )
    finally:
        sender.terminate()
        sender.wait()
    slow = re.findall(r"(\d+) of (\d+) frames could not", done.stderr)
    dropped, received = map(int, slow[-1]) if slow else (0, round(30 * seconds))
    return (
        f"paced over the loopback for {seconds:.0f} s: {dropped} of about {received} frames not "
        f"looked at; load of the machine {os.getloadavg()[0]:.1f}"
    )


@click.group(invoke_without_command=True, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("--minutes", type=click.FloatRange(0.2), default=30.0, show_default=True)
@click.option("--seconds", type=click.FloatRange(5.0), default=30.0, show_default=True)
@click.option("--size", default="1920x1080", show_default=True)
@click.pass_context
def main(ctx: click.Context, minutes: float, seconds: float, size: str) -> None:
    """Measure live reading: memory and cost on fast forward, frames lost at the real pace."""
    if ctx.invoked_subcommand is not None:
        return
    from mastread.tools.speed_media import make_clip

    width, height = (int(part) for part in size.split("x"))
    with tempfile.TemporaryDirectory(prefix="mastread-live-") as folder:
        clip = make_clip(Path(folder) / "clip.mp4", 10, width, height)
        click.echo(paced(clip, seconds))
        for line in fast_forward(clip, minutes):
            click.echo(line)
            sys.stdout.flush()


@main.command("send")
@click.argument("clip")
@click.argument("url")
@click.argument("seconds", type=float)
def send_command(clip: str, url: str, seconds: float) -> None:
    """Send CLIP to URL for so many seconds."""
    send(clip, url, seconds)


if __name__ == "__main__":
    main()
