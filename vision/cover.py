"""When something stood in front of a lamp: told by the look of what surrounds it.

A lamp that goes out leaves its surround as it was, but for the veil of its own light. A train in
front changes the surround: its level, its pattern round the lamp, and how much it flickers from
frame to frame as the cars run past. A dark spell with any of these was no dark lamp.
"""

from __future__ import annotations

import warnings
from typing import Final

import numpy as np
from numpy.typing import NDArray

#: Light added to both sides of a ratio, linear: below it a surround is night, and noise.
NIGHT: Final = 0.012
#: Frames of the lit lamp beside a dark spell that tell what its surround looked like, and how many
#: next to the spell are passed over, since there the lamp may be half covered already.
_BESIDE: Final = 12
_PASSED: Final = 2
#: Changes of the surround (natural logarithms of ratios) that no lamp going out makes: of the
#: whole, of one side against the others, and from frame to frame.
_BRIGHTER: Final = 0.14
_DARKER: Final = 0.3
_PATTERN: Final = 0.15
_FLICKER: Final = 0.05
#: The same in units of how much the surround of the lit lamp scatters by itself.
_SIGMAS: Final = 4.0
#: The veil next to a lamp loses more light than the one farther out, by this factor.
_FALLS_OFF: Final = 1.25
#: A surround darker than this (linear) does not tell that nothing stands in front.
_TELLS: Final = 0.03
#: A lamp that shines as strongly as ever (to this share) is not hidden, whatever surrounds it.
_AS_EVER: Final = 0.3
#: A lit-looking frame whose surround has changed by this share shows something else that is bright.
_OTHER: Final = 0.4


def covered(
    table: NDArray[np.void], lit: NDArray[np.float64]
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames in which something stood in front of the lamp, and those in which surely nothing did.

    Parameters
    ----------
    table : (N,) of `mastread.vision.sites.SAMPLE`, in order of time
    lit : (N,) probability that the lamp was lit, by its light alone; NaN where not measured

    Returns
    -------
    hidden : (N,) True where covered; of a spell without light all or nothing
    told : (N,) True where the lamp was dark and its surround shows that nothing stood in front
    """
    hidden, told = np.zeros(len(table), bool), np.zeros(len(table), bool)
    bright = lit > 0.7
    if np.count_nonzero(bright) < 3:
        return hidden, told
    look = np.log(np.maximum(table["look"].astype(np.float64), 0.0) + NIGHT)
    still = _Still(look, bright)
    for first, last in runs(lit < 0.5):
        beside = _lit_beside(bright, first, last)
        if not len(beside):
            continue
        if _changed(table, look, beside, first, last, still):
            hidden[first : last + 1] = True
        else:
            told[first : last + 1] = _told(look, beside, first, last, still)
    hidden |= _something_bright(table, look, lit)
    return hidden, told


class _Still:
    """How much the surround of the lit lamp scatters by itself: noise, shake, compression."""

    def __init__(self, look: NDArray[np.float64], bright: NDArray[np.bool_]) -> None:
        """Measure it on neighbouring lit frames."""
        both = bright[1:] & bright[:-1]
        steps = np.abs(np.diff(look, axis=0)[both])
        self.flicker = float(_median(steps)) if steps.size else 0.02
        if not np.isfinite(self.flicker):
            self.flicker = 0.02


def _lit_beside(bright: NDArray[np.bool_], first: int, last: int) -> NDArray[np.intp]:
    """Indices of lit frames before and after a spell, the nearest but for those at its edge."""
    before = np.flatnonzero(bright[:first])
    after = np.flatnonzero(bright[last + 1 :]) + last + 1
    return np.concatenate(
        [_near(before[::-1])[::-1], _near(after)],
    )


def _near(index: NDArray[np.intp]) -> NDArray[np.intp]:
    """The nearest few, without those next to the spell where there are others."""
    beyond = index[_PASSED : _PASSED + _BESIDE]
    return beyond if len(beyond) >= 3 else index[:_BESIDE]


def _changed(
    table: NDArray[np.void],
    look: NDArray[np.float64],
    beside: NDArray[np.intp],
    first: int,
    last: int,
    still: _Still,
) -> bool:
    """Did the surround change in a dark spell as no lamp going out changes it?"""
    inner = _inner(first, last)
    reference = _median(look[beside], axis=0)
    change = look[inner] - reference
    typical = _median(change, axis=0)
    known = np.isfinite(typical)
    if np.count_nonzero(known) < 4:
        return False
    typical = typical[known]
    whole = float(np.median(typical))
    pattern = float(np.median(np.abs(typical - whole)))
    # The surround beside the spell, before against after, shows what the camera does by itself.
    room = max(_SIGMAS * still.flicker / np.sqrt(min(len(inner), 4)), 0.0)
    if whole > _BRIGHTER + room or pattern > _PATTERN + room:
        return True
    flicker = np.abs(np.diff(look[first : last + 1], axis=0))
    if last - first >= 4 and float(_median(flicker)) > max(_FLICKER, _SIGMAS * still.flicker):
        return True
    # Down to night, it may be the veil of the lamp or of others that flash with it: not to be told.
    left = float(_median(np.exp(look[inner])) - NIGHT)
    return whole < -_DARKER - room and left > _TELLS and not _is_veil(table, beside, inner)


def _told(
    look: NDArray[np.float64],
    beside: NDArray[np.intp],
    first: int,
    last: int,
    still: _Still,
) -> bool:
    """Is the surround light enough, and so unchanged, that nothing can stand in front?

    By night a train is as dark as what it hides.
    """
    reference = _median(look[beside], axis=0)
    light = float(_median(np.exp(reference)) - NIGHT)
    if not light > _TELLS or still.flicker > 0.5 * _FLICKER:
        return False
    change = _median(look[_inner(first, last)] - reference, axis=0)
    return float(_median(np.abs(change))) < 0.5 * _PATTERN


def _inner(first: int, last: int) -> NDArray[np.intp]:
    """Frames of a spell without its edges, where it has more than edges."""
    index = np.arange(first, last + 1)
    return index[1:-1] if len(index) >= 4 else index


def _is_veil(table: NDArray[np.void], beside: NDArray[np.intp], inner: NDArray[np.intp]) -> bool:
    """Is a darker surround explained by the lamp's own light having gone from it?

    The veil round a lamp falls off outwards: the ring next to it loses more than what lies
    farther out. Whatever stands in front takes light from both in like shares.
    """
    lit_ring, dark_ring = _median(table["ring"][beside]), _median(table["ring"][inner])
    lit_look = _median(_median(table["look"][beside], axis=1))
    dark_look = _median(_median(table["look"][inner], axis=1))
    return bool(lit_ring - dark_ring >= _FALLS_OFF * (lit_look - dark_look))


def _something_bright(
    table: NDArray[np.void], look: NDArray[np.float64], lit: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Frames that look lit by something else: the surround is another, and so is the light."""
    bright = lit > 0.7
    flux = table["flux"].astype(np.float64)
    level = _median(flux[bright])
    reference = _median(look[bright], axis=0)
    other = _median(np.abs(look - reference), axis=1) > np.log(1.0 + _OTHER)
    rgb = table["rgb"].astype(np.float64)
    usual = _median(rgb[bright], axis=0)
    norm = np.linalg.norm(rgb, axis=1) * np.linalg.norm(usual)
    with np.errstate(invalid="ignore", divide="ignore"):
        turned = (rgb @ usual) / norm < 0.985
        apart = np.abs(flux / level - 1.0) > _AS_EVER
    return np.asarray((lit >= 0.5) & other & (turned & apart), bool)


def _median(values: NDArray[np.float64], axis: int | None = None) -> NDArray[np.float64]:
    """Median of what is not NaN; NaN where all is, as at the edge of a picture."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(values, axis=axis), np.float64)


def runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First and last index of every run of True."""
    padded = np.concatenate([[False], flags, [False]]).astype(np.int8)
    change = np.diff(padded)
    return list(
        zip(
            np.flatnonzero(change == 1).tolist(),
            (np.flatnonzero(change == -1) - 1).tolist(),
            strict=True,
        )
    )
