"""Plans of path-traced scenes: plain data, read from tables, without Blender.

Places are metres: ``x`` to the right, ``y`` ahead along the line, ``z`` up; the rails begin at
z = 0.035. Angles are degrees.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mastread.decoder.words import Colour

Array = NDArray[Any]
Rgb = tuple[float, float, float]

#: Colours of a searchlight in the order of its spectacle.
_SEARCHLIGHT: tuple[Colour, ...] = ("green", "yellow", "red")


@dataclass(frozen=True, slots=True)
class Land:
    """Shape of the land.

    Attributes
    ----------
    tracks : x of each track's middle at y = 0
    bend : curvature term, 1/m
    season : ``summer``, ``autumn``, ``winter``
    woods : 0..1, how many trees
    tree_gap_m : how far from the nearest track the trees begin
    hills_m : height of the hills behind
    seed : places of stones, grass and trees
    """

    tracks: Sequence[float]
    bend: float = 0.0
    season: str = "summer"
    woods: float = 0.7
    tree_gap_m: float = 13.0
    hills_m: float = 60.0
    seed: int = 1

    def line(self, offset: float, y: Array) -> Array:
        """Return x of a track at distances y."""
        return np.asarray(offset + self.bend * np.asarray(y) ** 2, float)

    def spread(self) -> tuple[float, float]:
        """Return x of the middle of all tracks at y = 0, and half the way between outer ones."""
        low, high = min(self.tracks), max(self.tracks)
        return (low + high) / 2, (high - low) / 2

    def from_track(self, x: Array, y: Array) -> Array:
        """Return the distance in metres to the middle of the nearest track."""
        gaps = [np.abs(x - self.line(offset, y)) for offset in self.tracks]
        return np.asarray(np.min(gaps, axis=0))

    def height(self, x: Array, y: Array) -> Array:
        """Return the height of the ground."""
        x, y = np.asarray(x, float), np.asarray(y, float)
        mean, half = self.spread()
        d = np.maximum(np.abs(x - self.line(mean, y)) - half, 0)
        bank = -0.75 * np.clip((d - 1.75) / 1.5, 0, 1)
        ditch = -0.35 * np.exp(-(((d - 4.6) / 1.1) ** 2))
        away = np.clip((d - 4.0) / 25.0, 0, 1)
        roll = 0.5 * np.sin(x * 0.11 + 1.3 + self.seed) * np.sin(y * 0.07 + 0.4)
        roll = roll + 0.22 * np.sin(x * 0.43 + y * 0.31) + 1.1 * np.sin(x * 0.021 - 0.6 * self.seed)
        return np.asarray(bank + ditch + away * (roll + 0.8))


@dataclass(frozen=True, slots=True)
class LensPlan:
    """One lens of a head: its colours and its place and radius in metres, from the head."""

    colours: tuple[Colour, ...]
    x: float
    z: float
    radius: float


@dataclass(frozen=True, slots=True)
class HeadPlan:
    """One head: type, height of its middle in metres, and how far it stands to one side."""

    type: str
    z: float
    side: float = 0.0

    def lenses(self) -> tuple[LensPlan, ...]:
        """Return the lenses of this type of head."""
        if self.type == "searchlight":
            return (LensPlan(_SEARCHLIGHT, 0.0, 0.0, 0.1065),)
        if self.type == "triangular":
            return (
                LensPlan(("green",), -0.15, 0.095, 0.1065),
                LensPlan(("yellow",), 0.15, 0.095, 0.1065),
                LensPlan(("red",), 0.0, -0.165, 0.1065),
            )
        gap = 0.22 if self.type == "dwarf" else 0.31
        radius = 0.08 if self.type == "dwarf" else 0.1065
        order: tuple[Colour, ...] = ("green", "yellow", "red")
        return tuple(LensPlan((c,), 0.0, gap * (1 - k), radius) for k, c in enumerate(order))


@dataclass(frozen=True, slots=True)
class MastPlan:
    """One mast: its foot in metres, how it is turned, its heads from the top, its plate.

    Attributes
    ----------
    x, y, z : foot
    turn_deg : 0 faces the camera side (-y); positive turns anticlockwise seen from above
    heads : from the top down
    pole_z : height where the pole begins (above the foot, on a bracket)
    number : text of the number plate, or empty
    plates : letters of meaning-bearing plates ("A", "R", ...), drawn under the heads
    """

    x: float
    y: float
    z: float
    turn_deg: float
    heads: tuple[HeadPlan, ...]
    pole_z: float = 0.0
    number: str = ""
    plates: tuple[str, ...] = ()
    dwarf: bool = False


@dataclass(frozen=True, slots=True)
class CameraPlan:
    """Where the camera stands (metres), what it looks at, focal length (36 mm wide sensor)."""

    position: tuple[float, float, float]
    target: tuple[float, float, float]
    focal_mm: float = 70.0
    f_number: float = 8.0
    roll_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class LightPlan:
    """Sky and sun: see `mastread.tools.scenes.trace_sky`.

    Attributes
    ----------
    sky : ``clear``, ``overcast`` or ``night``
    sun_to_sky : irradiance of the sun on a surface facing it, over that of the sky on level ground
    visibility_m : meteorological visibility (about three haze lengths)
    air_tint : colour of the air's own light, relative to the mean sky
    white : radiance that counts as 1.0; 0 = a level white surface in the open
    """

    sky: str = "clear"
    elevation_deg: float = 35.0
    azimuth_deg: float = 150.0
    clouds: float = 0.4
    sun_to_sky: float = 5.0
    visibility_m: float = 25000.0
    air_tint: Rgb = (0.8, 0.92, 1.1)
    white: float = 0.0


@dataclass(frozen=True, slots=True)
class ScenePlan:
    """All that a path-traced scene is made of.

    Attributes
    ----------
    size : (width, height) in pixels
    masts : from left to right in the picture
    brackets : (x, y, z, turn_deg, half width, height) of bracket posts
    props : (kind, arguments) of things along the line
    samples : light paths per pixel
    """

    name: str
    size: tuple[int, int]
    camera: CameraPlan
    light: LightPlan
    land: Land
    masts: tuple[MastPlan, ...]
    brackets: tuple[tuple[float, float, float, float, float, float], ...] = ()
    props: tuple[tuple[str, dict[str, Any]], ...] = ()
    snow: bool = False
    samples: int = 64
    words: dict[str, Any] = field(default_factory=dict)


def read_plan(name: str, table: Mapping[str, Any]) -> ScenePlan:
    """Make the plan of a scene from a table (of a TOML file).

    Raises
    ------
    ValueError
        names the scene when a key is unknown or missing
    """
    table = dict(table)
    try:
        camera = CameraPlan(**_tuples(table.pop("camera")))
        light = LightPlan(**_tuples(table.pop("light", {})))
        land = Land(**_tuples(table.pop("land")))
        masts = tuple(_mast(land, entry) for entry in table.pop("masts", ()))
        brackets = tuple(_bracket(land, entry) for entry in table.pop("brackets", ()))
        props = []
        for entry in table.pop("props", ()):
            args = dict(_tuples(entry))
            props.append((str(args.pop("kind")), args))
        size = tuple(table.pop("size", (1440, 960)))
        return ScenePlan(
            name,
            (int(size[0]), int(size[1])),
            camera,
            light,
            land,
            masts,
            brackets,
            tuple(props),
            **table,
        )
    except (TypeError, KeyError) as error:
        raise ValueError(f"scene {name}: {error}") from error


def _tuples(table: Mapping[str, Any]) -> dict[str, Any]:
    return {key: tuple(v) if isinstance(v, list) else v for key, v in table.items()}


def _mast(land: Land, table: Mapping[str, Any]) -> MastPlan:
    entry = dict(table)
    heads = tuple(HeadPlan(**head) for head in entry.pop("heads"))
    plates = tuple(entry.pop("plates", ()))
    if "z" not in entry:
        entry["z"] = float(land.height(np.array(entry["x"]), np.array(entry["y"])))
    return MastPlan(heads=heads, plates=plates, **entry)


def _bracket(
    land: Land, table: Mapping[str, Any]
) -> tuple[float, float, float, float, float, float]:
    x, y = float(table["x"]), float(table["y"])
    z = float(land.height(np.array(x), np.array(y)))
    return x, y, z, float(table.get("turn_deg", 0.0)), float(table["half"]), float(table["high"])
