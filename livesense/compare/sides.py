"""One side of a comparison: a channel over a window, and everything that is told of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.bench import Channel
from livesense.chain import ChannelChain
from livesense.figures import measure_stretch
from livesense.measures.channel_figures import ChannelMeasures
from livesense.measures.noise_band import noise_in_band
from livesense.measures.sine_fit import SineFit, fit_line
from livesense.samples import Estimate, FloatArray

HIGHEST_HARMONIC = 100
"""Harmonics that are taken for no noise (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Side:
    """A channel of a run within a window.

    ``figures`` and ``residual`` (what line and harmonics leave, ``(n,)``) are None where the window has no
    scans.
    """

    analysis: RunAnalysis
    channel: ChannelChain
    settings: Channel
    figures: ChannelMeasures | None
    residual: FloatArray | None
    rate_hz: float

    def error_percent(self, value: float) -> float | None:
        """Tell the expanded relative error (k = 2) of one reading, rounding and all, %; None out of range."""
        chain = self.channel
        if not value or not chain.low <= value <= chain.high:
            return None
        u = math.hypot(float(chain.u_systematic(value)), chain.u_quantisation)
        # Of values that came in their unit nobody has stated any error: that is not none.
        return 200 * u / abs(value) if u else None

    @property
    def per_code(self) -> float | None:
        """Change of the value with one code; None where values came in their unit."""
        return self.channel.per_code if self.channel.u_quantisation else None

    def heated(self) -> tuple[float, ChannelChain, Estimate] | None:
        """Give resistance, chain and rms current of what heats a shunt; None where it is not a shunt."""
        rms = None if self.figures is None else self.figures.rms
        if self.settings.shunt_ohm is None or rms is None:
            return None
        return self.settings.shunt_ohm, self.channel, rms

    def noise(self, low_hz: float, high_hz: float) -> Estimate | None:
        """Noise from ``low_hz`` to ``high_hz``; None where the window cannot tell."""
        if self.residual is None:
            return None
        try:
            found = noise_in_band(self.residual, self.rate_hz, low_hz, high_hz)
        except ValueError:
            return None
        return Estimate(found.value, found.u_random, found.value * self.channel.u_scale, self.channel.unit)


def sides(analysis: RunAnalysis, names: list[str], from_s: float, to_s: float) -> dict[str, Side]:
    """Measure channels of one group over a window."""
    chain = analysis.chain
    group = chain.channels[names[0]].group
    settings = {c.name: c for c in analysis.bench.channels}
    first, stop = analysis.scans_between(group, from_s, to_s)
    stretches = [s for s in analysis.stretches(group, first, stop) if s[1] > s[0]]
    if not stretches:
        rate = analysis.rate_hz(group)
        return {n: Side(analysis, chain.channels[n], settings[n], None, None, rate) for n in names}
    begin, end = max(stretches, key=lambda s: s[1] - s[0])
    figures = measure_stretch(analysis, group, begin, end).channels
    codes = np.concatenate([part for _, part in analysis.run.codes(group, begin, end)])
    values = np.stack([chain.value(name, codes) for name in names], axis=1)
    rate_hz = analysis.believed_rate_hz(group, begin).value
    left = _without_line(values, rate_hz)
    return {
        name: Side(
            analysis,
            chain.channels[name],
            settings[name],
            figures[name],
            None if left is None else left[:, column],
            rate_hz,
        )
        for column, name in enumerate(names)
    }


def _without_line(values: FloatArray, rate_hz: float) -> FloatArray | None:
    """Take line and harmonics off; None where something alternates and no line can be stood by."""
    if not np.all(np.isfinite(values)):
        return None
    fit = fit_line(values, rate_hz)
    if isinstance(fit, SineFit):
        # The line is found; now all its harmonics below half the scan rate are taken off, which are no noise.
        whole = fit_line(values, rate_hz, harmonics=HIGHEST_HARMONIC, frequency_hz=fit.frequency_hz.value)
        return whole.residual if isinstance(whole, SineFit) else fit.residual
    return values - values.mean(axis=0) if fit.quiet else None
