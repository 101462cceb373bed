"""How often people overruled the machine, by condition.

Counted are spans that the machine made and that a person looked at. Looked at are those with a
verdict, and those that were removed. The machine was *overruled* where it named an indication and
the person another one, or none, or said that there is no mast; on the *wrong side* where what it
named is less restrictive than what the person said (or than the fail-safe answer, where that
cannot be told). Where the machine withheld, the person may have told more: that is no overruling.

    python -m mastread.tools.desk.overruled SHELF
    python -m mastread.tools.accuracy --people SHELF
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import click

from mastread.decoder.rulebook import BookError, Indication, Rulebook
from mastread.decoder.words import NOTICE
from mastread.tools.desk.texts import say
from mastread.tools.shelf.store import Shelf

#: Said where there is nothing to count.
NONE: Final = say("overruled.none")

#: Bands of the odds at which the machine read.
_BANDS: Final = ((0.0, 0.9), (0.9, 0.99), (0.99, 0.999), (0.999, 1.01))


def overruled(shelf: Shelf) -> list[dict[str, Any]]:
    """Return a row for all spans and one for each condition.

    Each row: ``condition``, ``value``, ``seen`` (spans that the machine named and people looked
    at), ``overruled``, ``wrong_side``, and ``told`` of ``withheld``: spans that the machine
    withheld and people looked at, and those of them that people could name.
    """
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    books: dict[str, Rulebook | None] = {}
    query = (
        "SELECT s.id, v.base, v.view, m.kind, r.id, r.book "
        "FROM span s JOIN seen v ON v.span = s.row "
        "JOIN media m ON m.id = s.media JOIN reading r ON r.id = s.reading "
        "WHERE s.origin = 'machine' AND (s.verdict IS NOT NULL OR (s.hidden = 1 AND EXISTS "
        "(SELECT 1 FROM patch p WHERE p.span = s.row)))"
    )
    for name, base_text, view_text, kind, reading, path in shelf.database.execute(query).fetchall():
        base, view = json.loads(base_text), json.loads(view_text)
        if view["hidden"] and not _removed(shelf, name):
            continue
        if path not in books:
            try:
                books[path] = shelf.book(reading)
            except BookError:
                books[path] = None
        named = base["indication"]["status"] == "read"
        over = named and (view["hidden"] or _name(view) != _name(base))
        wrong = over and not view["hidden"] and _less_restrictive(base, view, books[path])
        told = not named and not view["hidden"] and view["indication"]["status"] == "read"
        for condition in _conditions(base, kind):
            row = rows.setdefault(condition, _empty(*condition))
            row["seen"] += named
            row["overruled"] += over
            row["wrong_side"] += wrong
            row["withheld"] += not named
            row["told"] += told
    return [rows[key] for key in sorted(rows, key=lambda key: (key[0] != "all", key))]


@click.command()
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def main(folder: Path, as_json: bool) -> None:
    """Print how often people overruled the machine on a shelf."""
    with Shelf.open(folder) as shelf:
        rows = overruled(shelf)
    if as_json:
        click.echo(json.dumps(rows, indent=2))
        return
    click.echo(table(rows) if rows else NONE)
    click.echo(NOTICE)


def table(rows: list[dict[str, Any]]) -> str:
    """Return the rows as a table in Markdown, as the accuracy tables are."""
    lines = [
        f"{say('overruled.title')}:",
        "",
        "| condition | | named by the machine, looked at | overruled | wrong side | withheld "
        "by the machine | told by a person |",
        "| --- | --- | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in rows:
        share = f" ({100 * row['overruled'] / row['seen']:.1f} %)" if row["seen"] else ""
        lines.append(
            f"| {row['condition']} | {row['value']} | {row['seen']} | {row['overruled']}{share} | "
            f"{row['wrong_side']} | {row['withheld']} | {row['told']} |"
        )
    return "\n".join([*lines, ""])


def _empty(condition: str, value: str) -> dict[str, Any]:
    counts = dict.fromkeys(("seen", "overruled", "wrong_side", "withheld", "told"), 0)
    return {"condition": condition, "value": value, **counts}


def _conditions(base: dict[str, Any], kind: str) -> Iterator[tuple[str, str]]:
    """What was so when the machine read: whoever overruled it does not alter that."""
    yield "all", ""
    yield "light", base["light"]
    yield "kind", kind
    yield "heads", str(len(base["heads"]))
    flashing = any(head["behaviour"] == "flashing" for head in base["heads"])
    yield "flashing", "some head" if flashing else "none"
    if base["indication"]["status"] == "read":
        odds = max((p["odds"] for p in base["indication"]["possible"]), default=0.0)
        low, high = next(band for band in _BANDS if odds < band[1])
        yield "odds", f"{low:g} to {min(1.0, high):g}"


def _name(view: dict[str, Any]) -> tuple[str | None, str | None] | None:
    told = view["indication"]
    return (told["rule"], told["name"]) if told["status"] == "read" else None


def _removed(shelf: Shelf, name: str) -> bool:
    """Whether a hidden span was removed: one that was joined into another is still there."""
    acts = [c.act for c in shelf.history(name) if c.in_force and c.patches[name].get("hidden")]
    return bool(acts) and acts[-1] == "remove"


def _less_restrictive(base: dict[str, Any], view: dict[str, Any], book: Rulebook | None) -> bool:
    """Whether what the machine named grants more than what the person said."""
    if book is None:
        return True
    named, said = _find(book, _name(base)), _find(book, _name(view))
    if said is None:
        safest = view["indication"]["most_restrictive"]
        said = _find(book, (safest["rule"], safest["name"]))
    if named is None or said is None:
        return True
    return not named.at_least_as_restrictive_as(said)


def _find(book: Rulebook, name: tuple[str | None, str | None] | None) -> Indication | None:
    return next((i for i in book.indications if (i.rule, i.name) == name), None)


if __name__ == "__main__":
    main()
