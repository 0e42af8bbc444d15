"""Figures of one channel that need no line: mean, rms, extremes, and their uncertainties.

Definitions: with ``n`` values ``y``, mean = sum(y)/n, rms = sqrt(sum(y**2)/n) (the mean is in it),
ac rms = sqrt(rms**2 - mean**2), crest factor = largest magnitude / rms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.samples import FloatArray

_BATCHES = 32


@dataclass(frozen=True, slots=True)
class Plain:
    """Plain figures of a window; ``u_mean`` and ``u_rms`` are random parts, ``noise`` of one sample."""

    mean: float
    rms: float
    ac_rms: float
    low: float
    high: float
    u_mean: float
    u_rms: float
    u_ac_rms: float
    noise: float

    @property
    def peak_to_peak(self) -> float:
        """Largest value minus smallest."""
        return self.high - self.low

    @property
    def peak(self) -> float:
        """Largest magnitude."""
        return max(abs(self.low), abs(self.high))

    @property
    def crest_factor(self) -> float:
        """Peak over rms (the mean is in both); NaN when the rms is zero."""
        return self.peak / self.rms if self.rms > 0 else math.nan


def plain_figures(values: FloatArray, noise: float | None = None) -> Plain:
    """Figures of ``values`` ``(n,)`` over all of the window; ``noise`` where it was reckoned already.

    Random uncertainties are those of batch means: the spread of 32 equal stretches over the root
    of their number, so that slow noise counts with its own weight.

    Raises
    ------
    ValueError
        When there are no values.
    """
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 1 or y.size == 0:
        raise ValueError(f"values: expected (n,) with at least one value, got shape {y.shape}")
    mean = float(y.mean())
    off = y - mean
    square = float(np.mean(off**2))
    ac_rms, rms = math.sqrt(square), math.sqrt(square + mean**2)
    u_mean, u_square = batch_u(y), batch_u(off**2)
    u_ac = u_square / (2 * ac_rms) if ac_rms > 0 else 0.0
    u_rms = math.hypot(mean * u_mean, u_square / 2) / rms if rms > 0 else 0.0
    noise = sample_noise(y) if noise is None else noise
    return Plain(mean, rms, ac_rms, float(y.min()), float(y.max()), u_mean, u_rms, u_ac, noise)


def batch_u(values: FloatArray) -> float:
    """Estimate the uncertainty of the mean of ``values`` ``(n,)`` from the means of up to 32 stretches."""
    batches = min(_BATCHES, values.size // 2)
    if batches < 4:
        return float(values.std(ddof=1) / math.sqrt(values.size)) if values.size > 1 else 0.0
    length = values.size // batches
    means = values[: batches * length].reshape(batches, length).mean(axis=1)
    return float(means.std(ddof=1) / math.sqrt(batches))


def sample_noise(values: FloatArray) -> float:
    """Noise of one value ``(n,)``, from third differences, which a slow signal hardly enters."""
    if values.size < 4:
        return 0.0
    third = np.diff(values, 3)
    return math.sqrt(float(third @ third) / (20.0 * third.size))


def trapezoid(values: FloatArray, rate_hz: float) -> float:
    """Integral over time from the first value to the last, ``(n,)``, by the trapezoid rule."""
    y = np.asarray(values, dtype=np.float64)
    return float((y.sum() - 0.5 * (y[0] + y[-1])) / rate_hz)


def over_stretch(values: FloatArray, rate_hz: float) -> float:
    """Integral over a half-open stretch: the trapezoid rule, the last value held for its own period."""
    return trapezoid(values, rate_hz) + float(values[-1]) / rate_hz
