"""``mastread leds``: lamps against published limits, and ``mastread leds calibrate``."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final

import click

from mastread.tools.cli_options import Region, heads_option, region_option
from mastread.tools.leds.words import say_led

_COLOURS: Final = ("red", "yellow", "green", "lunar", "white", "blue")
_CHECK: Final = "check"


class At(click.ParamType[tuple[float, float, str | None]]):
    """``X,Y`` or ``X,Y=COLOUR``."""

    name = "X,Y[=COLOUR]"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, str | None]:
        """Return the place and the colour it is meant to show."""
        if isinstance(value, tuple):
            return value
        place, _, meant = str(value).partition("=")
        try:
            x, y = (float(part) for part in place.split(","))
        except ValueError:
            self.fail(say_led("error.at", text=value), param, ctx)
        word = meant.strip().casefold()
        if word and word not in _COLOURS:
            self.fail(say_led("error.colour", text=meant, known=", ".join(_COLOURS)), param, ctx)
        return x, y, word or None


class Corners(click.ParamType[tuple[tuple[float, float], ...]]):
    """Eight numbers: four places."""

    name = "X,Y,X,Y,X,Y,X,Y"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[tuple[float, float], ...]:
        """Return the four places."""
        if isinstance(value, tuple):
            return value
        try:
            numbers = [float(part) for part in str(value).split(",")]
        except ValueError:
            numbers = []
        if len(numbers) != 8:
            self.fail(say_led("error.chart", text=value), param, ctx)
        return tuple(zip(numbers[::2], numbers[1::2], strict=True))


class NamedLed(click.ParamType[tuple[float, float, float]]):
    """``NM@X,Y``."""

    name = "NM@X,Y"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float, float]:
        """Return wavelength and place."""
        if isinstance(value, tuple):
            return value
        found = re.fullmatch(r"([\d.]+)@([\d.]+),([\d.]+)", str(value).strip())
        try:
            nm, x, y = (float(part) for part in found.groups()) if found else (0.0, 0.0, 0.0)
        except ValueError:
            nm = 0.0
        if not 440 <= nm <= 660:
            self.fail(say_led("error.led.text", text=value), param, ctx)
        return nm, x, y


class LedCommands(click.Group):
    """A group that takes whatever is no sub-command as files to check."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Put the name of the check before arguments that name no sub-command."""
        if args and args[0] not in self.commands and args[0] not in ("--help", "-h"):
            args = [_CHECK, *args]
        return super().parse_args(ctx, args)

    def format_usage(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Both ways to call it."""
        formatter.write_usage(ctx.command_path, "PHOTO_OR_CLIP... [OPTIONS]")
        formatter.write_usage(ctx.command_path, "calibrate PHOTO [OPTIONS]", prefix="       ")

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options of the check, and the other commands."""
        self.commands[_CHECK].format_options(ctx, formatter)
        super().format_options(ctx, formatter)


light_option = click.option(
    "--light",
    metavar="NAME",
    help="Light on the neutral patch or chart: a CIE illuminant (D65, A, F11, LED-B3, ...) or a "
    "temperature such as 2856K.",
)
grey_option = click.option(
    "--grey",
    type=Region(),
    help="A patch of grey card or white paper in the picture, in pixels; needs --light.",
)


@click.group(cls=LedCommands, invoke_without_command=False, no_args_is_help=True)
def leds() -> None:
    """Hold the colours and the flashing of lamps against published limits.

    Finds the lamps of a photo or clip, or takes the places given with --at, and says for each
    what light it gives, how sure that is, which published limits it keeps, and what to change.
    Needs: pip install "mastread[leds]".

    \b
    Examples:
      mastread leds layout.jpg
      mastread leds layout.jpg --at 412,230=green --profile camera.json --out check
      mastread leds calibrate chart.jpg --chart 80,90,700,92,698,505,82,502 --light D65
    """


@leds.command(_CHECK, hidden=True)
@click.argument("paths", nargs=-1, required=True, metavar="PHOTO_OR_CLIP...")
@click.option(
    "--at",
    "places",
    type=At(),
    multiple=True,
    help="A lamp's place in pixels, and the colour it is meant to show; may be given again.",
)
@click.option(
    "--profile",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Camera profile from `mastread leds calibrate`.",
)
@grey_option
@light_option
@heads_option
@region_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "csv"]),
    default="text",
    show_default=True,
    help="Text for people, one JSON list, or a table of all lamps.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Also write the bench page (HTML), the pictures, JSON and the table there.",
)
@click.pass_context
def check(ctx: click.Context, /, **options: Any) -> None:
    """Check the lamps of photos and clips."""
    # Here and not above: it loads the video stack and colour-science.
    from mastread.tools.leds.library import MissingExtraError
    from mastread.tools.leds.run import check_many

    try:
        failed = check_many(**options)
    except MissingExtraError as error:
        raise click.ClickException(str(error)) from None
    if failed:
        ctx.exit(1)


@leds.command("calibrate")
@click.argument("photo", type=click.Path(path_type=Path))
@click.option(
    "--chart",
    type=Corners(),
    help="Middles of four patches of a 24-patch chart: dark skin, bluish green, black, white.",
)
@grey_option
@click.option(
    "--led",
    "known_leds",
    type=NamedLed(),
    multiple=True,
    help="An LED of known dominant wavelength, nm, at a place; may be given again.",
)
@light_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("camera.json"),
    show_default=True,
    metavar="FILE",
    help="The profile.",
)
def calibrate_command(**options: Any) -> None:
    """Make a camera profile from a photo of known things.

    A 24-patch colour chart under a known light, a grey or white patch under a known light, LEDs of
    known dominant wavelength, or several of these in one picture. The more LEDs across the
    spectrum, the surer the wavelengths. The profile holds for pictures taken with the same camera,
    settings and locked white balance.
    """
    from mastread.tools.leds.library import MissingExtraError
    from mastread.tools.leds.run import calibrate_one

    try:
        calibrate_one(**options)
    except MissingExtraError as error:
        raise click.ClickException(str(error)) from None
