"""From a bench file's channel to its conversion: codes per volt, ends of the range."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from livesense.bench import Adc, Channel, Conditions, Sensor
from livesense.bench.pins import (
    PIN_SENSORS,
    per_volt,
    pin_span_v,
    reference_v,
    zero_v,
)
from livesense.chain.channels import ChannelChain
from livesense.chain.temperature import (
    NTC_NOMINAL_C,
    RTD_HIGHEST_C,
    RTD_LOWEST_C,
    Ntc,
    PullUp,
    Rtd,
    SteinhartHart,
)
from livesense.chain.terms import linear_budget, thermometer_budget
from livesense.samples import CodeType, GroupInfo

ROUNDING = 1e-9
"""Codes by which a limit may miss a whole code through rounding of the arithmetic."""

_UNCOUNTED = ("swing_low", "swing_high")


@dataclass(frozen=True, slots=True)
class Converter:
    """The ADC as one channel sees it.

    ``lowest`` and ``highest`` are the ends of its codes, ``code_unit`` what one stored
    integer is (a power of ten below 1 where decimals were stored).
    """

    lsb_v: float
    steps: float
    lowest: int
    highest: int
    code_offset: int
    code_unit: float

    def stored(self, code: float) -> float:
        """Return the stored integer that stands for an ADC code."""
        return (code - self.code_offset) / self.code_unit


def converter(channel: Channel, adc: Adc, bits: int, code_unit: float) -> Converter:
    """LSB and code range: reference over steps, twice that where codes are signed."""
    stated = adc.steps is not None and channel.bits is None
    steps = adc.steps if stated and adc.steps is not None else 2**bits
    span = 2 if adc.signed else 1
    codes = 2**bits
    return Converter(
        lsb_v=span * reference_v(channel, adc) / steps,
        steps=steps / span,
        lowest=-codes // 2 if adc.signed else 0,
        highest=codes // 2 - 1 if adc.signed else codes - 1,
        code_offset=channel.code_offset,
        code_unit=code_unit,
    )


def build(
    channel: Channel, adc: Adc, conditions: Conditions, group: int, info: GroupInfo, bits: int | None
) -> ChannelChain:
    """Conversion of one stored channel.

    Parameters
    ----------
    group, info
        Its group and what is known of it.
    bits
        Width of its code; needed for sensors at an ADC pin.

    Raises
    ------
    ValueError
        when an ADC pin's sensor comes without ``bits``.
    """
    column = info.channels.index(channel.column)
    code_unit = 10.0 ** -(info.decimals[column] if info.decimals else 0)
    plain = ChannelChain(
        name=channel.name,
        unit=channel.unit,
        quantity=channel.quantity,
        phase=channel.phase,
        place=channel.place,
        circuit=channel.circuit,
        group=group,
        assumed=channel.assumed,
        u_excludes=tuple(key for key in channel.assumed if key not in _UNCOUNTED),
        labels=channel.labels,
        bandwidth_hz=channel.bandwidth_hz,
        delay_s=channel.delay_s,
        u_bandwidth=0.0 if channel.bandwidth_tolerance is None else channel.bandwidth_tolerance.u,
        u_delay_s=0.0 if channel.delay_tolerance_s is None else channel.delay_tolerance_s.u,
        u_tempco_per_k=0.0 if channel.shunt_tempco_per_k is None else channel.shunt_tempco_per_k.u,
        shunt_lag_s=channel.shunt_inductance_h / channel.shunt_ohm if channel.shunt_ohm else 0.0,
        code_unit=code_unit,
    )
    if channel.sensor not in PIN_SENSORS:
        return _without_pin(plain, channel, info)
    if bits is None:
        raise ValueError(f"channel {channel.name!r}: the ADC's bits are not known")
    adc_here = converter(channel, adc, bits, code_unit)
    if channel.sensor in (Sensor.NTC, Sensor.RTD):
        return _thermometer(plain, channel, adc, adc_here)
    return _linear(plain, channel, adc, conditions, adc_here)


def _without_pin(plain: ChannelChain, channel: Channel, info: GroupInfo) -> ChannelChain:
    scale = 1.0 if channel.scale is None else channel.scale
    per_code = scale * plain.code_unit
    zero_code = ((channel.zero or 0.0) - channel.code_offset) / plain.code_unit
    lowest, highest = _code_range(info, state=channel.sensor is Sensor.STATE)
    ends = sorted(per_code * (end - zero_code) for end in (lowest, highest))
    # Floats were rounded where they were made, and by how much nobody tells.
    unrounded = channel.sensor is Sensor.STATE or info.code.dtype.kind == "f"
    return replace(
        plain,
        per_code=per_code,
        zero_code=zero_code,
        low=ends[0],
        high=ends[1],
        u_quantisation=0.0 if unrounded else abs(per_code) / math.sqrt(12),
    )


WIDE_BITS = 16
"""Integers of more bits than this are as wide as they are for convenience: their range measures nothing."""


def _code_range(info: GroupInfo, *, state: bool) -> tuple[float, float]:
    """Give the codes that a channel without a converter of its own may have; infinite where nobody tells.

    A device that sends amperes as floats, as text or as 32 bits does not measure all that these can hold.
    """
    code = info.code
    wide = code is CodeType.TEXT or 8 * code.dtype.itemsize > WIDE_BITS
    if code.dtype.kind == "f" or (wide and not state):
        return -math.inf, math.inf
    if code is CodeType.U12:
        return 0, 4095
    limits = np.iinfo(code.dtype)
    return int(limits.min), int(limits.max)


def _linear(
    plain: ChannelChain, channel: Channel, adc: Adc, conditions: Conditions, here: Converter
) -> ChannelChain:
    slope = per_volt(channel)
    per_code = slope * here.lsb_v * here.code_unit
    low_v, high_v = pin_span_v(channel, adc)
    zero = zero_v(channel, adc)
    # What the ADC itself reads at most lies one LSB below its reference.
    high_v = min(high_v, here.highest * here.lsb_v)
    ends = sorted(slope * (v - zero) for v in (low_v, high_v))
    per_lsb = abs(slope) * here.lsb_v
    lowest_code, highest_code = _ends(here, low_v, high_v)
    return replace(
        plain,
        per_code=per_code,
        zero_code=here.stored(zero / here.lsb_v),
        low=ends[0],
        high=ends[1],
        lowest_code=lowest_code,
        highest_code=highest_code,
        budget=linear_budget(channel, adc, conditions, slope, per_lsb, ends[1] - ends[0]),
        u_quantisation=abs(per_code) / math.sqrt(12),
    )


def _ends(here: Converter, low_v: float, high_v: float) -> tuple[int, int]:
    """Codes at which a reading may stand for more: a part of a code inside the ends, never outside."""
    low = max(here.lowest, low_v / here.lsb_v)
    high = min(here.highest, high_v / here.lsb_v)
    return math.ceil(here.stored(low) - ROUNDING), math.floor(here.stored(high) + ROUNDING)


def _thermometer(plain: ChannelChain, channel: Channel, adc: Adc, here: Converter) -> ChannelChain:
    sensor: Ntc | SteinhartHart | Rtd
    if channel.steinhart_hart is not None:
        sensor = SteinhartHart(*channel.steinhart_hart)
    elif channel.sensor is Sensor.NTC:
        sensor = Ntc(channel.r25_ohm or math.nan, channel.beta_k or math.nan)
    else:
        sensor = Rtd(channel.r0_ohm or math.nan)
    follows = not isinstance(channel.pull_up_v, float)
    full = here.steps if follows else float(channel.pull_up_v or 0.0) / here.lsb_v
    pull_up = PullUp(sensor, channel.pull_up_ohm or math.nan, full)
    top = min(here.highest, math.floor(full))
    ends = np.sort(pull_up.celsius(np.array([1.0, top - 1.0])))
    if channel.sensor is Sensor.RTD:
        ends = np.clip(ends, RTD_LOWEST_C, RTD_HIGHEST_C)
    steepness = pull_up.celsius_per_code(NTC_NOMINAL_C)
    code = float(pull_up.codes(np.array(NTC_NOMINAL_C)))
    return replace(
        plain,
        thermometer=pull_up,
        code_offset=float(channel.code_offset),
        low=float(ends[0]),
        high=float(ends[1]),
        lowest_code=math.ceil(here.stored(max(0, here.lowest)) - ROUNDING),
        highest_code=math.floor(here.stored(top) + ROUNDING),
        budget=thermometer_budget(channel, adc, steepness, code),
        u_quantisation=steepness * here.code_unit / math.sqrt(12),
    )
