"""Image boxes in the COCO layout (cocodataset.org, "Data format"): masts and lamps on posters."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, Final

from mastread.decoder.words import COLOURS, NOTICE
from mastread.tools.reading import HeadDoc

if TYPE_CHECKING:
    from mastread.tools.shelf.pack import About, Item

#: Category ids; they never change, so that packages can be put together.
_MAST: Final = 1
_LAMPS: Final = {colour: 2 + n for n, colour in enumerate((*COLOURS, "unknown", "none"))}


def coco_document(items: Sequence[Item], about: About) -> dict[str, Any]:
    """Return the document for one part of a data set."""
    licences = sorted({item.licence for item in items}) or [about.licence]
    images: list[dict[str, Any]] = []
    boxes: list[dict[str, Any]] = []
    for number, item in enumerate(items, start=1):
        images.append(
            {
                "id": number,
                "file_name": item.poster,
                "width": item.size[0],
                "height": item.size[1],
                "license": licences.index(item.licence) + 1,
                "span": item.hit.id,
            }
        )
        for category, box, more in _boxes(item):
            boxes.append(
                {
                    "id": len(boxes) + 1,
                    "image_id": number,
                    "category_id": category,
                    "bbox": box,
                    "area": round(box[2] * box[3], 2),
                    "iscrowd": 0,
                    **more,
                }
            )
    return {
        "info": {"description": f"{about.title}. {NOTICE}", "contributor": about.credit},
        "licenses": [
            {"id": n, "name": name, "url": ""} for n, name in enumerate(licences, start=1)
        ],
        "categories": [
            {"id": _MAST, "name": "mast", "supercategory": "signal"},
            *(
                {"id": number, "name": _category(colour), "supercategory": "lamp"}
                for colour, number in _LAMPS.items()
            ),
        ],
        "images": images,
        "annotations": boxes,
    }


def _category(colour: str) -> str:
    return "dark head" if colour == "none" else f"{colour} lamp"


def _boxes(item: Item) -> Iterator[tuple[int, list[float], dict[str, Any]]]:
    """Category, [x, y, width, height] within the poster, and what else is known."""
    view = item.span.view
    x0, y0, x1, y1 = view["box"]
    mast = _within((x0, y0, x1, y1), item.size)
    if mast is not None:
        yield _MAST, mast, {"aspect": view["aspect"], "indication": view["indication"]["name"]}
    dx, dy = view["shift"]
    for head in view["heads"]:
        box = _within(_lens(head, dx, dy), item.size)
        if box is not None:
            yield _LAMPS[head["colour"]], box, {"behaviour": head["behaviour"]}


def _lens(head: HeadDoc, dx: float, dy: float) -> tuple[float, float, float, float]:
    x, y, r = head["x"] + dx, head["y"] + dy, head["radius"]
    return x - r, y - r, x + r, y + r


def _within(box: tuple[float, float, float, float], size: tuple[int, int]) -> list[float] | None:
    """The part of a box that lies in the picture; COCO counts from the edge of the first pixel."""
    x0, x1 = (min(max(v + 0.5, 0.0), float(size[0])) for v in (box[0], box[2]))
    y0, y1 = (min(max(v + 0.5, 0.0), float(size[1])) for v in (box[1], box[3]))
    if x1 <= x0 or y1 <= y0:
        return None
    return [round(v, 2) for v in (x0, y0, x1 - x0, y1 - y0)]
