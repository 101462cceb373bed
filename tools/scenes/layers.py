"""A scene as linear layers: what the makers of scenes hand to the camera.

Light is additive, so a scene is rendered once as the surroundings with no signal lamp lit,
and one layer per lens alone. Every aspect, colour, brightness and time course is then a
weighted sum of these layers sent through a camera model.

Conventions
-----------
* Pixels: ``x`` to the right, ``y`` down, the centre of the first pixel is (0, 0); a box
  ``(x0, y0, x1, y1)`` holds the pixels ``x0 <= x < x1``.
* Radiance is scene-referred and linear: 1.0 is a white diffuse surface in the main light of the
  scene (sun and sky by day; by night the brightest lit ground). Nothing is clipped here.
* Masts and heads are numbered from 1, masts from left to right, heads from top to bottom,
  lenses inside a head in the order in which the head lists them.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour

#: How a head is built.
HeadType = Literal["searchlight", "vertical", "triangular", "cluster", "dwarf", "position"]
MastKind = Literal["high", "dwarf"]
Arrangement = Literal["inline", "staggered"]

_FORMAT = "mastread-layers"
_VERSION = 1


@dataclass(frozen=True, slots=True)
class LensLayer:
    """The light of one lens alone.

    Attributes
    ----------
    mast, head, lens : numbers from 1
    colours : colours that this lens can show: one for a fixed filter, several for a searchlight
        or a multi-colour LED cluster
    x, y : centre of the lens opening in pixels
    radius_px : radius of the lens opening in pixels
    light : (h, w) float32, radiance per unit of lens luminance: about 1 where a pixel lies wholly
        inside the lens, with the lens's own structure, what the hood hides, and what the lamp
        throws on hood and disc; 0 outside the crop
    x0, y0 : pixel of ``light[0, 0]`` in the picture (the crop may reach over the edge)
    spots : centres of the lamps of a position light, whose lamps shine together round (x, y);
        empty where there is one lamp at (x, y)
    """

    mast: int
    head: int
    lens: int
    colours: tuple[Colour, ...]
    x: float
    y: float
    radius_px: float
    light: NDArray[np.float32]
    x0: int
    y0: int
    spots: tuple[tuple[float, float], ...] = ()

    def moved(self, dx: int, dy: int) -> LensLayer:
        """Return the lens moved by whole pixels."""
        return replace(
            self,
            x=self.x + dx,
            y=self.y + dy,
            x0=self.x0 + dx,
            y0=self.y0 + dy,
            spots=tuple((x + dx, y + dy) for x, y in self.spots),
        )


@dataclass(frozen=True, slots=True)
class HeadInfo:
    """One head: its number, how it is built, the centre of its lenses, the lens radius in px."""

    head: int
    type: HeadType
    x: float
    y: float
    radius_px: float


@dataclass(frozen=True, slots=True)
class MastInfo:
    """One mast: number, box round mast and heads, kind, how its heads stand, plates, heads."""

    mast: int
    box: tuple[float, float, float, float]
    kind: MastKind
    arrangement: Arrangement
    heads: tuple[HeadInfo, ...]
    plates: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Distractor:
    """Something that is no signal lamp but may be taken for one.

    Attributes
    ----------
    what : a few words ("tail lamp", "street light", "red barn", "sun glint")
    x, y : its middle in pixels
    radius_px : about half its size
    lit : whether it shines by itself
    """

    what: str
    x: float
    y: float
    radius_px: float
    lit: bool


@dataclass(frozen=True, slots=True)
class Layers:
    """A scene, ready for any aspect.

    Attributes
    ----------
    surround : (H, W, 3) float32, linear radiance in sRGB/BT.709 primaries with no signal lamp lit
    lenses : one layer per lens
    masts : masts from left to right
    distractors : see `Distractor`
    conditions : free words about the scene, such as {"light": "day", "maker": "painter"}
    """

    surround: NDArray[np.float32]
    lenses: tuple[LensLayer, ...]
    masts: tuple[MastInfo, ...]
    distractors: tuple[Distractor, ...] = ()
    conditions: Mapping[str, Any] = field(default_factory=dict)

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.surround.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.surround.shape[0])

    def lens(self, mast: int, head: int, colour: Colour) -> LensLayer:
        """Return the lens of a head that shows `colour`; KeyError if it has none."""
        for lens in self.lenses:
            if lens.mast == mast and lens.head == head and colour in lens.colours:
                return lens
        raise KeyError(f"mast {mast} head {head} has no lens that shows {colour}")


def add_lens(
    picture: NDArray[np.float32], lens: LensLayer, rgb: NDArray[np.float32] | tuple[float, ...]
) -> None:
    """Add one lens to a (H, W, 3) linear picture in place; `rgb` is the lens radiance."""
    h, w = lens.light.shape
    top, left = max(0, lens.y0), max(0, lens.x0)
    bottom, right = min(picture.shape[0], lens.y0 + h), min(picture.shape[1], lens.x0 + w)
    if top >= bottom or left >= right:
        return
    part = lens.light[top - lens.y0 : bottom - lens.y0, left - lens.x0 : right - lens.x0]
    picture[top:bottom, left:right] += part[:, :, None] * np.asarray(rgb, np.float32)


def combine(
    layers: Layers, lit: Iterable[tuple[LensLayer, NDArray[np.float32] | tuple[float, ...]]]
) -> NDArray[np.float32]:
    """Return the linear picture with the given lenses lit.

    Parameters
    ----------
    lit : pairs of a lens and its radiance, three numbers in the same units as the surround
    """
    picture = layers.surround.copy()
    for lens, rgb in lit:
        add_lens(picture, lens, rgb)
    return picture


def save_layers(layers: Layers, path: str | os.PathLike[str]) -> None:
    """Write ``path`` (.npz, the arrays) and the same name with .json (everything else).

    Both are written to a temporary name and renamed, the arrays last, so that a reader never
    meets half a scene.
    """
    target = Path(path).with_suffix(".npz")
    arrays: dict[str, Any] = {"surround": layers.surround.astype(np.float32)}
    for i, lens in enumerate(layers.lenses):
        arrays[f"light_{i}"] = lens.light.astype(np.float32)
    page = {
        "format": _FORMAT,
        "version": _VERSION,
        "lenses": [
            {key: value for key, value in _fields(lens).items() if key != "light"}
            for lens in layers.lenses
        ],
        "masts": [asdict(mast) for mast in layers.masts],
        "distractors": [asdict(item) for item in layers.distractors],
        "conditions": dict(layers.conditions),
    }
    page_part = target.with_suffix(".json.part")
    page_part.write_text(json.dumps(page, indent=1) + "\n", encoding="utf-8")
    part = target.with_suffix(".npz.part")
    with part.open("wb") as out:
        np.savez_compressed(out, **arrays)
    page_part.replace(target.with_suffix(".json"))
    part.replace(target)


def load_layers(path: str | os.PathLike[str]) -> Layers:
    """Read what `save_layers` wrote; ValueError names the file when it is something else."""
    target = Path(path).with_suffix(".npz")
    page = json.loads(target.with_suffix(".json").read_text(encoding="utf-8"))
    if page.get("format") != _FORMAT or page.get("version") != _VERSION:
        raise ValueError(f"{target.with_suffix('.json')} is not a version {_VERSION} layer page")
    with np.load(target) as arrays:
        surround = arrays["surround"]
        lenses = tuple(
            LensLayer(
                **{
                    **entry,
                    "colours": tuple(entry["colours"]),
                    "spots": tuple((x, y) for x, y in entry.get("spots", ())),
                },
                light=arrays[f"light_{i}"],
            )
            for i, entry in enumerate(page["lenses"])
        )
    masts = tuple(
        MastInfo(
            **{
                **entry,
                "box": tuple(entry["box"]),
                "heads": tuple(HeadInfo(**head) for head in entry["heads"]),
                "plates": tuple(entry["plates"]),
            }
        )
        for entry in page["masts"]
    )
    return Layers(
        surround=surround,
        lenses=lenses,
        masts=masts,
        distractors=tuple(Distractor(**entry) for entry in page["distractors"]),
        conditions=page["conditions"],
    )


def shift(layers: Layers, dx: int, dy: int, width: int, height: int) -> Layers:
    """Return the window of `layers` that begins at pixel (dx, dy) with the given size.

    ValueError if the window does not lie within the surround.
    """
    if dx < 0 or dy < 0 or dx + width > layers.width or dy + height > layers.height:
        raise ValueError(
            f"window {width}x{height} at ({dx}, {dy}) leaves the scene "
            f"of {layers.width}x{layers.height}"
        )
    return replace(
        layers,
        surround=layers.surround[dy : dy + height, dx : dx + width],
        lenses=tuple(lens.moved(-dx, -dy) for lens in layers.lenses),
        masts=tuple(
            replace(
                mast,
                box=(mast.box[0] - dx, mast.box[1] - dy, mast.box[2] - dx, mast.box[3] - dy),
                heads=tuple(replace(h, x=h.x - dx, y=h.y - dy) for h in mast.heads),
            )
            for mast in layers.masts
        ),
        distractors=tuple(replace(d, x=d.x - dx, y=d.y - dy) for d in layers.distractors),
    )


def _fields(lens: LensLayer) -> dict[str, Any]:
    """Fields of a lens without copying its pixels."""
    return {name: getattr(lens, name) for name in LensLayer.__slots__}
