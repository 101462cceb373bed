"""Shelves from before there was a desk."""

from __future__ import annotations

from pathlib import Path

from desks import fill_shelf

from mastread.tools.shelf.store import Shelf


def test_a_shelf_of_the_first_schema_gets_its_table_of_drafts(tmp_path: Path) -> None:
    (name,) = fill_shelf(tmp_path, ["yellow over red"])
    with Shelf.open(tmp_path) as shelf:
        shelf.confirm(name, "Jo")
        shelf.database.execute("DROP TABLE draft")
        shelf.database.execute("PRAGMA user_version = 1")
    with Shelf.open(tmp_path) as shelf:
        assert shelf.database.execute("SELECT count(*) FROM draft").fetchone()[0] == 0
        assert shelf.span(name).view["verdict"] == "confirmed"
