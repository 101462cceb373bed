"""The report in a real browser: headless Chromium, driven by Playwright.

Accessibility is checked by axe-core, an independent implementation of the rules of WCAG 2.1
levels A and AA (www.w3.org/TR/WCAG21/), and the printed page is read back by pypdf.
"""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from pypdf import PdfReader

from mastread.decoder.evidence import HeadEvidence, MastEvidence
from mastread.decoder.rulebook import Rulebook, load_book
from mastread.decoder.words import COLOURS, NOTICE
from mastread.tools.outputs import Material, ReportPlace, Sheaf, make_outputs
from mastread.tools.reading import build_reading
from mastread.tools.report.page import write_page
from mastread.tools.wishes import Wishes
from mastread.vision.types import HeadSeen, LightCurve, MastSeen, Seen, SourceInfo, SpanSeen

LENGTH, RATE = 8, 10
NAME = "<b onclick=alert(1)>clip & 'co' #1?.mp4"
#: The change is dated between two frames; the second of them shows it.
SPANS = ((0.0, 3.95, "yellow"), (3.95, 8.0, "green"))

Open = Callable[..., Any]


def _write_clip(path: Path, sound: str) -> None:
    """A clip that grows brighter by the second, with a tone."""
    with av.open(str(path), "w", format="matroska") as out:
        picture = out.add_stream("libx264", rate=RATE)
        picture.width, picture.height, picture.pix_fmt = 320, 240, "yuv420p"
        tone = out.add_stream(sound, rate=48_000, layout="mono")
        for n in range(LENGTH * RATE):
            image = np.full((240, 320, 3), 20 + 25 * (n // RATE), np.uint8)
            frame = av.VideoFrame.from_ndarray(image, format="rgb24")
            frame.pts, frame.time_base = n, Fraction(1, RATE)
            out.mux(picture.encode(frame))
        out.mux(picture.encode(None))
        for at in range(0, LENGTH * 48_000, 960):
            wave = 8000 * np.sin(2 * np.pi * 440 * (np.arange(960) + at) / 48_000)
            piece = av.AudioFrame.from_ndarray(
                wave.astype(np.int16)[None], format="s16", layout="mono"
            )
            piece.sample_rate, piece.pts, piece.time_base = 48_000, at, Fraction(1, 48_000)
            out.mux(tone.encode(piece))
        out.mux(tone.encode(None))


def _seen(path: str) -> Seen:
    """One mast with two heads: the upper one changes from yellow to green."""

    def head(colour: str, y: float) -> HeadSeen:
        odds = dict.fromkeys(COLOURS, 0.0) | {colour: 1.0}
        return HeadSeen(odds, {"steady": 1.0, "flashing": 0.0, "dark": 0.0}, 160.0, y, 5.0)

    spans = []
    for start, end, colour in SPANS:
        heads = (head(colour, 80.0), head("red", 110.0))
        evidence = tuple(HeadEvidence(h.colour_odds, h.behaviour_odds) for h in heads)
        spans.append(SpanSeen(start, end, heads, MastEvidence(evidence, plates=frozenset())))
    times = np.arange(0, LENGTH, 1 / RATE)
    lit = np.ones(len(times), np.float32)
    curves = tuple(LightCurve(1, n, times, lit, lit) for n in (1, 2))
    mast = MastSeen(1, (150.0, 70.0, 170.0, 120.0), tuple(spans), curves)
    return Seen(SourceInfo(path, "video", 320, 240, float(LENGTH), LENGTH * RATE), (mast,))


@pytest.fixture(scope="module")
def book() -> Rulebook:
    return load_book("cror")


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory, book: Rulebook) -> Path:
    """A report beside its clip, both with names that want to be quoted."""
    folder = tmp_path_factory.mktemp("report #1?")
    source = folder / "in.mkv"
    _write_clip(source, "pcm_s16le")
    seen = _seen(NAME)
    reading = build_reading(seen, book)
    place = ReportPlace("report.html", False, str(folder / "part.json"), "f1")
    sheaf = Sheaf(folder)
    wishes = Wishes(kinds=frozenset({"marked", "report"}))
    stem = "clip & 'co' #1?"
    make_outputs(Material(source, seen, reading, book), wishes, sheaf, stem, place, lambda _: None)
    for path, ending in sheaf.made:
        path.rename(folder / (stem + ending))
    page = folder / "report.html"
    write_page([Path(place.part)], page)
    return page


@pytest.fixture
def opened(browser: Any, report: Path) -> Iterator[Open]:
    """Open a page; at the end nothing may have gone wrong or been fetched."""
    pages = []
    trouble: list[str] = []
    fetched: list[str] = []

    def go(path: Path = report, width: int = 1200, height: int = 900, lost: bool = False) -> Any:
        page = browser.new_page(viewport={"width": width, "height": height})
        page.set_default_timeout(20_000)
        pages.append(page)

        def hear(message: Any) -> None:
            if message.type in ("error", "warning") and not (lost and "ERR_FILE" in message.text):
                trouble.append(message.text)

        page.on("console", hear)
        page.on("pageerror", lambda error: trouble.append(str(error)))
        page.on("dialog", lambda dialog: (trouble.append(dialog.message), dialog.dismiss()))
        page.on("request", lambda request: fetched.append(request.url))
        page.goto(path.as_uri())
        if not lost and page.locator("video").count():
            _wait(page, "document.querySelector('video').readyState >= 1")
        return page

    yield go
    for page in pages:
        page.close()
    assert trouble == []
    assert [url for url in fetched if not url.startswith(("file:", "data:"))] == []


def _wait(page: Any, condition: str) -> None:
    """Wait until a condition holds; the page's own policy forbids Playwright's way of it."""
    for _ in range(200):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(100)
    pytest.fail(f"after 20 s still not: {condition}")


def _time(page: Any) -> float:
    _wait(page, "!document.querySelector('video').seeking")
    return float(page.evaluate("document.querySelector('video').currentTime"))


def _brightness(page: Any) -> float:
    """How bright the shown frame is in its upper left, 0..255."""
    page.wait_for_timeout(300)
    shot = av.open(io.BytesIO(page.locator("video").screenshot()))
    picture = next(shot.decode(video=0)).to_ndarray(format="gray")
    across = picture.shape[1]
    return float(picture[20:40, int(across * 0.3) : int(across * 0.4)].mean())


def test_a_click_on_a_span_seeks_the_clip(opened: Open) -> None:
    page = opened()
    page.get_by_role("button", name=re.compile("0:04.0 to 0:08.0: Clear")).first.click()
    assert _time(page) == pytest.approx(4.0, abs=0.01)
    # The frame of that time is shown, by its brightness.
    assert _brightness(page) == pytest.approx(20 + 25 * 4, abs=8)
    current = page.locator(".timeline [aria-current=true]")
    assert current.count() == 1
    assert "Clear" in current.inner_text()
    assert "Clear" in page.locator(".now").inner_text()
    left = page.locator(".timeline .playhead").evaluate("e => parseFloat(e.style.left)")
    assert left == pytest.approx(50, abs=1)


def test_a_click_on_a_light_curve_seeks_too(opened: Open) -> None:
    page = opened()
    track = page.locator(".track.curve").first
    box = track.bounding_box()
    track.click(position={"x": box["width"] * 0.75, "y": box["height"] / 2})
    assert _time(page) == pytest.approx(6.0, abs=0.1)


def test_by_keyboard_alone(opened: Open) -> None:
    page = opened()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    for _ in range(12):
        if "span" in page.evaluate("document.activeElement.className").split():
            break
        page.keyboard.press("Tab")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    assert _time(page) == pytest.approx(4.0, abs=0.01)
    page.keyboard.press("Home")
    page.keyboard.press("Space")
    assert _time(page) == pytest.approx(0.0, abs=0.01)
    # Focus is seen: a ring round the button.
    ring = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert ring == "solid"


@pytest.mark.parametrize("width", [320, 390])
def test_at_phone_width(opened: Open, width: int) -> None:
    page = opened(width=width, height=800)
    # WCAG 1.4.10: no scrolling in two directions at 320 pixels.
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for button in page.get_by_role("button").all():
        box = button.bounding_box()
        # WCAG 2.5.8: targets of at least 24 by 24 pixels.
        assert box["width"] >= 24
        assert box["height"] >= 24
    page.locator(".one-span").last.scroll_into_view_if_needed()
    page.locator(".one-span .seek").last.click()
    assert _time(page) == pytest.approx(4.0, abs=0.01)
    box = page.locator("video").bounding_box()
    assert box["y"] > -2
    assert box["y"] + box["height"] < 500


def test_axe_finds_nothing(opened: Open) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python"
    )
    page = opened()
    for details in page.locator("details").all():
        details.evaluate("e => e.open = true")
    found = axe.Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]})
    rules = {v["id"]: [n["html"][:120] for n in v["nodes"]] for v in found.response["violations"]}
    assert rules == {}
    assert len(found.response["passes"]) > 10


def test_printed(opened: Open) -> None:
    """The printed page holds what is folded away on the screen, and no player."""
    page = opened()
    pdf = PdfReader(io.BytesIO(page.pdf(format="A4")))
    # Letters that the printed page joins (fi) are parted again.
    words = unicodedata.normalize("NFKC", " ".join(s.extract_text() for s in pdf.pages))
    text = " ".join(words.split())
    for words in (NOTICE, "Rules that were used", "Clear (rule 405)", "placeholder", "Fail-safe"):
        assert words in text, words
    assert "The clip is the file" not in text
    assert 1 <= len(pdf.pages) <= 6


def test_a_clip_that_is_gone_is_told_of(opened: Open, report: Path, tmp_path: Path) -> None:
    alone = tmp_path / "report.html"
    alone.write_bytes(report.read_bytes())
    page = opened(alone, lost=True)
    page.locator(".lost").wait_for(state="visible")
    assert "could not be played" in page.locator(".lost").inner_text()


def test_picture_and_sound_play(opened: Open) -> None:
    """H.264 beside FLAC in MP4: Chromium decodes both."""
    page = opened()
    page.evaluate("(v => { v.muted = false; v.play(); })(document.querySelector('video'))")
    _wait(page, "document.querySelector('video').currentTime > 0.5")
    heard, seen, fault = page.evaluate(
        "(v => [v.webkitAudioDecodedByteCount, v.webkitVideoDecodedByteCount, v.error])"
        "(document.querySelector('video'))"
    )
    assert heard > 1000
    assert seen > 100
    assert fault is None
    assert page.evaluate("document.querySelector('video').duration") == pytest.approx(8, abs=0.05)


def test_a_clip_inside_the_page(opened: Open, report: Path, tmp_path: Path, book: Rulebook) -> None:
    seen = _seen("in.mkv")
    place = ReportPlace("report.html", True, str(tmp_path / "part.json"), "f1")
    sheaf = Sheaf(tmp_path)
    material = Material(report.parent / "in.mkv", seen, build_reading(seen, book), book)
    wishes = Wishes(kinds=frozenset({"marked", "report"}))
    make_outputs(material, wishes, sheaf, "in", place, lambda _: None)
    for path, _ in sheaf.made:
        path.unlink()
    write_page([Path(place.part)], tmp_path / "report.html")
    page = opened(tmp_path / "report.html")
    page.locator(".seek").last.click()
    assert _time(page) == pytest.approx(4.0, abs=0.01)


def test_clips_far_down_a_long_page_load_when_they_are_wanted(
    opened: Open, report: Path, tmp_path: Path, book: Rulebook
) -> None:
    """A click on a span seeks a clip that has not even begun to load."""
    parts = []
    for n in range(3):
        seen = _seen(f"{n}.mkv")
        place = ReportPlace("report.html", False, str(tmp_path / f"{n}.json"), f"f{n}")
        material = Material(report.parent / "in.mkv", seen, build_reading(seen, book), book)
        sheaf = Sheaf(tmp_path / str(n))
        sheaf.folder.mkdir()
        wishes = Wishes(kinds=frozenset({"marked", "report"}))
        make_outputs(material, wishes, sheaf, f"sub {n}/clip", place, lambda _: None)
        for path, ending in sheaf.made:
            (tmp_path / f"sub {n}").mkdir()
            path.rename(tmp_path / f"sub {n}/clip{ending}")
        parts.append(Path(place.part))
    write_page(parts, tmp_path / "report.html")
    page = opened(tmp_path / "report.html")
    states = "[...document.querySelectorAll('video')].map(v => v.readyState)"
    first, _, last = page.evaluate(states)
    assert first >= 1
    assert last == 0
    page.locator(".seek").last.dispatch_event("click")
    _wait(page, states + "[2] >= 1")
    _wait(page, "!document.querySelectorAll('video')[2].seeking")
    at = page.evaluate("document.querySelectorAll('video')[2].currentTime")
    assert at == pytest.approx(4.0, abs=0.01)


def test_a_clip_without_masts(opened: Open, tmp_path: Path, book: Rulebook, report: Path) -> None:
    seen = replace(_seen("in.mkv"), masts=())
    place = ReportPlace("report.html", True, str(tmp_path / "part.json"), "f1")
    material = Material(report.parent / "in.mkv", seen, build_reading(seen, book), book)
    wishes = Wishes(kinds=frozenset({"report"}))
    make_outputs(material, wishes, Sheaf(tmp_path), "in", place, lambda _: None)
    write_page([Path(place.part)], tmp_path / "report.html")
    page = opened(tmp_path / "report.html")
    assert "No signal mast was found" in page.inner_text("main")
