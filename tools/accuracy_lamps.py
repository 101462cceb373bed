"""Scores lamp colours on photographs with a labelled box around each lit lamp.

The labels are a CSV file with the columns ``file`` (relative to the folder), ``label`` (a
colour), ``x``, ``y``, ``w``, ``h`` (pixel box; empty: the whole picture), ``kind`` and ``note``.
Kinds ``lamp`` and ``arrow`` hold one lit lamp tightly, ``head`` a whole head with one lit lamp.
Other kinds are skipped and counted: pictures that are cut out of the inside of a lamp leave
nothing to find it by, and figures and digits are no signal lamps. Not every lamp of such
photographs is labelled, so lamps claimed elsewhere are not judged.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2

from mastread.tools.batch import Crashed, run_batch
from mastread.tools.score_match import claims_of
from mastread.tools.score_rows import Odds
from mastread.tools.score_sums import reliability
from mastread.tools.score_tables import grid, share
from mastread.vision.errors import MediaError
from mastread.vision.label import label_head
from mastread.vision.pipeline import see
from mastread.vision.types import HeadSeen, Hints

#: Kinds of label that hold one lit lamp, and how much of the box's size is added on each side
#: to the place where it may be claimed: a tight box is drawn by hand around a blurred edge.
KINDS: Final = {"lamp": 0.25, "arrow": 0.25, "head": 0.0}


@dataclass(frozen=True, slots=True)
class Label:
    """One labelled lamp; box in pixels."""

    file: str
    colour: str
    x: float
    y: float
    w: float
    h: float
    kind: str


@dataclass(frozen=True, slots=True)
class LampFound:
    """A label with what was claimed there: a colour, ``unknown``, or ``not found``."""

    label: Label
    said: str
    odds: Odds | None
    error: str = ""


def read_labels(path: Path) -> tuple[list[Label], Counter[str]]:
    """Labels that can be judged; and how many of each other kind were skipped.

    Raises
    ------
    ValueError
        A column is missing or a box is no number; the message names the file and the row.
    """
    labels: list[Label] = []
    skipped: Counter[str] = Counter()
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(file)
        missing = {"file", "label", "x", "y", "w", "h", "kind"} - set(rows.fieldnames or ())
        if missing:
            raise ValueError(f"{path}: has no column {', '.join(sorted(missing))}; add it")
        for number, row in enumerate(rows, start=2):
            if row["kind"] not in KINDS or not row["w"]:
                skipped[row["kind"]] += 1
                continue
            try:
                x, y, w, h = (float(row[name]) for name in ("x", "y", "w", "h"))
            except ValueError:
                raise ValueError(f"{path}, line {number}: the box must be four numbers") from None
            labels.append(Label(row["file"], row["label"], x, y, w, h, row["kind"]))
    return labels, skipped


@dataclass(frozen=True, slots=True)
class LampTask:
    """One photograph: searched once in each region, or once as a whole where that is None."""

    path: str
    regions: tuple[tuple[int, int, int, int] | None, ...]


def lamp_work(task: LampTask, report: Callable[[float], None]) -> list[list[HeadSeen] | str]:
    """Heads of a photograph, region by region; a message where it cannot be read."""
    cv2.setNumThreads(1)
    out: list[list[HeadSeen] | str] = []
    for region in task.regions:
        out.append(_heads(Path(task.path), Hints(region=region)))
        report(len(out) / len(task.regions))
    return out


def find_lamps(
    folder: Path,
    labels: Sequence[Label],
    around: float | None,
    jobs: int = 1,
    on_progress: Callable[[float], None] | None = None,
) -> list[LampFound]:
    """Read the photographs in processes of their own and look up what was claimed at each label.

    Parameters
    ----------
    around : search a region of that many box sizes about each box; None: read the whole picture
    """
    by_file: dict[str, list[Label]] = {}
    for label in labels:
        by_file.setdefault(label.file, []).append(label)
    tasks = [
        LampTask(
            str(folder / file),
            (None,) if around is None else tuple(_region(label, around) for label in own),
        )
        for file, own in by_file.items()
    ]
    out = []
    results = run_batch(lamp_work, tasks, jobs, on_progress)
    for task, own, result in zip(tasks, by_file.values(), results, strict=True):
        if isinstance(result, Crashed):
            result = [f"{task.path}: the reading process died"] * len(task.regions)
        if around is None:
            result = result * len(own)
        out += [_look_up(label, heads) for label, heads in zip(own, result, strict=True)]
    return out


def _region(label: Label, around: float) -> tuple[int, int, int, int]:
    size = max(around * max(label.w, label.h), 32.0)
    x, y = label.x + label.w / 2.0 - size / 2.0, label.y + label.h / 2.0 - size / 2.0
    left, top = max(0, round(x)), max(0, round(y))
    return left, top, max(1, round(x + size) - left), max(1, round(y + size) - top)


def _heads(path: Path, hints: Hints) -> list[HeadSeen] | str:
    try:
        seen = see(path, hints)
    except MediaError as error:
        return str(error)
    return [head for mast in seen.masts for span in mast.spans for head in span.heads]


def _look_up(label: Label, heads: list[HeadSeen] | str) -> LampFound:
    if isinstance(heads, str):
        return LampFound(label, "not found", None, heads)
    add = KINDS[label.kind]
    more_x, more_y = add * label.w + 1.0, add * label.h + 1.0
    inside = [
        head
        for head in heads
        if label.x - more_x <= head.x <= label.x + label.w + more_x
        and label.y - more_y <= head.y <= label.y + label.h + more_y
        and _lit(head)
    ]
    if not inside:
        return LampFound(label, "not found", None)
    # Of several lights in a box the surest claim is the one that a reader acts on.
    head = max(inside, key=lambda h: max(h.colour_odds.values()))
    best = max(head.colour_odds, key=lambda c: head.colour_odds[c])
    return LampFound(
        label, label_head(head).colour, Odds(head.colour_odds[best], best == label.colour)
    )


def _lit(head: HeadSeen) -> bool:
    odds = {word: head.behaviour_odds.get(word, 0.0) for word in ("steady", "flashing", "dark")}
    doc = {"colour": "unknown", "behaviour": "unknown", "behaviour_odds": odds}
    return claims_of(doc, photo=True) == "lit"


def lamp_sums(found: Sequence[LampFound], skipped: Counter[str]) -> dict[str, Any]:
    """Counts by folder and kind, the confusion of colours, and the reliability of the odds."""
    folders: dict[str, dict[str, int]] = {}
    colours: dict[str, Counter[str]] = {}
    for one in found:
        name = f"{Path(one.label.file).parent} ({one.label.kind})"
        for key in (name, "all"):
            row = folders.setdefault(
                key, dict.fromkeys(("lamps", "found", "right", "wrong", "withheld"), 0)
            )
            row["lamps"] += 1
            row["found"] += one.said != "not found"
            row["right"] += one.said == one.label.colour
            row["withheld"] += one.said == "unknown"
            row["wrong"] += one.said not in ("not found", "unknown", one.label.colour)
        colours.setdefault(one.label.colour, Counter())[one.said] += 1
    return {
        "folders": folders,
        "colours": {true: dict(said) for true, said in sorted(colours.items())},
        "reliability": reliability(one.odds for one in found),
        "skipped": dict(skipped),
        "errors": sorted({one.error for one in found if one.error}),
        "wrong": [
            f"{one.label.file} at ({one.label.x:g}, {one.label.y:g}): "
            f"{one.label.colour} claimed as {one.said}"
            for one in found
            if one.said not in ("not found", "unknown", one.label.colour)
        ],
    }


def lamp_report(
    folder: Path,
    labels: Path,
    around: float | None,
    jobs: int,
    on_progress: Callable[[float], None] | None = None,
) -> tuple[dict[str, Any], str]:
    """Sums and tables for a folder of photographs; ValueError as `read_labels`."""
    wanted, skipped = read_labels(labels)
    sums = lamp_sums(find_lamps(folder, wanted, around, jobs, on_progress), skipped)
    return sums, lamp_tables(sums)


def lamp_tables(sums: dict[str, Any]) -> str:
    """The sums of `lamp_sums` as text."""
    rows = [["labelled lamps", "lamps", "found", "right, of claimed", "wrong", "withheld"]]
    for name, row in sorted(sums["folders"].items(), key=lambda item: (item[0] == "all", item[0])):
        claimed = row["right"] + row["wrong"]
        rows.append(
            [
                name,
                str(row["lamps"]),
                share(row["found"], row["lamps"]),
                share(row["right"], claimed),
                str(row["wrong"]),
                share(row["withheld"], row["found"]),
            ]
        )
    lines = grid(rows)
    said = sorted({word for row in sums["colours"].values() for word in row})
    lines += ["", *grid([["true colour, claimed as", *said], *_confusion(sums, said)])]
    table = sums["reliability"]
    if table["count"]:
        lines += ["", f"Expected calibration error of colour: {table['ece']:.4f}"]
    if sums["skipped"]:
        kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(sums["skipped"].items()))
        lines.append(f"Skipped: {kinds}")
    return "\n".join([*lines, *sums["errors"], "", *sums["wrong"]])


def _confusion(sums: dict[str, Any], said: list[str]) -> list[list[str]]:
    return [
        [true, *(str(row.get(word, 0)) for word in said)] for true, row in sums["colours"].items()
    ]
