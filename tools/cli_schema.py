"""``mastread schema``: the JSON Schema of a reading."""

from __future__ import annotations

import json

import click


@click.command()
def schema() -> None:
    """Print the JSON Schema (draft 2020-12) of a reading."""
    from mastread.tools.reading import schema as load_schema

    click.echo(json.dumps(load_schema(), indent=2, ensure_ascii=False))
