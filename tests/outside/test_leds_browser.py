"""The bench page of the LED check in a real browser; accessibility by axe-core (WCAG 2.1 A, AA)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from led_pictures import lamp_picture

from mastread.decoder.words import NOTICE
from mastread.tools.leds.document import check
from mastread.tools.leds.look import Told, look_at
from mastread.tools.leds.page import outputs
from mastread.vision.types import Hints


@pytest.fixture(scope="module")
def page_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("leds")
    light = np.concatenate([lamp_picture((0.4, 0.62, 0.02)), lamp_picture(radius=1.5)], axis=1)
    coded = np.round(np.clip(light, 0, 1) ** (1 / 2.2) * 255).astype(np.uint8)
    cv2.imwrite(str(folder / "two.png"), coded[..., ::-1])
    told = [Told(80, 80, "green"), Told(240, 80, "green")]
    looked = look_at(folder / "two.png", told, Hints(), None)
    made = outputs(check(looked, None, None), looked)
    (folder / "two.html").write_bytes(made[".leds.html"])
    return folder / "two.html"


@pytest.fixture
def page(browser: Any, page_path: Path) -> Iterator[Any]:
    asked: list[str] = []
    opened = browser.new_page(viewport={"width": 1000, "height": 800})
    opened.on("request", lambda request: asked.append(request.url))
    opened.goto(page_path.as_uri())
    opened.asked = asked
    yield opened
    opened.close()


def test_the_page_stands_alone_and_shows_everything(page: Any) -> None:
    assert [url for url in page.asked if not url.startswith(("data:", "file:"))] == []
    text = page.inner_text("body")
    assert text.count(NOTICE) == 2
    assert "Lamp 1" in text
    assert "under 6 pixels" in text
    images = page.eval_on_selector_all("img", "all => all.map(i => [i.naturalWidth, i.alt])")
    assert len(images) == 2
    assert all(width > 0 and alt for width, alt in images)
    box = page.locator("svg").first.bounding_box()
    assert box["width"] > 500
    assert box["height"] > 400


def test_limits_and_sources_can_be_opened(page: Any) -> None:
    page.locator("summary").first.click()
    rows = page.locator("details[open] tr")
    assert rows.count() > 8
    assert "33 CFR" in page.inner_text("details[open] table")


def test_nothing_is_cut_off_on_a_phone(page: Any) -> None:
    page.set_viewport_size({"width": 390, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_axe_finds_nothing(page: Any) -> None:
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python"
    )
    rules = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}
    found = axe.Axe().run(page, options=rules)
    assert found.response["violations"] == []
