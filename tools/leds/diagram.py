"""The chromaticity diagram: limits drawn and named, each lamp with the ellipse it lies in."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.tools.leds.answer import CHI2_95
from mastread.tools.leds.colorimetry import WHITE, locus, planckian
from mastread.tools.leds.library import library
from mastread.tools.leds.limits import Limit, all_limits, signal_colour
from mastread.tools.leds.screen import target_hex
from mastread.tools.leds.words import say_led

Document = dict[str, Any]

#: A line style of its own for each set, because colour is taken by the colours meant.
_STYLES: Final = {
    "ICAO filament": "-", "ICAO solid state": "--", "UNECE R48": "-.", "COLREGS": ":",
    "14 CFR 25.1397": (0, (5, 1, 1, 1, 1, 1)), "ITE": (0, (1, 2)), "CIE 107": (0, (6, 2)),
    "EN draft 1998": (0, (3, 1)), "CIE 1980": (0, (4, 1, 1, 1)), "Japan 1986": (0, (2, 3)),
}  # fmt: skip
_MARKS: Final = "osD^vPX*"


def diagram_svg(document: Document) -> bytes:
    """Draw the diagram of one file as SVG, with text as text."""
    matplotlib = library("matplotlib")
    matplotlib.use("Agg")
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "mastread"}):
        figure = draw(document)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()


def diagram_png(document: Document) -> bytes:
    """The same as PNG, 1600 pixels wide."""
    library("matplotlib").use("Agg")
    figure = draw(document)
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=160, metadata={"Software": None})
    return out.getvalue()


def draw(document: Document) -> Any:
    """A matplotlib figure: the whole diagram, and round each colour a closer view."""
    figure_module = library("matplotlib.figure")
    lamps = [lamp for lamp in document["lamps"] if lamp["xy"] is not None]
    colours = list(dict.fromkeys(lamp["colour"] for lamp in lamps))[:3]
    figure = figure_module.Figure(figsize=(10, 7.6 if not colours else 11.6), layout="constrained")
    grid = figure.add_gridspec(2 if colours else 1, max(len(colours), 1),
                               height_ratios=[7, 4] if colours else [1])  # fmt: skip
    whole = figure.add_subplot(grid[0, :])
    _locus(whole)
    sets = _limits(whole, all_limits(), named=True)
    _lamps(whole, lamps)
    whole.set(xlim=(-0.02, 0.78), ylim=(-0.02, 0.86), xlabel="x (CIE 1931)", ylabel="y")
    whole.set_aspect("equal")
    handles = [
        library("matplotlib.lines").Line2D([], [], color="#333", linestyle=style, label=name)
        for name, style in sets.items()
    ]
    whole.legend(handles=handles, loc="upper right", fontsize=8, title="limits", frameon=False)
    whole.set_title(say_led("say.title"), fontsize=13)
    for k, colour in enumerate(colours):
        axes = figure.add_subplot(grid[1, k])
        _closer(axes, colour, [lamp for lamp in lamps if lamp["colour"] == colour])
    return figure


def _closer(axes: Any, colour: str, lamps: Sequence[Document]) -> None:
    """The neighbourhood of one colour: its lamps, as far as they are known, and its limits."""
    _locus(axes, named=False)
    wanted = [m for m in all_limits() if signal_colour(m) in (colour, _also(colour))]
    _limits(axes, wanted, named=False)
    _lamps(axes, lamps)
    points = [np.array([[lamp["xy"]["x"], lamp["xy"]["y"]] for lamp in lamps])]
    points += [m.outline for m in wanted if m.set in ("ICAO filament", "ICAO solid state")]
    low = np.min([p.min(axis=0) for p in points], axis=0) - 0.02
    high = np.max([p.max(axis=0) for p in points], axis=0) + 0.02
    axes.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]), title=colour)
    axes.tick_params(labelsize=8)


def _also(colour: str) -> str:
    """Lunar is held against white as well."""
    return "white" if colour == "lunar" else colour


def _locus(axes: Any, *, named: bool = True) -> None:
    nm, line = locus()
    ring = np.vstack([line, line[:1]])
    axes.plot(*ring.T, color="#222", linewidth=1.2)
    kelvin, uv = planckian()
    u, v = uv.T
    bottom = 2 * u - 8 * v + 4
    axes.plot(3 * u / bottom, 2 * v / bottom, color="#999", linewidth=0.8)
    axes.plot(*WHITE, marker="+", color="#555")
    if not named:
        return
    for wanted in (460, 480, 490, 500, 510, 520, 540, 560, 580, 600, 620, 700):
        x, y = line[int(np.abs(nm - wanted).argmin())]
        side = -1 if x < 0.2 else 1
        axes.annotate(str(wanted), (x, y), (x + 0.012 * side, y + 0.008), fontsize=7, color="#444",
                      ha="right" if side < 0 else "left")  # fmt: skip
    for k in (2000, 2856, 4000, 6500):
        i = int(np.abs(kelvin - k).argmin())
        axes.annotate(f"{k} K", ((3 * u / bottom)[i], (2 * v / bottom)[i] - 0.018), fontsize=6,
                      color="#777")  # fmt: skip


def _limits(axes: Any, limits: Sequence[Limit], *, named: bool) -> dict[str, Any]:
    """Outline every limit that was seen in a source; which sets there are, with their styles."""
    sets: dict[str, Any] = {}
    heard: set[str] = set()
    for limit in limits:
        if not limit.shown or not len(limit.outline):
            continue
        style = _STYLES.get(limit.set, "-")
        sets[limit.set] = style
        ring = np.vstack([limit.outline, limit.outline[:1]])
        colour = target_hex(signal_colour(limit))
        axes.plot(*ring.T, color=colour, linewidth=0.9, linestyle=style)
        word = signal_colour(limit)
        if named and word not in heard:
            heard.add(word)
            box = {"facecolor": "#fff", "alpha": 0.7, "edgecolor": "none", "pad": 1}
            axes.text(
                *limit.centre, word, fontsize=8, ha="center", va="center", color="#222", bbox=box
            )
    return sets


def _lamps(axes: Any, lamps: Sequence[Document]) -> None:
    for k, lamp in enumerate(lamps):
        centre = np.array([lamp["xy"]["x"], lamp["xy"]["y"]])
        axes.plot(
            *ellipse(centre, np.array(lamp["xy"]["covariance"])).T, color="#000", linewidth=1.1
        )
        axes.plot(*centre, marker=_MARKS[k % len(_MARKS)], color="#000", markersize=4, mfc="#fff")
        axes.annotate(str(lamp["lamp"]), centre, (4, 4), textcoords="offset points", fontsize=10,
                      fontweight="bold")  # fmt: skip


def ellipse(centre: NDArray[np.float64], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """(121, 2) points of the 95 % ellipse."""
    values, axes = np.linalg.eigh(covariance)
    angle = np.linspace(0, 2 * np.pi, 121)
    round_ = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.asarray(centre + round_ * np.sqrt(CHI2_95 * np.maximum(values, 0)) @ axes.T)
