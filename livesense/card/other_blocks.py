"""The blocks of channels without a shunt of their own."""

from __future__ import annotations

import math
from collections.abc import Iterator

from livesense.bench import Bench, Channel, Sensor
from livesense.bench.pins import reference_v, supply_v, zero_v
from livesense.card.content import BLANK, Block, Row, Table
from livesense.card.points import Numbers
from livesense.card.words import (
    amount,
    pin_row,
    pin_volts,
    points_table,
    signed,
    step_text,
    trip_rows,
    whole,
    zero_rows,
)
from livesense.wording import MINUS, significant


def other_block(bench: Bench, found: Numbers) -> Block:
    """Make the block of one channel."""
    match found.channel.sensor:
        case Sensor.DIVIDER:
            return _divider(bench, found)
        case Sensor.LINEAR:
            return _linear(bench, found)
        case Sensor.NTC | Sensor.RTD:
            return _thermometer(bench, found)
        case Sensor.DIRECT:
            return _direct(found)
        case Sensor.STATE:
            return _state(found.channel)
        case _:
            return _computed(found)


def _per_code(found: Numbers, how: str) -> Row:
    unit = found.channel.unit
    return Row("One code", f"{_with_unit(abs(found.chain.per_code or 0.0), unit, 6)}", how)


def _with_unit(value: float, unit: str, digits: int = 4) -> str:
    """Write a value with a prefix where its unit takes one."""
    if unit in ("A", "V", "W", "Hz", "s", "Pa", "N"):
        return amount(value, unit, digits)
    return f"{significant(value, digits)} {unit}".rstrip()


def _divider(bench: Bench, found: Numbers) -> Block:
    channel = found.channel
    ratio = f"{channel.ratio:g}"
    where = "bus +" if channel.phase == "bus" else f"phase {channel.phase}" if channel.phase else "the node"
    notes = [f"V at pin = V ÷ {ratio} (ratio); {step_text(bench, found)}"]
    if channel.phase == "bus" and bench.conditions.bus_voltage_v is None:
        notes.append(f"nominal bus: [bench] bus_voltage = {BLANK} V")
    assert found.here is not None
    return Block(
        names=(channel.name,),
        about=f"{'bus voltage, ' if channel.phase == 'bus' else ''}divider {ratio} : 1",
        wiring=(
            Row("Divider", f"from {where} to 0 V", "phase"),
            Row("Tap", "to the ADC's pin", f"ratio = {ratio}: volts measured per volt at the pin"),
        ),
        points=points_table(found, tuple(notes)),
        limits=(_per_code(found, f"{amount(found.here.lsb_v, 'V', 6)} × {ratio}"), *pin_row(bench, found)),
    )


def _linear(bench: Bench, found: Numbers) -> Block:
    channel, here = found.channel, found.here
    assert channel.scale is not None and here is not None
    unit = channel.unit
    zero, scale = amount(zero_v(channel, bench.adc), "V", 6), f"{significant(channel.scale)} {unit}/V"
    sign = "+" if channel.scale > 0 else MINUS
    notes = (
        f"V at pin = {zero} (zero) {sign} x ÷ {significant(abs(channel.scale))} {unit}/V (scale); "
        + step_text(bench, found),
    )
    runs = "rises" if channel.scale > 0 else "falls"
    whose = "the ADC's reference, " if isinstance(channel.supply, str) else ""
    return Block(
        names=(channel.name,),
        about=f"sensor with a voltage output, {scale}",
        wiring=(
            Row("Output", f"to the ADC's pin; {runs} with x", "sign of scale"),
            Row("At zero", zero, "zero"),
            Row("Supply", f"{whose}{amount(supply_v(channel, bench.adc), 'V')}", "supply of the sensor"),
        ),
        points=points_table(found, notes),
        checks=zero_rows(bench, found),
        limits=(
            _per_code(found, f"{amount(here.lsb_v, 'V', 6)} × {scale}"),
            Row(f"One {unit or 'unit'}", f"{amount(1 / abs(channel.scale), 'V')} at the pin", "1 ÷ scale"),
            *trip_rows(found),
            *pin_row(bench, found),
        ),
    )


def _thermometer(bench: Bench, found: Numbers) -> Block:
    channel, here = found.channel, found.here
    assert here is not None and found.chain.thermometer is not None
    step = found.chain.thermometer.celsius_per_code(25.0)
    # A converter of one bit has no slope.
    slope = f"{amount(step, 'K', 3) if math.isfinite(step) else BLANK} at 25 °C"
    full = reference_v(channel, bench.adc) if not isinstance(channel.pull_up_v, float) else channel.pull_up_v
    pull_up, volts = amount(channel.pull_up_ohm or 0.0, "ohm"), amount(full, "V")
    rows = tuple(
        (f"{significant(p.value)} °C", pin_volts(p.pin_v or 0.0, here.lsb_v), whole(p.code))
        for p in found.points
        if p.readable
    )
    notes = (
        f"V at pin = {volts} × R ÷ (R + {pull_up}) (pull_up_voltage, pull_up); {step_text(bench, found)}",
        _resistance(channel),
    )
    return Block(
        names=(channel.name,),
        about="thermistor to ground" if channel.sensor is Sensor.NTC else "platinum resistor to ground",
        wiring=(
            Row("Sensor", "from the ADC's pin to ground", f'sensor = "{channel.sensor}"'),
            Row("Pull-up", f"{pull_up} from the pin to {volts}", "pull_up, pull_up_voltage"),
        ),
        points=Table(("", "V at pin", "code"), rows, notes),
        limits=(
            Row("One code", slope, "slope of the curve there"),
            Row("Open, shorted", f"{volts} and 0 V at the pin", "no temperature is read there"),
            *pin_row(bench, found),
        ),
    )


def _resistance(channel: Channel) -> str:
    if channel.steinhart_hart is not None:
        a, b, c = (f"{value:.10g}".replace("-", MINUS) for value in channel.steinhart_hart)
        return f"1/T = {a} + {b} × ln R + {c} × (ln R)³, T in K and R in Ω (steinhart_hart)"
    if channel.sensor is Sensor.NTC:
        r25, beta = amount(channel.r25_ohm or 0.0, "ohm"), f"{channel.beta_k:g} K"
        return f"R = {r25} × exp({beta} × (1/T {MINUS} 1/298.15 K)) (r25, beta)"
    return f"R by IEC 60751, {amount(channel.r0_ohm or 0.0, 'ohm')} at 0 °C (r0)"


def _direct(found: Numbers) -> Block:
    channel, unit = found.channel, found.channel.unit
    rows = tuple((f"{signed(p.value)} {unit}".rstrip(), whole(p.code)) for p in found.points)
    scale = _with_unit(channel.scale if channel.scale is not None else 1.0, unit, 6)
    return Block(
        names=(channel.name,),
        about="value from the firmware",
        wiring=(Row("Wiring", BLANK, "the firmware sends values: the file names no pin"),),
        points=Table(("", "code"), rows, ("code = value ÷ scale + zero (scale, zero, code_offset)",)),
        checks=(Row("One code", scale, "scale"),),
        limits=trip_rows(found),
    )


def _state(channel: Channel) -> Block:
    said = ", ".join(f"{code} = {word}" for code, word in channel.labels)
    return Block(
        names=(channel.name,),
        about="state",
        wiring=(Row("Codes", said or BLANK, "labels" if said else "no labels"),),
    )


def _computed(found: Numbers) -> Block:
    channel, chain = found.channel, found.chain
    said = " + ".join(channel.source)
    return Block(
        names=(channel.name,),
        about=f"computed: {MINUS}({said})",
        wiring=(Row("Wiring", "none of its own", f"from: {MINUS}({said}); proves nothing by itself"),),
        limits=(*_computed_range(chain.low, chain.high, channel.unit), *trip_rows(found)),
    )


def _computed_range(low: float, high: float, unit: str) -> Iterator[Row]:
    if abs(low) < 1e30 and abs(high) < 1e30:
        text = f"{_with_unit(low, unit)} to {_with_unit(high, unit)}"
        yield Row("Reads", text, "minus the sum of the others' ends")
