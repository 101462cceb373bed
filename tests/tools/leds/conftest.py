"""Pictures of lamps as files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from led_pictures import EXIF
from numpy.typing import NDArray
from PIL import Image


@pytest.fixture
def save(tmp_path: Path) -> Callable[..., Path]:
    """Write linear light as an sRGB JPEG, with Exif entries if any."""

    def write(light: NDArray[np.float64], name: str = "lamp.jpg", **options: Any) -> Path:
        light = np.clip(light, 0, 1)
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        image = Image.fromarray(np.round(coded * 255).astype(np.uint8))
        if options.pop("grey", False):
            image = image.convert("L")
        exif = Image.Exif()
        exif.get_ifd(EXIF).update(options.pop("exif", {}))
        path = tmp_path / name
        image.save(path, quality=options.pop("quality", 93), exif=exif, **options)
        return path

    return write
