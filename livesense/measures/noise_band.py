"""Noise within a band of frequencies: what lines and their harmonics leave, sorted by frequency."""

from __future__ import annotations

import math

import numpy as np

from livesense.samples import Estimate, FloatArray


def noise_in_band(residual: FloatArray, rate_hz: float, low_hz: float, high_hz: float) -> Estimate:
    """Rms of what lies from ``low_hz`` to ``high_hz`` (included), with its random uncertainty.

    By Parseval's theorem: the mean square is the sum over the bins of the periodogram. Each bin of a random
    signal has two degrees of freedom, so that the rms of M bins is known to 1 / (2 √M) of itself.

    Parameters
    ----------
    residual
        ``(n,)`` values without line and harmonics.
    rate_hz
        Their rate.

    Raises
    ------
    ValueError
        When no bin lies within the band: the window is too short for it, or it is beyond half the rate.
    """
    n = residual.size
    power = np.abs(np.fft.rfft(residual - residual.mean())) ** 2
    # Every bin stands for its mirror as well, but the mean and, where there is one, half the rate.
    power[1 : (n + 1) // 2] *= 2
    frequency_hz = np.arange(power.size) * rate_hz / n
    chosen = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    count = int(np.count_nonzero(chosen))
    if count == 0:
        raise ValueError(f"no frequency from {low_hz:g} Hz to {high_hz:g} Hz within {n} values")
    rms = math.sqrt(float(np.sum(power[chosen]))) / n
    return Estimate(rms, rms / (2 * math.sqrt(count)))
