"""The list of bundled samples: what each file shows, how it is made, and the right answer.

The list is ``samples.toml``; nothing here needs Blender.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal

from mastread.decoder.words import COLOURS, Colour

_HEAD = re.compile(r"(\d+)\.(\d+)")


@dataclass(frozen=True, slots=True)
class Order:
    """What one head is told to show: a colour, and whether it flashes."""

    colour: Colour
    flashing: bool


#: (mast, head) of every lit head; heads left out are dark.
Orders = Mapping[tuple[int, int], Order]


@dataclass(frozen=True, slots=True)
class Sample:
    """One bundled file.

    Attributes
    ----------
    shows : a sentence for people
    orders : what the heads show from the beginning
    change : (time in s, orders from then on), or None
    expect : right answers, mast by mast and span by span; see ``samples.toml``
    scene : table of the scene, for `mastread.tools.scenes.trace_plan.read_plan`
    settings : everything else of the entry, defaults filled in
    """

    file: str
    kind: Literal["photo", "video"]
    shows: str
    orders: Orders
    change: tuple[float, Orders] | None
    expect: tuple[Mapping[str, Any], ...]
    scene: Mapping[str, Any]
    settings: Mapping[str, Any]

    @property
    def name(self) -> str:
        """File name without its ending."""
        return self.file.rsplit(".", 1)[0]


@cache
def railway() -> str:
    """Return the name of the invented railway."""
    return str(_table()["railway"])


def samples() -> tuple[Sample, ...]:
    """Return all samples, photos first."""
    table = _table()
    found = [_sample("photo", {**table["defaults"]["photo"], **entry}) for entry in table["photo"]]
    found += [_sample("video", {**table["defaults"]["clip"], **entry}) for entry in table["clip"]]
    return tuple(found)


@cache
def _table() -> Mapping[str, Any]:
    text = files("mastread.tools.scenes").joinpath("samples.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def _sample(kind: Literal["photo", "video"], entry: dict[str, Any]) -> Sample:
    change = None
    if "then" in entry:
        then = entry.pop("then")
        change = (float(then["at_s"]), _orders(entry["file"], then["lamps"]))
    scene = dict(entry.pop("scene"))
    width, height = entry["size"]
    mx, my = entry.get("margin", (0, 0))
    scene["size"] = [width + 2 * mx, height + 2 * my]
    scene["samples"] = entry["samples"]
    # The margin for the shaking hand is seen by the same lens: keep the scale of the picture.
    camera = dict(scene["camera"])
    longest = max(width, height)
    camera["focal_mm"] = (
        camera["focal_mm"] * longest / (longest + 2 * (mx if width >= height else my))
    )
    scene["camera"] = camera
    return Sample(
        file=entry.pop("file"),
        kind=kind,
        shows=entry.pop("shows"),
        orders=_orders("", entry.pop("lamps")),
        change=change,
        expect=tuple(entry.pop("expect", ())),
        scene=scene,
        settings=entry,
    )


def _orders(file: str, table: Mapping[str, str]) -> Orders:
    orders = {}
    for place, words in table.items():
        match = _HEAD.fullmatch(place)
        colour = words.removeprefix("flashing ")
        if match is None or colour not in COLOURS:
            raise ValueError(f"samples.toml, {file}: {place} = {words!r} is not a lit head")
        mast, head = int(match[1]), int(match[2])
        orders[mast, head] = Order(colour, words.startswith("flashing "))
    return orders
