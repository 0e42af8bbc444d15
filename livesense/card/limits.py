"""What a card says beside a channel's points: a meter at no current, heat, common mode, the ADC's pin."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from livesense.bench import Bench, Channel, Sensor
from livesense.bench.pins import per_volt, ratiometric, reference_v, supply_v, zero_v
from livesense.card.points import PHASES, Numbers, rated_a
from livesense.chain.budget import Acts
from livesense.chain.sizing import carried_share
from livesense.chain.terms import stated
from livesense.wording import COVERAGE_FACTOR

_AT_THE_PIN = ("offset", "offset_drift", "zero_tolerance", "common_mode_rejection", "adc.input_current")
"""Errors that move the pin's own voltage: a meter there sees them, and does not see the converter's."""

_NOT_AT_ZERO = ("shunt_tolerance", "gain_error", "shunt_tempco", "gain_drift", "ratio_tolerance")
"""Errors that are a share of the value."""


@dataclass(frozen=True, slots=True)
class Part:
    """One error at a value of zero: its bench key, as it was stated, and its expanded amount (k = 2)."""

    key: str
    stated: str
    expanded: float


@dataclass(frozen=True, slots=True)
class AtZero:
    """What a meter at the pin, and the ADC, may read at a value of zero (k = 2).

    Attributes
    ----------
    lowest_v, highest_v
        Within which the pin's voltage lies, for the errors that the bench file states.
    parts
        These errors, in volts at the pin; their squares add.
    missing
        Keys that would tell of others.
    at_rail
        Whether an end of the output's swing lies there: the output may then stand at it as well.
    lowest_code, highest_code
        Within which codes lie, by the budget of the channel and the rounding of a code.
    code_parts, expanded
        The errors of that and their sum, in the channel's unit.
    code_missing
        Keys that this leaves out.
    """

    lowest_v: float
    highest_v: float
    parts: tuple[Part, ...]
    missing: tuple[str, ...]
    at_rail: bool
    lowest_code: int
    highest_code: int
    code_parts: tuple[Part, ...]
    expanded: float
    code_missing: tuple[str, ...]


def at_zero(bench: Bench, found: Numbers) -> AtZero | None:
    """Tell what may be read at no current; None where zero is no voltage of an amplifier or a sensor."""
    channel, chain, here = found.channel, found.chain, found.here
    if here is None or channel.sensor not in (Sensor.SHUNT, Sensor.LINEAR):
        return None
    zero = zero_v(channel, bench.adc)
    follows = zero > 0 and ratiometric(channel)
    parts = tuple(_at_the_pin(bench, found, zero if follows else 0.0))
    expanded_v = math.hypot(*(part.expanded for part in parts))
    ends = (zero - expanded_v, zero + expanded_v)
    low, high = _swung(bench, channel, *ends)
    expanded = COVERAGE_FACTOR * math.hypot(chain.u_offset, chain.u_quantisation)
    codes = sorted(float(chain.codes(sign * expanded)) for sign in (1, -1))
    pin_keys = {*_AT_THE_PIN, "reference", "supply", *(("reference_tolerance",) if follows else ())}
    return AtZero(
        lowest_v=low,
        highest_v=high,
        parts=parts,
        missing=tuple(key for key in channel.assumed if key in pin_keys),
        at_rail=(low, high) != ends,
        lowest_code=max(math.floor(codes[0]), math.ceil(here.stored(here.lowest))),
        highest_code=min(math.ceil(codes[1]), math.floor(here.stored(here.highest))),
        code_parts=tuple(_in_codes(found)),
        expanded=expanded,
        code_missing=tuple(key for key in chain.u_excludes if key not in _NOT_AT_ZERO),
    )


def _at_the_pin(bench: Bench, found: Numbers, following_v: float) -> Iterator[Part]:
    """Yield what moves the pin's voltage; ``following_v`` is the zero that follows the ADC's reference."""
    per_v = abs(per_volt(found.channel))
    for t in found.chain.budget.terms:
        if t.key in _AT_THE_PIN and t.acts is Acts.OFFSET:
            yield Part(t.key, t.stated, COVERAGE_FACTOR * t.u / per_v)
    tolerance = bench.adc.reference_tolerance
    if following_v and tolerance is not None:
        # The code stays, but a meter sees the zero move with the reference.
        yield Part("reference_tolerance", stated(tolerance), COVERAGE_FACTOR * tolerance.u * following_v)


def _in_codes(found: Numbers) -> Iterator[Part]:
    for row in found.chain.budget.rows(0.0):
        if row["contribution"]:
            yield Part(row["key"], row["stated"], COVERAGE_FACTOR * row["contribution"])
    yield Part("rounding", "", COVERAGE_FACTOR * found.chain.u_quantisation)


def _swung(bench: Bench, channel: Channel, low_v: float, high_v: float) -> tuple[float, float]:
    """Hold an output between its rails; where the swing ends may lie, it may stand as well."""
    if channel.sensor is not Sensor.SHUNT:
        return low_v, high_v
    top = supply_v(channel, bench.adc)
    if low_v < channel.swing_low_v:
        low_v, high_v = max(0.0, low_v), max(high_v, channel.swing_low_v)
    if high_v > top - channel.swing_high_v:
        low_v, high_v = min(low_v, top - channel.swing_high_v), min(top, high_v)
    return low_v, high_v


@dataclass(frozen=True, slots=True)
class Heat:
    """Power in a shunt.

    Attributes
    ----------
    rated_w
        At the rated rms current, the share that the shunt carries; None where that is not stated.
    share
        Part of the current's mean square that flows through it.
    trip_w
        At the first trip value, as a direct current that lasts; None without one.
    range_w
        At the far end of what can be read, as a direct current.
    """

    rated_w: float | None
    share: float
    trip_w: float | None
    range_w: float


def heat(bench: Bench, found: Numbers) -> Heat | None:
    """Tell what a shunt turns into heat; None for other sensors."""
    channel = found.channel
    if channel.shunt_ohm is None:
        return None
    share, rated = carried_share(channel.place, channel.phase), rated_a(bench, channel)
    return Heat(
        None if rated is None else share * rated**2 * channel.shunt_ohm,
        share,
        None if found.trip is None else found.trip.watch.limit**2 * channel.shunt_ohm,
        max(abs(found.chain.low), abs(found.chain.high)) ** 2 * channel.shunt_ohm,
    )


def reach(found: Numbers) -> float | None:
    """Tell how far a channel reads: of a phase the nearer side of its range; None where nothing tells it."""
    sides = [side for side in (-found.chain.low, found.chain.high) if side > 0]
    if found.here is None or not sides:
        return None
    return min(sides) if found.channel.phase in PHASES else max(sides)


@dataclass(frozen=True, slots=True)
class CommonMode:
    """What both inputs of an amplifier carry against 0 V, switching spikes apart.

    The voltage of the shunt itself, at most ``drop_v``, comes on top.
    """

    lowest_v: float
    highest_v: float
    drop_v: float


def common_mode(bench: Bench, found: Numbers) -> CommonMode | None:
    """Tell what both inputs carry; None without shunt, and above the low side without a bus voltage."""
    channel, bus_v = found.channel, bench.conditions.bus_voltage_v
    if channel.shunt_ohm is None:
        return None
    drop_v = max(abs(found.chain.low), abs(found.chain.high)) * channel.shunt_ohm
    if channel.place == "low-side":
        return CommonMode(0.0, 0.0, drop_v)
    if bus_v is None:
        return None
    return CommonMode(0.0 if channel.place == "in-line" else bus_v, bus_v, drop_v)


@dataclass(frozen=True, slots=True)
class PinSafety:
    """How far the pin can be driven.

    Attributes
    ----------
    highest_v
        By what drives it; None where that follows the measured quantity without end (a divider).
    beyond_v
        How far that lies beyond the ADC's reference; 0 where it does not.
    reaches_at
        Measured value at which a divider drives the pin to the reference; None for others.
    current_a
        What a clamp to the reference then carries through ``source_resistance``; None where that is not
        stated or nothing lies beyond.
    """

    highest_v: float | None
    reference_v: float
    beyond_v: float
    reaches_at: float | None = None
    current_a: float | None = None


def pin_safety(bench: Bench, found: Numbers) -> PinSafety | None:
    """Tell how far an ADC's pin can be driven; None where there is none."""
    channel = found.channel
    if found.here is None:
        return None
    reference = reference_v(channel, bench.adc)
    match channel.sensor:
        case Sensor.DIVIDER:
            return PinSafety(None, reference, 0.0, reaches_at=reference * per_volt(channel))
        case Sensor.NTC | Sensor.RTD:
            highest = channel.pull_up_v if isinstance(channel.pull_up_v, float) else reference
        case _:
            highest = supply_v(channel, bench.adc)
    beyond = max(0.0, highest - reference)
    # Of a thermometer the pull-up limits the current, of an amplifier the resistor before the pin.
    before_ohm = channel.source_resistance_ohm + (channel.pull_up_ohm or 0.0)
    return PinSafety(
        highest, reference, beyond, current_a=beyond / before_ohm if beyond and before_ohm else None
    )
