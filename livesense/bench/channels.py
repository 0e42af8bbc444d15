"""One ``[[channel]]`` of a bench file: which keys its sensor takes, and the defaults."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping
from typing import Any

from livesense.bench import Adc, Channel, Conditions, Sensor
from livesense.bench.keys import ASSUMED_SWING_V, CHANNEL, REQUIRED, WAYS
from livesense.bench.pins import PIN_SENSORS, plus_inputs
from livesense.bench.quantities import QuantityError, difference_in, per_volt, step_unit, value_in
from livesense.bench.tables import Place
from livesense.bench.values import engineering, listed

UNITS = {Sensor.SHUNT: "A", Sensor.DIVIDER: "V", Sensor.NTC: "°C", Sensor.RTD: "°C"}

_UNCOVERED: dict[str, tuple[str, ...]] = {
    Sensor.SHUNT: ("shunt_tolerance", "gain_error", "offset"),
    Sensor.LINEAR: ("gain_error", "offset"),
    Sensor.DIVIDER: ("ratio_tolerance",),
}
_DRIFTS: dict[str, tuple[str, ...]] = {
    Sensor.SHUNT: ("shunt_tempco", "offset_drift"),
    Sensor.LINEAR: ("offset_drift",),
}
"""Count only where the bench's temperature_change is stated as well."""
_NEVER_COVERED: dict[str, tuple[str, ...]] = {
    Sensor.NTC: ("r25", "beta", "steinhart_hart", "pull_up"),
    Sensor.RTD: ("r0", "pull_up"),
}


def place_of(file: str, given: Mapping[str, Any], number: int) -> Place:
    """Name a channel in messages: by its name, or by its position from 1 where it has none."""
    name = given.get("name")
    known = isinstance(name, str) and name.isprintable() and 0 < len(name) <= 40
    return Place(file, f'channel "{name}"' if known else f"channel {number}")


def read_channel(place: Place, given: Mapping[str, Any], adc: Adc, conditions: Conditions) -> Channel:
    """Read one channel with its defaults; checks that need other channels come later."""
    keys = place.read(given, CHANNEL)
    for key in ("name", "sensor"):
        if key not in keys:
            place.fail(key, _example(key))
    sensor = Sensor(keys["sensor"])
    _check_keys(place, keys, given, sensor)
    phase = None if keys.get("phase", "none") == "none" else keys["phase"]
    where = keys.get("place", "high-side" if phase == "bus" else "in-line")
    if phase == "bus" and where == "in-line":
        # In the supply's line, that is.
        where = "high-side"
    plus_input = None
    if sensor is Sensor.SHUNT:
        allowed = plus_inputs(where, phase)
        plus_input = keys.get("plus_input", allowed[0])
        if plus_input not in allowed:
            place.fail(
                "plus_input",
                listed([f'"{node}"' for node in allowed]) + f' with place = "{where}"',
                plus_input,
            )
    unit, scale, zero = _slope(place, keys, sensor)
    channel = Channel(
        name=keys["name"],
        column="" if sensor is Sensor.COMPUTED else keys.get("column", keys["name"]),
        group=keys.get("group"),
        phase=phase,
        place=where,
        sensor=sensor,
        unit=unit,
        bits=keys.get("bits"),
        adc_reference_v=keys.get("adc_reference"),
        code_offset=keys.get("code_offset", 0),
        decimals=keys.get("decimals"),
        shunt_ohm=keys.get("shunt"),
        shunt_tolerance=keys.get("shunt_tolerance"),
        shunt_tempco_per_k=keys.get("shunt_tempco"),
        gain=keys.get("gain"),
        gain_error=keys.get("gain_error"),
        offset_v=keys.get("offset"),
        offset_drift_v_per_k=keys.get("offset_drift"),
        reference=keys.get("reference"),
        supply=keys.get("supply", "adc"),
        plus_input=plus_input,
        bandwidth_hz=keys.get("bandwidth"),
        delay_s=keys.get("delay", 0.0),
        swing_low_v=keys.get("swing_low", ASSUMED_SWING_V if sensor is Sensor.SHUNT else 0.0),
        swing_high_v=keys.get("swing_high", ASSUMED_SWING_V if sensor is Sensor.SHUNT else 0.0),
        scale=scale,
        zero=zero,
        ratio=keys.get("ratio"),
        ratio_tolerance=keys.get("ratio_tolerance"),
        r25_ohm=keys.get("r25"),
        beta_k=keys.get("beta"),
        steinhart_hart=keys.get("steinhart_hart"),
        pull_up_ohm=keys.get("pull_up"),
        pull_up_v=keys.get("pull_up_voltage", "adc" if sensor in (Sensor.NTC, Sensor.RTD) else None),
        r0_ohm=keys.get("r0", 100.0 if sensor is Sensor.RTD else None),
        labels=keys.get("labels", ()),
        source=keys.get("from", ()),
        sampled_at=keys.get("sampled_at"),
        in_loop=keys.get("in_loop", False),
        board=keys.get("board"),
        assumed=_assumed(keys, sensor, adc, conditions, where),
        temperature=keys.get("temperature"),
        shunt_heating_k_per_w=keys.get("shunt_heating"),
        shunt_inductance_h=keys.get("shunt_inductance", 0.0),
        sense_copper_ohm=keys.get("sense_copper"),
        gain_drift_per_k=keys.get("gain_drift"),
        zero_tolerance=keys.get("zero_tolerance"),
        rail=keys.get("rail"),
        common_mode_rejection=keys.get("common_mode_rejection"),
        filter_resistance_ohm=keys.get("filter_resistance", 0.0),
        input_resistance_ohm=keys.get("input_resistance"),
        input_resistance_tolerance=keys.get("input_resistance_tolerance"),
        source_resistance_ohm=keys.get("source_resistance", 0.0),
        delay_tolerance_s=keys.get("delay_tolerance"),
        bandwidth_tolerance=keys.get("bandwidth_tolerance"),
        circuit=keys.get("circuit", ""),
    )
    _check_pairs(place, keys, given)
    _check_voltages(place, channel, adc, given)
    return channel


def _example(key: str) -> str:
    what = {"name": "a name", "sensor": "a sensor"}.get(key, "a value")
    return f"{what} such as {CHANNEL[key].example}"


def _check_keys(place: Place, keys: Mapping[str, Any], given: Mapping[str, Any], sensor: Sensor) -> None:
    for key in keys:
        only = CHANNEL[key].only
        if only and sensor not in only:
            place.fail(
                key, f'no such key with sensor = "{sensor}" (it belongs to {listed(only)})', given[key]
            )
    for key in REQUIRED[sensor]:
        if key not in keys:
            place.fail(key, _expected(key))
    if sensor in WAYS:
        _check_ways(place, keys, given, WAYS[sensor])


def _check_ways(
    place: Place, keys: Mapping[str, Any], given: Mapping[str, Any], ways: tuple[tuple[str, ...], ...]
) -> None:
    """Hold a channel to one of its ways: two could contradict each other."""
    begun = [[key for key in way if key in keys] for way in ways]
    said = ", or ".join(" and ".join(way) for way in ways)
    if not any(begun):
        place.fail(ways[0][0], f"{_expected(ways[0][0])}: a thermistor is stated by {said}")
    first, *others = [at for at, found in enumerate(begun) if found]
    if others:
        key = begun[others[0]][0]
        place.fail(key, f"one way only to state a thermistor: {said}; remove the other", given[key])
    for key in ways[first]:
        if key not in keys:
            place.fail(key, _expected(key))


def _expected(key: str) -> str:
    return _EXPECTED.get(key) or _example(key)


_EXPECTED = {
    "shunt": 'a resistance such as "5 mΩ"',
    "gain": "a number such as 20",
    "ratio": "a number such as 11 (bus volts over pin volts)",
    "reference": '"ground", "supply", "mid-supply" or a voltage such as "1.65 V"',
    "scale": 'units per volt such as "25 A/V", or volts per unit such as "40 mV/A"',
    "from": 'the names of other channels such as ["iu", "iv"]',
    "r25": 'a resistance such as "10 kΩ"',
    "pull_up": 'a resistance such as "10 kΩ"',
    "beta": 'a temperature difference such as "3950 K"',
}


def _slope(place: Place, keys: Mapping[str, Any], sensor: Sensor) -> tuple[str, float | None, float | None]:
    """Tell unit, scale and zero of a channel; None where the sensor has none."""
    if sensor is Sensor.LINEAR:
        scale, unit = _linear_scale(place, keys)
        return unit, scale, _volts(place, keys.get("zero", "0 V"))
    if sensor is Sensor.DIRECT:
        scale, unit = _direct_scale(place, keys.get("scale", 1), keys.get("unit"))
        return unit, scale, _codes(place, keys.get("zero", 0))
    return UNITS.get(sensor, ""), None, None


def _linear_scale(place: Place, keys: Mapping[str, Any]) -> tuple[float, str]:
    given, unit = keys["scale"], keys.get("unit")
    per_unit = f'"25 {unit}/V", or volts per unit such as "40 mV/{unit}"' if unit else None
    expected = f"units per volt such as {per_unit}" if per_unit else _EXPECTED["scale"]
    if not isinstance(given, str):
        place.fail("scale", expected, given)
    try:
        scale, unit = per_volt(given, unit)
    except QuantityError:
        place.fail("scale", expected, given)
    if scale == 0:
        place.fail("scale", expected, given)
    return scale, unit


def _direct_scale(place: Place, given: Any, unit: str | None) -> tuple[float, str]:
    """Units per code, and the unit; a bare number is in the channel's own unit."""
    value = math.nan
    if isinstance(given, int | float) and not isinstance(given, bool):
        value = float(given) if abs(given) < 1e15 else math.nan
    elif isinstance(given, str):
        with contextlib.suppress(QuantityError):
            unit = step_unit(given) if unit is None else unit
            value = difference_in(given, unit)
    if not math.isfinite(value) or value == 0:
        place.fail("scale", f'a number that is not zero, or a step such as "0.1 {unit or "A"}"', given)
    return value, unit or ""


def _volts(place: Place, given: Any) -> float:
    value = math.nan
    if isinstance(given, str):
        with contextlib.suppress(QuantityError):
            value = value_in(given, "V")
    if not abs(value) <= 100:
        place.fail("zero", 'a voltage such as "1.65 V"', given)
    return value


def _codes(place: Place, given: Any) -> float:
    value = math.nan
    if isinstance(given, int | float) and not isinstance(given, bool):
        value = float(given) if abs(given) < 1e15 else math.nan
    elif isinstance(given, str):
        with contextlib.suppress(QuantityError):
            value = value_in(given, "LSB")
    if not abs(value) < 1e15:
        place.fail("zero", 'a code such as 2048 or "2048 LSB"', given)
    return value


_NEEDS = {
    "input_resistance_tolerance": "input_resistance",
    "bandwidth_tolerance": "bandwidth",
    "shunt_heating": "shunt_tempco",
}
"""Keys that say nothing without another one."""


def _check_pairs(place: Place, keys: Mapping[str, Any], given: Mapping[str, Any]) -> None:
    for key, other in _NEEDS.items():
        if key in keys and other not in keys:
            place.fail(key, f"{other} beside it, which it says more of", given[key])
    if keys.get("filter_resistance") and "input_resistance" not in keys:
        expected = "input_resistance beside it: the two together tell how much the gain loses"
        place.fail("filter_resistance", expected, given["filter_resistance"])


def _assumed(
    keys: Mapping[str, Any], sensor: Sensor, adc: Adc, conditions: Conditions, where: str
) -> tuple[str, ...]:
    """Keys that were left out and matter: with an assumed value, or with an error that nothing covers."""
    if sensor is Sensor.DIRECT:
        # What the firmware, or the recorder of a recording, was off by: no key can tell.
        return ("sender_error",)
    if sensor not in PIN_SENSORS:
        return ()
    own = [key for key in _UNCOVERED.get(sensor, ()) if key not in keys]
    for key in _DRIFTS.get(sensor, ()):
        at_the_shunt = key == "shunt_tempco" and "temperature" in keys
        if key not in keys or (conditions.temperature_change_k is None and not at_the_shunt):
            own.append(key)
    alternatives = {key for way in WAYS.get(sensor, ()) for key in way}
    own += [key for key in _NEVER_COVERED.get(sensor, ()) if key in keys or key not in alternatives]
    if sensor is Sensor.SHUNT:
        rejects = "common_mode_rejection" in keys and conditions.bus_voltage_v is not None
        if where != "low-side" and not rejects:
            own.append("common_mode_rejection")
        own += [key for key in ("swing_low", "swing_high") if key not in keys]
        # What an outside voltage is worth is known only where it is said.
        if "zero_tolerance" in keys:
            pass
        elif keys["reference"] not in ("ground", "supply", "mid-supply"):
            own.append("reference")
        elif keys["reference"] != "ground" and keys.get("supply", "adc") != "adc":
            own.append("supply")
    if adc.reference_tolerance is None and not _follows_reference(keys, sensor):
        own.append("reference_tolerance")
    own += [key for key in ("offset_error", "inl") if getattr(adc, key) is None]
    if adc.gain_error is None:
        own.append("adc.gain_error")
    return tuple(own)


def _follows_reference(keys: Mapping[str, Any], sensor: Sensor) -> bool:
    """Whether the ADC's reference cancels altogether: a resistance measured against a pull-up to it."""
    return sensor in (Sensor.NTC, Sensor.RTD) and keys.get("pull_up_voltage", "adc") == "adc"


def _check_voltages(place: Place, channel: Channel, adc: Adc, given: Mapping[str, Any]) -> None:
    if channel.sensor not in PIN_SENSORS:
        return
    full = channel.adc_reference_v or adc.reference_v
    if full is None:
        place.fail("", 'the ADC\'s reference: reference = "3.3 V" in [adc], or adc_reference here')
    supply = full if isinstance(channel.supply, str) else channel.supply
    if isinstance(channel.reference, float) and channel.reference >= supply:
        place.fail(
            "reference", f"a voltage below the supply of {engineering(supply, 'V')}", given["reference"]
        )
    if channel.sensor is Sensor.SHUNT or channel.swing_low_v or channel.swing_high_v:
        top = min(full, supply - channel.swing_high_v)
        if channel.swing_low_v >= top:
            key = "swing_low" if "swing_low" in given else "supply"
            place.fail(
                key,
                f"room between the ends of the output's swing, {top:g} V at the top",
                given.get(key, "adc"),
            )
    if isinstance(channel.pull_up_v, float) and channel.pull_up_v < 0.1:
        place.fail("pull_up_voltage", "at least 0.1 V", given["pull_up_voltage"])
