"""How right the LED check is: colours of made LEDs through many cameras, with and without profile.

    python -m mastread.tools.leds.accuracy --cameras 12 --seeds reporting

Prints for each camera, and for all: how many lamps have their true x, y inside the stated 95 %
region, how many dominant wavelengths are stated as one number and how far those are off.
Seeds: *tuning* (adjust on these), *choosing*, *reporting* (print figures, never adjust).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import click
import numpy as np

from mastread.tools.leds import bench_scene as scene
from mastread.tools.leds import refuse
from mastread.tools.leds.answer import Answer, answer_of
from mastread.tools.leds.calibrate import Known, KnownLed, calibrate
from mastread.tools.leds.estimate import lights_of
from mastread.tools.leds.facts import Facts
from mastread.tools.leds.profile import Profile
from mastread.tools.leds.sample import sample_lamp
from mastread.tools.leds.sensors import Balance, Eye, prior_eye
from mastread.tools.leds.settings import settings
from mastread.tools.leds.toned import TonedFrame
from mastread.vision.frame import Frame

#: First seed of each range.
SEEDS: Final = {"tuning": 0, "choosing": 10000, "reporting": 20000}
#: Dominant wavelengths of the calibrating LEDs.
KNOWN_NM: Final = tuple(float(nm) for nm in range(465, 646, 15))
_PUBLISHED: Final = (
    ("Nikon 5100 (NPL)", ("Nikon 5100 (NPL)", "slr")),
    ("Sigma SDMerill (NPL)", ("Sigma SDMerill (NPL)",)),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One lamp: the answer beside the truth; None where it was refused."""

    lamp: scene.MadeLamp
    answer: Answer | None

    @property
    def covered(self) -> bool:
        """Whether the truth lies in the stated region."""
        return self.answer is not None and bool(self.answer.holds(self.lamp.xy)[0])

    @property
    def narrow(self) -> bool:
        """Whether the lamp has a dominant wavelength."""
        return bool(np.isfinite(self.lamp.dominant_nm))

    @property
    def miss_nm(self) -> float | None:
        """How far the middle of the stated wavelengths is off, nanometres."""
        if self.answer is None or self.answer.dominant_nm is None or not self.narrow:
            return None
        return self.answer.dominant_nm.value - self.lamp.dominant_nm

    @property
    def stated(self) -> bool:
        """Whether the wavelength is stated as one number."""
        nm = None if self.answer is None else self.answer.dominant_nm
        return nm is not None and nm.sure


def rigs(count: int, seeds: str) -> Iterator[tuple[scene.Rig, np.random.Generator]]:
    """The published cameras, raw and developed, those of the scenes, and `count` random ones."""
    first = SEEDS[seeds]
    for k, (name, leave_out) in enumerate(_PUBLISHED):
        for form in ("raw", "developed"):
            rng = np.random.default_rng(first + 900 + k)
            yield (
                scene.rig_of_published(name, "raw" if form == "raw" else "developed", leave_out),
                rng,
            )
    for k, name in enumerate(("slr", "phone_a")):
        leave_out = (name, "Nikon 5100 (NPL)") if name == "slr" else (name,)
        yield scene.rig_of_scenes(name, leave_out), np.random.default_rng(first + 950 + k)
    for k in range(count):
        rng = np.random.default_rng(first + k)
        yield scene.random_rig(rng, "raw" if k % 2 else "developed"), rng


def profile_of(
    rig: scene.Rig, rng: np.random.Generator, known_nm: Sequence[float], room: float
) -> Profile:
    """Calibrate a camera on a chart and LEDs whose stated wavelength is a little wrong."""
    chart, corners = scene.chart_board(rig)
    made = [scene.line_at(nm, rng) for nm in known_nm]
    picture = chart
    leds: list[KnownLed] = []
    if made:
        board, places = scene.lamp_board(rig, made, rng, room=room)
        height = chart.shape[0] + board.shape[0]
        picture = np.zeros((height, max(chart.shape[1], board.shape[1]), 3), np.float32)
        picture[: chart.shape[0], : chart.shape[1]] = chart
        picture[chart.shape[0] :, : board.shape[1]] = board
        for lamp, (x, y, radius) in zip(made, places, strict=True):
            stated = lamp.dominant_nm + rng.normal(0.0, 0.7)
            leds.append(KnownLed(stated, x, y + chart.shape[0], radius))
    frame = scene.photograph(rig, picture, rng)
    known = Known("D65", corners, None, tuple(leds))
    return calibrate(frame, Facts(), known, rig.form, rig.leave_out, expected=False)


def rows_of(
    rig: scene.Rig,
    rng: np.random.Generator,
    eye: Eye,
    profile: Profile | None,
    room: float,
    burn: float = 0.7,
) -> list[Row]:
    """Photograph all lamps and judge them."""
    made = scene.made_lamps(rng)
    picture, places = scene.lamp_board(rig, made, rng, room=room, burn=burn)
    frame: Frame = scene.photograph(rig, picture, rng)
    if profile is not None and rig.form == "developed":
        frame = TonedFrame(frame, profile.tone)
    out = []
    for lamp, (x, y, radius) in zip(made, places, strict=True):
        found = sample_lamp(
            frame, x, y, radius, linear=rig.form == "raw", tone_known=profile is not None
        )
        answer = None
        if not refuse.of_lamp(found) and found.tint is not None:
            answer = answer_of(lights_of(found.tint, eye))
        out.append(Row(lamp, answer))
    return out


def line(name: str, rows: Sequence[Row]) -> str:
    """Figures of some lamps on one line."""
    told = [row for row in rows if row.answer is not None]
    narrow = [row for row in told if row.narrow]
    misses = np.array([m for row in narrow if (m := row.miss_nm) is not None])
    stated = np.array([m for row in narrow if row.stated and (m := row.miss_nm) is not None])
    share = np.mean([row.covered for row in told]) if told else float("nan")
    within = np.mean(np.abs(misses) <= 3.0) if len(misses) else float("nan")
    sure = np.mean(np.abs(stated) <= 3.0) if len(stated) else float("nan")
    worst = np.abs(stated).max() if len(stated) else float("nan")
    return (
        f"{name:34s} lamps {len(told):4d} of {len(rows):4d}  truth in region {share:6.1%}  "
        f"LEDs within 3 nm {within:6.1%}  stated {len(stated):4d} of {len(narrow):4d}: "
        f"within 3 nm {sure:6.1%}, worst {worst:4.1f}"
    )


@click.command()
@click.option("--cameras", default=12, show_default=True, help="Random cameras beside the known.")
@click.option("--seeds", type=click.Choice(list(SEEDS)), default="tuning", show_default=True)
@click.option(
    "--leds",
    "known",
    type=click.Choice(["all", "five", "none"]),
    default="all",
    show_default=True,
    help="Calibrating LEDs beside the chart: every 15 nm, 5, or none.",
)
@click.option("--room", default=0.08, show_default=True, help="Light on the board, white = 1.")
@click.option("--burn", default=0.7, show_default=True, help="Level of the lamps' middles.")
@click.option("--verbose", is_flag=True, help="Also a line for each lamp.")
def main(cameras: int, seeds: str, known: str, room: float, burn: float, verbose: bool) -> None:
    """Print the accuracy of colours with and without a camera profile."""
    nm = {"all": KNOWN_NM, "five": (470.0, 505.0, 525.0, 590.0, 625.0), "none": ()}[known]
    with_profile: dict[str, list[Row]] = {}
    without: list[Row] = []
    for rig, rng in rigs(cameras, seeds):
        profile = profile_of(rig, rng, nm, room)
        rows = rows_of(rig, rng, profile.eye, profile, room, burn)
        with_profile.setdefault(rig.form, []).extend(rows)
        click.echo(line(f"{rig.name} {rig.form}", rows))
        if verbose:
            _list(rows)
        if rig.form == "raw":
            # Without a profile no colour is stated from camera raw at all.
            continue
        balance = Balance("D65", (1.0, 1.0, 1.0), settings("cameras")["balance_unknown"])
        eye = prior_eye(rig.form, balance, rig.leave_out)
        plain = rows_of(rig, rng, eye, None, room, burn)
        click.echo(line("  without profile", plain))
        without += plain
    for form, rows in with_profile.items():
        click.echo(line(f"ALL with profile, {form}", rows))
    click.echo(line("ALL with profile", [row for rows in with_profile.values() for row in rows]))
    click.echo(line("ALL without", without))


def _list(rows: Sequence[Row]) -> None:
    for row in rows:
        if row.answer is None:
            click.echo(f"   {row.lamp.kind:9s} {row.lamp.dominant_nm:6.1f} refused")
            continue
        nm = row.answer.dominant_nm
        bounds = "" if nm is None else f"{nm.value:6.1f} ({nm.low:5.1f} {nm.high:5.1f})"
        apart = row.answer.xy - row.lamp.xy
        sd = np.sqrt(np.diag(row.answer.covariance))
        click.echo(
            f"   {row.lamp.kind:9s} {row.lamp.dominant_nm:6.1f} {bounds:24s} "
            f"dx {apart[0]:+.4f}/{sd[0]:.4f} dy {apart[1]:+.4f}/{sd[1]:.4f} "
            f"{'' if row.covered else 'OUT'}"
        )


if __name__ == "__main__":
    main()
