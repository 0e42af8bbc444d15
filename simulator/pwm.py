"""Centre-aligned pulse-width modulation in closed form: duties, and ripple at any instant.

Times are counted from the valley, the middle of the span in which all three low
switches conduct; that is where such drives sample, since the ripple passes through
zero there (and again half a period away). Each leg is high for ``duty`` of the
period ``T``, centred half a period from the valley. What one leg adds to the ripple's
volt-seconds is the integral of its voltage minus its mean (common practice, no source):

    g(t) = -duty t + sign(t) max(0, |t| - (1 - duty) T/2)      for |t| <= T/2
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def phases(vector: NDArray[np.complex128]) -> Floats:
    """``(n, 3)`` phase quantities of stationary vectors ``(n,)``; they sum to zero (amplitude form)."""
    result = np.empty((len(vector), 3))
    half_real = -0.5 * vector.real
    cross = np.sqrt(0.75) * vector.imag
    result[:, 0] = vector.real
    result[:, 1] = half_real + cross
    result[:, 2] = half_real - cross
    return result


def vector(values: Floats) -> NDArray[np.complex128]:
    """Stationary vector ``(n,)`` of phase quantities ``(n, 3)``; their common part drops out."""
    u, v, w = values.T
    result = np.empty(len(values), dtype=np.complex128)
    # Written out: a matrix product would wake a pool of threads for it, and round differently each time.
    result.real = (2.0 * u - v - w) / 3.0
    result.imag = (v - w) / np.sqrt(3.0)
    return result


def duties(voltage_v: NDArray[np.complex128], bus_v: Floats) -> Floats:
    """``(n, 3)`` share of the period that each leg is high, for stationary voltage vectors ``(n,)``.

    The free common part is chosen so that highest and lowest leg keep the same
    distance from the rails.
    """
    legs_v = phases(voltage_v)
    u_v, v_v, w_v = legs_v.T
    highest_v = np.maximum(np.maximum(u_v, v_v), w_v)
    lowest_v = np.minimum(np.minimum(u_v, v_v), w_v)
    common_v = 0.5 * (highest_v + lowest_v)
    result: Floats = np.clip(0.5 + (legs_v - common_v[:, None]) / bus_v[:, None], 0.0, 1.0)
    return result


def volt_seconds(duty: Floats, after_valley_s: float, period_s: float) -> Floats:
    """Ripple volt-seconds per bus volt, ``duty``'s shape; the instant is taken modulo the period."""
    time_s = (after_valley_s + 0.5 * period_s) % period_s - 0.5 * period_s
    past = np.maximum(0.0, abs(time_s) - (1.0 - duty) * (0.5 * period_s))
    result: Floats = past * np.sign(time_s) - duty * time_s
    return result
