"""Annotated pictures: nothing is covered, everything is said, colour never stands alone."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import NOTICE
from mastread.tools import drawing, panel
from mastread.tools.annotate import (
    LEAST_WIDTH,
    LONGEST_SIDE,
    annotate_photo,
    enlargement,
    make_canvas,
    shown_size,
)
from mastread.tools.curves import draw_curves, write_png
from mastread.tools.moments import Moment, moments, photo_moment, spans_at
from mastread.tools.reading import Reading, build_reading
from mastread.tools.sentences import head_words
from mastread.tools.texts import ENGLISH, clock, say, wrap_lines
from mastread.vision.types import Seen

Make = Callable[..., Seen]


class Still:
    """A frame made of an array, R, G, B, 8 bit."""

    time_s = 0.0
    index = 0

    def __init__(self, rgb: NDArray[np.uint8]) -> None:
        self.rgb = rgb
        self.height, self.width = rgb.shape[:2]

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        assert 0 <= x0 < x1 <= self.width
        assert 0 <= y0 < y1 <= self.height
        return self.rgb[y0:y1, x0:x1].astype(np.float32) / 255


@pytest.fixture
def words_written(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every line of text that gets drawn."""
    lines: list[str] = []
    real = drawing.write

    def spy(image: Any, place: Any, words: str, *more: Any) -> None:
        lines.append(words)
        real(image, place, words, *more)

    monkeypatch.setattr(drawing, "write", spy)
    return lines


def test_the_picture_tells_the_reading(
    photo_seen: Make, book: Rulebook, words_written: list[str], tmp_path: Path
) -> None:
    reading = build_reading(photo_seen("red over red over red", "lit yellow over dark"), book)
    rgb = np.full((800, 1200, 3), 120, np.uint8)
    annotate_photo(Still(rgb), reading, tmp_path / "a.jpg", book=book)  # type: ignore[arg-type]
    text = " ".join(words_written)
    # Three heads, each in the panel as it is laid out, in the panel as it is drawn, and tagged.
    assert words_written.count("red") == 9
    for words in ("yellow", "dark", "Mast 1", "Mast 2", "Cannot be told", "When in doubt"):
        assert words in text, words
    assert NOTICE in text
    marked = cv2.imread(str(tmp_path / "a.jpg"))
    assert marked.shape[1] == 1200
    assert marked.shape[0] > 900


@given(
    masts=st.lists(
        st.tuples(st.integers(10, 1190), st.integers(10, 600), st.integers(1, 3)),
        min_size=1,
        max_size=4,
        unique_by=lambda m: m[0] // 60,
    )
)
@settings(max_examples=40, deadline=None)
def test_no_mast_is_ever_covered(masts: list[tuple[int, int, int]]) -> None:
    """Whatever the view, the pixels of every mast's box stay as they were."""
    reading = _reading_of(masts)
    rng = np.random.default_rng(5)
    picture = rng.integers(0, 255, (700, 1200, 3), dtype=np.uint8)
    canvas = make_canvas(reading, 1200, 700, 1.0, book=load_book("cror"))
    image = canvas.draw(picture, photo_moment(reading))
    for mast in reading["masts"]:
        x0, y0, x1, y1 = (max(0, round(value)) for value in mast["box"])
        assert np.array_equal(image[y0 : min(y1, 700), x0:x1], picture[y0 : min(y1, 700), x0:x1])
    assert image.shape == (700 + canvas.panel_height, 1200, 3)


def _reading_of(masts: list[tuple[int, int, int]]) -> Reading:
    words = ["flashing yellow", "red", "dark"]
    built = []
    for n, (x, y, heads) in enumerate(masts, 1):
        found = [
            {
                "head": k + 1,
                "colour": words[k].split()[-1].replace("dark", "none"),
                "behaviour": ["flashing", "steady", "dark"][k],
                "colour_odds": {"red": 1.0, "yellow": 0.0},
                "behaviour_odds": {"steady": 1.0, "flashing": 0.0, "dark": 0.0},
                "rate_hz": None,
                "rate_sd_hz": None,
                "x": float(x),
                "y": float(y + 30 * k),
                "radius": 5.0,
            }
            for k in range(heads)
        ]
        indication = {
            "status": "read" if n % 2 else "ambiguous",
            "rule": None,
            "name": "Restricting",
            "meaning": "proceed at restricted speed, able to stop within half the range of vision",
            "possible": [{"rule": "9", "name": "Stop", "odds": 0.3}] * 6,
            "most_restrictive": {"rule": "9", "name": "Stop"},
            "reasons": ["The head is dark"] * 5,
        }
        span = {"start_s": None, "end_s": None, "heads": found, "indication": indication}
        box = [x - 9.0, y - 9.0, x + 9.0, y + 30.0 * (heads - 1) + 9.0]
        built.append({"mast": n, "box": box, "spans": [span]})
    source = {"path": "x", "kind": "photo", "width": 1200, "height": 700}
    return {"notice": NOTICE, "source": source, "masts": built}  # type: ignore[typeddict-item]


def test_a_mast_in_the_open_gets_its_tags() -> None:
    reading = _reading_of([(400, 200, 3), (800, 250, 2)])
    canvas = make_canvas(reading, 1200, 700, 1.0, book=load_book("cror"))
    assert all(place is not None for place in canvas.places)
    picture = np.full((700, 1200, 3), 90, np.uint8)
    image = canvas.draw(picture, photo_moment(reading))
    changed = np.any(image[:700] != picture, axis=2)
    assert 0.01 < changed.mean() < 0.1


def test_tags_follow_a_mast_that_moves() -> None:
    reading = _reading_of([(400, 200, 2)])
    canvas = make_canvas(reading, 1200, 700, 1.0, book=load_book("cror"))
    picture = np.full((700, 1200, 3), 90, np.uint8)
    spans = photo_moment(reading)
    here = canvas.draw(picture, spans, [(0.0, 0.0)])[:700]
    there = canvas.draw(picture, spans, [(60.0, 24.0)])[:700]
    assert np.array_equal(here[:-24, :-60], there[24:, 60:])


def test_shapes_differ_without_their_colour() -> None:
    """Seen in grey, and with equal ink, no two colours look alike; flashing differs too."""
    shapes: dict[tuple[str, bool], NDArray[np.uint8]] = {}
    for colour in drawing.LENS_INK:
        for flashing in (False, True):
            image = np.zeros((40, 40, 3), np.uint8)
            drawing.lens_shape(image, (20, 20), 32, colour, flashing=flashing)
            grey = image.max(axis=2)
            shapes[colour, flashing] = (grey > grey.max() / 2).astype(np.uint8)
    names = list(shapes)
    for n, a in enumerate(names):
        for b in names[n + 1 :]:
            differing = np.mean(shapes[a] != shapes[b])
            assert differing > 0.02, (a, b)


def test_a_colour_between_two_names_both() -> None:
    head: Any = {
        "colour": "unknown",
        "behaviour": "unknown",
        "behaviour_odds": {"steady": 0.6, "flashing": 0.4, "dark": 0.0},
        "colour_odds": {"red": 0.6, "yellow": 0.35, "green": 0.0, "lunar": 0.05},
    }
    assert head_words(head, photo=True) == "red or yellow"
    head["colour_odds"] = {"red": 0.4, "yellow": 0.3, "green": 0.3}
    assert head_words(head, photo=True) == "an unknown colour"
    assert head_words(head, photo=True, short=True) == "colour?"
    head |= {"colour": "red", "behaviour": "unknown"}
    assert head_words(head, photo=True) == "red"
    assert head_words(head, photo=False) == "red (steady or flashing)"


def test_small_pictures_are_enlarged_and_huge_ones_reduced() -> None:
    assert [enlargement(w) for w in (1, 100, 320, 799, 800, 4000)] == [8, 8, 3, 2, 1, 1]
    gradient = np.tile(np.linspace(0, 255, 9000).astype(np.uint8)[None, :, None], (300, 1, 3))
    picture, scale = shown_size(Still(gradient))  # type: ignore[arg-type]
    assert picture.shape == (100, 3000, 3)
    assert scale == pytest.approx(1 / 3)
    assert max(picture.shape) <= LONGEST_SIDE
    assert abs(int(picture[50, 1500, 0]) - 127) <= 1
    picture, scale = shown_size(Still(np.zeros((240, 320, 3), np.uint8)))  # type: ignore[arg-type]
    assert picture.shape == (720, 960, 3)
    assert picture.shape[1] >= LEAST_WIDTH


@pytest.mark.parametrize("size", [(1, 1), (3, 900), (900, 3), (801, 601)])
def test_odd_sizes(size: tuple[int, int], photo_seen: Make, book: Rulebook, tmp_path: Path) -> None:
    reading = build_reading(photo_seen(width=size[0], height=size[1]), book)
    picture = np.zeros((size[1], size[0], 3), np.uint8)
    annotate_photo(Still(picture), reading, tmp_path / "a.jpg", book=book)  # type: ignore[arg-type]
    assert (tmp_path / "a.jpg").stat().st_size > 0


def test_moments_and_spans(clip_seen: Make, book: Rulebook) -> None:
    seen = clip_seen(
        [(0.0, 5.0, "red over red"), (5.0, 12.0, "green over red")], [(2.0, 12.0, "red")]
    )
    reading = build_reading(seen, book)

    def starts(time_s: float) -> list[float | None]:
        return [span and span["start_s"] for span in spans_at(reading, time_s)]

    assert starts(0.0) == [0.0, None]
    assert starts(2.0) == [0.0, 2.0]
    assert starts(4.99) == [0.0, 2.0]
    assert starts(5.0) == [5.0, 2.0]
    assert starts(12.0) == [5.0, 2.0]
    assert starts(13.0) == [None, None]
    assert len(moments(reading)) == 4


def test_the_panel_has_room_for_every_moment(clip_seen: Make, book: Rulebook) -> None:
    seen = clip_seen([(0.0, 5.0, "green over red over red"), (5.0, 12.0, "lit yellow over dark")])
    reading = build_reading(seen, book)
    canvas = make_canvas(reading, 1280, 720, 1.0, book=book)
    for spans in moments(reading):
        moment = Moment(tuple(spans), (0,), (False,))
        drawn = panel.draw_panel(reading, moment, canvas.magnified, 1280, canvas.unit, book=book)
        assert drawn.image.shape[0] <= canvas.panel_height
        assert np.all(drawn.image[-2:] == drawing.PAPER)
    assert (720 + canvas.panel_height) % 2 == 0


def test_light_curves(clip_seen: Make, book: Rulebook, words_written: list[str]) -> None:
    seen = clip_seen([(0.0, 12.0, "flashing yellow over red over red")])
    image = draw_curves(seen, build_reading(seen, book))
    assert image.shape[1] == 1600
    text = " ".join(words_written)
    for words in ("flashing yellow", "red", "0.973 ± 0.012 Hz", "0:11", "Advance Clear to Stop"):
        assert words in text, words
    assert NOTICE in text
    data = np.frombuffer(write_png(image), np.uint8)
    assert np.array_equal(cv2.imdecode(data, cv2.IMREAD_COLOR)[:, :, ::-1], image)


def test_light_curves_with_gaps_and_none_at_all(clip_seen: Make, book: Rulebook) -> None:
    seen = clip_seen([(0.0, 12.0, "flashing yellow over red")])
    mast = seen.masts[0]
    first = mast.curves[0]
    hole = np.where((first.time_s > 2) & (first.time_s < 4), np.nan, first.flux)
    none = np.full(len(first.time_s), np.nan, np.float32)
    curves = (
        replace(first, flux=hole.astype(np.float32)),
        replace(mast.curves[1], flux=none, lit=none),
    )
    seen = replace(seen, masts=(replace(mast, curves=curves),))
    assert draw_curves(seen, build_reading(seen, book)).shape[1] == 1600
    bare = replace(seen, masts=(replace(mast, curves=()),))
    assert draw_curves(bare, build_reading(bare, book)).shape[1] == 1600


def test_a_long_curve_keeps_every_flash() -> None:
    """With more samples than pixels the extremes of each column survive."""
    from mastread.tools.curves import thinned

    columns = np.repeat(np.arange(50.0), 100)
    rows = np.full(5000, 80.0)
    rows[37::100] = 5.0
    kept = thinned(np.arange(5000), columns, rows)
    assert len(kept) <= 4 * 50
    assert kept == sorted(kept)
    assert set(range(37, 5000, 100)) <= set(kept)


@given(st.text(max_size=200), st.integers(30, 400))
@settings(max_examples=60, deadline=None)
def test_wrapped_text_fits_and_loses_nothing(words: str, width: int) -> None:
    lines = drawing.wrap(words, width, 14)
    assert "".join("".join(lines).split()) == "".join(words.split())
    assert all(drawing.text_width(line, 14) <= width or len(line) == 1 for line in lines)


def test_text_that_is_cut_says_so() -> None:
    lines = drawing.wrap("one two three four five six seven eight nine ten", 60, 14, most=2)
    assert len(lines) == 2
    assert lines[1].endswith("…")
    assert drawing.text_width(lines[1], 14) <= 60


def test_clock() -> None:
    assert [clock(t) for t in (0, 5.24, 59.96, 65.2, 3725.25, -1)] == [
        *("0:00.0", "0:05.2", "1:00.0", "1:05.2", "1:02:05.2", "0:00.0"),
    ]


def test_wrap_lines_keeps_indents() -> None:
    assert wrap_lines("  a b c\n\nd", 5) == "  a b\n    c\n\nd"


def test_every_sentence_is_used_and_every_key_is_a_sentence() -> None:
    sources = (
        file.read_text(encoding="utf-8")
        for folder in (files("mastread.tools"), files("mastread.tools.report"))
        for file in folder.iterdir()
        if file.name.endswith(".py") and file.name != "texts.py"
    )
    # A part with texts of its own has its own test of them.
    code = "\n".join(text for text in sources if not re.search(r"tools\.\w+\.texts import", text))
    named = set(re.findall(r"""\bsay\(\s*["']([a-z_.]+[a-z])["']""", code))
    assert len(named) > 30
    assert named - set(ENGLISH) == set()
    # Keys that are put together at run time, from a colour or a status.
    built = {f"colour.{colour}" for colour in drawing.LENS_INK if colour != "none"}
    built |= {"colour.unknown.short", "head.perhaps_flashing.short"}
    built |= {"indication.ambiguous", "indication.unreadable"}
    built |= {"report.lamp.lit", "report.lamp.dark"}
    built |= {f"report.faults.{key}" for key in ("ambiguous", "unreadable")}
    built |= {f"report.faults.{key}.title" for key in ("what", "shows", "read", "safe")}
    assert built <= set(ENGLISH)
    bare = {key for key in set(ENGLISH) - built - named if f'"{key}"' not in code}
    assert bare == set()


def test_say_refuses_what_it_does_not_know() -> None:
    with pytest.raises(KeyError):
        say("no.such.sentence")
    with pytest.raises(KeyError):
        say("mast")
