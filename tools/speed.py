"""How fast reading is, and how much memory it takes: ``python -m mastread.tools.speed``.

Decoding a file is the floor that no reading can go below, so every figure of reading stands
beside the decoding of the same file in the same run. Each measurement is a process of its own;
the least of several is taken, which is the one that other work on the machine disturbed least.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import click

from mastread.vision.errors import MediaError
from mastread.vision.media import kind_of

_MEGABYTE = 2**20
#: Lengths of the clips whose memory is compared, in seconds.
SHORT_S, LONG_S = 10, 120
_LIBRARIES = ("av", "numpy", "opencv-python")


@dataclass(frozen=True, slots=True)
class Cost:
    """What one task took: processor and elapsed seconds without imports, memory at its peak."""

    cpu_s: float
    wall_s: float
    peak_mb: float
    frames: int


# --- the tasks, each run in a process of its own --------------------------------------------


def decode_to_planes(path: Path) -> int:
    """Decode every frame, with no look at any; the number of frames."""
    from mastread.vision.photo import open_photo
    from mastread.vision.video import open_video

    if kind_of(path) == "photo":
        open_photo(path).planes()
        return 1
    count = 0
    with open_video(path) as video:
        for frame in video:
            frame.planes()
            count += 1
    return count


def read_masts(path: Path) -> int:
    """Read a file the whole way; the number of frames."""
    from mastread.vision.pipeline import see
    from mastread.vision.types import Hints

    return see(path, Hints()).source.frames or 1


TASKS: dict[str, Callable[[Path], int]] = {"decode": decode_to_planes, "read": read_masts}


def run_task(name: str, path: str) -> None:
    """Do a task and print its `Cost` as JSON; the entry of the child process."""
    # Imports are paid once, however many files are read.
    import mastread.vision.photo
    import mastread.vision.pipeline
    import mastread.vision.video  # noqa: F401

    cpu, wall = time.process_time(), time.perf_counter()
    frames = TASKS[name](Path(path))
    cost = {
        "cpu_s": time.process_time() - cpu,
        "wall_s": time.perf_counter() - wall,
        "peak_mb": _peak_bytes() / _MEGABYTE,
        "frames": frames,
    }
    print(json.dumps(cost))


def _peak_bytes() -> int:
    try:
        # Linux also counts, in getrusage, what the parent held when it made this process.
        status = Path("/proc/self/status").read_text("utf-8")
        return next(
            int(line.split()[1]) * 1024 for line in status.splitlines() if line.startswith("VmHWM:")
        )
    except (OSError, StopIteration):
        pass
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Kilobytes but for macOS, which counts bytes (getrusage manual pages).
    return peak if sys.platform == "darwin" else peak * 1024


def measure(task: str, path: Path, repeats: int = 1) -> Cost:
    """The least of several runs of a task, each in a fresh process."""
    code = "import sys; from mastread.tools.speed import run_task; run_task(*sys.argv[1:])"
    costs = []
    for _ in range(repeats):
        done = subprocess.run(
            [sys.executable, "-c", code, task, str(path)], capture_output=True, text=True
        )
        if done.returncode:
            reason = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
            raise click.ClickException(f"{path}: {task} failed: {reason}")
        costs.append(Cost(**json.loads(done.stdout)))
    return min(costs, key=lambda cost: cost.cpu_s)


def start_time(*arguments: str, repeats: int = 5) -> float:
    """The least time that a fresh interpreter takes for something, in seconds."""
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
        times.append(time.perf_counter() - begin)
    return min(times)


# --- the report -----------------------------------------------------------------------------


def machine_line() -> str:
    """The machine and the versions that the figures hold for."""
    versions = ", ".join(f"{name} {metadata.version(name)}" for name in _LIBRARIES)
    return (
        f"{_processor()}, {os.cpu_count()} cores, {platform.system()}, "
        f"Python {platform.python_version()}, {versions}"
    )


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text("utf-8").splitlines()
    except OSError:
        lines = []
    names = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()


def compare(label: str, path: Path, repeats: int) -> list[str]:
    """Lines of the table for one file: decoding, reading, and how they compare."""
    floor, whole = measure("decode", path, repeats), measure("read", path, repeats)
    lines = [row(f"{label}, decode", floor), row(f"{label}, read", whole)]
    return [*lines, f"{'':28}{whole.cpu_s / floor.cpu_s:9.2f} times the processor time of decoding"]


def row(label: str, cost: Cost) -> str:
    """One line of the table."""
    rate = f"{cost.frames / cost.cpu_s:7.0f} frames/CPU-s" if cost.frames > 1 else ""
    return f"{label:28}{cost.cpu_s:9.2f}{cost.wall_s:9.2f}{cost.peak_mb:9.0f}  {rate}".rstrip()


HEADING = f"{'':28}{'CPU s':>9}{'wall s':>9}{'peak MB':>9}"


@click.command()
@click.option(
    "--clip",
    type=click.Path(path_type=Path),
    help="Video to measure with instead of a made one; its memory is not compared by length.",
)
@click.option(
    "--photo", type=click.Path(path_type=Path), help="Photo to measure with instead of a made one."
)
@click.option("--repeats", default=3, show_default=True, help="Runs of each; the best one counts.")
@click.option(
    "--size",
    type=(int, int),
    default=(1920, 1080),
    show_default=True,
    help="Width and height of the made clip.",
)
def main(clip: Path | None, photo: Path | None, repeats: int, size: tuple[int, int]) -> None:
    """Measure reading against bare decoding, memory against length, and the time to start."""
    from mastread.tools.speed_media import make_clip, make_photo, repeat_clip

    click.echo(machine_line())
    try:
        for given in (clip, photo):
            if given is not None:
                kind_of(given)
    except MediaError as error:
        raise click.ClickException(str(error)) from None
    with tempfile.TemporaryDirectory() as folder:
        made = clip is None
        short = clip or make_clip(Path(folder) / "short.mp4", SHORT_S, *size)
        still = photo or make_photo(Path(folder) / "photo.jpg")
        click.echo(HEADING)
        for label, path in (("clip", short), ("photo", still)):
            for line in compare(label, path, repeats):
                click.echo(line)
        if made:
            long = repeat_clip(short, Path(folder) / "long.mp4", LONG_S // SHORT_S)
            for label, path in ((f"read, {SHORT_S} s clip", short), (f"read, {LONG_S} s", long)):
                click.echo(row(label, measure("read", path)))
    help_s = start_time("-m", "mastread.tools.cli", "--help", repeats=repeats)
    bare_s = start_time("-c", "import click", repeats=repeats)
    click.echo(f"{'mastread --help':28}{help_s:9.2f} s")
    click.echo(f"{'import click':28}{bare_s:9.2f} s")


if __name__ == "__main__":
    main()
