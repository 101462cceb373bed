"""From coded picture values to light, and back.

Everything here is arithmetic on arrays; nothing knows about files. The functions keep the
float type of their input: float64 in gives float64 out (the exact road that the tests check),
float32 stays float32.

Words: a *transfer* is the rule between a coded value (0..1) and light; *primaries* are the
chromaticities of the three channels; a *matrix* turns R'G'B' into luma and colour difference.

Sources: IEC 61966-2-1 (sRGB), ITU-R BT.601-7, BT.709-6, BT.2020-2, BT.2100-2 (HLG and PQ),
SMPTE EG 432-1 and RP 431-2 (Display P3). Matrices between primaries are computed from the
published chromaticities of the primaries and of D65.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from typing import TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray


class Transfer(StrEnum):
    """How coded values stand for light."""

    SRGB = "srgb"
    BT709 = "bt709"
    GAMMA18 = "gamma18"
    GAMMA22 = "gamma22"
    GAMMA28 = "gamma28"
    LINEAR = "linear"
    HLG = "hlg"
    PQ = "pq"


class Matrix(StrEnum):
    """Which luma weights the colour-difference signals were made with."""

    BT601 = "bt601"
    BT709 = "bt709"
    BT2020 = "bt2020"
    FCC = "fcc"
    SMPTE240 = "smpte240"


class Primaries(StrEnum):
    """Which primaries the three channels have; the white is D65 in all of them."""

    BT709 = "bt709"
    BT601_625 = "bt601-625"
    BT601_525 = "bt601-525"
    BT2020 = "bt2020"
    P3 = "p3"


#: Luma weights of red and blue (Kr, Kb); green has the rest.
LUMA_WEIGHTS: dict[Matrix, tuple[float, float]] = {
    Matrix.BT601: (0.299, 0.114),
    Matrix.BT709: (0.2126, 0.0722),
    Matrix.BT2020: (0.2627, 0.0593),
    Matrix.FCC: (0.30, 0.11),
    Matrix.SMPTE240: (0.212, 0.087),
}

#: CIE 1931 x, y of red, green, blue.
PRIMARIES_XY: dict[Primaries, tuple[tuple[float, float], ...]] = {
    Primaries.BT709: ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    Primaries.BT601_625: ((0.640, 0.330), (0.290, 0.600), (0.150, 0.060)),
    Primaries.BT601_525: ((0.630, 0.340), (0.310, 0.595), (0.155, 0.070)),
    Primaries.BT2020: ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
    Primaries.P3: ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
}
D65_XY = (0.3127, 0.3290)

#: cd/m2 that coded 1 of PQ stands for (BT.2100).
PQ_TOP = 10000.0
#: cd/m2 taken as the clipping level of a PQ picture. PQ is absolute and no camera reaches its
#: top; 1000 is the peak that BT.2100 names for its reference screen and what phones master to
#: (common practice).
PQ_CLIP = 1000.0

#: Coded value of light 0.018, where the two parts of BT.709's curve meet.
_BT709_BREAK = 1.099 * 0.018**0.45 - 0.099
_PQ_M1, _PQ_M2 = 2610 / 16384, 2523 / 4096 * 128
_PQ_C1, _PQ_C2, _PQ_C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_HLG_A = 0.17883277
_HLG_B = 1 - 4 * _HLG_A
_HLG_C = 0.5 - _HLG_A * float(np.log(4 * _HLG_A))

#: Steps of the lookup tables that stand in for the exact curves on crops.
TABLE_STEPS = 16384

F = TypeVar("F", np.float32, np.float64)


def decode(coded: NDArray[F], transfer: Transfer) -> NDArray[F]:
    """Light (1 = clipping level) of coded values.

    Parameters
    ----------
    coded : any shape, float; values outside 0..1 are taken as 0 or 1
    transfer : the curve. BT.709 and HLG are turned back to the light before the camera (their
        inverse OETF), PQ is absolute and divided by `PQ_CLIP`, so that PQ alone may exceed 1.
    """
    c = np.clip(coded, 0, 1)
    out: NDArray[F]
    match transfer:
        case Transfer.LINEAR:
            out = c
        case Transfer.SRGB:
            out = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        case Transfer.BT709:
            out = np.where(c < _BT709_BREAK, c / 4.5, ((c + 0.099) / 1.099) ** (1 / 0.45))
        case Transfer.GAMMA18:
            out = c**1.8
        case Transfer.GAMMA22:
            out = c**2.2
        case Transfer.GAMMA28:
            out = c**2.8
        case Transfer.HLG:
            out = np.where(c <= 0.5, c * c / 3, (np.exp((c - _HLG_C) / _HLG_A) + _HLG_B) / 12)
        case Transfer.PQ:
            p = c ** (1 / _PQ_M2)
            light = (np.maximum(p - _PQ_C1, 0) / (_PQ_C2 - _PQ_C3 * p)) ** (1 / _PQ_M1)
            out = light * (PQ_TOP / PQ_CLIP)
    return out.astype(c.dtype, copy=False)


def encode(light: NDArray[F], transfer: Transfer) -> NDArray[F]:
    """Coded value of light: the inverse of `decode`, for making test media and pictures.

    Light outside 0..1 (PQ: 0..`PQ_TOP`/`PQ_CLIP`) is taken as the nearer end.
    """
    top = PQ_TOP / PQ_CLIP if transfer is Transfer.PQ else 1.0
    x = np.clip(light, 0, top)
    out: NDArray[F]
    match transfer:
        case Transfer.LINEAR:
            out = x
        case Transfer.SRGB:
            out = np.where(x <= 0.0031308, x * 12.92, 1.055 * x ** (1 / 2.4) - 0.055)
        case Transfer.BT709:
            out = np.where(x < 0.018, x * 4.5, 1.099 * x**0.45 - 0.099)
        case Transfer.GAMMA18:
            out = x ** (1 / 1.8)
        case Transfer.GAMMA22:
            out = x ** (1 / 2.2)
        case Transfer.GAMMA28:
            out = x ** (1 / 2.8)
        case Transfer.HLG:
            bent = _HLG_A * np.log(np.maximum(12 * x - _HLG_B, 1e-9)) + _HLG_C
            out = np.where(x <= 1 / 12, np.sqrt(3 * x), bent)
        case Transfer.PQ:
            p = ((x / top) ** _PQ_M1).astype(x.dtype)
            out = (((_PQ_C1 + _PQ_C2 * p) / (1 + _PQ_C3 * p)) ** _PQ_M2).astype(x.dtype)
    return out.astype(x.dtype, copy=False)


@cache
def decode_table(transfer: Transfer) -> NDArray[np.float32]:
    """`decode` at `TABLE_STEPS` + 1 even steps over 0..1, read-only."""
    steps = np.linspace(0, 1, TABLE_STEPS + 1)
    table = decode(steps, transfer).astype(np.float32)
    table.flags.writeable = False
    return table


@cache
def decode_table_for_bits(transfer: Transfer, bits: int) -> NDArray[np.float32]:
    """`decode` at every code of a full-range picture with `bits` bits, read-only."""
    top = (1 << bits) - 1
    table = decode(np.arange(top + 1) / top, transfer).astype(np.float32)
    table.flags.writeable = False
    return table


@cache
def _wide_table(transfer: Transfer) -> NDArray[np.float32]:
    """`decode_table`, drawn out with its last value to all codes of 16 bits, read-only."""
    table = decode_table(transfer)
    out = np.full(1 << 16, table[-1], np.float32)
    out[: len(table)] = table
    out.flags.writeable = False
    return out


def decode_steps(steps: NDArray[np.float32], transfer: Transfer) -> NDArray[np.float32]:
    """`decode` by table lookup of coded values that were multiplied by `TABLE_STEPS`.

    The result is that of the nearest step, which is finer than 13 bits; values outside the
    table are taken as its nearer end.

    """
    # OpenCV rounds and saturates at 0 and 65535.
    index = cv2.add(steps, 0, dtype=cv2.CV_16U)
    found = cv2.LUT(index, _wide_table(transfer))
    return np.asarray(found, np.float32).reshape(steps.shape)


@dataclass(frozen=True, slots=True)
class YccScale:
    """How stored luma and colour-difference codes become R'G'B'.

    ``y' = (code - y_zero) * y_gain``; ``cb = (code - c_zero) * c_gain`` likewise ``cr``; then
    ``R' = y' + r_cr cr``, ``G' = y' + g_cb cb + g_cr cr``, ``B' = y' + b_cb cb``.
    """

    y_zero: float
    y_gain: float
    c_zero: float
    c_gain: float
    r_cr: float
    g_cb: float
    g_cr: float
    b_cb: float


@cache
def ycc_scale(matrix: Matrix, full_range: bool, bits: int) -> YccScale:
    """The numbers for one matrix, range and depth (quantisation in BT.601, BT.709, BT.2020).

    Full range at 8 bits is that of JFIF: luma 0..255, colour difference 128 +- 127.5 for +-0.5
    (gain 1/255).
    """
    kr, kb = LUMA_WEIGHTS[matrix]
    kg = 1 - kr - kb
    unit = float(1 << (bits - 8))
    if full_range:
        top = float((1 << bits) - 1)
        y_zero, y_gain, c_gain = 0.0, 1 / top, 1 / top
    else:
        y_zero, y_gain, c_gain = 16 * unit, 1 / (219 * unit), 1 / (224 * unit)
    return YccScale(
        y_zero=y_zero,
        y_gain=y_gain,
        c_zero=128 * unit,
        c_gain=c_gain,
        r_cr=2 * (1 - kr),
        g_cb=-2 * kb * (1 - kb) / kg,
        g_cr=-2 * kr * (1 - kr) / kg,
        b_cb=2 * (1 - kb),
    )


@cache
def ycc_matrix(matrix: Matrix, full_range: bool, bits: int, shift: int = 0) -> NDArray[np.float32]:
    """The same as one affine map, (3, 4): R'G'B' = map of (Y, Cb, Cr, 1); read-only.

    shift : how many bits the codes are shifted up where they are stored
    """
    k = ycc_scale(matrix, full_range, bits)
    turn = np.array([[1, 0, k.r_cr], [1, k.g_cb, k.g_cr], [1, k.b_cb, 0]])
    turn = turn * np.array([k.y_gain, k.c_gain, k.c_gain])
    offset = -turn @ np.array([k.y_zero, k.c_zero, k.c_zero])
    out = np.column_stack([turn / (1 << shift), offset]).astype(np.float32)
    out.flags.writeable = False
    return out


def ycc_to_rgb(y: NDArray[F], cb: NDArray[F], cr: NDArray[F], scale: YccScale) -> NDArray[F]:
    """Coded R'G'B' of stored codes, not clipped.

    Parameters
    ----------
    y, cb, cr : the same shape (...), stored codes as float
    scale : from `ycc_scale`

    Returns
    -------
    (..., 3), same float type
    """
    out = np.empty((*y.shape, 3), dtype=y.dtype)
    k = scale
    luma = (y - out.dtype.type(k.y_zero)) * out.dtype.type(k.y_gain)
    b = (cb - out.dtype.type(k.c_zero)) * out.dtype.type(k.c_gain)
    r = (cr - out.dtype.type(k.c_zero)) * out.dtype.type(k.c_gain)
    out[..., 0] = luma + out.dtype.type(k.r_cr) * r
    out[..., 1] = luma + out.dtype.type(k.g_cb) * b + out.dtype.type(k.g_cr) * r
    out[..., 2] = luma + out.dtype.type(k.b_cb) * b
    return out


def rgb_to_ycc(rgb: NDArray[F], scale: YccScale, matrix: Matrix) -> NDArray[F]:
    """Stored codes (..., 3: Y, Cb, Cr) of coded R'G'B' (..., 3): the inverse, not rounded."""
    kr, kb = LUMA_WEIGHTS[matrix]
    luma = kr * rgb[..., 0] + (1 - kr - kb) * rgb[..., 1] + kb * rgb[..., 2]
    cb = (rgb[..., 2] - luma) / scale.b_cb
    cr = (rgb[..., 0] - luma) / scale.r_cr
    out = np.empty_like(rgb)
    out[..., 0] = luma / scale.y_gain + scale.y_zero
    out[..., 1] = cb / scale.c_gain + scale.c_zero
    out[..., 2] = cr / scale.c_gain + scale.c_zero
    return out


@cache
def rgb_to_xyz_matrix(primaries: Primaries) -> NDArray[np.float64]:
    """(3, 3) matrix from linear RGB to CIE XYZ, white (D65) having Y = 1; read-only."""
    xy = np.array(PRIMARIES_XY[primaries])
    columns = np.stack([xy[:, 0] / xy[:, 1], np.ones(3), (1 - xy.sum(axis=1)) / xy[:, 1]])
    wx, wy = D65_XY
    white = np.array([wx / wy, 1.0, (1 - wx - wy) / wy])
    matrix: NDArray[np.float64] = columns * np.linalg.solve(columns, white)
    matrix.flags.writeable = False
    return matrix


@cache
def primaries_matrix(source: Primaries, target: Primaries = Primaries.BT709) -> NDArray[np.float64]:
    """(3, 3) matrix from linear RGB of one set of primaries to another; read-only."""
    matrix = np.asarray(
        np.linalg.solve(rgb_to_xyz_matrix(target), rgb_to_xyz_matrix(source)), np.float64
    )
    matrix.flags.writeable = False
    return matrix


def rgb_to_xyz(rgb: NDArray[F], primaries: Primaries = Primaries.BT709) -> NDArray[F]:
    """CIE XYZ (..., 3) of linear RGB (..., 3); Y = 1 for full white."""
    out: NDArray[F] = rgb @ rgb_to_xyz_matrix(primaries).T.astype(rgb.dtype)
    return out


def xyz_to_xy(xyz: NDArray[F]) -> NDArray[F]:
    """CIE 1931 chromaticity (..., 2) of XYZ (..., 3); NaN where there is no light."""
    total = xyz.sum(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        xy: NDArray[F] = xyz[..., :2] / total
    return np.where(total > 0, xy, np.nan).astype(xyz.dtype, copy=False)


def rgb_to_xy(rgb: NDArray[F], primaries: Primaries = Primaries.BT709) -> NDArray[F]:
    """CIE 1931 chromaticity (..., 2) of linear RGB (..., 3); NaN where there is no light."""
    return xyz_to_xy(rgb_to_xyz(rgb, primaries))
