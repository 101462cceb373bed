"""``python -m mastread.tools.desk.bench``: the first view of a large shelf against a small one.

Two shelves of made-up spans are filled as `mastread.tools.shelf.bench_find` does (and kept for the
next time), each opened by a desk of its own, and what the page asks for before it shows the first
span is timed, in turn, one fresh server for each turn. With ``--browser`` headless Chromium
opens the page instead, until the first span is shown; needs Playwright and the system's Chromium.
"""

from __future__ import annotations

import shutil
import statistics
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from json import loads
from pathlib import Path
from typing import Any, Final

import click

from mastread.tools.desk.serve import DeskServer
from mastread.tools.shelf.bench_find import fill
from mastread.tools.shelf.search import Query
from mastread.tools.shelf.store import Shelf, WrongCallError

#: Everything that the page asks for before the first span stands in it.
_ASSETS: Final = ("desk.css", "desk.js", "stage.js", "heads.js", "shown.js")

#: Spans of a clip, and so in a filling.
_STEP: Final = 4


@click.command()
@click.option("--spans", default=10_000, show_default=True, help="Spans of the large shelf.")
@click.option("--few", default=12, show_default=True, help="Spans of the small one.")
@click.option("--times", default=9, show_default=True, help="How often each is opened.")
@click.option("--browser", is_flag=True, help="In headless Chromium, until the span is shown.")
@click.option(
    "--work", type=click.Path(file_okay=False, path_type=Path), required=True, help="Folder."
)
def main(spans: int, few: int, times: int, browser: bool, work: Path) -> None:
    """Time the first view of a large shelf against that of a small one."""
    folders = {count: work / f"shelf-{count}" for count in (few, spans)}
    for count, folder in folders.items():
        if not (folder / "shelf.sqlite").exists():
            fill(folder, max(_STEP, count))
            _forget(folder)
    taken: dict[int, list[float]] = {count: [] for count in folders}
    with _viewer(browser) as view:
        for turn in range(times + 1):
            for count, folder in folders.items():
                with _served(folder) as address:
                    begin = time.perf_counter()
                    view(address)
                    # The first turn warms up.
                    if turn:
                        taken[count].append(time.perf_counter() - begin)
    for count, folder in folders.items():
        with Shelf.open(folder) as shelf:
            there = shelf.count(Query())
        middle = 1000 * statistics.median(taken[count])
        slowest = 1000 * max(taken[count])
        click.echo(f"{middle:7.1f} ms (slowest {slowest:.1f})  first view of {there} spans")


def _forget(folder: Path) -> None:
    """Undo what the filling confirmed: on the small shelf nothing would be left to look at."""
    with Shelf.open(folder) as shelf, suppress(WrongCallError):
        shelf.database.execute("PRAGMA synchronous = OFF")
        while True:
            shelf.undo("Jo")


@contextmanager
def _served(folder: Path) -> Iterator[str]:
    server = DeskServer(folder.resolve(), "cror", "Jo")
    # As in the command: oddities are looked for while the first page is made.
    server.work.start()
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.address
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@contextmanager
def _viewer(browser: bool) -> Iterator[Callable[[str], None]]:
    if not browser:
        yield _fetch
        return
    from playwright.sync_api import sync_playwright

    found = shutil.which("chromium") or shutil.which("chromium-browser")
    with sync_playwright() as play:
        chromium: Any = play.chromium.launch(executable_path=found, args=["--no-sandbox"])

        page: Any = chromium.new_page()

        def look(address: str) -> None:
            page.goto(address)
            page.wait_for_selector("#heads .chip")

        yield look
        chromium.close()


def _fetch(address: str) -> None:
    _get(address)
    for name in _ASSETS:
        _get(f"{address}asset/{name}")
    lines = loads(_get(f"{address}queue?show=open&words=&offset=0"))["lines"]
    _get(f"{address}span/{lines[0]['id']}?who=Jo")


def _get(address: str) -> bytes:
    with urllib.request.urlopen(address, timeout=60) as answer:
        return bytes(answer.read())


if __name__ == "__main__":
    main()
