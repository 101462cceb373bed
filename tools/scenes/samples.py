"""Make the bundled sample photos and clips: ``python -m mastread.tools.scenes.samples``.

Every file is rendered; the list is ``samples.toml``. Tracing the light needs the extra
``[render]`` (``bpy`` 4.5 on Python 3.11); with ``--layers`` the traced light is kept, and a second
run with the same folder needs no Blender.
"""

from __future__ import annotations

import zlib
from pathlib import Path

import click
import cv2
import numpy as np

from mastread.tools.scenes.encode import ClipWriter, VideoOptions
from mastread.tools.scenes.layers import Layers, load_layers, save_layers
from mastread.tools.scenes.samples_shoot import (
    ClipPlan,
    plan_clip,
    shoot_clip,
    shoot_photo,
)
from mastread.tools.scenes.samples_sound import add_sound, make_sound
from mastread.tools.scenes.samples_spec import Sample, samples
from mastread.tools.scenes.samples_train import TrainPass, pack_train
from mastread.tools.scenes.truth import write_truth


def _seed(sample: Sample) -> int:
    """A seed of each sample's own, from its name."""
    return zlib.crc32(sample.name.encode()) & 0xFFFF


def layers_of(sample: Sample, keep: Path | None, gpu: bool = False) -> Layers:
    """Return the layers of a sample, traced or read from the folder `keep`."""
    if keep is not None and (keep / f"{sample.name}.npz").exists():
        return load_layers(keep / sample.name)
    from mastread.tools.scenes.trace import build, trace_layers
    from mastread.tools.scenes.trace_plan import read_plan

    layers = trace_layers(build(read_plan(sample.name, sample.scene), gpu))
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        save_layers(layers, keep / sample.name)
    return layers


def train_of(
    sample: Sample, plan: ClipPlan, keep: Path | None, gpu: bool = False
) -> TrainPass | None:
    """Return the passing train of a clip, traced or read from the folder `keep`."""
    way = sample.settings.get("train")
    if way is None:
        return None
    path = keep / f"{sample.name}-train.npz" if keep is not None else None
    fps, speed = sample.settings["fps"], float(way["speed"])
    first = int(float(way["enter_s"]) * fps)
    if path is not None and path.exists():
        with np.load(path) as held:
            return TrainPass(first, [bytes(held[name]) for name in sorted(held.files)])
    from mastread.tools.scenes.trace import build, trace_train
    from mastread.tools.scenes.trace_plan import read_plan

    start = float(way["start_y"])
    scene = dict(sample.scene)
    scene["props"] = [
        *scene.get("props", ()),
        {"kind": "train", "x": way["x"], "rear_y": start, "kinds": way["kinds"]},
    ]
    frames = min(int(float(way["lasts_s"]) * fps), len(plan.time_s) - first)
    shifts = [speed * i / fps for i in range(frames)]
    stage = build(read_plan(sample.name, scene), gpu)
    moved = trace_train(stage, shifts, stride_m=speed / fps * 0.4)
    pictures = [pack_train(picture) for picture in moved]
    if path is not None:
        part = path.with_suffix(".part.npz")
        held_as = {f"{i:04d}": np.frombuffer(p, np.uint8) for i, p in enumerate(pictures)}
        np.savez(part, allow_pickle=False, **held_as)
        part.replace(path)
    return TrainPass(first, pictures)


def make_photo(sample: Sample, layers: Layers, out: Path) -> None:
    """Write one photo and its truth."""
    coded, truth = shoot_photo(sample, layers, _seed(sample))
    ok, data = cv2.imencode(
        ".jpg", coded[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, int(sample.settings["jpeg"])]
    )
    if not ok:
        raise click.ClickException(f"{sample.file}: OpenCV could not write the JPEG")
    part = out / f"{sample.file}.part"
    part.write_bytes(data.tobytes())
    part.replace(out / sample.file)
    write_truth(truth, out / f"{sample.name}.truth.json")


def make_clip(
    sample: Sample, layers: Layers, out: Path, keep: Path | None, gpu: bool = False
) -> None:
    """Write one clip and its truth."""
    plan = plan_clip(sample, _seed(sample))
    train = train_of(sample, plan, keep, gpu)
    frames, truth = shoot_clip(sample, layers, plan, _seed(sample), train)
    s = sample.settings
    options = VideoOptions(
        codec=s.get("codec", "h264"),
        crf=s["crf"],
        preset="slow",
        rotation=90 if s.get("rotated", False) else 0,
    )
    target = out / sample.file
    with ClipWriter(target, truth.width, truth.height, s["fps"], options) as film:
        for picture, at in zip(frames, plan.time_s, strict=True):
            film.write(picture, float(at))
    if "sound" in s:
        end = float(truth.duration_s or 0.0)
        add_sound(target, make_sound(s["sound"], end, _seed(sample)))
    write_truth(truth, out / f"{sample.name}.truth.json")


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("sample_frames"),
    show_default=True,
    help="Folder for photos, clips and truth.",
)
@click.option(
    "--layers",
    "keep",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder in which the traced light is kept and looked for.",
)
@click.option("--gpu", is_flag=True, help="Trace on NVIDIA cards instead of the processor.")
@click.option("--only", multiple=True, help="Part of a file name; may be given several times.")
def main(out: Path, keep: Path | None, gpu: bool, only: tuple[str, ...]) -> None:
    """Make the bundled sample photos and clips with their truth."""
    out.mkdir(parents=True, exist_ok=True)
    for sample in samples():
        if only and not any(word in sample.file for word in only):
            continue
        try:
            layers = layers_of(sample, keep, gpu)
        except ImportError as error:
            raise click.ClickException(
                f"{sample.file}: tracing the light needs Blender's Python module; on Python 3.11 "
                f"install the extra [render] ({error})"
            ) from None
        if sample.kind == "photo":
            make_photo(sample, layers, out)
        else:
            make_clip(sample, layers, out, keep, gpu)
        click.echo(f"{sample.file}: {(out / sample.file).stat().st_size / 1000:.0f} kB", err=True)


if __name__ == "__main__":
    main()
