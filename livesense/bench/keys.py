"""Every key of a bench file in one table: validation reads by it, a test holds the docs to it."""

from __future__ import annotations

from dataclasses import dataclass

from livesense.bench import Sensor
from livesense.bench.values import (
    CAPACITANCE,
    CURRENT,
    CURRENT_SQUARED_TIME,
    DRIFT,
    FREQUENCY,
    HEATING,
    INDUCTANCE,
    INPUT_VOLTAGE,
    LONG_TIME,
    PER_KELVIN,
    POWER,
    RATE,
    RATIO,
    RELATIVE,
    RESISTANCE,
    SIZE,
    SPEED,
    TEMPERATURE,
    TEMPERATURE_STEP,
    TIME,
    VOLTAGE,
    Kind,
    Reader,
    boolean,
    bounds,
    choice,
    choice_or_voltage,
    codes_tolerance,
    count_bounds,
    integer,
    labels,
    name,
    names,
    number,
    quantity,
    raw,
    rejection,
    share,
    steinhart_hart,
    temperature_or_channel,
    text,
    texts,
    tolerance,
    torque_constant,
    unit,
    voltage_constant,
)
from livesense.layout import CHECK_WIDTHS

TORQUE_OF = ("rms phase current", "peak phase current")
VOLTAGE_OF = ("rms line voltage", "peak line voltage", "rms phase voltage", "peak phase voltage")
"""What a machine's constants are stated of."""

LONGEST_KEPT_S = 10_000 * 86400.0
LONGEST_RUN_S = 10 * 86400.0
"""Of what happens within a run: a start, a time constant of warming up."""
LARGEST_FILE_BYTES = 30e12
"""A logbook's pages of 8 KiB, of which SQLite counts up to 2³², end at 35 TB."""

WIRES = ("framed", "text", "record")
WATCH_KINDS = (
    "overcurrent",
    "overload",
    "inverse-time",
    "thermal",
    "i2t",
    "clipping",
    "phase-loss",
    "unbalance",
    "reversed",
    "overvoltage",
    "undervoltage",
    "overtemperature",
    "stall",
    "standing",
)
WATCH_QUANTITIES = ("instant", "vector", "cycle-rms")
CODE_TYPES = ("u16", "i16", "i32", "u12")

ASSUMED_REFERENCE_TOLERANCE = 0.02
"""Relative limit of the ADC's reference where none is stated: typical of a microcontroller's own supply."""
ASSUMED_ADC_LSB = 2.0
"""Limit of the ADC's offset error and of its non-linearity where none is stated, in LSB."""
ASSUMED_SWING_V = 0.05
"""How near to a rail an amplifier's output is assumed to come."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key: how its value is read, what stands for it when it is left out, an example in TOML.

    ``only`` names the sensors (or the kinds of watch) that have it, empty for all.
    ``later`` marks keys whose function this version does not have: they are checked, then refused.
    """

    read: Reader
    example: str
    default: str = ""
    only: tuple[str, ...] = ()
    later: bool = False


S, L, D, V, N, R = (Sensor.SHUNT, Sensor.LINEAR, Sensor.DIRECT, Sensor.DIVIDER, Sensor.NTC, Sensor.RTD)
_PIN = (S, L, V, N, R)
_STORED = (*_PIN, D, Sensor.STATE)
_INTEGRATING = ("inverse-time", "thermal", "i2t")
_LOADS = ("overload", "stall", "standing")
_VOLTAGES = ("overvoltage", "undervoltage")
_SEQUENCES = ("phase-loss", "unbalance", "reversed")
_SHARES = ("phase-loss", "unbalance")
_HOT = "overtemperature"
_HOLDS = ("clipping", "unbalance", _HOT)

BENCH: dict[str, Key] = {
    "name": Key(text, '"coolant pump, 24 V"', "the file's name"),
    "bus_voltage": Key(quantity(VOLTAGE, 0.0, 1e5, above=True), '"24 V"', "none"),
    "default_watches": Key(boolean, "false", "true"),
    "temperature_change": Key(tolerance(TEMPERATURE_STEP, 300.0), '"20 K"', "none: drifts are not counted"),
}

LINK: dict[str, Key] = {
    "port": Key(text, '"COM5"', "none: give `--port`"),
    "baud": Key(integer(50, 100_000_000), "3000000", "115200"),
    "wire": Key(choice(*WIRES), '"framed"', '"framed"'),
    "columns": Key(names, '["n", "iu", "iv", "iw"]', "none: the stream's header, or the channels' order"),
    "counter_bits": Key(integer(4, 62), "32", "32"),
    "on_open": Key(text, '"start\\n"', "nothing is sent"),
    "dtr": Key(boolean, "false", "left alone"),
    "rts": Key(boolean, "false", "left alone"),
    "record": Key(raw, '{ sync = "A5 5A", fields = ["n:u8", "iu:u16"] }', "none"),
}

LINK_RECORD: dict[str, Key] = {
    "sync": Key(text, '"A5 5A"', "none: only where there is a check"),
    "endian": Key(choice("little", "big"), '"little"', '"little"'),
    "fields": Key(texts, '["n:u8", "iu:u16"]'),
    "check": Key(choice(*CHECK_WIDTHS), '"crc16-modbus"', '"none"'),
    "check_over": Key(choice("fields", "all"), '"fields"', '"fields"'),
    "check_endian": Key(choice("little", "big"), '"little"', "that of the fields"),
    "scans": Key(integer(1, 4096), "1", "1"),
    "counts": Key(choice("records", "scans"), '"records"', '"records"'),
}

GROUP: dict[str, Key] = {
    "rate": Key(quantity(RATE, 0.0, 1e9, above=True), '"20 kHz"', "the device's description"),
    "code": Key(choice(*CODE_TYPES), '"u16"', '"u16"'),
    "channels": Key(names, '["iu", "iv", "iw", "vbus"]', "the channels of this group, in the file's order"),
}

ADC: dict[str, Key] = {
    "bits": Key(integer(1, 32), "12", "the device's description"),
    "reference": Key(quantity(VOLTAGE, 0.0, 100.0, above=True), '"3.3 V"'),
    "reference_tolerance": Key(tolerance(RELATIVE, 1.0), '"0.2 %"', "2 % assumed, not in the uncertainty"),
    "signed": Key(boolean, "false", "false"),
    "steps": Key(integer(2, 2**32), "4096", "two to the power of `bits`"),
    "offset_error": Key(codes_tolerance, '"2 LSB"', "±2 LSB assumed, not in the uncertainty"),
    "gain_error": Key(tolerance(RELATIVE, 1.0), '"0.1 %"', "not in the uncertainty"),
    "inl": Key(codes_tolerance, '"1.5 LSB"', "±2 LSB assumed, not in the uncertainty"),
    "input_current": Key(tolerance(CURRENT, 1.0), '"1 µA"', "not in the uncertainty"),
    "sampling_time": Key(quantity(TIME, 0.0, 1.0, above=True), '"0.5 us"', "not in the uncertainty"),
    "sampling_capacitance": Key(
        quantity(CAPACITANCE, 0.0, 1e-6, above=True), '"8 pF"', "not in the uncertainty"
    ),
    "sampling_resistance": Key(quantity(RESISTANCE, 0.0, 1e6), '"1 kΩ"', '"0 Ω"'),
}

_FLUX = Kind("a flux linkage", "10 mWb", "Wb")
MOTOR: dict[str, Key] = {
    "kind": Key(choice("permanent-magnet", "induction"), '"permanent-magnet"', '"permanent-magnet"'),
    "pole_pairs": Key(integer(1, 1000), "5", "none: no rpm"),
    "rated_current": Key(quantity(CURRENT, 0.0, 1e6, above=True), '"6 A"', "none"),
    "sequence": Key(choice("UVW", "UWV"), '"UVW"', "none"),
    "resistance": Key(quantity(RESISTANCE, 0.0, 1e6, above=True), '"50 mΩ"', "none"),
    "inductance_d": Key(quantity(INDUCTANCE, 0.0, 1e3, above=True), '"0.2 mH"', later=True),
    "inductance_q": Key(quantity(INDUCTANCE, 0.0, 1e3, above=True), '"0.3 mH"', later=True),
    "resistance_tolerance": Key(tolerance(RELATIVE, 1.0), '"5 %"', "none: `u_excludes` tells"),
    "resistance_at": Key(quantity(TEMPERATURE, -100.0, 500.0), '"25 °C"', '"20 °C"'),
    "winding_temperature": Key(temperature_or_channel, '"t_winding"', "none: as cold as `resistance_at`"),
    "torque_constant": Key(torque_constant, '"60 mN·m/A"', "none: no torque"),
    "torque_constant_of": Key(choice(*TORQUE_OF), '"rms phase current"', "required with torque_constant"),
    "voltage_constant": Key(voltage_constant, '"4.2 V/krpm"', "none: no torque"),
    "voltage_constant_of": Key(choice(*VOLTAGE_OF), '"rms line voltage"', "required with voltage_constant"),
    "flux_linkage": Key(quantity(_FLUX, 0.0, 1e3, above=True), '"10 mWb"', "none: no torque"),
    "constant_tolerance": Key(tolerance(RELATIVE, 1.0), '"5 %"', "none: `u_excludes` tells"),
    "shaft_torque": Key(name, '"torque"', "none: no shaft power"),
    "pwm_frequency": Key(quantity(FREQUENCY, 100.0, 1e6), '"16 kHz"', "none: no ripple of the pulses"),
    "shaft_speed": Key(name, '"speed"', "none: the speed by the currents, unless induction"),
}

_NTC = "required, unless `steinhart_hart` is stated"
CHANNEL: dict[str, Key] = {
    "name": Key(name, '"iu"'),
    "sensor": Key(choice(*Sensor), '"shunt"'),
    "phase": Key(choice("U", "V", "W", "bus", "none"), '"U"', '"none"'),
    "place": Key(
        choice("high-side", "in-line", "low-side"), '"in-line"', '"in-line"; of the bus "high-side"'
    ),
    "circuit": Key(text, '"pump 2"', "none: all channels are of one machine"),
    "column": Key(name, '"adc1"', "the channel's name", _STORED),
    "group": Key(integer(0, 255), "0", "the group that has the column", _STORED),
    "sampled_at": Key(choice("low-on", "high-on", "any"), '"low-on"', '"any"'),
    "in_loop": Key(boolean, "true", "false"),
    "board": Key(text, '"inverter A, number 3"', "none"),
    "bits": Key(integer(1, 32), "12", "`bits` of `[adc]`", _PIN),
    "adc_reference": Key(
        quantity(VOLTAGE, 0.0, 100.0, above=True), '"2.5 V"', "`reference` of `[adc]`", _PIN
    ),
    "code_offset": Key(integer(-(2**32), 2**32), "2048", "0", (*_PIN, D)),
    "decimals": Key(integer(0, 12), "2", "what the text shows", _STORED),
    "delay": Key(quantity(TIME, 0.0, 1.0), '"0.2 us"', '"0 us"', (*_PIN, D)),
    "bandwidth": Key(quantity(FREQUENCY, 0.0, 1e12, above=True), '"500 kHz"', "no correction", (*_PIN, D)),
    "delay_tolerance": Key(tolerance(TIME, 1.0), '"0.1 us"', "not in the uncertainty", (*_PIN, D)),
    "bandwidth_tolerance": Key(tolerance(RELATIVE, 1.0), '"20 %"', "not in the uncertainty", (*_PIN, D)),
    "shunt": Key(quantity(RESISTANCE, 0.0, 1e3, above=True), '"5 mΩ"', "", (S,)),
    "shunt_tolerance": Key(tolerance(RELATIVE, 1.0), '"1 %"', "not in the uncertainty", (S,)),
    "shunt_tempco": Key(tolerance(PER_KELVIN, 0.1), '"50 ppm/K"', "not in the uncertainty", (S,)),
    "shunt_heating": Key(quantity(HEATING, 0.0, 1e5), '"40 K/W"', "not in the uncertainty", (S,)),
    "temperature": Key(name, '"t_shunt"', "none", (S,)),
    "shunt_inductance": Key(quantity(INDUCTANCE, 0.0, 1e-3), '"1 nH"', "no correction", (S,)),
    "sense_copper": Key(quantity(RESISTANCE, 0.0, 1.0), '"0.02 mΩ"', "not in the uncertainty", (S,)),
    "gain": Key(number(0.0, 1e6, above=True), "20", "", (S,)),
    "gain_error": Key(tolerance(RELATIVE, 1.0), '"0.3 %"', "not in the uncertainty", (S, L)),
    "gain_drift": Key(tolerance(PER_KELVIN, 0.1), '"10 ppm/K"', "not in the uncertainty", (S, L)),
    "offset": Key(tolerance(INPUT_VOLTAGE, 10.0), '"150 µV"', "not in the uncertainty", (S, L)),
    "offset_drift": Key(tolerance(DRIFT, 1.0), '"2 µV/K"', "not in the uncertainty", (S, L)),
    "reference": Key(choice_or_voltage("ground", "supply", "mid-supply"), '"mid-supply"', "", (S,)),
    "supply": Key(choice_or_voltage("adc"), '"adc"', '"adc"', (S, L)),
    "zero_tolerance": Key(tolerance(RELATIVE, 1.0), '"0.1 %"', "not in the uncertainty", (S,)),
    "rail": Key(text, '"1.65 V of board A"', "none: its error is this channel's own", (S,)),
    "common_mode_rejection": Key(rejection, '"100 dB"', "not in the uncertainty", (S,)),
    "filter_resistance": Key(quantity(RESISTANCE, 0.0, 1e6), '"10 Ω"', '"0 Ω"', (S,)),
    "input_resistance": Key(quantity(RESISTANCE, 0.0, 1e9, above=True), '"5 kΩ"', "no correction", (S,)),
    "input_resistance_tolerance": Key(tolerance(RELATIVE, 1.0), '"20 %"', "not in the uncertainty", (S,)),
    "source_resistance": Key(quantity(RESISTANCE, 0.0, 1e9), '"1 kΩ"', '"0 Ω"', _PIN),
    "plus_input": Key(
        choice("bridge", "motor", "supply", "ground"),
        '"bridge"',
        '"bridge"; at the high side and the bus "supply"',
        (S,),
    ),
    "swing_low": Key(
        quantity(VOLTAGE, 0.0, 50.0), '"20 mV"', "50 mV assumed for a shunt's amplifier", (S, L)
    ),
    "swing_high": Key(
        quantity(VOLTAGE, 0.0, 50.0), '"20 mV"', "50 mV assumed for a shunt's amplifier", (S, L)
    ),
    "unit": Key(unit, '"A"', "the one in `scale`; none where that has none", (L, D)),
    "scale": Key(raw, '"25 A/V"', "required for linear; 1 for direct", (L, D)),
    "zero": Key(raw, '"1.65 V"', '"0 V" for linear; 0 for direct', (L, D)),
    "ratio": Key(number(0.0, 1e6, above=True), "11", "", (V,)),
    "ratio_tolerance": Key(tolerance(RELATIVE, 1.0), '"0.5 %"', "not in the uncertainty", (V,)),
    "r25": Key(quantity(RESISTANCE, 0.0, 1e9, above=True), '"10 kΩ"', _NTC, (N,)),
    "beta": Key(quantity(TEMPERATURE_STEP, 100.0, 20_000.0), '"3950 K"', _NTC, (N,)),
    "steinhart_hart": Key(
        steinhart_hart, "[1.129148e-3, 2.34125e-4, 8.76741e-8]", "none: `r25` and `beta` tell", (N,)
    ),
    "r0": Key(quantity(RESISTANCE, 0.0, 1e6, above=True), '"100 Ω"', '"100 Ω"', (R,)),
    "pull_up": Key(quantity(RESISTANCE, 0.0, 1e9, above=True), '"10 kΩ"', "", (N, R)),
    "pull_up_voltage": Key(choice_or_voltage("adc"), '"adc"', '"adc"', (N, R)),
    "labels": Key(labels, '{ 0 = "off", 1 = "run", 2 = "fault" }', "none: numbers", (Sensor.STATE,)),
    "from": Key(names, '["iu", "iv"]', "", (Sensor.COMPUTED,)),
}

_CURRENT_LIMIT = quantity(CURRENT, 0.0, 1e6, above=True)
_VOLTAGE_LIMIT = quantity(VOLTAGE, 0.0, 1e5, above=True)

WATCH_LEVELS: dict[str, Reader] = {
    **dict.fromkeys(("overcurrent", *_LOADS), _CURRENT_LIMIT),
    **dict.fromkeys(_VOLTAGES, _VOLTAGE_LIMIT),
    **dict.fromkeys(_SHARES, share),
    "overtemperature": quantity(TEMPERATURE, -273.15, 2000.0),
}
"""How ``limit`` and ``release`` are read, by the kind of a rule."""

_LEVELS = tuple(WATCH_LEVELS)

WATCH_UNITS: dict[str, str] = {
    **dict.fromkeys(_VOLTAGES, "V"),
    **dict.fromkeys(_SHARES, "%"),
    "overtemperature": "°C",
}
"""Unit of a rule's limit, by its kind; A where it is not here."""

WATCH: dict[str, Key] = {
    "kind": Key(choice(*WATCH_KINDS), '"overcurrent"'),
    "off": Key(boolean, "true", "false"),
    "channels": Key(
        names, '["iu", "iv", "iw"]', "required; the three phases or the bus where the kind is about them"
    ),
    "quantity": Key(choice(*WATCH_QUANTITIES), '"instant"', '"instant"', ("overcurrent",)),
    "limit": Key(raw, '"12 A"', "required for overcurrent and overtemperature; below", _LEVELS),
    "hold": Key(
        quantity(TIME, 0.0, 3600.0), '"100 us"', "below", (*_LEVELS[:1], *_LOADS, *_VOLTAGES, *_HOLDS)
    ),
    "release": Key(
        raw, '"11 A"', "0.95 × `limit`; below", ("overcurrent", "overload", *_VOLTAGES, *_SHARES, _HOT)
    ),
    "release_hold": Key(
        quantity(TIME, 0.0, 3600.0), '"50 ms"', '"50 ms"; below', (*_LEVELS, "clipping", "reversed")
    ),
    "above": Key(
        _CURRENT_LIMIT,
        '"0.6 A"',
        "10 % of the rated current, 20 % for unbalance; for undervoltage none",
        (*_SEQUENCES, "undervoltage"),
    ),
    "cycles": Key(integer(1, 10_000), "3", "3", ("phase-loss", "reversed")),
    "note": Key(share, '"5 %"', "half the `limit`", ("unbalance",)),
    "longest_cycle": Key(
        quantity(TIME, 0.001, 10.0),
        '"200 ms"',
        '"200 ms"; 1.2 s for sequences',
        ("overcurrent", *_INTEGRATING, *_SEQUENCES),
    ),
    "state": Key(name, '"mode"', "none: the currents alone tell", ("stall",)),
    "pre": Key(quantity(TIME, 0.0, 3600.0), '"20 ms"', '"100 ms"'),
    "post": Key(quantity(TIME, 0.0, 3600.0), '"20 ms"', '"400 ms"'),
    "curve": Key(choice("A", "B", "C"), '"A"', "", ("inverse-time",)),
    "pickup": Key(_CURRENT_LIMIT, '"8 A"', "required; none for i2t", _INTEGRATING),
    "tms": Key(number(0.0, 100.0, above=True), "1", "1", ("inverse-time",)),
    "tau": Key(quantity(TIME, 0.0, LONGEST_RUN_S, above=True), '"600 s"', "", ("thermal",)),
    "preload": Key(quantity(CURRENT, 0.0, 1e6), '"5 A"', '"0 A"', ("thermal",)),
    "i2t": Key(quantity(CURRENT_SQUARED_TIME, 0.0, 1e12, above=True), '"50 A²s"', "", ("i2t",)),
}

LIMITS: dict[str, Key] = {
    "current_rms": Key(bounds(CURRENT, 0.0, 1e6), '"6.5 A"', "not judged"),
    "unbalance": Key(bounds(RATIO, 0.0, 1.0), '"3 %"', "not judged"),
    "residual": Key(bounds(CURRENT, 0.0, 1e6), '"0.3 A"', "not judged"),
    "distortion": Key(bounds(RATIO, 0.0, 10.0), '"8 %"', "not judged"),
    "speed": Key(bounds(SPEED, 0.0, 1e7), '["2900 rpm", "3100 rpm"]', "not judged"),
    "bus_voltage": Key(bounds(VOLTAGE, -1e5, 1e5), '["22 V", "26 V"]', "not judged"),
    "input_power": Key(bounds(POWER, -1e9, 1e9), '"150 W"', "not judged"),
    "temperature": Key(bounds(TEMPERATURE, -273.15, 2000.0), '"60 °C"', "not judged"),
    "current_peak": Key(bounds(CURRENT, 0.0, 1e6), '"12 A"', "not judged"),
    "start_time": Key(bounds(TIME, 0.0, LONGEST_RUN_S), '"2.5 s"', "not judged"),
    "events": Key(count_bounds, "0", "not judged"),
}

KEEP: dict[str, Key] = {
    "raw": Key(quantity(LONG_TIME, 10.0, LONGEST_KEPT_S), '"6 h"', "all raw scans are kept"),
    "size": Key(quantity(SIZE, 64e6, LARGEST_FILE_BYTES), '"20 GB"', "no limit"),
    "free": Key(quantity(SIZE, 4e6, LARGEST_FILE_BYTES), '"2 GB"', '"4.2 MB"'),
    "around": Key(quantity(TIME, 0.0, 60.0), '"100 ms"', '"100 ms"'),
    "event": Key(quantity(TIME, 0.1, 3600.0), '"60 s"', '"60 s"'),
}

TABLES: dict[str, dict[str, Key]] = {
    "bench": BENCH,
    "link": LINK,
    "link.record": LINK_RECORD,
    "group": GROUP,
    "adc": ADC,
    "motor": MOTOR,
    "channel": CHANNEL,
    "watch": WATCH,
    "keep": KEEP,
    "limits": LIMITS,
}
"""Tables by name."""

REPEATED = ("group", "channel", "watch")
"""Tables that are written ``[[name]]``, once for each."""

REQUIRED_OF_WATCH: dict[str, tuple[str, ...]] = {
    "overcurrent": ("channels", "limit"),
    "inverse-time": ("channels", "curve", "pickup"),
    "thermal": ("channels", "pickup", "tau"),
    "i2t": ("channels", "i2t"),
    "clipping": ("channels",),
    "overtemperature": ("channels", "limit"),
}
"""Keys that a rule must have, by its kind."""

REQUIRED: dict[str, tuple[str, ...]] = {
    Sensor.SHUNT: ("shunt", "gain", "reference"),
    Sensor.LINEAR: ("scale",),
    Sensor.DIRECT: (),
    Sensor.DIVIDER: ("ratio",),
    Sensor.NTC: ("pull_up",),
    Sensor.RTD: ("pull_up",),
    Sensor.STATE: (),
    Sensor.COMPUTED: ("from",),
}
"""Keys that a channel must have, by its sensor."""

WAYS: dict[str, tuple[tuple[str, ...], ...]] = {Sensor.NTC: (("r25", "beta"), ("steinhart_hart",))}
"""Keys of which a channel must have one group whole and nothing of the others, by its sensor."""
