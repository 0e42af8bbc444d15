"""Which pin voltage stands for which value, from a bench file's settings alone.

With v the voltage at the ADC's pin, ``value = per_volt * (v - zero_v)``. For a shunt,
``per_volt = s / (gain * shunt)``, with the gain that filter resistors leave, and ``zero_v``
is where the amplifier's reference pins put its output at no current.
"""

from __future__ import annotations

from livesense.bench import Adc, Channel, Sensor

PIN_SENSORS = frozenset({Sensor.SHUNT, Sensor.LINEAR, Sensor.DIVIDER, Sensor.NTC, Sensor.RTD})
"""Sensors whose value is made from a voltage at an ADC pin."""

_POSITIVE_INPUTS = {"in-line": "bridge", "high-side": "supply", "low-side": "ground"}


def plus_inputs(place: str, phase: str | None) -> tuple[str, str]:
    """Nodes that the amplifier's + input may touch, the usual one first.

    The usual one of a leg's low side is the transistor's source ("bridge"), where the
    amplifier reads minus the phase current. The whole bridge's low side carries the bus
    current back, so there the bridge side is the positive one.
    """
    match place:
        case "in-line":
            return "bridge", "motor"
        case "high-side":
            return "supply", "bridge"
        case _:
            return "bridge", "ground"


def sign(channel: Channel) -> int:
    """+1 where the amplifier's output rises with the current as it is counted, else -1.

    Phase currents count positive into the motor, the bus current out of the supply.
    """
    positive = _POSITIVE_INPUTS[channel.place]
    if channel.place == "low-side" and channel.phase == "bus":
        positive = "bridge"
    return 1 if channel.plus_input == positive else -1


def reference_v(channel: Channel, adc: Adc) -> float:
    """Find the reference voltage of the channel's ADC.

    Raises
    ------
    ValueError
        when neither the channel nor the ADC states one.
    """
    found = channel.adc_reference_v if channel.adc_reference_v is not None else adc.reference_v
    if found is None:
        raise ValueError(f"channel {channel.name!r} has no ADC reference")
    return found


def supply_v(channel: Channel, adc: Adc) -> float:
    """Supply of the channel's amplifier."""
    return reference_v(channel, adc) if isinstance(channel.supply, str) else channel.supply


def ratiometric(channel: Channel) -> bool:
    """Whether the zero follows the ADC's reference, so that the reference's error cancels there."""
    if channel.sensor is Sensor.SHUNT:
        return channel.reference == "ground" or (
            isinstance(channel.reference, str) and channel.supply == "adc"
        )
    return not channel.zero


def zero_v(channel: Channel, adc: Adc) -> float:
    """Pin voltage that stands for a value of zero."""
    if channel.sensor is Sensor.SHUNT:
        match channel.reference:
            case "ground":
                return 0.0
            case "supply":
                return supply_v(channel, adc)
            case "mid-supply":
                return supply_v(channel, adc) / 2
            case _:
                return float(channel.reference or 0.0)
    return channel.zero or 0.0


def per_volt(channel: Channel) -> float:
    """Value per volt at the pin, with its sign.

    Raises
    ------
    ValueError
        for a sensor that is not linear in its pin voltage.
    """
    if channel.sensor is Sensor.SHUNT and channel.gain and channel.shunt_ohm:
        return sign(channel) / (channel.gain * filter_loss(channel) * channel.shunt_ohm)
    if channel.sensor is Sensor.LINEAR and channel.scale:
        return channel.scale
    if channel.sensor is Sensor.DIVIDER and channel.ratio:
        return channel.ratio
    raise ValueError(f"channel {channel.name!r} is not linear in its pin voltage")


def filter_loss(channel: Channel) -> float:
    """Share of the shunt's voltage that filter resistors leave between the amplifier's inputs.

    Two of them form a divider with the resistance between the inputs.
    """
    between = channel.input_resistance_ohm
    return 1.0 if between is None else between / (between + 2 * channel.filter_resistance_ohm)


def pin_span_v(channel: Channel, adc: Adc) -> tuple[float, float]:
    """Lowest and highest pin voltage that can be read: the ADC's range and the output's swing."""
    full = reference_v(channel, adc)
    low, high = (-full if adc.signed else 0.0), full
    if channel.sensor is Sensor.SHUNT or channel.swing_low_v or channel.swing_high_v:
        low = max(low, channel.swing_low_v)
        high = min(high, supply_v(channel, adc) - channel.swing_high_v)
    return low, high


def readable(channel: Channel, adc: Adc) -> tuple[float, float]:
    """Lowest and highest value that a channel linear in its pin voltage can read."""
    zero, slope = zero_v(channel, adc), per_volt(channel)
    ends = sorted(slope * (v - zero) for v in pin_span_v(channel, adc))
    return ends[0], ends[1]
