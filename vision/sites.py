"""Places in the scene where a lamp has shone, and their light in every frame since.

Once a lamp has been seen, its light is measured at its place in every frame, lit or not:
that is what makes the dark half of a flash a measurement and not a gap.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.frame import Frame
from mastread.vision.look import Lamp
from mastread.vision.motion import View
from mastread.vision.segment import quantile, strongest

#: One row a frame and site.
SAMPLE: Final = np.dtype(
    [
        ("frame", "i4"),
        ("time_s", "f8"),
        ("x", "f4"),  # where the light was measured, in this frame
        ("y", "f4"),
        # light over the surround, strongest primary, summed, in pixels of the size at which the
        # site was found: a lamp that comes nearer stays as bright
        ("flux", "f4"),
        ("rgb", "f4", 3),  # the same for each primary
        ("peak", "f4"),  # strongest primary at the top, over the surround
        ("ring", "f4"),  # strongest primary of the near surround
        ("look", "f2", 8),  # strongest primary of the surround, by eighth of a turn
        ("outside", "?"),  # the place lay outside the picture, or nobody knows where
        ("drift", "f4", 2),  # where it stood against the common motion
        ("r", "f4"),  # radius of the lens by which the light was measured, in this frame
        ("scale", "f4"),  # that radius over the one at which the site was found; 0 is as good as 1
    ]
)

#: Sectors of the surround reach from here to there, in radii.
_LOOK_FROM: Final = 2.0
_LOOK_TO: Final = 4.5
_LARGEST_RADIUS: Final = 40.0
#: Samples that are packed into one array at a time.
_PACK: Final = 256
#: Looks that stay when old ones are dropped, and odds of looks.
_LOOKS_KEPT: Final = 8
_ODDS_KEPT: Final = 240
#: Looks of which the middle one tells the size, the factor by which a lens must have grown before
#: its size is followed, and the step (logarithm) by which it then is.
_LOOKS_OF_SIZE: Final = 5
_GROWN: Final = 1.35
#: ... and by so many pixels: sizes of small lamps scatter.
_MORE_PX: Final = 0.8
_FOLLOWED: Final = 0.04
#: Farthest that a lamp moves against the common motion within a frame, in radii (and 0.6 pixels).
STEP: Final = 0.4
#: Time between two frames for which that holds.
USUAL_FRAME_S: Final = 0.05
#: Frames running in which a spot must be found farther off before the site follows it.
PATIENCE: Final = 3


@dataclass(slots=True)
class Site:
    """A place of the scene where a lamp has shone.

    Attributes
    ----------
    scene : number of the scene (see `mastread.vision.motion.View`)
    x, y, radius : place and lens radius in the scene's coordinates
    drift : what the last lit frame showed as the place's offset from the common motion, pixels
    samples : rows of `SAMPLE`
    spots : looks at full resolution with their time, taken every so often while lit
    lamp_odds : how surely each of the looks took it for a lamp, 0..1
    lit_peak : how far the lamp's top stands over its surround when lit, linear
    strays : in how many frames running the lit spot was found farther off than a lamp moves
    growth : how much larger the lens has become than the camera's zoom explains: the mast comes
        nearer
    sizes : radius of each look, in pixels of its frame
    """

    number: int
    scene: int
    x: float
    y: float
    radius: float
    found_s: float
    drift: NDArray[np.float64] = field(default_factory=lambda: np.zeros(2))
    samples: list[NDArray[np.void]] = field(default_factory=list)
    spots: list[tuple[float, Lamp]] = field(default_factory=list)
    lamp_odds: list[float] = field(default_factory=list)
    lit_peak: float = 0.0
    strays: int = 0
    growth: float = 1.0
    sizes: list[float] = field(default_factory=list)
    _packed: list[NDArray[np.void]] = field(default_factory=list)
    _recent: deque[float] = field(default_factory=lambda: deque(maxlen=_LOOKS_OF_SIZE))

    @property
    def count(self) -> int:
        """Number of samples."""
        return sum(map(len, self._packed)) + len(self.samples)

    def add(self, row: NDArray[np.void]) -> None:
        """Append a sample; old ones are packed, since a clip may be long."""
        self.samples.append(row)
        if len(self.samples) >= 2 * _PACK:
            self._packed.append(np.stack(self.samples[:_PACK]))
            del self.samples[:_PACK]

    def miss(self, frame: int, time_s: float) -> None:
        """Note that the place could not be looked at in a frame."""
        row = np.zeros((), SAMPLE)
        last = self.samples[-1] if self.samples else None
        row["frame"], row["time_s"], row["outside"], row["flux"] = frame, time_s, True, np.nan
        if last is not None:
            row["x"], row["y"], row["r"] = last["x"], last["y"], last["r"]
        self.add(row)

    def take_over(self, other: Site) -> None:
        """Add what another site on the same lamp has seen at other times."""
        own = set(self.table()["frame"].tolist())
        for row in other.table():
            if row["frame"] not in own:
                self.add(row)
        self.spots = sorted([*self.spots, *other.spots], key=lambda look: look[0])
        self.lamp_odds += other.lamp_odds
        self.sizes += other.sizes

    def forget_before(self, time_s: float) -> None:
        """Drop samples and looks from before a time.

        The last looks stay, with their samples, however old they are: what a lamp looked like when
        it was lit must be known to tell that it is dark.
        """
        old = [look for look in self.spots if look[0] < time_s]
        new = len(self.spots) - len(old)
        stay = old[-(_LOOKS_KEPT - new) :] if new < _LOOKS_KEPT else []
        self.spots = self.spots[len(old) - len(stay) :]
        if self._packed or (self.samples and float(self.samples[0]["time_s"]) < time_s):
            table = self.table()
            keep = table["time_s"] >= time_s
            for look_s, _ in stay:
                keep |= np.abs(table["time_s"] - look_s) < 1e-6
            self._packed = []
            self.samples = list(table[keep])
        del self.lamp_odds[:-_ODDS_KEPT], self.sizes[:-_ODDS_KEPT]

    def note_size(self, radius: float, zoom: float) -> None:
        """Take the radius of a look (pixels of its frame): has the lens grown?

        Bloom and noise move the radius of single looks; only a lasting change counts.
        """
        self.sizes.append(radius)
        self._recent.append(radius / (self.radius * zoom))
        if len(self._recent) < 3:
            return
        now = float(np.median(self._recent))
        more_px = abs(now - 1.0) * self.radius * zoom
        grown = self.growth != 1.0 or (not 1 / _GROWN < now < _GROWN and more_px > _MORE_PX)
        if grown and abs(np.log(now / self.growth)) > _FOLLOWED:
            self.growth = now

    def table(self) -> NDArray[np.void]:
        """All samples as one (N,) array in order of time."""
        if not self.samples and not self._packed:
            return np.zeros(0, SAMPLE)
        # Stacking would look for a common type of all rows, field by field.
        loose = [np.array(self.samples, SAMPLE)] if self.samples else []
        table = np.concatenate([*self._packed, *loose])
        return table[np.argsort(table["time_s"], kind="stable")]


def sample(frame: Frame, view: View, site: Site, drift: NDArray[np.float64]) -> NDArray[np.void]:
    """Light at the site's place in one frame, after settling on the spot if it is lit.

    `drift` is where the place is expected against the common motion; the offset found is left
    in ``site.drift`` when the lamp is bright enough to tell.
    """
    out = np.zeros((), SAMPLE)
    out["frame"], out["time_s"] = frame.index, frame.time_s
    x, y = view.place(site.x, site.y)
    x, y = x + drift[0], y + drift[1]
    r = float(np.clip(site.radius * site.growth * view.zoom, 0.8, _LARGEST_RADIUS))
    out["r"], out["scale"] = r, r / site.radius
    half = int(np.ceil(_LOOK_TO * r + 4))
    x0, y0 = round(x) - half, round(y) - half
    x1, y1 = x0 + 2 * half + 1, y0 + 2 * half + 1
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, frame.width), min(y1, frame.height)
    # A lens that the edge cuts through has lost a part of its light.
    edge = max(2.0, r)
    inside_x = edge <= x < frame.width - edge
    if not (inside_x and edge <= y < frame.height - edge) or x1 - x0 < 6 or y1 - y0 < 6:
        out["outside"], out["x"], out["y"] = True, x, y
        out["flux"] = np.nan
        return out
    light = frame.linear(x0, y0, x1, y1)
    top = strongest(light)
    columns = np.arange(x0, x1, dtype=np.float32)
    rows = np.arange(y0, y1, dtype=np.float32)
    found_x, found_y, settled = _settle(top, columns, rows, x, y, r, site.lit_peak)
    last_s = float(site.samples[-1]["time_s"]) if site.samples else frame.time_s
    step = float(np.hypot(found_x - x, found_y - y))
    if settled and _may_follow(site, step, r, abs(frame.time_s - last_s)):
        x, y = found_x, found_y
        site.drift = np.array([x, y]) - view.place(site.x, site.y)

    dx = columns[None, :] - np.float32(x)
    dy = rows[:, None] - np.float32(y)
    distance = np.sqrt(dx * dx + dy * dy)
    ring = (distance > 1.6 * r + 0.8) & (distance < 2.8 * r + 1.5)
    if not ring.any():
        ring = distance > 1.6 * r
    ring_light = light[ring]
    level = quantile(strongest(ring_light), 0.35)
    surround = np.array([quantile(ring_light[:, k], 0.35) for k in range(3)], np.float32)
    inside = distance < 1.25 * r + 0.7
    out["x"], out["y"] = x, y
    out["drift"] = site.drift if settled else drift
    out["flux"] = float((top[inside] - level).sum()) * (site.radius / r) ** 2
    out["rgb"] = (light[inside] - surround).sum(axis=0)
    core = distance < 0.7 * r + 0.6
    out["peak"] = float(top[core].max()) - level
    out["ring"] = level
    out["look"] = _look(top, distance, dx, dy, r)
    return out


def _may_follow(site: Site, step: float, r: float, passed_s: float) -> bool:
    """May a lit spot found that far away in one frame be the lamp of this site?

    The common motion is known to a fraction of a pixel, so a lamp is hardly ever farther than
    `STEP`. After a train has passed it may be; then the spot is seen there again and again. More
    than a radius away is another lamp: heads stand more than two radii apart.
    """
    # Frames that lie farther apart leave more room, but never for another lamp.
    room = (STEP * r + 0.6) * float(np.clip(passed_s / USUAL_FRAME_S, 1.0, 3.0))
    if step <= min(room, 1.1 * r + 1.0):
        site.strays = 0
        return True
    site.strays += 1
    return site.strays > PATIENCE and step <= 1.1 * r + 1.0


def _settle(
    top: NDArray[np.float32],
    columns: NDArray[np.float32],
    rows: NDArray[np.float32],
    x: float,
    y: float,
    r: float,
    lit_peak: float,
) -> tuple[float, float, bool]:
    """Light-weighted centre near (x, y), if a lit lamp shows there."""
    reach = 1.3 * r + 1.2
    for _ in range(3):
        dx = columns[None, :] - np.float32(x)
        dy = rows[:, None] - np.float32(y)
        distance2 = dx * dx + dy * dy
        near = distance2 < reach**2
        values = top[near]
        if values.size < 4:
            return x, y, False
        low, high = float(values.min()), float(values.max())
        if high - low < max(0.5 * lit_peak, 0.02):
            return x, y, False
        weight = np.where(near, np.maximum(top - (low + 0.5 * (high - low)), 0.0), 0.0)
        # The nearer counts for more, so that a lamp next to this one does not pull.
        weight *= np.exp(-0.5 * distance2 / (0.8 * r + 0.6) ** 2)
        total = float(weight.sum())
        if total <= 0:
            return x, y, False
        nx = float((weight * columns[None, :]).sum()) / total
        ny = float((weight * rows[:, None]).sum()) / total
        moved = (nx - x) ** 2 + (ny - y) ** 2
        x, y = nx, ny
        if moved < 0.0025:
            break
    return x, y, True


def _look(
    top: NDArray[np.float32],
    distance: NDArray[np.float32],
    dx: NDArray[np.float32],
    dy: NDArray[np.float32],
    r: float,
) -> NDArray[np.float32]:
    """Mean light of the surround in eight sectors; NaN where a sector is out of the picture."""
    band = (distance > _LOOK_FROM * r + 1) & (distance < _LOOK_TO * r + 3)
    rows, columns = np.nonzero(band)
    right, down = dx[0, columns], dy[rows, 0]
    sector = (right > 0) * 1 + (down > 0) * 2 + (np.abs(right) > np.abs(down)) * 4
    count = np.bincount(sector, minlength=8)
    total = np.bincount(sector, weights=top[band], minlength=8)
    with np.errstate(invalid="ignore"):
        return (total / count).astype(np.float32)


def without_twins(sites: list[Site]) -> list[Site]:
    """Sites less those that stood on the lamp of another for most of the time both were watched.

    After a train has passed, or the camera has swung away and back, a lamp may be found anew before
    its old site has settled on it again. The site that was watched longer stays, and takes over
    the looks of the other.
    """
    kept: list[Site] = []
    for site in sorted(sites, key=lambda one: (-one.count, one.number)):
        twin = next((other for other in kept if _same_lamp(other, site)), None)
        if twin is None:
            kept.append(site)
        else:
            twin.spots = sorted([*twin.spots, *site.spots], key=lambda look: look[0])
    return sorted(kept, key=lambda one: one.number)


def _same_lamp(a: Site, b: Site) -> bool:
    first, second = a.table(), b.table()
    _, i, j = np.intersect1d(first["frame"], second["frame"], return_indices=True)
    if not len(i):
        return False
    apart = np.hypot(first["x"][i] - second["x"][j], first["y"][i] - second["y"][j])
    return bool(np.median(apart) < max(0.7 * max(a.radius, b.radius), 1.5))
