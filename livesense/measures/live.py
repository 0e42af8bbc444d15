"""What a live page asks twice a second: a rough frequency, and where U's fundamental rises through zero."""

from __future__ import annotations

import math

import numpy as np

from livesense.measures.sine_fit import rough_line
from livesense.samples import FloatArray


def line_frequency(values: FloatArray, rate_hz: float) -> float | None:
    """Frequency, Hz, of the line that ``values`` ``(n,)`` or ``(n, k)`` share; None where there is none.

    Fundamental and two harmonics, no uncertainty, no check for steadiness: for a picture, not for a figure.
    A window of fewer than two cycles gives None.
    """
    return rough_line(values, rate_hz)


def rising_crossing(
    values: FloatArray, rate_hz: float, frequency_hz: float, *, not_before_s: float = 0.0
) -> float | None:
    """Time, s after the first value, at which the fundamental of ``values`` ``(n,)`` rises through zero.

    The mean is fitted beside it and left out. The crossing is the first at or after ``not_before_s``;
    None where ``values`` has no fundamental there. It may lie between scans and, for a late
    ``not_before_s``, after the last one.
    """
    y = np.asarray(values, dtype=np.float64)
    angle = 2 * np.pi * frequency_hz / rate_hz * np.arange(y.size)
    basis = np.stack((np.ones(y.size), np.cos(angle), np.sin(angle)), axis=1)
    _, even, odd = np.linalg.solve(basis.T @ basis, basis.T @ y)
    if math.hypot(even, odd) <= 1e-9 * (float(np.max(np.abs(y))) + 1e-300):
        return None
    # even*cos + odd*sin = sqrt(…)*sin(angle - shift), which rises through zero at the shift.
    first = math.atan2(-even, odd) / (2 * math.pi * frequency_hz)
    return first + math.ceil((not_before_s - first) * frequency_hz - 1e-9) / frequency_hz
