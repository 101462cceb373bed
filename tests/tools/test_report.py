"""The report as a file: what it holds, what it keeps out, and how its parts come together."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import BEHAVIOURS, COLOURS, NOTICE
from mastread.tools.reading import build_reading, error_reading
from mastread.tools.report.markup import Html, el
from mastread.tools.report.page import write_page
from mastread.tools.report.part import (
    EMBED_MOST,
    Part,
    clip_address,
    error_part,
    load_part,
    make_part,
)
from mastread.tools.report.rules import address
from mastread.tools.report.shots import Album, plan_shots
from mastread.tools.texts import ENGLISH, load_language, speaking
from mastread.vision.spans import HIDDEN_NOTE
from mastread.vision.types import Seen

Make = Callable[..., Seen]

EVIL = "<script>alert(1)</script>\"'&</style><img src=x onerror=alert(2)>"


class Still:
    """A frame whose pixels tell where they are: red by column, green by row."""

    index = 0

    def __init__(self, width: int, height: int, time_s: float = 0.0) -> None:
        self.width, self.height, self.time_s = width, height, time_s

    def coded(self, x0: int, y0: int, x1: int, y1: int) -> NDArray[np.float32]:
        assert 0 <= x0 < x1 <= self.width
        assert 0 <= y0 < y1 <= self.height
        part = np.zeros((y1 - y0, x1 - x0, 3), np.float32)
        part[..., 0] = np.arange(x0, x1)[None] / self.width
        part[..., 1] = np.arange(y0, y1)[:, None] / self.height
        return part


class Page(HTMLParser):
    """What a browser would find: every element with its attributes, ids, and text."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.raw: dict[str, list[str]] = {"style": [], "script": []}
        self._open = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open = tag if tag in self.raw else ""

    def handle_endtag(self, tag: str) -> None:
        self._open = ""

    def handle_data(self, data: str) -> None:
        if self._open:
            self.raw[self._open].append(data)
        else:
            self.text.append(data)

    def all(self, name: str) -> list[dict[str, str | None]]:
        return [attributes for tag, attributes in self.elements if tag == name]


def page_of(
    tmp_path: Path, *seen: Seen, book: Rulebook, media: str | None = "clip.marked.mp4"
) -> str:
    parts = []
    for n, one in enumerate(seen, 1):
        reading = build_reading(one, book)
        album = Album(reading, one)
        for time_s in np.arange(0, 12, 0.5):
            album.look(Still(1280, 720, float(time_s)))  # type: ignore[arg-type]
        part = make_part(one, reading, book, album, media, f"f{n}")
        path = tmp_path / f"{n}.json"
        part.save(path)
        assert load_part(path) == part
        parts.append(path)
    write_page(parts, tmp_path / "page.html")
    return (tmp_path / "page.html").read_text(encoding="utf-8")


@pytest.fixture
def clip(clip_seen: Make) -> Seen:
    return clip_seen(
        [
            (0.0, 5.0, "flashing yellow over red over red"),
            (5.0, 12.0, "lit yellow over red over red"),
        ],
        [(2.0, 12.0, "green over red over red")],
    )


def test_everything_is_told(tmp_path: Path, clip: Seen, book: Rulebook) -> None:
    page = Page(page_of(tmp_path, clip, book=book))
    text = " ".join(" ".join(page.text).split())
    reading = build_reading(clip, book)
    for mast in reading["masts"]:
        for span in mast["spans"]:
            said = span["indication"]
            for reason in said["reasons"]:
                assert reason in text
            for item in said["possible"] if said["status"] != "read" else []:
                assert item["name"] in text
    for words in (
        *("Advance Clear to Stop (rule 415)", "Cannot be told", "0.973 ± 0.012 Hz", "49%"),
        *("Why it was withheld", "When in doubt, treat it as", "Ahead: ", "Here: "),
        *("Why it means that", "placeholder", "If one thing failed", "as restrictive or more"),
        *("Rules that were used", "Sources of these rules", "Standing:", NOTICE),
    ):
        assert words in text, words
    buttons = [b for b in page.all("button") if "span" in (b.get("class") or "").split()]
    assert [(b["data-start"], b["data-end"]) for b in buttons] == [
        ("0.000", "5.000"),
        ("5.000", "12.000"),
        ("2.000", "12.000"),
    ]
    assert (
        len([s for s in page.all("svg") if s.get("role") == "img" and s.get("preserveaspectratio")])
        == 6
    )
    # Lit and dark of the flashing head, lit of the others.
    alts = [image["alt"] for image in page.all("img")]
    assert alts.count("Head 1, without light") == 1
    assert alts.count("Head 1, lit") == 3


def test_links_lead_somewhere_and_no_name_is_given_twice(
    tmp_path: Path, clip: Seen, book: Rulebook
) -> None:
    page = Page(page_of(tmp_path, clip, clip, book=book))
    names = [a["id"] for _, a in page.elements if a.get("id")]
    assert len(names) == len(set(names))
    links = [a["href"] or "" for a in page.all("a")]
    inner = [link[1:] for link in links if link.startswith("#")]
    assert len(inner) > 10
    assert set(inner) <= set(names)
    assert {"row", "source"} <= {name.split("-")[0] for name in inner}
    outer = [link for link in links if not link.startswith("#")]
    assert outer
    assert all(link.startswith(("https://", "http://")) for link in outer)
    for attributes in (a for _, a in page.elements):
        for key in ("aria-labelledby",):
            assert attributes.get(key) is None or attributes[key] in names


def test_the_policy_allows_this_page_and_nothing_else(
    tmp_path: Path, clip: Seen, book: Rulebook
) -> None:
    page = Page(page_of(tmp_path, clip, book=book))
    (policy,) = [m["content"] or "" for m in page.all("meta") if m.get("http-equiv")]
    rules = dict(part.split(" ", 1) for part in policy.split("; "))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    for name, rule in (("style", "style-src"), ("script", "script-src")):
        (text,) = page.raw[name]
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert rules[rule] == f"'sha256-{digest}'"
    assert not {"'unsafe-inline'", "'unsafe-eval'", "http:", "https:", "*"} & set(policy.split())
    for tag, attributes in page.elements:
        assert tag not in ("link", "iframe", "object", "embed", "base", "form")
        assert "style" not in attributes, tag
        assert not any(key.startswith("on") for key in attributes), tag
        if tag in ("img", "video"):
            source = attributes["src"] or ""
            assert source.startswith("data:") or "://" not in source


def test_whatever_a_file_or_a_book_is_called_stays_text(
    tmp_path: Path, clip: Seen, book: Rulebook
) -> None:
    evil = replace(clip, source=replace(clip.source, path=EVIL))
    hostile = _rename(book, EVIL)
    text = page_of(tmp_path, evil, book=hostile, media=None)
    page = Page(text)
    assert len(page.all("script")) == len(page.all("style")) == 1
    assert not [i for i in page.all("img") if i.get("src") == "x"]
    assert EVIL in " ".join(page.text)
    assert "alert" not in "".join(page.raw["script"] + page.raw["style"])


def _rename(book: Rulebook, words: str) -> Rulebook:
    return replace(book, title=words, edition=words)


@pytest.mark.parametrize(
    "text",
    ["javascript:alert(1)", "JavaScript:alert(1)", "data:text/html,x", "file:///etc", "//x.y"],
)
def test_only_addresses_of_the_web_become_links(text: str) -> None:
    assert "<a" not in (address(text) or "")
    assert 'href="https://a.b/?c=1&amp;d=%22"' in (address("https://a.b/?c=1&d=%22") or "")
    assert address("") is None


def test_markup_escapes_what_is_not_markup() -> None:
    made = el("p", "<&>", Html("<b>"), None, 3, title='a"b', hidden="", lang=None, data_a="1")
    assert made == '<p title="a&quot;b" hidden="" data-a="1">&lt;&amp;&gt;<b>3</p>'


def test_a_small_clip_is_put_in_and_a_large_one_stays_outside(tmp_path: Path) -> None:
    clip = tmp_path / "a b#.mp4"
    clip.write_bytes(b"x" * 100)
    data = clip_address(clip, "sub/a b#.mp4", embed=True)
    assert base64.b64decode(data.split(",")[1]) == b"x" * 100
    assert clip_address(clip, "sub/a b#.mp4", embed=False) == "sub/a%20b%23.mp4"
    with clip.open("wb") as out:
        out.truncate(EMBED_MOST + 1)
    assert clip_address(clip, "sub/a b#.mp4", embed=True) == "sub/a%20b%23.mp4"


def test_pictures_are_taken_where_the_lamps_are(clip: Seen, book: Rulebook) -> None:
    """A crop is cut out round its lamp: red and green of the test frame tell the place."""
    reading = build_reading(clip, book)
    album = Album(reading, clip)
    for time_s in np.arange(0, 12, 0.04):
        album.look(Still(1280, 720, float(time_s)))  # type: ignore[arg-type]
    assert {shot.name for shot in plan_shots(clip, reading)} == set(album.pictures)
    for mast in reading["masts"]:
        for n, span in enumerate(mast["spans"], 1):
            for head in span["heads"]:
                data = base64.b64decode(
                    album.pictures["lit", mast["mast"], n, head["head"]].split(",")[1]
                )
                crop = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
                middle = crop[crop.shape[0] // 2, crop.shape[1] // 2].astype(float)
                assert middle[2] / 255 * 1280 == pytest.approx(head["x"], abs=12)
                assert middle[1] / 255 * 720 == pytest.approx(head["y"], abs=8)


def test_lit_and_dark_pictures_are_of_lit_and_dark_moments(clip: Seen, book: Rulebook) -> None:
    reading = build_reading(clip, book)
    curve = clip.masts[0].curves[0]
    times = {shot.name: shot.time_s for shot in plan_shots(clip, reading)}
    for kind, level in (("lit", 1.0), ("dark", 0.0)):
        at = times[kind, 1, 1, 1]  # type: ignore[index]
        assert 0.0 <= at < 5.0
        assert curve.lit[np.argmin(np.abs(curve.time_s - at))] == level


def test_french_is_french_but_for_the_book(tmp_path: Path, clip: Seen, book: Rulebook) -> None:
    with speaking("fr"):
        text = page_of(tmp_path, clip, clip, book=book)
    page = Page(text)
    assert page.all("html")[0]["lang"] == "fr"
    said = " ".join(page.text)
    french = load_language("fr").texts
    assert french["notice"] in said
    assert "attendent d'être revus" in said
    for key in ("report.lesson", "report.why", "report.rules", "report.timeline.help"):
        assert french[key] in said
        assert ENGLISH[key] not in said
    assert "Advance Clear to Stop" in said


def test_a_photo_and_a_failure(tmp_path: Path, photo_seen: Make, book: Rulebook) -> None:
    seen = photo_seen("green over red over red")
    reading = build_reading(seen, book)
    album = Album(reading, seen)
    album.look(Still(1200, 800))  # type: ignore[arg-type]
    part = make_part(seen, reading, book, album, "data:image/jpeg;base64,AA", "f1")
    part.save(tmp_path / "1.json")
    error_part(error_reading("b.mp4", "b.mp4: is <cut> off", book), "e1").save(tmp_path / "2.json")
    write_page([tmp_path / "1.json", tmp_path / "2.json"], tmp_path / "page.html")
    page = Page((tmp_path / "page.html").read_text())
    assert not page.all("video")
    assert not page.all("button")
    assert "Is <cut> off." in page.text
    assert len(page.all("article")) == 2


def test_nothing_found(tmp_path: Path, clip_seen: Make, book: Rulebook) -> None:
    page = Page(page_of(tmp_path, clip_seen(duration=3.0), book=book))
    assert ENGLISH["no_mast"] in " ".join(page.text)
    assert not page.all("button")


def test_the_bundled_page_files_are_small(tmp_path: Path, clip: Seen, book: Rulebook) -> None:
    """A page with a few spans is read by mail: pictures apart it stays below 150 kB."""
    text = page_of(tmp_path, clip, book=book)
    bare = re.sub(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+", "", text)
    assert len(bare) < 150_000


@pytest.mark.parametrize("name", ["layout", "position_light", "norac"])
def test_other_books(tmp_path: Path, clip: Seen, name: str) -> None:
    book = load_book(name)
    assert Page(page_of(tmp_path, clip, book=book)).all("article")


def test_a_part_survives_saving(tmp_path: Path) -> None:
    part = Part("f1", "é", [("a", True)], "<p>", ".x{left:0}", {"row-1": "<li>"}, {})
    part.save(tmp_path / "p.json")
    assert load_part(tmp_path / "p.json") == part
    assert json.loads((tmp_path / "p.json").read_text())["title"] == "é"


def test_a_mast_out_of_sight_is_told_in_few_words(
    tmp_path: Path, clip_seen: Make, book: Rulebook
) -> None:
    """Nothing was seen: no list of all that it might have shown, and no crop called lit."""
    (mast,) = clip_seen([(0.0, 5.0, "red over red"), (5.0, 12.0, "red over red")]).masts
    even = dict.fromkeys(COLOURS, 1 / 6)
    blind = tuple(
        replace(h, colour_odds=even, behaviour_odds=dict.fromkeys(BEHAVIOURS, 1 / 3))
        for h in mast.spans[1].heads
    )
    evidence = MastEvidence(
        tuple(HeadEvidence(h.colour_odds, h.behaviour_odds) for h in blind), notes=(HIDDEN_NOTE,)
    )
    away = replace(mast.spans[1], heads=blind, evidence=evidence)
    seen = replace(
        clip_seen([(0.0, 12.0, "red over red")]),
        masts=(replace(mast, spans=(mast.spans[0], away)),),
    )
    text = page_of(tmp_path, seen, book=book)
    page = Page(text)
    said = " ".join(" ".join(page.text).split())
    assert "Out of sight" in said
    assert HIDDEN_NOTE in said
    section = text[text.index('id="f1m1s2"') :]
    section = section[: section.index("</section>")]
    assert "When in doubt, treat it as Stop." in section
    assert "<table" not in section
    assert ", lit" not in section
    # The label of a light curve tells what the head showed while it was seen.
    assert "Head 1: red" in said
