"""Options that the commands of the shelf share."""

from __future__ import annotations

import functools
import getpass
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import click

from mastread.decoder.aspect import MAX_HEADS, PLATES
from mastread.tools.shelf.search import LIGHTS, STATUSES, VERDICTS, Query
from mastread.tools.shelf.texts import say

Command = TypeVar("Command", bound=Callable[..., Any])


class Rate(click.ParamType[tuple[float, float]]):
    """``LOW..HIGH`` in hertz; either end may be left out."""

    name = "LOW..HIGH"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Return the two ends, or refuse with the cure."""
        if isinstance(value, tuple):
            return value
        low, dots, high = str(value).partition("..")
        try:
            ends = float(low or 0), float(high or "inf")
        except ValueError:
            self.fail(say("error.rate", text=value), param, ctx)
        if not dots or not 0 <= ends[0] <= ends[1]:
            self.fail(say("error.rate", text=value), param, ctx)
        return ends


shelf_option = click.option(
    "--shelf",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    envvar="MASTREAD_SHELF",
    show_envvar=True,
    default=Path("mastread-shelf"),
    show_default=True,
    metavar="DIR",
    help="Folder of the shelf.",
)


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""


who_option = click.option(
    "--who",
    envvar="MASTREAD_WHO",
    show_envvar=True,
    default=_user,
    metavar="NAME",
    help="Whose statement this is. Default: the name of your account.",
)

_FIELDS: Final = (
    click.argument("words", nargs=-1, metavar="[WORDS]..."),
    click.option("--aspect", metavar="WORDS", help="All heads, top to bottom, just as told."),
    click.option("--indication", metavar="NAME", help="Name or rule number of the indication."),
    click.option("--heads", type=click.IntRange(1, MAX_HEADS), metavar="N", help="How many heads."),
    click.option("--light", type=click.Choice(LIGHTS), help="Light of the scene."),
    click.option(
        "--sure",
        type=click.FloatRange(0, 1),
        metavar="ODDS",
        help="Read with at least these odds, 0 to 1; what a person vouched for counts 1.",
    ),
    click.option("--rate", type=Rate(), help="Some head flashes this often a second."),
    click.option("--status", type=click.Choice(STATUSES), help="Read, or why not."),
    click.option("--verdict", type=click.Choice(VERDICTS), help="What a person said of it."),
    click.option("--by", metavar="NAME", help="Whose verdict."),
    click.option("--plate", type=click.Choice(PLATES, case_sensitive=False), help="Plate told."),
    click.option("--kind", type=click.Choice(["photo", "video"]), help="Photos or videos."),
    click.option("--file", metavar="TEXT", help="Part of the path of the footage."),
)


def query_options(command: Command) -> Command:
    """Give a command the words and fields of a query, handed on as one `Query`."""

    @functools.wraps(command)
    def wrapped(**values: Any) -> Any:
        query = Query(
            words=values.pop("words"),
            rate_hz=values.pop("rate"),
            who=values.pop("by"),
            **{
                key: values.pop(key)
                for key in (
                    *("aspect", "indication", "heads", "light", "sure", "status"),
                    *("verdict", "plate", "kind", "file"),
                )
            },
        )
        return command(query=query, **values)

    found: Any = wrapped
    for option in reversed(_FIELDS):
        found = option(found)
    return found  # type: ignore[no-any-return]
