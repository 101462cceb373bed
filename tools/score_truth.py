"""A truth file seen through time: where each head stood, how long it could be seen, and whether
a careful person could have told what it showed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from mastread.tools.scenes.truth import TrueHead, TrueMast, TrueSpan, Truth
from mastread.tools.score_rows import figures


@dataclass(frozen=True, slots=True)
class Stage:
    """The frames of a file on a time base; a photo is one frame that lasts from 0 to 1.

    Attributes
    ----------
    start, end : (N,) each frame's time on show
    dx, dy, zoom : (N,) as in `mastread.tools.scenes.truth.Motion`
    """

    width: int
    height: int
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    dx: NDArray[np.float64]
    dy: NDArray[np.float64]
    zoom: NDArray[np.float64]

    def at(
        self, x: float, y: float, time_s: float, *, seen: bool = False
    ) -> tuple[float, float, float]:
        """Place in the frame at a time of a point of the home frame, and the zoom there.

        Parameters
        ----------
        seen : where the point is outside of the frame then, give its place at the nearest time
            at which it was inside: where it could be seen last, or first
        """
        xs, ys = self._path(x, y)
        gap = np.abs(0.5 * (self.start + self.end) - time_s)
        inside = self._inside(xs, ys)
        if seen and inside.any():
            gap = np.where(inside, gap, np.inf)
        i = int(np.argmin(gap))
        return float(xs[i]), float(ys[i]), float(self.zoom[i])

    def holds(self, x: float, y: float) -> bool:
        """Whether a place of the frame lies within it."""
        return 0.0 <= x <= self.width - 1 and 0.0 <= y <= self.height - 1

    def visible_s(self, x: float, y: float, span: TrueSpan, mast: TrueMast) -> float:
        """Seconds of a span in which a point was in the frame and nothing passed before it."""
        a, b = times_of(span)
        shown = np.minimum(self.end, b) - np.maximum(self.start, a)
        shown = np.where(self._inside(*self._path(x, y)), np.maximum(shown, 0.0), 0.0)
        for hidden_a, hidden_b in mast.hidden:
            middle = 0.5 * (self.start + self.end)
            shown = np.where((middle >= hidden_a) & (middle < hidden_b), 0.0, shown)
        return float(shown.sum())

    def _path(self, x: float, y: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        cx, cy = (self.width - 1) / 2.0, (self.height - 1) / 2.0
        return cx + self.zoom * (x - cx) + self.dx, cy + self.zoom * (y - cy) + self.dy

    def _inside(self, xs: NDArray[np.float64], ys: NDArray[np.float64]) -> NDArray[np.bool_]:
        return (xs >= 0) & (ys >= 0) & (xs <= self.width - 1) & (ys <= self.height - 1)


def times_of(span: TrueSpan) -> tuple[float, float]:
    """Start and end of a span; 0 and 1 in a photo."""
    if span.start_s is None or span.end_s is None:
        return 0.0, 1.0
    return span.start_s, span.end_s


def stage_of(truth: Truth) -> Stage:
    """The time base of a file."""
    motion = truth.motion
    if truth.kind == "photo" or motion is None or not motion.time_s:
        end = 1.0 if truth.kind == "photo" else float(truth.duration_s or 1.0)
        one = np.zeros(1)
        return Stage(truth.width, truth.height, one, one + end, one, one, one + 1.0)
    start = np.array(motion.time_s, np.float64)
    last = truth.duration_s if truth.duration_s is not None else float(start[-1])
    return Stage(
        truth.width,
        truth.height,
        start,
        np.append(start[1:], max(last, float(start[-1]))),
        np.array(motion.dx, np.float64),
        np.array(motion.dy, np.float64),
        np.array(motion.zoom, np.float64),
    )


def is_lit(head: TrueHead) -> bool:
    """Whether the head was to be seen lit: a photo catches one moment, a clip the whole span."""
    if head.lit_now is not None:
        return head.lit_now
    return head.behaviour != "dark"


def readable(head: TrueHead, diameter_px: float, visible_s: float) -> bool:
    """Whether a careful person could tell the colour of a lit lamp."""
    limits = figures()["readable"]
    if visible_s < limits["visible_s"] or diameter_px < limits["least_diameter_px"]:
        return False
    if head.contrast is None:
        return True
    needed = limits["contrast_base"] + limits["contrast_per_px"] / diameter_px
    return bool(head.contrast >= needed)


def readable_behaviour(head: TrueHead, visible_s: float) -> bool:
    """Whether a clip shows a head for long enough to tell what it does."""
    limits = figures()["readable"]
    if head.behaviour == "flashing" and head.rate_hz:
        return bool(visible_s >= limits["flash_periods"] / head.rate_hz)
    return bool(visible_s >= limits["steady_s"])


def traits_of(truth: Truth) -> dict[str, str]:
    """Conditions of the whole scene in a few words each, for tables."""
    said = truth.conditions
    traits = {"light": str(said.get("light", "not told")), "maker": str(said.get("maker", ""))}
    traits["white balance"] = str(said.get("wb", "not told"))
    traits["compression"] = _compression(said.get("compression"))
    traits["falling"] = str(said.get("falling") or "nothing")
    traits["resampled"] = "yes" if "resampled" in said else "no"
    traits["picture width"] = f"{truth.width} px"
    traits["masts in view"] = str(len(truth.masts))
    if truth.kind == "photo":
        traits["motion blur"] = "yes" if said.get("motion_blur") else "no"
    else:
        shake = float(said.get("shake") or 0.0)
        traits["camera moves by"] = _class(shake, (2.0, 20.0, 100.0), "px")
        traits["zoom"] = "yes" if float(said.get("zoom") or 1.0) > 1.05 else "no"
        traits["passing train"] = "yes" if said.get("train") else "no"
        traits["frame rate"] = "variable" if said.get("variable_rate") else "constant"
        traits["frames a second"] = f"{float(said.get('fps') or 0.0):.0f}"
    return traits


def _compression(said: Any) -> str:
    if not isinstance(said, dict):
        return "not told"
    if "codec" in said:
        crf = said.get("crf")
        strength = "" if crf is None else (" light" if crf < 24 else " strong")
        return f"{said['codec']}{strength}"
    suffix = str(said.get("suffix", "")).lstrip(".")
    if "quality" not in said:
        return suffix or "not told"
    return f"{suffix}, quality {_class(float(said['quality']), (60.0, 80.0), '')}".rstrip()


def _class(value: float, edges: tuple[float, ...], unit: str) -> str:
    unit = f" {unit}" if unit else ""
    below = [edge for edge in edges if value >= edge]
    above = [edge for edge in edges if value < edge]
    if not below:
        return f"under {above[0]:g}{unit}"
    if not above:
        return f"{below[-1]:g}{unit} and up"
    return f"{below[-1]:g} to {above[0]:g}{unit}"
