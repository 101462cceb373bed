"""A real browser for the tests of pages."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

#: Names under which systems have Chromium.
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium of the system, driven by Playwright."""
    sync_api = pytest.importorskip(
        "playwright.sync_api", reason="Playwright is not installed; pip install playwright"
    )
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("there is no Chromium on this machine; apt-get install chromium")
    with sync_api.sync_playwright() as play:
        # Root, as which continuous integration runs, may not use Chromium's sandbox.
        options = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        chromium = play.chromium.launch(executable_path=found, args=options)
        yield chromium
        chromium.close()
