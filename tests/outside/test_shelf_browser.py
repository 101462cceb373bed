"""What the shelf writes, in a real Chromium: cut clips play, the contact sheet can be used."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from films import make_film
from shelves import make_record, make_shelf, paint
from sightings import seen_in_clip

from mastread.tools.shelf.cut import cut_clip
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.sheet import data_uri, make_sheet
from mastread.vision.video import open_video


@pytest.mark.parametrize(
    ("name", "options", "gop", "sound"),
    [
        ("plain.mp4", {}, 25, "aac"),
        ("reordered.mp4", {"bf": "3"}, 30, "aac"),
        ("reordered.mkv", {"bf": "3"}, 30, "aac"),
        ("stream.ts", {}, 25, "aac"),
        ("coded.mov", {}, 400, "pcm_s16le"),
    ],
)
def test_a_cut_clip_plays(
    browser: Any, tmp_path: Path, name: str, options: dict[str, str], gop: int, sound: str
) -> None:
    source = make_film(tmp_path / name, options=options, gop=gop, sound=sound)
    with open_video(source) as video:
        done = cut_clip(video, 5.0, 8.0, tmp_path / "clip.mp4")
    assert done.coded == (gop == 400)
    page = browser.new_page()
    # From the page itself, as a quiz has it; a canvas may then read the picture.
    address = data_uri((tmp_path / "clip.mp4").read_bytes(), "video/mp4")
    page.set_content(f'<video src="{address}" preload="auto"></video>')
    page.wait_for_function("document.querySelector('video').readyState >= 3")
    length = page.evaluate("document.querySelector('video').duration")
    assert length == pytest.approx(done.end_s - done.start_s, abs=0.15)
    # The picture of a moment of the source stands at that moment of the clip: frames are grey
    # by their number.
    for moment in (5.5, 6.02, 7.5):
        at = moment - done.start_s + 0.02
        page.evaluate(f"document.querySelector('video').currentTime = {at}")
        page.wait_for_function(
            "(v => !v.seeking && v.readyState >= 2)(document.querySelector('video'))"
        )
        grey = page.evaluate(
            """(v => {
              const c = document.createElement('canvas');
              c.width = v.videoWidth; c.height = v.videoHeight;
              const g = c.getContext('2d');
              g.drawImage(v, 0, 0);
              return g.getImageData(8, 8, 1, 1).data[0];
            })(document.querySelector('video'))"""
        )
        assert grey == pytest.approx(20 + round(moment * 25) % 200, abs=2)
    page.evaluate("document.querySelector('video').play()")
    page.wait_for_function("document.querySelector('video').webkitAudioDecodedByteCount > 0")
    assert page.evaluate("document.querySelector('video').error") is None
    page.close()


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    aspects = ("flashing yellow over red", "lit yellow over red", "green", "red over red over dark")
    records = [make_record(seen_in_clip(a), f"clip-{n}") for n, a in enumerate(aspects)]
    with make_shelf(tmp_path / "s", records) as shelf:
        paint(shelf)
        text = make_sheet(shelf, shelf.find(Query()), "Signals")
    path = tmp_path / "sheet.html"
    path.write_text(text)
    return path


def test_the_sheet_at_phone_width_and_for_axe(browser: Any, sheet: Path) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python"
    )
    page = browser.new_page(viewport={"width": 320, "height": 800})
    page.goto(sheet.as_uri())
    # WCAG 1.4.10: no scrolling in two directions at 320 pixels.
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    assert page.locator("li").count() == 4
    assert page.locator("li img").evaluate_all("all => all.every(i => i.alt)")
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = axe.Axe().run(page, options={"runOnly": rules})
    broken = {v["id"]: [n["html"][:120] for n in v["nodes"]] for v in found.response["violations"]}
    assert broken == {}
    page.close()
