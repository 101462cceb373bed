"""The part of an ICC profile that says which light a photo's R, G, B stand for.

Telephones save wide-gamut photos (Display P3) whose reds and greens would be read too pale
without it. Read are the matrix-and-curve profiles of ISO 15076-1 (ICC.1); a profile built
from tables is passed over, and the photo is then taken for sRGB.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from mastread.vision import light

#: Profile connection space white D50, ISO 15076-1, and the Bradford matrix, annex E there.
_D50 = np.array([0.9642, 1.0, 0.8249])
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
#: Profiles nearer to sRGB than this in every coefficient are sRGB, rounded.
_SAME_PRIMARIES = 0.01
_CURVES = (
    light.Transfer.SRGB,
    light.Transfer.BT709,
    light.Transfer.GAMMA18,
    light.Transfer.GAMMA22,
    light.Transfer.LINEAR,
)


def read_profile(profile: bytes | None) -> tuple[light.Transfer, NDArray[np.float64] | None]:
    """The nearest known curve, and the matrix to linear BT.709 RGB or None if it is not needed.

    profile : the bytes of an ICC profile; None or garbage counts as sRGB
    """
    plain = (light.Transfer.SRGB, None)
    if profile is None or profile[16:20] != b"RGB ":
        return plain
    try:
        tags = _tags(profile)
        columns = [_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
        transfer = _nearest(_curve(tags[b"rTRC"]))
    except (KeyError, struct.error, ValueError, IndexError):
        return plain
    matrix = np.linalg.inv(_bt709_at_d50()) @ np.stack(columns, axis=1)
    if np.abs(matrix - np.eye(3)).max() < _SAME_PRIMARIES:
        return transfer, None
    return transfer, np.asarray(matrix, np.float64)


def _tags(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", profile, 128)
    tags = {}
    for i in range(min(count, 100)):
        name, start, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        tags[name] = profile[start : start + size]
    return tags


def _fixed(data: bytes, at: int, count: int) -> NDArray[np.float64]:
    """Numbers of type s15Fixed16."""
    return np.array(struct.unpack_from(f">{count}i", data, at)) / 65536


def _xyz(tag: bytes) -> NDArray[np.float64]:
    if tag[:4] != b"XYZ ":
        raise ValueError("not a colour tag")
    return _fixed(tag, 8, 3)


def _curve(tag: bytes) -> NDArray[np.float64]:
    """Light at 256 even steps of the coded value."""
    x = np.linspace(0, 1, 256)
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        values = np.array(struct.unpack_from(f">{count}H", tag, 12))
        if count == 1:
            return np.asarray(x ** (values[0] / 256), np.float64)
        return np.interp(x, np.linspace(0, 1, count), values / 65535)
    if tag[:4] != b"para":
        raise ValueError("not a curve tag")
    (kind,) = struct.unpack_from(">H", tag, 8)
    g, a, b, c, d, e, f = _parameters(kind, tag)
    bent = np.maximum(a * x + b, 0) ** g + e
    return np.asarray(np.where(x >= d, bent, c * x + f), np.float64)


def _parameters(kind: int, tag: bytes) -> tuple[float, ...]:
    """g, a, b, c, d, e, f of ``(a x + b)^g + e`` from d on, ``c x + f`` below (table 65)."""
    p = [float(v) for v in _fixed(tag, 12, {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}[kind])]
    if kind == 0:
        return p[0], 1, 0, 0, 0, 0, 0
    if kind == 1:
        return p[0], p[1], p[2], 0, -p[2] / p[1], 0, 0
    if kind == 2:
        return p[0], p[1], p[2], 0, -p[2] / p[1], p[3], p[3]
    if kind == 3:
        return p[0], p[1], p[2], p[3], p[4], 0, 0
    return tuple(p)


def _nearest(curve: NDArray[np.float64]) -> light.Transfer:
    x = np.linspace(0, 1, len(curve))
    return min(_CURVES, key=lambda t: float(np.abs(light.decode(x, t) - curve).max()))


def _bt709_at_d50() -> NDArray[np.float64]:
    """Linear BT.709 RGB to XYZ, adapted to the white of the connection space."""
    to_xyz = light.rgb_to_xyz_matrix(light.Primaries.BT709)
    gain = (_BRADFORD @ _D50) / (_BRADFORD @ to_xyz.sum(axis=1))
    return np.asarray(np.linalg.inv(_BRADFORD) @ (gain[:, None] * _BRADFORD) @ to_xyz, np.float64)
