"""Groups and subgroups of harmonics as in IEC 61000-4-7 (from memory), and distortion by them.

Over a window of N whole cycles (10, or 12 near 60 Hz) a spectrum has N bins from one harmonic to the next.
With ``C_k`` the rms value of bin k, a group holds all that lies nearer to its harmonic than to another one,
and a subgroup the harmonic and its two neighbours::

    group**2    = C[Nh - N/2]**2 / 2 + sum of C[Nh + k]**2, |k| < N/2, + C[Nh + N/2]**2 / 2
    subgroup**2 = C[Nh - 1]**2 + C[Nh]**2 + C[Nh + 1]**2

``THDG = sqrt(sum over h = 2 … H of (group_h / group_1)**2)``, THDS with subgroups. Nothing is taken off for
noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.measures.sine_fit import SineFit
from livesense.samples import Estimate, FloatArray

HIGHEST = 40
"""Harmonics are looked at up to here, or to half the scan rate."""

MISFIT = 3e-4
"""How far a window of whole scans may be from one of whole cycles, relative."""

MOST_WINDOWS = 150
"""Half a minute of windows of 200 ms; they are spread over a longer stretch."""


def window_cycles(frequency_hz: float) -> int:
    """Whole cycles of a window: 12 near 60 Hz, else 10."""
    return 12 if 55 <= frequency_hz < 65 else 10


def window_scans(exact: float) -> int:
    """Whole scans of a window that should hold ``exact`` of them, in a number whose transform is quick.

    Within the 0.03 % that the standard leaves to the synchronisation of a window (from memory); the nearest
    number where that holds no other.
    """
    nearest = round(exact)
    reach = int(min(MISFIT * exact - abs(nearest - exact), 8.0)) if MISFIT * exact > 1 else 0
    return min(range(nearest - reach, nearest + reach + 1), key=lambda n: (_largest_prime(n), abs(n - exact)))


def _largest_prime(number: int) -> int:
    """Largest prime of those that hardly slow a transform; the rest of the number where it is larger."""
    largest = 1
    for prime in (2, 3, 5, 7, 11, 13):
        while number % prime == 0:
            number, largest = number // prime, prime
    return max(largest, number)


def groups(bins: FloatArray, cycles: int, orders: int) -> tuple[FloatArray, FloatArray]:
    """Put bins together to groups and subgroups 1 to ``orders``, rms, ``(…, orders)`` both.

    Parameters
    ----------
    bins
        ``(…, K)`` rms values from bin 0 on; K is more than ``cycles * orders + cycles / 2``.
    cycles
        Bins from one harmonic to the next; an even number.

    Raises
    ------
    ValueError
        When there are too few bins.
    """
    half = cycles // 2
    if bins.shape[-1] <= cycles * orders + half:
        raise ValueError(f"bins: expected more than {cycles * orders + half}, got {bins.shape[-1]}")
    square = bins**2
    at = cycles * np.arange(1, orders + 1)
    inner = sum(square[..., at + k] for k in range(1 - half, half))
    whole = inner + (square[..., at - half] + square[..., at + half]) / 2
    sub = square[..., at - 1] + square[..., at] + square[..., at + 1]
    return np.sqrt(whole), np.sqrt(sub)


@dataclass(frozen=True, slots=True)
class Grouped:
    """Groups and subgroups of one channel, rms over the windows (``(H,)``), and distortion by them."""

    cycles: int
    windows: int
    group_rms: FloatArray
    subgroup_rms: FloatArray
    thd_group_percent: Estimate
    thd_subgroup_percent: Estimate

    @property
    def orders(self) -> int:
        """Highest harmonic."""
        return int(self.group_rms.size)


def grouped(fit: SineFit, column: int, rate_hz: float, gain: FloatArray | None = None) -> Grouped | None:
    """Take groups of a channel out of its fitted line: windows of whole cycles, put together by rms.

    The spectrum is that of what the fit leaves, with the fitted harmonics in their bins: windows are whole
    numbers of scans, and this keeps strong lines from leaking.

    Parameters
    ----------
    gain
        ``(H,)`` factors that bring fitted harmonics to the input; the rest goes with the fundamental's.

    Returns
    -------
    Grouped or None
        None where no whole window fits, or no second harmonic lies below half the scan rate.
    """
    frequency = fit.frequency_hz.value
    cycles = window_cycles(frequency)
    length = window_scans(cycles * rate_hz / frequency)
    count = len(fit.residual) // length
    orders = min(HIGHEST, ((length - 1) // 2 - cycles // 2) // cycles)
    if count < 1 or orders < 2:
        return None
    chosen = np.unique(np.linspace(0, count - 1, min(count, MOST_WINDOWS)).round().astype(np.int64))
    parts = fit.residual[: count * length, column].reshape(count, length)[chosen]
    spectrum = np.fft.rfft(parts, axis=1)[:, : cycles * orders + cycles // 2 + 1]
    bins = np.abs(spectrum) * (math.sqrt(2) / length)
    factors = np.ones(fit.orders) if gain is None else gain
    bins *= factors[0]
    known = min(fit.orders, orders)
    lines = fit.amplitude[column, :known] / math.sqrt(2) * factors[:known]
    at = cycles * np.arange(1, known + 1)
    # What is left at a fitted harmonic within one window has any angle to it.
    bins[:, at] = np.hypot(bins[:, at], lines)
    each, sub = groups(bins, cycles, orders)
    whole = [np.sqrt(np.mean(g**2, axis=0)) for g in (each, sub)]
    figures = []
    for mean, windows in zip(whole, (each, sub), strict=True):
        value = float(np.linalg.norm(mean[1:]) / mean[0])
        single = np.linalg.norm(windows[:, 1:], axis=1) / windows[:, 0]
        # Of a single window nothing tells how it would differ from the next: noise of the residual does.
        noise = float(fit.u_quadrature[column].max() / math.sqrt(2) * math.sqrt(orders) / mean[0])
        spread = float(single.std(ddof=1) / math.sqrt(len(single))) if len(single) > 2 else noise
        figures.append(Estimate(100 * value, 100 * spread, unit="%"))
    return Grouped(cycles, len(chosen), *whole, *figures)
