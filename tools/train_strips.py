"""What the strip net is trained on: strips of masts of made scenes with what is true of them.

Each function works on one scene, in a process of its own; see `mastread.tools.train_strip`.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.strip import HEIGHT, WIDTH, Spot, strip

#: A lit lamp that lifts the finished picture by less than this (coded 0..1) cannot be asked for.
_LEAST_CONTRAST: Final = 0.08
#: Lamps that a look at the picture misses although they can be seen; made up for training.
_MISSED: Final = 0.12
#: Pictures that a mast nearly fills: nothing is lost, since strips are of one size, and they are
#: made five times as fast.
_SIZES: Final = ((320, 480), (400, 400), (256, 448), (480, 360), (640, 480))
#: Most spots of one kind that are kept with a strip.
SPOTS: Final = 6

#: One row per strip. `lit`, `dark`, `others`: marks, and `at_dark`, `at_lit`: heads that are not
#: marked (x, y in pixels of the strip; NaN where there is none). `one`: all marks belong to one
#: mast; `row`: they are the lamps of one head of a position light; -1 where it is not asked.
SAMPLE: Final = np.dtype(
    [
        ("picture", np.uint8, (HEIGHT, WIDTH, 3)),
        ("inside", np.uint8, (HEIGHT, WIDTH // 8)),
        *(
            (name, np.float32, (SPOTS, 2))
            for name in ("lit", "dark", "others", "at_dark", "at_lit")
        ),
        ("one", np.int8),
        ("row", np.int8),
        ("dwarf", np.int8),
        ("heads_asked", np.int8),
        ("radius", np.float32),
        ("light", "U10"),
        ("seed", np.int32),
    ]
)


@dataclass(frozen=True, slots=True)
class _Lamp:
    """A lit lamp as it is measured; `spot` None where it cannot be made out."""

    mast: int
    head: int
    spot: Spot | None


def overrides_of(seed: int) -> dict[str, Any]:
    """How a scene is drawn: a third of the first masts has a head without light."""
    rng = np.random.default_rng([seed, 91])
    drawn: dict[str, Any] = {
        "masts": int(rng.choice([1, 2, 3], p=[0.6, 0.3, 0.1])),
        "size": _SIZES[int(rng.choice(5, p=[0.3, 0.2, 0.2, 0.2, 0.1]))],
        "lens_px": float(np.exp(rng.uniform(np.log(2.5), np.log(20.0)))),
        "orientation": 1,
    }
    if rng.random() < 0.06:
        drawn["type"] = "position"
    if rng.random() < 0.3:
        words = ["red", "green", "yellow", "flashing green", "flashing yellow"]
        count = int(rng.choice([2, 3]))
        heads = [str(w) for w in rng.choice(words, count, p=[0.45, 0.2, 0.2, 0.08, 0.07])]
        heads[int(rng.integers(count))] = "dark"
        drawn["aspect"] = " over ".join(heads)
    return drawn


def strips_of(seed: int) -> NDArray[np.void]:
    """Strips of one made scene, (N,) of `SAMPLE`."""
    import cv2

    from mastread.tools.scenes.make import write_photo

    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        truth = write_photo(seed, folder, **overrides_of(seed))
        return strips_of_photo(Path(folder) / truth.file, truth)


def strips_of_photo(path: Path, truth: Any) -> NDArray[np.void]:
    """The same of a made photo that lies there already."""
    from mastread.vision.photo import open_photo

    frame = open_photo(path)
    rng = np.random.default_rng([truth.seed, 92])
    lamps = [_measured(frame, mast, head) for mast in truth.masts for head in _lit(mast)]
    found = []
    for marks, dark, mast, row in _questions(frame, truth, lamps, rng):
        others = [
            lamp.spot
            for lamp in lamps
            if lamp.spot is not None and lamp.spot not in marks and lamp.mast != mast
        ]
        found.append(_sample(frame, truth, lamps, marks, dark, others, mast, row))
    return np.array(found, SAMPLE)


def _lit(mast: Any) -> Iterator[Any]:
    if mast.heads[0].type == "position":
        return
    for head in mast.spans[0].heads:
        if head.lit_now:
            yield head


def _measured(frame: Any, mast: Any, head: Any) -> _Lamp:
    """A true lamp as a look at the picture would measure it."""
    from mastread.vision.measure import measure

    spot = None
    if (head.contrast or 0.0) >= _LEAST_CONTRAST:
        seen = measure(frame, head.x, head.y, head.radius)
        if seen is not None:
            x, y, radius = float(seen["x"]), float(seen["y"]), float(seen["radius"])
            off = float(np.hypot(x - head.x, y - head.y))
            if off < max(head.radius, 1.5) and radius < max(5.0 * head.radius, 4.0):
                spot = (x, y, radius)
    return _Lamp(mast.mast, head.head, spot)


_Question = tuple[list[Spot], list[Spot], int | None, int]


def _questions(
    frame: Any, truth: Any, lamps: Sequence[_Lamp], rng: np.random.Generator
) -> Iterator[_Question]:
    """What is asked of a scene: marks, heads told to be dark, the mast (None: several), row."""
    for mast in truth.masts:
        seen = [lamp.spot for lamp in lamps if lamp.mast == mast.mast and lamp.spot is not None]
        for _ in range(3 if len(mast.heads) > 1 else 2):
            marks = [spot for spot in seen if rng.random() > _MISSED]
            if marks:
                told = [
                    (place.x, place.y, place.radius)
                    for place, head in zip(mast.heads, mast.spans[0].heads, strict=True)
                    if not head.lit_now and rng.random() < 0.3
                ]
                yield marks, told, mast.mast, 0
    seen_lamps = [(lamp.mast, lamp.spot) for lamp in lamps if lamp.spot is not None]
    for mast_a, a in seen_lamps:
        near = [
            (mast_b, b)
            for mast_b, b in seen_lamps
            if b is not a and np.hypot(a[0] - b[0], a[1] - b[1]) < 22.0 * a[2]
        ]
        if not near:
            continue
        if any(m != mast_a for m, _ in near) and rng.random() < 0.8:
            near = [pair for pair in near if pair[0] != mast_a]
        mast_b, b = near[int(rng.integers(len(near)))]
        # Two lamps alone: of one mast, or of two.
        yield [a, b], [], (mast_a if mast_a == mast_b else None), 0
    if any(mast.heads[0].type == "position" for mast in truth.masts):
        yield from _rows(frame, truth)


def _rows(frame: Any, truth: Any) -> Iterator[_Question]:
    """Lamps of position lights, as a look at the picture finds them."""
    from mastread.vision.look import look

    spots = [(lamp.x, lamp.y, lamp.radius) for lamp in look(frame) if lamp.lamp_odds > 0.3]
    for mast in truth.masts:
        for place, head in zip(mast.heads, mast.spans[0].heads, strict=True):
            if place.type != "position" or not head.lit_now:
                continue
            near = [
                s for s in spots if np.hypot(s[0] - place.x, s[1] - place.y) < 4.6 * place.radius
            ]
            if len(near) > 1:
                yield near[:SPOTS], [], mast.mast, 1


def _sample(
    frame: Any,
    truth: Any,
    lamps: Sequence[_Lamp],
    marks: list[Spot],
    dark: list[Spot],
    others: Sequence[Spot],
    number: int | None,
    row: int,
) -> tuple[Any, ...]:
    cut = strip(frame, marks)
    at_dark: list[Spot] = []
    at_lit: list[Spot] = []
    dwarf = -1
    if number is not None:
        mast = next(m for m in truth.masts if m.mast == number)
        dwarf = int(mast.kind == "dwarf")
        for place, head in zip(mast.heads, mast.spans[0].heads, strict=True):
            here = (place.x, place.y, place.radius)
            if not head.lit_now and here not in dark:
                at_dark.append(here)
        of_mast = {lamp.head: lamp.spot for lamp in lamps if lamp.mast == number}
        for head in _lit(mast):
            if of_mast[head.head] not in marks:
                at_lit.append((head.x, head.y, head.radius))
    columns = [
        _padded([cut.place(x, y) for x, y, _ in spots])
        for spots in (marks, dark, others, at_dark, at_lit)
    ]
    return (
        cut.picture,
        np.packbits(cut.inside, axis=1),
        *columns,
        -1 if row else int(number is not None),
        row,
        dwarf,
        int(number is not None and not row),
        float(np.median([r for _, _, r in marks])),
        str(truth.conditions["light"]),
        truth.seed,
    )


def _padded(places: Sequence[tuple[float, float]]) -> NDArray[np.float32]:
    out = np.full((SPOTS, 2), np.nan, np.float32)
    for k, place in enumerate(places[:SPOTS]):
        out[k] = place
    return out
