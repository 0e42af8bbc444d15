"""Ripple of the pulses on the currents of one group."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from livesense.measures.channel_figures import ChannelInput, Line
from livesense.measures.group_phases import preferred
from livesense.measures.pwm_fold import NoFold, find_pwm, fold_pwm
from livesense.measures.sine_fit import NoLine
from livesense.samples import Estimate


@dataclass(frozen=True, slots=True)
class Ripple:
    """Ripple of one current over the PWM period; see :class:`livesense.measures.pwm_fold.Fold`."""

    ripple_peak_to_peak: Estimate
    ripple_rms: Estimate
    glitch: Estimate
    settling_s: float


@dataclass(frozen=True, slots=True)
class Pwm:
    """PWM frequency and the ripple of each phase current; what is not known has its reason beside."""

    pwm_hz: Estimate | None = None
    ripple: dict[str, Ripple] = field(default_factory=dict)
    withheld: dict[str, str] = field(default_factory=dict)


def group_pwm(
    channels: Mapping[str, ChannelInput],
    line: Line | NoLine | None,
    rate_hz: float,
    u_rate_relative: float,
    nominal_hz: float,
) -> Pwm:
    """Fold the preferred phase currents on the PWM period, whose frequency is near ``nominal_hz``."""
    names = [name for name in preferred(channels).values() if not channels[name].computed]
    if not isinstance(line, Line):
        return _nothing("no phase current is measured" if line is None else line.reason)
    if line.fit.sweep_hz_per_s is not None:
        return _nothing("the speed changes within the window: pulses are folded at a steady speed")
    columns = [line.columns[name] for name in names]
    electrical_hz = line.fit.frequency_hz.value
    found = find_pwm(line.fit.residual[:, columns], rate_hz, nominal_hz, electrical_hz)
    if isinstance(found, NoFold):
        return _nothing(found.reason)
    pwm_hz, u_hz = found
    ripple: dict[str, Ripple] = {}
    withheld: dict[str, str] = {}
    for name, column in zip(names, columns, strict=True):
        channel = channels[name]
        fold = fold_pwm(line.fit.residual[:, column], rate_hz, found, line.fit.turned_rad(rate_hz))
        if isinstance(fold, NoFold):
            withheld[f"ripple.{name}"] = fold.reason
            continue
        u = float(fold.u.max())
        ripple[name] = Ripple(
            Estimate(fold.peak_to_peak, math.sqrt(2) * u, fold.peak_to_peak * channel.u_scale, channel.unit),
            Estimate(fold.rms, u / math.sqrt(fold.u.size), fold.rms * channel.u_scale, channel.unit),
            Estimate(fold.glitch, math.sqrt(1.5) * u, abs(fold.glitch) * channel.u_scale, channel.unit),
            fold.settling_s,
        )
    return Pwm(Estimate(pwm_hz, u_hz, pwm_hz * u_rate_relative, "Hz"), ripple, withheld)


def _nothing(reason: str) -> Pwm:
    return Pwm(withheld={"pwm_hz": reason})
