"""Many photographs of one painted place: cheaper to make than as many places.

Painting takes most of the time that a made scene costs. Here each place is painted once and then
photographed several times: other lamps are lit, brighter or weaker; camera, lens, exposure, white
balance, size and compression differ. Some shots are stored as H.264, as video frames are.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import COLOURS
from mastread.tools.scenes.encode import ClipWriter, VideoOptions
from mastread.tools.scenes.lamps import random_sensor, sensor
from mastread.tools.scenes.layers import Layers
from mastread.tools.scenes.make import lens_for, photograph
from mastread.tools.scenes.painter import paint
from mastread.tools.scenes.setup import HeadShow, MastSetup, Setup, draw_level, draw_setup
from mastread.tools.scenes.still import encode_still
from mastread.tools.scenes.truth import Truth
from mastread.vision.frame import Frame
from mastread.vision.photo import open_photo
from mastread.vision.video import open_video

Rng = np.random.Generator

#: How many masts stand in a place, and how often.
_MASTS: Final = {0: 0.06, 1: 0.34, 2: 0.32, 3: 0.18, 4: 0.1}
#: Share of heads that show nothing, of shots made smaller afterwards, and of those kept as video.
_DARK: Final = 0.12
_SHRUNK: Final = 0.3
_AS_VIDEO: Final = 0.25


@dataclass(frozen=True, slots=True)
class LitLamp:
    """A lamp that shines in a shot.

    Attributes
    ----------
    x, y, radius : its lens, pixels
    colour : number in `COLOURS`, from 1
    contrast : see `mastread.tools.scenes.truth.TrueHead`
    """

    x: float
    y: float
    radius: float
    colour: int
    contrast: float


def shots(
    seed: int, count: int, even: bool, backdrops: Path | None
) -> Iterator[tuple[Frame, list[LitLamp]]]:
    """Photograph the place of a seed `count` times; each picture with its lit lamps.

    Parameters
    ----------
    even : draw every head's colours evenly from all six
    backdrops : folder of photographs that show no signal, to stand behind some of the masts
    """
    rng = np.random.default_rng([seed, 81])
    masts = int(rng.choice(list(_MASTS), p=list(_MASTS.values())))
    setup = draw_setup(rng, False, {"masts": masts, "even": even})
    layers = paint(
        rng,
        setup.width,
        setup.height,
        setup.light,
        [mast.plan for mast in setup.masts],
        setup.radius_px,
        backdrops=backdrops,
    )
    for number in range(count):
        own = np.random.default_rng([seed, 82, number])
        shown = _redrawn(own, setup)
        exposure = float(layers.conditions["exposure"]) * float(np.exp(own.normal(0.0, 0.3)))
        lit = replace(layers, conditions={**layers.conditions, "exposure": exposure})
        rgb, truth = photograph(own, seed, lit, shown, {})
        yield _stored(own, rgb, _lamps(lit, shown, truth))


def _redrawn(rng: Rng, setup: Setup) -> Setup:
    """The same place with other lamps lit, seen by another camera."""
    eye = sensor("cie") if rng.random() < 0.06 else random_sensor(rng)
    level = draw_level(rng, setup.light, 2.0 * setup.radius_px)
    return replace(
        setup, level=level, sensor=eye, masts=tuple(_relit(rng, mast) for mast in setup.masts)
    )


def _relit(rng: Rng, mast: MastSetup) -> MastSetup:
    heads = []
    for colours in mast.plan.colours:
        dark = rng.random() < _DARK
        heads.append(HeadShow(None if dark else colours[int(rng.integers(len(colours)))]))
    kind = mast.kind
    if "cluster" not in mast.plan.types:
        kind = "led" if rng.random() < 0.6 else "filament"
    return replace(mast, aspects=(tuple(heads),), kind=kind)


def _lamps(layers: Layers, setup: Setup, truth: Truth) -> list[LitLamp]:
    """Lit lamps of a shot; of a position light, each lamp of the row."""
    out: list[LitLamp] = []
    for mast in truth.masts:
        for head in mast.spans[0].heads:
            if not head.lit_now or head.colour is None:
                continue
            lens = lens_for(layers, mast.mast, head.head, head.colour)
            colour = COLOURS.index(head.colour) + 1
            out += [
                LitLamp(x, y, lens.radius_px, colour, head.contrast or 0.0)
                for x, y in lens.spots or ((lens.x, lens.y),)
            ]
    return out


def _stored(rng: Rng, rgb: NDArray[np.uint8], lamps: list[LitLamp]) -> tuple[Frame, list[LitLamp]]:
    """Bring a shot to its size, store it, and read it back as the tool would."""
    height, width = rgb.shape[:2]
    if rng.random() < _SHRUNK and width > 800:
        factor = float(rng.uniform(1.2, 2.4))
        size = (int(width / factor) // 2 * 2, int(height / factor) // 2 * 2)
        rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
        fx, fy = size[0] / width, size[1] / height
        lamps = [
            replace(
                lamp,
                x=(lamp.x + 0.5) * fx - 0.5,
                y=(lamp.y + 0.5) * fy - 0.5,
                radius=lamp.radius * fx,
            )
            for lamp in lamps
        ]
    with tempfile.TemporaryDirectory() as folder:
        if rng.random() < _AS_VIDEO:
            return _as_video(rng, rgb, Path(folder)), lamps
        pick = rng.random()
        suffix = ".jpg" if pick < 0.92 else (".png" if pick < 0.96 else ".webp")
        path = Path(folder) / f"shot{suffix}"
        quality, full_chroma = int(rng.integers(45, 98)), bool(rng.random() < 0.25)
        path.write_bytes(encode_still(rgb, suffix, quality, full_chroma))
        return open_photo(path), lamps


def _as_video(rng: Rng, rgb: NDArray[np.uint8], folder: Path) -> Any:
    """A frame of a short H.264 clip that shows the shot; the camera moves a little before it."""
    path = folder / "shot.mp4"
    height, width = rgb.shape[:2]
    rgb = rgb[: height // 2 * 2, : width // 2 * 2]
    options = VideoOptions(
        crf=int(rng.integers(17, 34)), matrix="bt709" if rng.random() < 0.7 else "bt601"
    )
    with ClipWriter(path, rgb.shape[1], rgb.shape[0], 30.0, options) as writer:
        for number, shift in enumerate((2, 1, 0)):
            writer.write(np.roll(rgb, shift, axis=1), number / 30.0)
    with open_video(path) as video:
        return list(video)[-1]
