"""The light of flashing and flickering lamps against time, as SVG."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from mastread.tools.leds.library import library
from mastread.tools.leds.look import Lit
from mastread.tools.leds.report import lamp_title, time_lines

Document = dict[str, Any]


def flash_svg(document: Document, lit: Sequence[Lit]) -> bytes | None:
    """Light curves of all lamps of a clip; None in a photo."""
    shown = [(lamp, one) for lamp, one in zip(document["lamps"], lit, strict=True)
             if len(one.time_s) > 2 and np.isfinite(one.flux).any()]  # fmt: skip
    if not shown:
        return None
    matplotlib = library("matplotlib")
    matplotlib.use("Agg")
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "mastread"}):
        figure = library("matplotlib.figure").Figure(
            figsize=(10, 0.6 + 1.9 * len(shown)), layout="constrained"
        )
        for k, (lamp, one) in enumerate(shown):
            axes = figure.add_subplot(len(shown), 1, k + 1)
            base = min(float(np.nanpercentile(one.flux, 2)), 0.0)
            level = float(np.nanpercentile(one.flux, 95)) - base
            axes.plot(one.time_s, (one.flux - base) / max(level, 1e-9), marker=".", markersize=3,
                      linewidth=0.9, color="#1b3a5c")  # fmt: skip
            axes.axhline(0.5, color="#999", linewidth=0.6, linestyle=":")
            axes.set_ylabel("light", fontsize=8)
            axes.tick_params(labelsize=8)
            words = "; ".join(list(time_lines(lamp))[:1])
            axes.set_title(
                f"{lamp_title(lamp)}{': ' if words else ''}{words}", fontsize=9, loc="left"
            )
        axes.set_xlabel("seconds", fontsize=8)
        out = io.BytesIO()
        figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
