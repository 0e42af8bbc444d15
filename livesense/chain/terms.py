"""From a bench file's tolerances to the terms of a channel's uncertainty budget."""

from __future__ import annotations

from collections.abc import Iterator

from livesense.bench import Adc, Channel, Sensor, Tolerance
from livesense.bench.pins import ratiometric, zero_v
from livesense.bench.values import engineering
from livesense.chain.budget import ADC_REFERENCE, Acts, Budget, Term


def linear_budget(channel: Channel, adc: Adc, slope: float, per_lsb: float) -> Budget:
    """Errors of a channel that is linear in its pin voltage.

    Parameters
    ----------
    slope
        Units per volt at the pin, with its sign.
    per_lsb
        Units per step of the converter.
    """
    terms = [*_scale(channel), *_reference(channel, adc), *_offset(channel, slope), *_converter(adc, per_lsb)]
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


def _scale(channel: Channel) -> Iterator[Term]:
    gain = "gain of the amplifier" if channel.sensor is Sensor.SHUNT else "scale of the sensor"
    for key, source, given in (
        ("shunt_tolerance", "resistance of the shunt", channel.shunt_tolerance),
        ("gain_error", gain, channel.gain_error),
        ("ratio_tolerance", "ratio of the divider", channel.ratio_tolerance),
    ):
        if given is not None:
            yield Term(key, source, Acts.SCALE, given.u, stated(given))


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


def _offset(channel: Channel, slope: float) -> Iterator[Term]:
    if channel.offset_v is None:
        return
    per_volt = 1 / (channel.shunt_ohm or 1.0) if channel.sensor is Sensor.SHUNT else abs(slope)
    source = "offset of the amplifier" if channel.sensor is Sensor.SHUNT else "offset of the sensor"
    u = channel.offset_v.u * per_volt
    yield Term("offset", source, Acts.OFFSET, u, stated(channel.offset_v, "V"), at_zero=True)


def _converter(adc: Adc, per_lsb: float) -> Iterator[Term]:
    if adc.offset_error is not None:
        u = adc.offset_error.u * per_lsb
        text = stated(adc.offset_error, "LSB")
        yield Term("offset_error", "offset of the converter", Acts.OFFSET, u, text, at_zero=True)
    if adc.inl is not None:
        u = adc.inl.u * per_lsb
        yield Term("inl", "non-linearity of the converter", Acts.BOW, u, stated(adc.inl, "LSB"))
