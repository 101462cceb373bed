"""Flash rates against an independent estimator.

Source: Lomb-Scargle periodogram as implemented by SciPy (`scipy.signal.lombscargle`), after
Lomb 1976 (Astrophysics and Space Science 39:447) and Scargle 1982 (Astrophysical Journal 263:835).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lombscargle

from mastread.vision.behaviour import stretches
from mastread.vision.curves import Curve


@pytest.mark.parametrize("rate_hz", [0.58, 0.75, 0.92, 1.0, 1.17, 1.4])
@pytest.mark.parametrize("fps", [24.0, 29.97, 60.0])
def test_rate_agrees_with_lomb_scargle(rate_hz: float, fps: float) -> None:
    rng = np.random.default_rng(int(rate_hz * 1000 + fps))
    # Uneven times: one frame in twenty is lost, the others come up to 2 ms late.
    time_s = np.sort(np.arange(int(8 * fps)) / fps + rng.uniform(0, 0.002, int(8 * fps)))
    time_s = time_s[rng.random(len(time_s)) > 0.05]
    light = ((time_s * rate_hz + rng.random()) % 1.0 < 0.5).astype(np.float32)
    flux = light + rng.normal(0, 0.03, len(light)).astype(np.float32)
    (part,) = stretches([Curve(time_s, flux, light)])
    assert part.flash is not None

    frequencies = np.linspace(0.4, 2.0, 4001)
    power = lombscargle(time_s, flux - flux.mean(), 2 * np.pi * frequencies)
    reference = float(frequencies[np.argmax(power)])
    # A periodogram's peak over T seconds is known to a few hundredths of 1/T; 8 s give 0.01 Hz.
    assert part.flash.rate_hz == pytest.approx(reference, abs=0.01)
    assert part.flash.rate_hz == pytest.approx(rate_hz, rel=0.01)
