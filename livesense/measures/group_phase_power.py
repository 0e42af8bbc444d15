"""Power of the phases: mean products, and the parts of IEEE 1459 where there is a line."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from livesense.measures.basic import batch_u
from livesense.measures.channel_figures import ChannelInput, Line
from livesense.measures.group_phases import preferred
from livesense.measures.ieee1459 import powers
from livesense.measures.near_zero import u_of_root
from livesense.measures.power import (
    active_power,
    apparent_power,
    own_scale,
    to_neutral,
    u_scale_of_product,
)
from livesense.measures.sine_fit import NoLine
from livesense.measures.three_phase import PHASES
from livesense.samples import Estimate, FloatArray

PHASE_PRODUCT = " phase voltages × phase currents"
"""Name of the product column in a fit; no channel's name begins with a space."""


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its random uncertainty."""

    value: float
    u_random: float


def mean_of(name: str, values: FloatArray, line: Line | NoLine | None) -> Mean:
    """Mean of whole cycles where there is a line, else of the values ``(n,)`` as they are."""
    if isinstance(line, Line):
        column = line.columns[name]
        return Mean(float(line.fit.mean[column]), float(line.fit.u_mean[column]))
    return Mean(float(values.mean()), batch_u(values))


def phase_powers(
    channels: Mapping[str, ChannelInput],
    line: Line | NoLine | None,
    product: FloatArray | None,
    rate_hz: float,
    out: dict[str, Estimate],
    withheld: dict[str, str],
) -> dict[str, Estimate] | None:
    """Add the phases' powers to ``out`` and why they are not there to ``withheld``; return two wattmeters."""
    keys = (*_OF_VALUES, *_OF_THE_LINE)
    if product is None:
        have = len(preferred(channels, "voltage"))
        reason = (
            "phase voltages are not measured" if have == 0 else "not every phase has its voltage and current"
        )
        withheld |= dict.fromkeys(keys, reason)
        return None
    voltages = [channels[n] for n in (preferred(channels, "voltage")[p] for p in PHASES)]
    currents = [channels[n] for n in (preferred(channels)[p] for p in PHASES)]
    clipped = [c.too_clipped for c in (*voltages, *currents) if c.too_clipped is not None]
    if clipped:
        withheld |= dict.fromkeys(keys, clipped[0])
        return None
    if isinstance(line, NoLine) and not line.quiet:
        withheld |= dict.fromkeys(keys, line.reason)
        return None
    power = mean_of(PHASE_PRODUCT, product, line)
    stop = _whole_cycles(voltages[0].values.size, line, rate_hz)
    to_star = to_neutral(*(v.values[:stop] for v in voltages))
    pairs = list(zip(to_star, currents, strict=True))
    apparent = [apparent_power(v, i.values[:stop]) for v, i in pairs]
    both = list(zip(voltages, currents, strict=True))
    scales = [u_scale_of_product((v.u_scale, i.u_scale), (v.u_common, i.u_common)) for v, i in both]
    common = max(v.u_common + i.u_common for v, i in both)
    own = [active_power(v, i.values[:stop]) for v, i in pairs]
    offsets = sum(
        (v.u_offset * float(i.values.mean())) ** 2 + (i.u_offset * float(v.values.mean())) ** 2
        for v, i in both
    )
    # The reference's error is the same in all three; what is left of each phase is its own.
    apart = sum((p * own_scale(s, common)) ** 2 for p, s in zip(own, scales, strict=True))
    systematic = math.sqrt(apart + (power.value * common) ** 2 + offsets)
    out["phase_power"] = Estimate(power.value, power.u_random, systematic, "W")
    total = sum(apparent)
    if total <= 0:
        withheld |= dict.fromkeys(keys[1:], "there is no apparent power")
        return None
    factor = power.value / total
    # Scales are in both P and S and mostly cancel; what is left is at most their spread among the phases.
    u_factor = abs(factor) * max(scales) / math.sqrt(3)
    out["power_factor"] = Estimate(factor, power.u_random / total, u_factor, "")
    relative = math.hypot(common, max(own_scale(s, common) for s in scales) / math.sqrt(3))
    readings = {}
    for name, (one, other), pair in (("UW", (0, 2), 0), ("VW", (1, 2), 1)):
        between = voltages[one].values[:stop] - voltages[other].values[:stop]
        reading = active_power(between, currents[pair].values[:stop])
        size = apparent_power(between, currents[pair].values[:stop])
        readings[name] = Estimate(reading, power.u_random, size * max(scales), "W")
    if not isinstance(line, Line):
        withheld |= dict.fromkeys(_OF_THE_LINE, line.reason if line is not None else "no line")
        return readings
    names = [preferred(channels, "voltage")[p] for p in PHASES], [preferred(channels)[p] for p in PHASES]
    out |= _by_the_line(channels, line, names, power, relative)
    return readings


_OF_VALUES = ("phase_power", "power_factor")
_OF_THE_LINE = (
    "apparent_power",
    "fundamental_power",
    "fundamental_apparent_power",
    "reactive_power",
    "nonfundamental_power",
    "current_distortion_power",
    "voltage_distortion_power",
    "displacement_factor",
)


@dataclass(frozen=True, slots=True)
class _Side:
    """Three voltages or currents: fundamentals, what is beside them, and their random uncertainties."""

    first: list[complex]
    u_first: list[float]
    other_square: list[float]
    u_other_square: float
    angle: float

    @property
    def rms(self) -> list[float]:
        return [math.sqrt(abs(f) ** 2 + o) for f, o in zip(self.first, self.other_square, strict=True)]

    @property
    def effective(self) -> float:
        return math.sqrt(sum(abs(f) ** 2 for f in self.first) / 3)

    @property
    def u_other(self) -> float:
        return u_of_root(sum(self.other_square) / 3, self.u_other_square / 3)


def _side(channels: Mapping[str, ChannelInput], line: Line, names: list[str], *, to_star: bool) -> _Side:
    fit, columns = line.fit, [line.columns[n] for n in names]
    phasors = np.array([line.phasors(n, channels[n]) for n in names])
    mean, left = fit.mean[columns], fit.residual[:, columns]
    if to_star:
        # Referred to an artificial star point: nothing that the three share is a phase voltage.
        phasors, mean = phasors - phasors.mean(axis=0), mean - mean.mean()
        left = left - left.mean(axis=1, keepdims=True)
    harmonics, u = np.abs(phasors[:, 1:]), fit.u_quadrature[columns, 1:] / math.sqrt(2)
    square = mean**2 + np.sum(harmonics**2, axis=1) + np.mean(left**2, axis=0)
    u_square = float(np.sum(4 * harmonics**2 * u**2 + 4 * u**4))
    u_square += float(np.sum(4 * mean**2 * fit.u_mean[columns] ** 2)) + batch_u(np.sum(left**2, axis=1)) ** 2
    firsts = [line.fundamental(n, channels[n]) for n in names]
    turned = max(f.u_across / abs(f.rms) if f.rms else 0.0 for f in firsts)
    return _Side(
        [complex(z) for z in phasors[:, 0]],
        [f.u_component for f in firsts],
        [float(s) for s in square],
        math.sqrt(u_square),
        turned,
    )


def _by_the_line(
    channels: Mapping[str, ChannelInput],
    line: Line,
    names: tuple[list[str], list[str]],
    power: Mean,
    relative: float,
) -> dict[str, Estimate]:
    """Powers that need the fundamental (IEEE 1459); ``relative`` is the systematic part of a product."""
    v, i = (_side(channels, line, n, to_star=s) for n, s in zip(names, (True, False), strict=True))
    found = powers(v.first, i.first, v.rms, i.rms, power.value)
    random = math.sqrt(
        sum(
            (abs(a) * ub) ** 2 + (abs(b) * ua) ** 2
            for a, ua, b, ub in zip(v.first, v.u_first, i.first, i.u_first, strict=True)
        )
    )
    turned = math.hypot(v.angle, i.angle)
    by_i, by_v = 3 * v.effective * i.u_other, 3 * i.effective * v.u_other

    def estimate(value: float, u_random: float, unit: str, across: float = 0.0) -> Estimate:
        return Estimate(value, u_random, math.hypot(value * relative, across * turned), unit)

    size = math.hypot(found.fundamental_active, found.reactive)
    sine = found.reactive / size if size > 0 else 0.0
    displaced = found.displacement_factor
    out = {
        "apparent_power": estimate(found.apparent, math.hypot(random, by_i, by_v), "VA"),
        "fundamental_power": estimate(found.fundamental_active, random, "W", found.reactive),
        "fundamental_apparent_power": estimate(found.fundamental_apparent, random, "VA"),
        "reactive_power": estimate(found.reactive, random, "var", found.fundamental_active),
        "nonfundamental_power": estimate(found.nonfundamental, math.hypot(by_i, by_v), "VA"),
        "current_distortion_power": estimate(found.current_distortion, by_i, "VA"),
        "voltage_distortion_power": estimate(found.voltage_distortion, by_v, "VA"),
    }
    if size > 1e-9 * found.apparent:
        u_angle = abs(sine) * random / size
        out["displacement_factor"] = Estimate(displaced, u_angle, abs(sine) * turned, "")
    return out


def _whole_cycles(n: int, line: Line | NoLine | None, rate_hz: float) -> int:
    if not isinstance(line, Line):
        return n
    cycle = rate_hz / line.fit.frequency_hz.value
    return round(math.floor(n / cycle + 1e-9) * cycle)
