"""What the detectors look at: channels with what is known of them, and stretches of their codes."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from livesense.bench import Bench, Channel, Sensor
from livesense.bench.pins import ratiometric, reference_v, zero_v
from livesense.chain import ChannelChain
from livesense.samples import BoolArray, Codes, Estimate, FloatArray, GroupInfo

PHASES = ("U", "V", "W")

LIMIT = 3.0
"""Thresholds lie at so many standard uncertainties. Of up to three limits of error that is beyond their
sum (3 u = √3 · √Σ limit² ≥ Σ limit): a chain within its tolerances cannot get there."""

# What stands for a tolerance that the bench file leaves out (common practice, no source): wide, so that a
# bare file raises nothing. As limits.
_UNSTATED_SCALE = {
    "shunt_tolerance": 0.05,
    "gain_error": 0.02,
    "ratio_tolerance": 0.03,
    "adc.gain_error": 0.002,
}
_UNSTATED_REFERENCE = 0.02
_UNSTATED_ZERO_V = 0.02
_UNSTATED_INPUT_V = 1e-3
_UNSTATED_LSB = 2.0
_UNSTATED_DELAY_S = 1e-6
_UNSTATED_BANDWIDTH = 0.2
_VALUES_SCALE, _VALUES_ZERO = 0.03, 0.02
"""Of firmware that sends values no accuracy can be stated: of the value, and of the rated peak."""
_ROOT3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Sensed:
    """One channel: what the bench file says of it, what its chain knows, and its place in the scan."""

    settings: Channel
    chain: ChannelChain
    bench: Bench
    position: int | None
    """Column in its group's codes; None for a computed channel."""

    @property
    def name(self) -> str:
        """Its name."""
        return self.chain.name

    @property
    def phase(self) -> str | None:
        """U, V, W, bus or None."""
        return self.chain.phase

    @property
    def measured(self) -> bool:
        """Whether it has codes of its own."""
        return not self.chain.computed

    @property
    def is_phase_current(self) -> bool:
        """Whether it is the current of U, V or W."""
        return self.phase in PHASES and self.chain.quantity == "current"

    @property
    def lsb(self) -> float:
        """Value of one code, a magnitude."""
        return abs(self.chain.per_code or 0.0)

    @cached_property
    def u_own(self) -> float:
        """Relative standard uncertainty of its scale against other channels', unstated tolerances in it."""
        if self.settings.sensor is Sensor.DIRECT:
            return _VALUES_SCALE / _ROOT3
        stated = self.chain.u_scale**2 - self.chain.u_common**2
        missing = sum(
            (limit / _ROOT3) ** 2 for key, limit in _UNSTATED_SCALE.items() if key in self.chain.u_excludes
        )
        return math.sqrt(max(stated, 0.0) + missing)

    @cached_property
    def u_scale(self) -> float:
        """Relative standard uncertainty of its scale, what all channels share in it."""
        common = self.chain.u_common
        if "reference_tolerance" in self.chain.u_excludes:
            common = math.hypot(common, _UNSTATED_REFERENCE / _ROOT3)
        return math.hypot(self.u_own, common)

    @cached_property
    def u_zero(self) -> float:
        """Standard uncertainty of its zero, in its unit, unstated tolerances in it."""
        if self.settings.sensor is Sensor.DIRECT:
            motor = self.bench.motor
            rated = motor.rated_current_a if motor is not None else None
            return _VALUES_ZERO * math.sqrt(2) * rated / _ROOT3 if rated else math.inf
        missing = set(self.chain.u_excludes)
        parts = [self.chain.u_offset]
        for key in ("offset_error", "inl"):
            if key in missing:
                parts.append(_UNSTATED_LSB * self.lsb / _ROOT3)
        per_volt = self.per_volt
        if "offset" in missing:
            sensor = self.settings.sensor
            volts = (
                _UNSTATED_INPUT_V * (self.settings.gain or 1.0)
                if sensor is Sensor.SHUNT
                else _UNSTATED_ZERO_V
            )
            parts.append(volts * per_volt / _ROOT3)
        if {"reference", "supply"} & missing or ("reference_tolerance" in missing and not self.ratiometric):
            parts.append(_UNSTATED_ZERO_V * abs(self.chain.budget.pin_zero) / _ROOT3)
        return math.hypot(*parts, self.lsb / math.sqrt(12))

    @property
    def ratiometric(self) -> bool:
        """Whether its zero follows the ADC's reference."""
        return ratiometric(self.settings)

    @property
    def per_volt(self) -> float:
        """Units for one volt at the pin, a magnitude; 0 where it is not linear in one."""
        volts = self.lsb_v
        return self.lsb / volts if volts else 0.0

    @cached_property
    def lsb_v(self) -> float:
        """Volts of one code at the pin; 0 where no ADC's pin is known."""
        try:
            full = reference_v(self.settings, self.bench.adc)
        except ValueError:
            return 0.0
        if self.settings.sensor not in (Sensor.SHUNT, Sensor.LINEAR, Sensor.DIVIDER):
            return 0.0
        bits = self.settings.bits or self.bench.adc.bits or self.bits
        steps = self.bench.adc.steps or (2**bits if bits else 0)
        return (2 if self.bench.adc.signed else 1) * full / steps if steps else 0.0

    bits: int | None = None
    """Width of its code as the device says."""

    @property
    def zero_v(self) -> float:
        """Pin voltage of zero as the bench file has it."""
        return zero_v(self.settings, self.bench.adc)

    def u_angle(self, frequency_hz: float) -> float:
        """Tell the standard uncertainty of its phasor's angle by timing and filter, radians."""
        _, stated = self.chain.u_correction(frequency_hz)
        unstated = 0.0
        if self.settings.delay_tolerance_s is None:
            unstated = 2 * math.pi * frequency_hz * _UNSTATED_DELAY_S / _ROOT3
        if self.settings.bandwidth_tolerance is None and self.chain.bandwidth_hz:
            r = frequency_hz / self.chain.bandwidth_hz
            unstated = math.hypot(unstated, _UNSTATED_BANDWIDTH / _ROOT3 * r / (1 + r * r))
        return math.hypot(stated, unstated)

    @property
    def reach(self) -> float:
        """Largest magnitude that it reads: to both sides where it reads both, else to its one side."""
        low, high = self.chain.low, self.chain.high
        return max(abs(low), abs(high)) if self.one_sided else min(-low, high)

    @property
    def one_sided(self) -> bool:
        """Whether its zero lies at an end of what it reads."""
        low, high = self.chain.low, self.chain.high
        span = high - low
        return not (low < -0.02 * span and high > 0.02 * span)

    @property
    def full(self) -> float:
        """From the lowest to the highest value that it reads; infinite where nothing clips."""
        return self.chain.high - self.chain.low if self.chain.lowest_code is not None else math.inf


@dataclass(frozen=True)
class Stretch:
    """Scans of one group without a gap: codes ``(n, columns)``, values and clipping ``(n,)`` by channel.

    ``came`` ``(n,)`` is false for scans that were lost and stand for a straight line; None: all came.
    ``beside`` holds bus channels of other groups, cut to the same time.
    """

    group: int
    start_s: float
    rate_hz: float
    codes: Codes
    values: dict[str, FloatArray]
    clipped: dict[str, BoolArray]
    came: BoolArray | None = None
    beside: dict[str, Stretch] = field(default_factory=dict)

    def of(self, name: str) -> Stretch:
        """Find the scans that hold a channel: these, or those of its own group."""
        return self if name in self.values else self.beside.get(name, self)

    @property
    def scans(self) -> int:
        """How many."""
        return len(self.codes)


@dataclass(frozen=True, slots=True)
class Rate:
    """A group's scan rate: nominal, and as a clock shows it."""

    group: int
    nominal_hz: float | None
    seen: Estimate | None


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """What came of the line: scans, losses and faults by kind; ``serial`` where baud means something."""

    scans: int = 0
    lost: int = 0
    counted: bool = True
    faults: dict[str, int] = field(default_factory=dict)
    restarts: int = 0
    outages: int = 0
    serial: bool = False


@dataclass(frozen=True)
class Evidence:
    """All that a check has: the bench, its channels, and the stretches of data, which may be none."""

    bench: Bench
    channels: dict[str, Sensed]
    groups: tuple[GroupInfo, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    link: LinkFacts | None = None
    rates: tuple[Rate, ...] = ()

    @cached_property
    def lead(self) -> int:
        """Group of the phase currents; 0 where there are none."""
        return next((c.chain.group for c in self.channels.values() if c.is_phase_current), 0)

    @property
    def has_data(self) -> bool:
        """Whether there are scans to look at."""
        return bool(self.stretches)

    def places(self) -> dict[str, dict[str, Sensed]]:
        """Phase currents in sets of one channel a phase, the usual place first; second ones apart."""
        found: dict[str, dict[str, Sensed]] = {}
        for place in ("in-line", "low-side", "high-side"):
            for channel in self.channels.values():
                if not channel.is_phase_current or channel.chain.place != place:
                    continue
                number, name = 1, str(place)
                while str(channel.phase) in found.get(name, {}):
                    number += 1
                    name = f"{place} {number}"
                found.setdefault(name, {})[str(channel.phase)] = channel
        return found

    def bus(self, quantity: str) -> Sensed | None:
        """Find the bus channel of a quantity, the first of several."""
        return next(
            (c for c in self.channels.values() if c.phase == "bus" and c.chain.quantity == quantity), None
        )

    @property
    def rated_peak(self) -> float | None:
        """Peak of the rated current; None where it is not stated."""
        rated = self.bench.motor.rated_current_a if self.bench.motor is not None else None
        return None if rated is None else math.sqrt(2) * rated


def robust_noise(values: FloatArray) -> float:
    """Noise of one value ``(n,)`` by the median of third differences.

    Edges of commutation, few among many scans, do not enter; of white noise it is the standard deviation
    (0.6745: median of a normal distribution's magnitude; √20: of third differences).
    """
    if values.size < 8:
        return 0.0
    third = np.abs(np.diff(np.asarray(values, dtype=np.float64), 3))
    return float(np.median(third) / (0.67449 * math.sqrt(20.0)))
