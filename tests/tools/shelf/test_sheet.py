"""The contact sheet: whole, self-contained, and safe against whatever names hold."""

from __future__ import annotations

from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import cv2
import numpy as np
from shelves import make_record, make_shelf

from mastread.decoder.words import NOTICE
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.sheet import make_sheet
from mastread.vision.types import Seen


class Page(HTMLParser):
    """Counts elements and gathers text and addresses."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.counts: dict[str, int] = {}
        self.addresses: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.counts[tag] = self.counts.get(tag, 0) + 1
        self.addresses += [v or "" for k, v in attrs if k in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_a_sheet_shows_each_span_and_needs_nothing_else(
    tmp_path: Path, clip_seen: Callable[..., Seen]
) -> None:
    name = "<script>alert(1)</script>&"
    seen = clip_seen([(0.0, 6.0, "flashing yellow over red"), (6.0, 12.0, "lit yellow over red")])
    record = make_record(seen, name)
    with make_shelf(tmp_path / "s", [record]) as shelf:
        span = shelf.spans_of(1)[0]
        poster = shelf.folder / span.view["poster"]
        poster.parent.mkdir(parents=True)
        cv2.imwrite(str(poster), np.full((720, 1280, 3), 90, np.uint8))
        shelf.note(span.id, "Jo", note="<b>")
        page = Page(make_sheet(shelf, shelf.find(Query()), "A <title>"))
    assert page.counts["li"] == 2
    assert page.counts["img"] == 1  # the other poster is gone, and said to be
    assert "no longer on the shelf" in page.text
    assert page.counts.get("script", 0) == 0
    assert all(address.startswith("data:") for address in page.addresses)
    assert NOTICE in page.text
    assert "Advance Clear to Stop" in page.text
    assert "cannot be told; in doubt" in page.text
    assert page.counts["svg"] == 1  # what may flash or not is not drawn as one of them
