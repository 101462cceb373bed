"""What was measured of a clip, kept beside its clips: light curves, and where the masts stood.

A reading document holds neither; whoever checks a reading by eye wants both. The file is NumPy's
own archive of arrays (.npz), opened without pickles.
"""

from __future__ import annotations

import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from mastread.vision.types import LightCurve, Seen

#: Name of the file in the folder of a clip.
NAME: Final = "measured.npz"


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of one mast; fields as in `mastread.vision.types.MastSeen`."""

    mast: int
    curves: tuple[LightCurve, ...]
    path: NDArray[np.float64]


def write_measured(seen: Seen, folder: Path) -> None:
    """Write what was measured of the masts of a clip into `folder`."""
    arrays: dict[str, NDArray[Any]] = {}
    for mast in seen.masts:
        arrays[f"m{mast.mast}-path"] = np.asarray(mast.path, np.float64)
        for curve in mast.curves:
            stem = f"m{mast.mast}-h{curve.head}"
            arrays[f"{stem}-time_s"] = np.asarray(curve.time_s, np.float64)
            arrays[f"{stem}-flux"] = np.asarray(curve.flux, np.float32)
            arrays[f"{stem}-lit"] = np.asarray(curve.lit, np.float32)
    # NumPy's stubs take the names of arrays for its own options.
    np.savez_compressed(folder / NAME, **arrays)  # type: ignore[arg-type]


def read_measured(folder: Path, mast: int) -> Measured | None:
    """Return what was measured of one mast; None where nothing was kept or it is damaged."""
    try:
        # Opened here: of a damaged file NumPy would leave its own open.
        with (folder / NAME).open("rb") as file, np.load(file, allow_pickle=False) as found:
            path = found[f"m{mast}-path"].reshape(-1, 3)
            heads = sorted(
                int(name.split("-")[1][1:])
                for name in found.files
                if name.startswith(f"m{mast}-h") and name.endswith("-flux")
            )
            curves = tuple(
                LightCurve(
                    mast,
                    head,
                    found[f"m{mast}-h{head}-time_s"],
                    found[f"m{mast}-h{head}-flux"],
                    found[f"m{mast}-h{head}-lit"],
                )
                for head in heads
            )
    except (OSError, EOFError, KeyError, ValueError, zipfile.BadZipFile, zlib.error):
        return None
    return Measured(mast, curves, path)
