"""Codes over a stretch: their mean, how sure it is, and whether they stood still meanwhile."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.chain import ChannelChain
from livesense.measures.basic import batch_u, sample_noise
from livesense.samples import FloatArray

FEWEST_SCANS = 16

ROUGH_CODES = 0.6
"""Below this spread of the codes nothing stirs their rounding, and it does not average out.

Noise of half a step or more leaves an error of the mean below 1 % of a step (closed form: the error's
largest harmonic is exp(−2 π² σ²)/π steps).
"""

CERTAIN = 12.0
"""The chance that noise passes for a line is about e to the minus this, as in docs/measures.md."""


@dataclass(frozen=True, slots=True)
class Average:
    """Mean of a channel's codes and how still they stood; all in codes as they are stored.

    ``u_code`` is the standard uncertainty of the mean, slow noise and rounding with it. ``step`` is the
    smallest step the codes take. ``line`` is the peak of the strongest alternating part, at ``line_hz``
    where the rate is known, 0 where none stands out of the noise. ``clipped`` is the share at an end of
    the range.
    """

    code: float
    u_code: float
    scans: int
    noise: float
    spread: float
    drift: float
    u_drift: float
    step: float
    line: float
    line_hz: float | None
    clipped: float

    def movement(self, channel: ChannelChain) -> str | None:
        """Say what moves, with its size; None where everything stands still."""
        per_code, unit = abs(channel.per_code or 1.0), channel.unit

        def amount(codes: float) -> str:
            text = f"{codes:.3g}"
            return f"{text} {'code' if text == '1' else 'codes'} ({codes * per_code:.3g} {unit})"

        if abs(self.drift) > max(self.step / 2, 5 * self.u_drift):
            return f"drifts by {amount(abs(self.drift))} meanwhile"
        if self.line > max(self.step, self.noise):
            at = "" if self.line_hz is None else f" at {self.line_hz:.4g} Hz"
            return f"alternates by ±{amount(self.line)}{at}, which is more than its noise of {self.noise:.2g}"
        if self.spread > max(2 * self.noise, 1.5 * self.step):
            return f"wanders by {amount(self.spread)} rms, its noise is {self.noise:.2g} codes"
        return None


def average(codes: NDArray[Any], rate_hz: float | None, clipped: float = 0.0) -> Average:
    """Average codes ``(n,)`` that were taken at one rate."""
    y = np.asarray(codes, dtype=np.float64)
    step = _step(y)
    drift, u_drift = _drift(y)
    still = y - drift * (np.arange(y.size) / max(y.size - 1, 1) - 0.5)
    spread = float(still.std())
    line, line_bin = _line(still)
    rounding = step / math.sqrt(12) if spread < ROUGH_CODES * step else 0.0
    return Average(
        code=float(y.mean()),
        u_code=math.hypot(batch_u(y), rounding),
        scans=y.size,
        noise=min(sample_noise(y), spread),
        spread=spread,
        drift=drift,
        u_drift=u_drift,
        step=step,
        line=line,
        line_hz=None if rate_hz is None or not line else line_bin * rate_hz / y.size,
        clipped=clipped,
    )


def _step(y: FloatArray) -> float:
    """Find the smallest step between codes; 1 where there is only one."""
    steps = np.diff(np.unique(y))
    return float(steps.min()) if steps.size else 1.0


def _drift(y: FloatArray) -> tuple[float, float]:
    """Fit a straight line to the means of up to 32 stretches: how far it goes, and its uncertainty."""
    batches = min(32, y.size // 4)
    length = y.size // batches
    means = y[: batches * length].reshape(batches, length).mean(axis=1)
    at = (np.arange(batches) - (batches - 1) / 2) / batches
    squares = float(np.sum(at**2))
    slope = float(np.sum(at * means) / squares)
    left = means - means.mean() - slope * at
    u = math.sqrt(float(np.sum(left**2)) / max(batches - 2, 1) / squares)
    return slope, u


def _line(y: FloatArray) -> tuple[float, float]:
    """Find the strongest alternating part: its peak and its bin; zeros where none stands out of the noise."""
    if y.size < 64:
        return 0.0, 0.0
    window = np.hanning(y.size)
    power = np.abs(np.fft.rfft((y - y.mean()) * window)) ** 2
    # The window's own main lobe of what is left of a drift.
    power[:3] = 0.0
    strongest = int(np.argmax(power))
    # Of white noise the power is exponential: median = mean × ln 2.
    floor = float(np.median(power[3:])) / math.log(2)
    if power[strongest] <= floor * (math.log(power.size) + CERTAIN) or power[strongest] == 0:
        return 0.0, 0.0
    return 2 * math.sqrt(float(power[strongest])) / float(window.sum()), float(strongest)
