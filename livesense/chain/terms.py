"""From a bench file's tolerances to the terms of a channel's uncertainty budget."""

from __future__ import annotations

import math
from collections.abc import Iterator

from livesense.bench import Adc, Channel, Conditions, Sensor, Tolerance
from livesense.bench.pins import filter_loss, ratiometric, zero_v
from livesense.bench.values import engineering
from livesense.chain.budget import ADC_REFERENCE, Acts, Budget, Term


def linear_budget(
    channel: Channel, adc: Adc, conditions: Conditions, slope: float, per_lsb: float, span: float
) -> Budget:
    """Errors of a channel that is linear in its pin voltage.

    Parameters
    ----------
    slope
        Units per volt at the pin, with its sign.
    per_lsb
        Units per step of the converter.
    span
        From the lowest to the highest value that can be read.
    """
    terms = [
        *_scale(channel),
        *_reference(channel, adc),
        *_offset(channel, slope),
        *_zero(channel, adc, slope),
    ]
    terms += [*_converter(adc, per_lsb), *_pin(channel, adc, slope, span)]
    terms += [*_drifts(channel, conditions, slope), *_common_mode(channel, conditions)]
    return Budget(tuple(terms), slope * zero_v(channel, adc))


def thermometer_budget(channel: Channel, adc: Adc, steepness: float, code: float) -> Budget:
    """Errors of a thermometer at 25 °C, where a code is worth ``steepness`` kelvins and ``code`` is read."""
    terms = list(_converter(adc, abs(steepness)))
    follows = not isinstance(channel.pull_up_v, float)
    # A wrong reference scales every code; against a pull-up to that reference it cancels.
    pins = [("adc.gain_error", "gain of the converter", adc.gain_error)]
    pins += (
        [] if follows else [("reference_tolerance", "reference of the converter", adc.reference_tolerance)]
    )
    for key, source, given in pins:
        if given is not None:
            terms.append(Term(key, source, Acts.OFFSET, abs(steepness) * given.u * code, stated(given)))
    return Budget(tuple(terms))


def stated(given: Tolerance, unit: str = "") -> str:
    """Write a tolerance as it was stated and how it is taken."""
    how = "limit" if given.k is None else f"k = {given.k:g}"
    return f"± {engineering(given.value, unit)} ({how})"


def _limit(value: float) -> float:
    """Take the standard uncertainty of a limit (JCGM 100:2008, 4.3.7)."""
    return Tolerance(value, None).u


def _scale(channel: Channel) -> Iterator[Term]:
    gain = "gain of the amplifier" if channel.sensor is Sensor.SHUNT else "scale of the sensor"
    for key, source, given in (
        ("shunt_tolerance", "resistance of the shunt", channel.shunt_tolerance),
        ("gain_error", gain, channel.gain_error),
        ("ratio_tolerance", "ratio of the divider", channel.ratio_tolerance),
    ):
        if given is not None:
            yield Term(key, source, Acts.SCALE, given.u, stated(given))
    if channel.sense_copper_ohm:
        # Anything from nothing to this lies in series. Nothing is subtracted: the mean square of what is
        # then missing is that of a limit of the same size to both sides (JCGM 100:2008, 4.3.7 and F.2.4.5).
        u = _limit(channel.sense_copper_ohm / (channel.shunt_ohm or math.inf))
        text = f"0 to {engineering(channel.sense_copper_ohm, 'ohm')}"
        yield Term("sense_copper", "copper between the sense points", Acts.SCALE, u, text)
    if channel.input_resistance_tolerance is not None:
        # gain = R / (R + 2 r): d ln(gain) / d ln(R) = 2 r / (R + 2 r), which is what is lost.
        u = channel.input_resistance_tolerance.u * (1 - filter_loss(channel))
        text = stated(channel.input_resistance_tolerance)
        source = "filter resistors against the amplifier's inputs"
        yield Term("input_resistance_tolerance", source, Acts.SCALE, u, text)


def _reference(channel: Channel, adc: Adc) -> Iterator[Term]:
    """Yield what acts on the pin voltage: an error of the converter's gain always acts on the whole of it.

    One of its reference does too, unless the zero follows the reference.
    """
    if adc.reference_tolerance is not None:
        acts = Acts.SCALE if ratiometric(channel) else Acts.PIN
        # A channel with a reference of its own shares it with nobody.
        shared = ADC_REFERENCE if channel.adc_reference_v is None else ""
        text = stated(adc.reference_tolerance)
        source = "reference of the converter"
        yield Term("reference_tolerance", source, acts, adc.reference_tolerance.u, text, shared=shared)
    if adc.gain_error is not None:
        yield Term(
            "adc.gain_error", "gain of the converter", Acts.PIN, adc.gain_error.u, stated(adc.gain_error)
        )


def _per_input_volt(channel: Channel, slope: float) -> float:
    """Units per volt where the offset is stated: at a shunt's amplifier's input, at a sensor's output."""
    if channel.sensor is Sensor.SHUNT and channel.shunt_ohm:
        return 1 / (channel.shunt_ohm * filter_loss(channel))
    return abs(slope)


def _offset(channel: Channel, slope: float) -> Iterator[Term]:
    if channel.offset_v is not None:
        source = "offset of the amplifier" if channel.sensor is Sensor.SHUNT else "offset of the sensor"
        u = channel.offset_v.u * _per_input_volt(channel, slope)
        yield Term("offset", source, Acts.OFFSET, u, stated(channel.offset_v, "V"), at_zero=True)


def _zero(channel: Channel, adc: Adc, slope: float) -> Iterator[Term]:
    """Yield the error of the voltage that sets the zero, where it is not the converter's own reference."""
    if channel.zero_tolerance is not None and not ratiometric(channel):
        amount = slope * zero_v(channel, adc) * channel.zero_tolerance.u
        yield Term(
            "zero_tolerance",
            "voltage that sets the zero",
            Acts.OFFSET,
            abs(amount),
            stated(channel.zero_tolerance),
            # A higher zero makes a rising channel read more.
            sign=1 if amount >= 0 else -1,
            shared=f"rail {channel.rail}" if channel.rail else "",
            at_zero=True,
        )


def _converter(adc: Adc, per_lsb: float) -> Iterator[Term]:
    if adc.offset_error is not None:
        u = adc.offset_error.u * per_lsb
        text = stated(adc.offset_error, "LSB")
        yield Term("offset_error", "offset of the converter", Acts.OFFSET, u, text, at_zero=True)
    if adc.inl is not None:
        u = adc.inl.u * per_lsb
        yield Term("inl", "non-linearity of the converter", Acts.BOW, u, stated(adc.inl, "LSB"))


def _pin(channel: Channel, adc: Adc, slope: float, span: float) -> Iterator[Term]:
    """Yield what the resistance before the pin does: it carries the pin's own current, and slows sampling."""
    r_ohm = channel.source_resistance_ohm
    if adc.input_current_a is not None and r_ohm:
        u = adc.input_current_a.u * r_ohm * abs(slope)
        text = f"{stated(adc.input_current_a, 'A')} through {engineering(r_ohm, 'ohm')}"
        yield Term(
            "adc.input_current", "current of the converter's input", Acts.OFFSET, u, text, at_zero=True
        )
    if adc.sampling_time_s is not None and adc.sampling_capacitance_f is not None:
        tau_s = (r_ohm + adc.sampling_resistance_ohm) * adc.sampling_capacitance_f
        # At worst the capacitor comes from the other end of the range: another channel was sampled before.
        left = math.exp(-adc.sampling_time_s / tau_s) if tau_s else 0.0
        if left * span > 0:
            text = (
                f"{engineering(adc.sampling_time_s, 's')} = {adc.sampling_time_s / tau_s:.3g} time constants"
            )
            u = _limit(left * span)
            yield Term("adc.sampling_time", "settling of the converter's input", Acts.BOW, u, text)


def _drifts(channel: Channel, conditions: Conditions, slope: float) -> Iterator[Term]:
    """Yield what temperatures do.

    Of a product of two independent errors around zero the standard uncertainties multiply (the
    second-order term of JCGM 100:2008, 5.1.2, note).
    """
    tempco = channel.shunt_tempco_per_k
    if tempco is not None and channel.shunt_heating_k_per_w is not None and channel.shunt_ohm is not None:
        # A shunt warms by P times its thermal resistance: relative error = tempco · Rth · R · I².
        u = tempco.u * channel.shunt_heating_k_per_w * channel.shunt_ohm
        text = f"{stated(tempco, '1/K')}, {channel.shunt_heating_k_per_w:g} K/W"
        yield Term("shunt_heating", "self-heating of the shunt", Acts.HEATING, u, text)
    change = conditions.temperature_change_k
    if change is None:
        return
    over = f" over ± {change.value:g} K"
    for key, source, given in (
        ("shunt_tempco", "temperature of the shunt", tempco),
        ("gain_drift", "temperature of the gain", channel.gain_drift_per_k),
    ):
        if given is not None:
            yield Term(key, source, Acts.SCALE, given.u * change.u, stated(given, "1/K") + over)
    drift = channel.offset_drift_v_per_k
    if drift is not None:
        u = drift.u * change.u * _per_input_volt(channel, slope)
        yield Term("offset_drift", "temperature of the offset", Acts.OFFSET, u, stated(drift, "V/K") + over)


def _common_mode(channel: Channel, conditions: Conditions) -> Iterator[Term]:
    """Yield what the amplifier lets through of the voltage that both of its inputs carry.

    At the high side that is the bus voltage. In a motor's line it follows the leg's duty: half the bus
    voltage on the average and, at most, as much as amplitude, in step with the leg's voltage. A zero that was
    measured with the bus off holds none of it.
    """
    left, bus_v = channel.common_mode_rejection, conditions.bus_voltage_v
    if left is None or bus_v is None or channel.shunt_ohm is None or channel.place == "low-side":
        return
    per_volt = _limit(left / (channel.shunt_ohm * filter_loss(channel)))
    text = f"{-20 * math.log10(left):.4g} dB at {engineering(bus_v, 'V')}"
    in_line = channel.place == "in-line"
    source = "common mode of the amplifier"
    yield Term(
        "common_mode_rejection", source, Acts.OFFSET, per_volt * (bus_v / 2 if in_line else bus_v), text
    )
    if in_line:
        u = per_volt * bus_v / 2 / math.sqrt(2)
        yield Term("common_mode_rejection", f"{source}, alternating", Acts.ALTERNATING, u, text)
