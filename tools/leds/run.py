"""What the two commands do: files in, documents and outputs out, one line for each failure."""

from __future__ import annotations

import json
import logging
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from mastread.tools.leds import report
from mastread.tools.leds.calibrate import (
    CalibrationError,
    Known,
    KnownLed,
    calibrate,
)
from mastread.tools.leds.document import Document, check
from mastread.tools.leds.facts import facts_of
from mastread.tools.leds.library import MissingExtraError, library
from mastread.tools.leds.look import Looked, Told, look_at
from mastread.tools.leds.profile import Profile, ProfileError, read_profile, write_profile
from mastread.tools.leds.raw import RAW_SUFFIXES, is_raw, open_raw
from mastread.tools.leds.sample import mean_of
from mastread.tools.leds.sensors import Balance
from mastread.tools.leds.settings import settings
from mastread.tools.leds.spectra import light_spectrum
from mastread.tools.leds.words import say_led
from mastread.tools.naming import plan_stems
from mastread.tools.picture_files import write_whole
from mastread.tools.texts import one_line, wrap_lines
from mastread.tools.width import text_width
from mastread.vision.errors import MediaError
from mastread.vision.measure import measure
from mastread.vision.media import find_media
from mastread.vision.photo import open_photo
from mastread.vision.types import Hints

Patch = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person told about one picture."""

    told: tuple[Told, ...]
    hints: Hints
    profile: Profile | None
    grey: Patch | None
    light: str | None


def check_many(
    paths: Sequence[str],
    places: Sequence[tuple[float, float, str | None]],
    profile: Path | None,
    grey: Patch | None,
    light: str | None,
    heads: int | None,
    region: Patch | None,
    form: str,
    out: Path | None,
) -> int:
    """Check files, print the results and write the outputs; how many files failed.

    Raises
    ------
    click.ClickException, MissingExtraError
    """
    library("colour")
    library("scipy")
    if out is not None:
        library("matplotlib")
        # Fonts that matplotlib lacks are no concern of the user's.
        logging.getLogger("matplotlib").setLevel(logging.ERROR)
    _check_light(grey, light)
    known = _profile(profile)
    found = _files(paths)
    if (places or grey) and len(found) != 1:
        raise click.UsageError(say_led("error.at_batch"))
    asked = Asked(
        tuple(Told(x, y, meant) for x, y, meant in places),
        Hints(heads, region), known, grey, light,
    )  # fmt: skip
    files = [item for item in found if isinstance(item, Path)]
    stems = dict(zip(files, plan_stems(files, paths), strict=True))
    documents: list[Document] = []
    failed = written = 0
    for item in found:
        try:
            if isinstance(item, MediaError):
                raise item
            document, looked = _one(item, asked)
            if form == "text":
                click.echo(wrap_lines(report.text(document).rstrip("\n"), text_width()) + "\n")
            documents.append(document)
            if out is not None:
                written += _write(document, looked, out / stems[item])
        except (MediaError, ProfileError) as error:
            failed += 1
            click.echo(f"mastread: {one_line(str(error))}", err=True)
        except OSError as error:
            failed += 1
            line = say_led("error.output", path=out, what=error.strerror or error)
            click.echo(f"mastread: {line}", err=True)
        except MissingExtraError:
            raise
        except Exception as error:  # a fault of ours must not end the batch
            failed += 1
            what = f"{type(error).__name__}: {error}"
            click.echo(f"mastread: {one_line(say_led('error.internal', path=item, what=what))}",
                       err=True)  # fmt: skip
    _print(documents, form)
    if out is not None and documents:
        write_whole(out / "lamps.csv", report.table(documents).encode())
        click.echo(say_led("say.wrote", count=written + 1, path=out), err=True)
    return failed


def _files(paths: Sequence[str]) -> list[Path | MediaError]:
    """Media files of the paths; camera raw counts where it is named or lies in a folder."""
    out: list[Path | MediaError] = []
    for path in paths:
        given = Path(path)
        if given.is_dir():
            raws = sorted(p for p in given.rglob("*") if p.suffix.lower() in RAW_SUFFIXES)
            rest = find_media([path])
            if raws and len(rest) == 1 and isinstance(rest[0], MediaError):
                rest = []
            out += [*rest, *raws]
        elif is_raw(given) and given.exists():
            out.append(given)
        else:
            out += find_media([path])
    return out


def _one(path: Path, asked: Asked) -> tuple[Document, Looked]:
    looked = look_at(path, asked.told, asked.hints, asked.profile)
    form = "raw" if looked.linear else "developed"
    if asked.profile is not None and asked.profile.form != form:
        raise ProfileError(
            say_led("error.profile.form", path=path, profile=asked.profile.form, picture=form)
        )
    balance = None
    if asked.grey is not None and asked.light is not None:
        balance = _balance(looked, asked.grey, asked.light)
    return check(looked, asked.profile, balance), looked


def _balance(looked: Looked, patch: Patch, light: str) -> Balance:
    x, y, w, h = patch
    if x + w > looked.frame.width or y + h > looked.frame.height:
        size = f"{looked.frame.width} x {looked.frame.height}"
        text = ",".join(map(str, patch))
        raise MediaError(
            looked.source.path, say_led("error.patch.outside", text=text, size=size),
            say_led("error.patch.cure"),
        )  # fmt: skip
    rgb, _, spoilt = mean_of(looked.frame, patch)
    if spoilt.max() > 0.05 or rgb.min() <= 0:
        raise ProfileError(say_led("error.grey"))
    sd = settings("cameras")["balance_patch"]
    r, g, b = (float(v) for v in rgb)
    return Balance(light, (r / g, 1.0, b / g), sd)


def _check_light(grey: Patch | None, light: str | None, *, chart: bool = False) -> None:
    if grey is not None and light is None:
        raise click.UsageError(say_led("error.no_light"))
    if light is not None and grey is None and not chart:
        raise click.UsageError(say_led("error.light_alone"))
    if light is not None:
        try:
            light_spectrum(light)
        except KeyError:
            raise click.UsageError(say_led("error.light", text=light)) from None


def _profile(path: Path | None) -> Profile | None:
    if path is None:
        return None
    try:
        return read_profile(path)
    except ProfileError as error:
        raise click.ClickException(one_line(str(error))) from None


def _print(documents: Sequence[Document], form: str) -> None:
    if form == "json":
        click.echo(json.dumps(list(documents), indent=1, ensure_ascii=False))
    elif form == "csv":
        click.echo(report.table(documents), nl=False)
    elif documents:
        click.echo(wrap_lines(report.notice(), text_width()))


def _write(document: Document, looked: Looked, stem: Path) -> int:
    """Write the outputs of one file; how many."""
    from mastread.tools.leds.page import outputs

    made: dict[str, bytes] = outputs(document, looked)
    for suffix, data in made.items():
        write_whole(stem.with_name(stem.name + suffix), data)
    return len(made)


def calibrate_one(
    photo: Path,
    chart: tuple[tuple[float, float], ...] | None,
    grey: Patch | None,
    known_leds: Sequence[tuple[float, float, float]],
    light: str | None,
    out: Path,
) -> None:
    """Make a profile from a photo and write it.

    Raises
    ------
    click.ClickException, MissingExtraError
    """
    library("colour")
    library("scipy")
    if chart is None and grey is None and not known_leds:
        raise click.UsageError(say_led("error.known"))
    _check_light(grey, light, chart=chart is not None)
    try:
        profile = _calibrated(photo, chart, grey, known_leds, light)
        write_profile(profile, out)
    except (MediaError, CalibrationError, ProfileError) as error:
        raise click.ClickException(one_line(str(error))) from None
    except OSError as error:
        what = error.strerror or error
        raise click.ClickException(say_led("error.output", path=out, what=what)) from None
    for line in fit_lines(profile, out):
        click.echo(line)


def _calibrated(
    photo: Path,
    chart: tuple[tuple[float, float], ...] | None,
    grey: Patch | None,
    known_leds: Sequence[tuple[float, float, float]],
    light: str | None,
) -> Profile:
    raw = is_raw(photo)
    frame: Any = open_raw(photo) if raw else open_photo(photo)
    leds = []
    for nm, x, y in known_leds:
        spot = None
        for guess in (4.0, 10.0, 25.0, 60.0):
            if 0 <= x < frame.width and 0 <= y < frame.height:
                spot = measure(frame, x, y, guess)
            if spot is not None:
                break
        if spot is None:
            raise CalibrationError(say_led("error.led", nm=f"{nm:g}", where=f"{x:g},{y:g}"))
        leds.append(KnownLed(nm, float(spot["x"]), float(spot["y"]), float(spot["radius"])))
    known = Known(light or "D65", chart, grey, tuple(leds))
    return calibrate(frame, facts_of(photo), known, "raw" if raw else "developed")


def fit_lines(profile: Profile, path: Path) -> list[str]:
    """What a calibration found, in words."""
    camera = profile.camera or say_led("say.camera_unknown")
    out = [
        say_led("say.calibrated", path=path, camera=camera,
                references=", ".join(profile.references))
    ]  # fmt: skip
    if (chart := profile.fit.get("chart")) is not None:
        out.append(
            say_led("say.fit_chart", patches=chart["patches"], rms=chart["rms_share_of_white"],
                    mean=chart["ciede2000_mean"], most=chart["ciede2000_max"])
        )  # fmt: skip
    for led in profile.fit.get("leds", ()):
        read = "?" if led["read_nm"] is None else f"{led['read_nm']:.1f} nm"
        out.append(say_led("say.fit_led", stated=led["stated_nm"], read=read))
    errors = ", ".join(f"{nm}: ±{half:g}" for nm, half in profile.fit["dominant_nm_95"].items())
    out.append(say_led("say.fit_nm", list=errors))
    return out
