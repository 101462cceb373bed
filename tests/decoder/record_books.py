"""Record what the bundled books say, for the comparison in test_books.py."""

from __future__ import annotations

from pathlib import Path

from mastread.decoder.booktext import say_book
from mastread.decoder.rulebook import list_books, load_book

if __name__ == "__main__":
    folder = Path(__file__).parent / "snapshots"
    folder.mkdir(exist_ok=True)
    for name in list_books():
        (folder / f"{name}.txt").write_text(say_book(load_book(name)), encoding="utf-8")
