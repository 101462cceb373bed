"""The shelf's SQLite file: opening, the way it is kept safe, and steps from schema to schema."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Final

from mastread.tools.shelf.texts import say

#: Name of the database in the shelf's folder.
NAME: Final = "shelf.sqlite"

#: Marks the file as ours (SQLite's application_id): "mast" in ASCII.
APPLICATION_ID: Final = 0x6D617374

#: The schema that this program writes; step N is ``schema-N.sql``.
SCHEMA: Final = 2

#: Memory for pages of the database that were read, KiB (SQLite's own default is 2,000).
CACHE_KIB: Final = 64_000

#: How long a writer waits for another one, seconds.
WAIT_S: Final = 30.0


class ShelfError(Exception):
    """The shelf cannot be used; the message is one line with the path and the cure."""


def connect(folder: Path, *, create: bool) -> sqlite3.Connection:
    """Open the database of the shelf in `folder`, bringing its schema up to date.

    The journal is a write-ahead log where the file system allows one (readers then never wait
    for a writer), else SQLite's own rollback journal; both survive ``kill -9``. Foreign keys
    are enforced. Transactions are opened with `transaction`.

    Raises
    ------
    ShelfError
        No shelf there (and `create` is false), not a shelf, damaged, or made by a newer program.
    """
    path = folder / NAME
    if not path.exists():
        if not create:
            raise ShelfError(say("shelf.none", path=folder))
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ShelfError(say("shelf.cannot", path=folder, what=error.strerror)) from None
    try:
        if os.access(folder, os.W_OK):
            database = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
        else:
            # A write-ahead log wants to write even to read; on a disc that cannot change it
            # need not.
            place = path.resolve().as_uri() + "?immutable=1"
            database = sqlite3.connect(place, uri=True, isolation_level=None)
    except sqlite3.Error as error:
        raise ShelfError(say("shelf.cannot", path=path, what=error)) from None
    try:
        database.row_factory = sqlite3.Row
        database.execute("PRAGMA foreign_keys = ON")
        # Room for all that is looked through on a shelf of some 100,000 spans.
        database.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
        _upgrade(database, path)
        _keep_safe(database)
    except sqlite3.Error as error:
        database.close()
        raise ShelfError(say("shelf.damaged", path=path, what=error)) from None
    except BaseException:
        database.close()
        raise
    return database


@contextmanager
def transaction(database: sqlite3.Connection) -> Iterator[sqlite3.Connection]:
    """Everything inside happens together or not at all; one writer at a time."""
    database.execute("BEGIN IMMEDIATE")
    try:
        yield database
    except BaseException:
        database.execute("ROLLBACK")
        raise
    database.execute("COMMIT")


def settle(database: sqlite3.Connection) -> None:
    """After much was written: let SQLite count its tables anew and merge its word index."""
    database.execute("PRAGMA optimize = 0x10002")
    with transaction(database):
        database.execute("INSERT INTO words (words, rank) VALUES ('merge', 500)")


def _keep_safe(database: sqlite3.Connection) -> None:
    if os.access(_folder_of(database), os.W_OK):
        # A network folder that cannot share memory answers with the mode it stays in.
        database.execute("PRAGMA journal_mode = WAL").fetchone()
    # In a write-ahead log NORMAL may lose the last commits when the power fails, never the
    # file; what a person confirmed is worth the wait for FULL.
    database.execute("PRAGMA synchronous = FULL")


def _folder_of(database: sqlite3.Connection) -> Path:
    return Path(database.execute("PRAGMA database_list").fetchone()["file"]).parent


def _upgrade(database: sqlite3.Connection, path: Path) -> None:
    """Take the steps from the file's schema to ours, each in one transaction."""
    version = _version(database)
    fresh = version == 0 and not database.execute("SELECT 1 FROM sqlite_master").fetchone()
    mark = database.execute("PRAGMA application_id").fetchone()[0]
    if not fresh and mark != APPLICATION_ID:
        raise ShelfError(say("shelf.foreign", path=path))
    if version > SCHEMA:
        raise ShelfError(say("shelf.newer", path=path, found=version, known=SCHEMA))
    while version < SCHEMA:
        text = (
            files("mastread.tools.shelf").joinpath(f"schema-{version + 1}.sql").read_text("utf-8")
        )
        with transaction(database):
            # Somebody else may have taken the step while this process waited for its turn.
            if _version(database) == version:
                for statement in _statements(text):
                    database.execute(statement)
                database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                database.execute(f"PRAGMA user_version = {version + 1}")
        version = _version(database)


def _version(database: sqlite3.Connection) -> int:
    return int(database.execute("PRAGMA user_version").fetchone()[0])


def _statements(text: str) -> Iterator[str]:
    """The statements of a file one by one: `executescript` would commit in between."""
    statement = ""
    for line in text.splitlines(keepends=True):
        statement += line
        if ";" in line and sqlite3.complete_statement(statement):
            yield statement
            statement = ""
