"""Options that several commands share, and the words with which they refuse."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from mastread.decoder.aspect import MAX_HEADS, PLATES
from mastread.decoder.rulebook import BookError, load_book
from mastread.tools.texts import LANGUAGES, one_line, say
from mastread.tools.wishes import KINDS, STYLES, USUAL

NO_PLATE = "none"


class Region(click.ParamType[tuple[int, int, int, int]]):
    """``X,Y,W,H`` in pixels."""

    name = "X,Y,W,H"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int, int, int]:
        """Return the four numbers, or refuse with the cure."""
        if isinstance(value, tuple):
            return value
        try:
            x, y, width, height = (int(part) for part in str(value).split(","))
        except ValueError:
            self.fail(say("error.region", text=value), param, ctx)
        if x < 0 or y < 0 or width <= 0 or height <= 0:
            self.fail(say("error.region", text=value), param, ctx)
        return x, y, width, height


class Plate(click.ParamType[str]):
    """The name of a plate, or ``none``; case does not matter."""

    name = "PLATE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the name as it is written in the vocabulary, or refuse with the known ones."""
        known = {name.casefold(): name for name in (*PLATES, NO_PLATE)}
        name = known.get(str(value).casefold())
        if name is None:
            listed = ", ".join(known.values())
            self.fail(say("error.plate", text=value, known=listed), param, ctx)
        return name


class Book(click.ParamType[str]):
    """A rulebook that can be loaded, by name or path; the value stays the text."""

    name = "BOOK"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Return the text once the book has loaded without fault."""
        try:
            load_book(str(value))
        except BookError as error:
            self.fail(one_line(str(error)), param, ctx)
        except OSError as error:
            self.fail(f"{value}: {error.strerror or error}", param, ctx)
        return str(value)


class Kinds(click.ParamType[frozenset[str]]):
    """Kinds of output, with commas between them."""

    name = "LIST"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> frozenset[str]:
        """Return the kinds, or refuse with the known ones."""
        if isinstance(value, frozenset):
            return value
        asked = [part.strip() for part in str(value).split(",")]
        for part in asked:
            if part not in KINDS:
                self.fail(say("error.kind", text=part, known=", ".join(KINDS)), param, ctx)
        return frozenset(asked)


rules_option = click.option(
    "--rules",
    "book",
    type=Book(),
    default="cror",
    show_default=True,
    help="Rulebook: a name from `mastread book list`, or a .toml file of your own.",
)

plate_option = click.option(
    "--plate",
    "plates",
    type=Plate(),
    multiple=True,
    metavar="PLATE",
    help=f"A plate on the mast: {', '.join(PLATES)}; may be given again. `none`: there is "
    "none. Left out: not known, so every plate stays possible.",
)

heads_option = click.option(
    "--heads",
    type=click.IntRange(1, MAX_HEADS),
    metavar="N",
    help="How many heads each mast has, lit or dark.",
)

region_option = click.option(
    "--region", type=Region(), help="Search only this part of the upright picture, in pixels."
)

out_option = click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Also write pictures, annotated clips, captions and readings into this folder.",
)

jobs_option = click.option(
    "--jobs",
    type=click.IntRange(1, 512),
    metavar="N",
    help="Files read at the same time. Default: one for each core.",
)


language_option = click.option(
    "--language",
    type=click.Choice(LANGUAGES),
    default=LANGUAGES[0],
    show_default=True,
    help="Language of everything that is written; names and wording of the rulebook stay as "
    "published.",
)


style_option = click.option(
    "--style",
    type=click.Choice(STYLES),
    default=STYLES[0],
    show_default=True,
    help="How annotated pictures and clips tell it: all that is known, the plain name, or as a "
    "question whose answer comes after three seconds (for a photo: as a second picture).",
)

make_option = click.option(
    "--make",
    "kinds",
    type=Kinds(),
    metavar="LIST",
    help=f"With --out, make only these, with commas between them: {', '.join(KINDS)}. Default: "
    "all but the report.",
)

report_option = click.option(
    "--report",
    is_flag=True,
    help="With --out, also make one HTML page of everything: timeline, light curves, crops of the "
    "lamps, explanations.",
)


def wanted_kinds(kinds: frozenset[str] | None, out: Path | None, *, report: bool) -> frozenset[str]:
    """Return the outputs to make.

    Raises
    ------
    click.UsageError
        If outputs are named but no folder for them.
    """
    if out is None and (kinds is not None or report):
        raise click.UsageError(say("error.no_out", option="--make" if kinds else "--report"))
    return (kinds or USUAL) | ({"report"} if report else frozenset())


def told_plates(plates: tuple[str, ...]) -> frozenset[str] | None:
    """Return the plates that the user told, None when nothing was told.

    Raises
    ------
    click.BadParameter
        If ``none`` comes with a plate.
    """
    if not plates:
        return None
    if NO_PLATE in plates:
        if set(plates) != {NO_PLATE}:
            raise click.BadParameter(say("error.plate.none"), param_hint="--plate")
        return frozenset()
    return frozenset(plates)
