"""What refuses a bench file, and in which words."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livesense.bench import LARGEST_FILE, Bench, load, parse
from livesense.bench.tables import syntax_message
from livesense.errors import BenchError

Changed = Callable[..., Bench]

IU = 'channel "iu"'
SHUNT = 'shunt = "5 mΩ"'
WATCH = 'limit = "12 A"'
OVERCURRENT = 'kind = "overcurrent"\nchannels = ["iu", "iv", "iw"]\nlimit = "12 A"\n'
THERMAL = 'kind = "thermal"\nchannels = ["iu"]\npickup = "8 A"\ntau = "600 s"\n'


def _after(line: str, *more: str) -> tuple[str, str]:
    return line, "\n".join((line, *more))


# What is changed, and the message behind the file's name.
REFUSED: list[tuple[tuple[str, str], str]] = [
    # quantities
    ((SHUNT, 'shunt = "5 mA"'), f'{IU}: shunt: expected a resistance such as "5 mΩ", got "5 mA"'),
    ((SHUNT, "shunt = 0.005"), f'{IU}: shunt: expected a resistance such as "5 mΩ", got 0.005'),
    ((SHUNT, 'shunt = "5"'), f'{IU}: shunt: expected a resistance such as "5 mΩ", got "5"'),
    ((SHUNT, 'shunt = "0 Ω"'), f'{IU}: shunt: expected a resistance above 0 Ω and at most 1 kΩ, got "0 Ω"'),
    (
        (SHUNT, 'shunt = "-5 mΩ"'),
        f'{IU}: shunt: expected a resistance above 0 Ω and at most 1 kΩ, got "-5 mΩ"',
    ),
    ((SHUNT, 'shunt = "5 MΩ"'), f'{IU}: shunt: expected a resistance above 0 Ω and at most 1 kΩ, got "5 MΩ"'),
    ((SHUNT, 'shunt = "nan Ω"'), f'{IU}: shunt: expected a resistance such as "5 mΩ", got "nan Ω"'),
    (("gain = 20", "gain = nan"), f"{IU}: gain: expected a number above 0 and at most 1e+06, got nan"),
    (("gain = 20", "gain = inf"), f"{IU}: gain: expected a number above 0 and at most 1e+06, got inf"),
    (("gain = 20", "gain = 0"), f"{IU}: gain: expected a number above 0 and at most 1e+06, got 0"),
    (("gain = 20", "gain = true"), f"{IU}: gain: expected a number above 0 and at most 1e+06, got true"),
    (("gain = 20", 'gain = "20"'), f'{IU}: gain: expected a number above 0 and at most 1e+06, got "20"'),
    (
        _after("gain = 20", 'gain_error = "-1 %"'),
        f'{IU}: gain_error: expected a relative limit of error from 0 to 100 %, got "-1 %"',
    ),
    (
        _after("gain = 20", "gain_error = 0.003"),
        f'{IU}: gain_error: expected a relative limit of error such as "0.5 %", got 0.003',
    ),
    (
        _after("gain = 20", 'gain_error = "3 mV"'),
        f'{IU}: gain_error: expected a relative limit of error such as "0.5 %", got "3 mV"',
    ),
    (
        _after("gain = 20", 'offset = "20 V"'),
        f'{IU}: offset: expected a voltage from 0 to 10 V, got "20 V"',
    ),
    (("bits = 12", "bits = 33"), "adc: bits: expected a whole number from 1 to 32, got 33"),
    (("bits = 12", "bits = 12.0"), "adc: bits: expected a whole number from 1 to 32, got 12.0"),
    (
        ("bits = 12", "bits = " + "9" * 100),
        "adc: bits: expected a whole number from 1 to 32, got a number of more",
    ),
    (
        ("bits = 12", 'bits = 12\ninl = "2"'),
        'adc: inl: expected a limit of error such as "2 LSB" or "0.1 %", got "2"',
    ),
    (
        ("bits = 12", "bits = 12\ninl = 2"),
        'adc: inl: expected a limit of error such as "2 LSB" or "0.1 %", got 2',
    ),
    (
        ("bits = 12", 'bits = 12\ninl = "-2 LSB"'),
        "adc: inl: expected a limit of error from 0 LSB to 1000000 LSB, or",
    ),
    (("bits = 12", 'inl = "0.1 %"'), "adc: inl: expected LSB, or bits stated so that"),
    (("bits = 12", "bits = 12\nsigned = 1"), "adc: signed: expected true or false, got 1"),
    # names and choices
    (
        ('name = "iu"', 'name = "i u"'),
        'channel "i u": name: expected a letter, then letters, digits, _ . - and at',
    ),
    (('name = "iu"', 'name = "1u"'), 'channel "1u": name: expected a letter'),
    (('name = "iu"', f'name = "{"i" * 33}"'), f'channel "{"i" * 33}": name: expected a letter'),
    (
        ('name = "iu"', f'name = "{"i" * 99}"'),
        f"channel 1: name: expected a letter, then letters, digits, _ . - and"
        f' at most 32 characters, got "{"i" * 59}…"',
    ),
    (
        ('name = "iu"', 'name = "i\\u001bu"'),
        "channel 1: name: expected a letter, then letters, digits, _ . - and at "
        'most 32 characters, got "i\\u001bu"',
    ),
    (
        ('name = "iu"', 'name = "i\\u009bu"'),
        "channel 1: name: expected a letter, then letters, digits, _ . - and at "
        'most 32 characters, got "i\\x9bu"',
    ),
    (('name = "iu"\n', ""), 'channel 1: name: expected a name such as "iu", got nothing'),
    (('name = "iv"', 'name = "iu"'), f'{IU}: name: expected each name once, got "iu"'),
    (('sensor = "shunt"\n', ""), f'{IU}: sensor: expected a sensor such as "shunt", got nothing'),
    (
        ('sensor = "shunt"', 'sensor = "shnt"'),
        f'{IU}: sensor: expected "shunt", "linear", "direct", "divider", "ntc", '
        f'"rtd", "state" or "computed", '
        'got "shnt"',
    ),
    (('phase = "U"', 'phase = "A"'), f'{IU}: phase: expected "U", "V", "W", "bus" or "none", got "A"'),
    (('phase = "U"', 'phase = ["U"]'), f'{IU}: phase: expected "U", "V", "W", "bus" or "none", got ["U"]'),
    (
        _after(SHUNT, 'plus_input = "ground"'),
        f'{IU}: plus_input: expected "bridge" or "motor" with place = "in-line", got "ground"',
    ),
    (
        ('reference = "mid-supply"', ""),
        f'{IU}: reference: expected "ground", "supply", "mid-supply" or a voltage such',
    ),
    (
        ('reference = "mid-supply"', 'reference = "middle"'),
        f'{IU}: reference: expected "ground", "supply", "mid-supply" or a '
        f'voltage such as "1.65 V", got "middle"',
    ),
    (
        ('reference = "mid-supply"', 'reference = "4 V"'),
        f'{IU}: reference: expected a voltage below the supply of 3.3 V, got "4 V"',
    ),
    (
        _after(SHUNT, 'supply = "20 mV"'),
        f"{IU}: supply: expected room between the ends of the output's swing, "
        f'-0.03 V at the top, got "20 mV"',
    ),
    (
        _after(SHUNT, 'swing_low = "3.3 V"'),
        f"{IU}: swing_low: expected room between the ends of the output's "
        f'swing, 3.25 V at the top, got "3.3 V"',
    ),
    # keys
    ((SHUNT, 'shnt = "5 mΩ"'), f'{IU}: shnt: expected a known key (nearest: "shunt"), got "shnt"'),
    ((SHUNT, 'zzz = "5 mΩ"'), f"{IU}: zzz: expected one of name, sensor, phase,"),
    ((SHUNT, '"\\u001b" = 1'), f"{IU}: \\x1b: expected one of"),
    ((SHUNT, f'"{"z" * 99}" = 1'), f"{IU}: {'z' * 59}…: expected one of"),
    (("[adc]", "[adcs]"), 'adcs: expected a known table (nearest: "adc"), got "adcs"'),
    (
        ("[adc]", "[zzz]"),
        "zzz: expected one of bench, link, group, adc, motor, channel, watch, keep or limits, got",
    ),
    ((SHUNT + "\n", ""), f'{IU}: shunt: expected a resistance such as "5 mΩ", got nothing'),
    (("gain = 20\n", ""), f"{IU}: gain: expected a number such as 20, got nothing"),
    (
        ("ratio = 11\n", ""),
        'channel "vbus": ratio: expected a number such as 11 (bus volts over pin volts), got',
    ),
    (
        _after(SHUNT, "ratio = 11"),
        f'{IU}: ratio: expected no such key with sensor = "shunt" (it belongs to divider), got 11',
    ),
    (
        ('reference = "3.3 V"', ""),
        f'{IU}: expected the ADC\'s reference: reference = "3.3 V" in [adc], or adc_reference here',
    ),
    (("[bench]", "bench = 1\n[link.x]"), "bench: expected a table that begins with [bench], got 1"),
    (
        ("[[watch]]", "[watch]"),
        "watch: expected [[watch]] with two brackets, once for each watch, got a table",
    ),
    (('kind = "overcurrent"\n', ""), 'watch 1: kind: expected a value such as "overcurrent", got nothing'),
    (('channels = ["iu", "iv", "iw"]\n', ""), "watch 1: channels: expected a value such as"),
    ((WATCH, ""), 'watch 1: limit: expected a value such as "12 A", since kind = "overcurrent", got nothing'),
    # the link
    (("baud = 3000000", 'columns = ["iu"]'), 'link: columns: expected no such key with wire = "framed"'),
    (("baud = 3000000", 'port_ = "x"'), 'link: port_: expected a known key (nearest: "port"), got "port_"'),
    (('port = "COM5"', 'port = ""'), "link: port: expected a text of 1 to 200 characters, got"),
    (
        ('port = "COM5"', "port = 2026-01-01"),
        "link: port: expected a text of 1 to 200 characters, got 2026-01-01",
    ),
    (('port = "COM5"', "record = 1"), "link: record: expected a table [link.record], got 1"),
    (('wire = "framed"', 'wire = "frmd"'), 'link: wire: expected "framed", "text" or "record", got "frmd"'),
    # rules
    (
        (WATCH, 'limit = "17 A"'),
        'watch 1: limit: expected less than "iu" can read, -16 A to 16 A (an output swing of',
    ),
    ((WATCH, 'limit = "16 A"'), 'watch 1: limit: expected less than "iu" can read, -16 A to 16 A'),
    ((WATCH, 'limit = "0 A"'), 'watch 1: limit: expected a current above 0 A and at most 1 MA, got "0 A"'),
    (
        ('["iu", "iv", "iw"]', '["iu", "ix"]'),
        "watch 1: channels: expected channels out of iu, iv, iw, vbus, got",
    ),
    (('["iu", "iv", "iw"]', '["iu", "iu"]'), 'watch 1: channels: expected each name once, got ["iu", "iu"]'),
    (
        ('["iu", "iv", "iw"]', '["vbus"]'),
        'watch 1: channels: expected channels that read a current in A, got "vbus in',
    ),
    (
        ('["iu", "iv", "iw"]', "[]"),
        'watch 1: channels: expected a list of names such as ["iu", "iv", "iw"], got []',
    ),
    (('["iu", "iv", "iw"]', "[1, {}]"), "watch 1: channels: expected a list of names such as"),
    (
        ('["iu", "iv", "iw"]', '["iu", "iv"]\nquantity = "vector"'),
        "watch 1: channels: expected one current each of the phases U, V and W for a vector, got "
        '["iu (phase U)", "iv (phase V)"]',
    ),
    (_after(WATCH, 'release = "13 A"'), 'watch 1: release: expected at most the limit, got "13 A"'),
    (_after(WATCH, 'hold = "-1 s"'), 'watch 1: hold: expected a time from 0 s to 1 h, got "-1 s"'),
    (
        _after(WATCH, 'tau = "1 s"'),
        'watch 1: tau: expected no such key with kind = "overcurrent" (it belongs to',
    ),
    # records
    (
        ('wire = "framed"', 'wire = "record"'),
        'link: record: expected a table [link.record] with sync and fields, since wire = "record"',
    ),
    (
        ('wire = "framed"', 'record = { sync = "A5", fields = ["iu:u16"] }'),
        'link: record: expected no such table with wire = "framed": it declares the bytes of a record',
    ),
    (('wire = "framed"', 'record = { sync = "A5" }'), "link.record: fields: expected a list such as ["),
    (
        ('wire = "framed"', 'record = { fields = ["iu:u16"] }'),
        "link.record: sync: expected a sync word, a check, or both: without them no record can be found",
    ),
    (('wire = "framed"', "record = { fields = 1 }"), "link.record: fields: expected a list of texts, got 1"),
    (
        ('wire = "framed"', 'record = { snc = "A5" }'),
        'link.record: snc: expected a known key (nearest: "sync"), got "snc"',
    ),
    # known, but not built
    (
        ("pole_pairs = 5", 'inductance_d = "0.2 mH"'),
        "motor: inductance_d: expected nothing here (known, but this version does not do it yet), "
        'got "0.2 mH"',
    ),
    # rules that integrate
    (
        ('kind = "overcurrent"', 'kind = "i2t"\ni2t = "50 A²s"'),
        'watch 1: limit: expected no such key with kind = "i2t" (it belongs to overcurrent, overload, ',
    ),
    (
        ('kind = "overcurrent"', 'kind = "thermal"\ntau = "50 A"'),
        'watch 1: tau: expected a time such as "100 us", got "50 A"',
    ),
    (
        (OVERCURRENT, THERMAL.replace('tau = "600 s"\n', "")),
        'watch 1: tau: expected a value such as "600 s", since kind = "thermal", got nothing',
    ),
    (
        (OVERCURRENT, THERMAL.replace('pickup = "8 A"\n', "")),
        'watch 1: pickup: expected a value such as "8 A", since kind = "thermal", got nothing',
    ),
    (
        (OVERCURRENT, THERMAL.replace('"thermal"', '"inverse-time"').replace('tau = "600 s"\n', "")),
        'watch 1: curve: expected a value such as "A", since kind = "inverse-time", got nothing',
    ),
    (
        (OVERCURRENT, THERMAL.replace('"thermal"', '"i2t"').replace('tau = "600 s"\n', "")),
        'watch 1: i2t: expected a value such as "50 A²s", since kind = "i2t", got nothing',
    ),
    (
        (OVERCURRENT, THERMAL.replace("8 A", "17 A")),
        'watch 1: pickup: expected less than "iu" can read, -16 A to 16 A',
    ),
    (
        (OVERCURRENT, THERMAL.replace('tau = "600 s"', 'curve = "D"')),
        'watch 1: curve: expected "A", "B" or "C", got "D"',
    ),
    (
        (OVERCURRENT, THERMAL + 'quantity = "vector"\n'),
        'watch 1: quantity: expected no such key with kind = "thermal" (it belongs to overcurrent), got',
    ),
    (
        _after(WATCH, 'longest_cycle = "1 s"'),
        'watch 1: longest_cycle: expected no such key with quantity = "instant": no rms is taken, got "1 s"',
    ),
    (
        (OVERCURRENT, 'kind = "i2t"\ni2t = "9 A²s"\nchannels = ["iu"]\nlongest_cycle = "1 s"\n'),
        "watch 1: longest_cycle: expected a pickup beside it: without one no rms is taken, got",
    ),
    (
        (OVERCURRENT, THERMAL + 'longest_cycle = "1 us"\n'),
        'watch 1: longest_cycle: expected a time from 1 ms to 10 s, got "1 us"',
    ),
    (
        ("[motor]", "[limits]\nunbalance = 1\n[motor]"),
        'limits: unbalance: expected a ratio such as "3 %", got 1',
    ),
    (
        ("[motor]", '[limits]\nspeed = ["3000 rpm"]\n[motor]'),
        "limits: speed: expected the most that is allowed, or the least and the most",
    ),
    (
        ("[motor]", '[limits]\nspeed = ["3000 rpm", "2900 rpm"]\n[motor]'),
        "limits: speed: expected the least before the most, and below it, got",
    ),
    (
        ("[motor]", "[limits]\nevents = true\n[motor]"),
        "limits: events: expected a whole number from 0 up, got true",
    ),
    (
        ("[motor]", '[limits]\nunbalanse = "3 %"\n[motor]'),
        'limits: unbalanse: expected a known key (nearest: "unbalance"), got',
    ),
    # TOML itself
    (
        ("[adc]", "[adc"),
        "line 7, column 5: expected TOML such as key = \"value\", got an error: expected ']'",
    ),
    (('reference = "3.3 V"', 'reference = "3.3 V'), "line 9, column 19: expected TOML"),
    (("[motor]", "[adc]"), "line 10, column 5: expected TOML"),
    (("bits = 12", "bits = " + "1" * 5000), "expected a bench file, got a number of thousands of digits"),
    (
        ("bits = 12", "bits = " + "[" * 9999),
        "expected a bench file, got brackets within brackets without end",
    ),
]


@pytest.mark.parametrize(("change", "message"), REFUSED, ids=[message[:60] for _, message in REFUSED])
def test_refused(changed: Changed, change: tuple[str, str], message: str) -> None:
    with pytest.raises(BenchError) as caught:
        changed(*change)
    assert str(caught.value).startswith("pump.toml: " + message)


MORE_REFUSED: list[tuple[str, str]] = [
    (
        '[[channel]]\nname = "x"\nsensor = "state"\ncolumn = '
        '"iu"\n[[channel]]\nname = "y"\nsensor = "direct"\n'
        'column = "vbus"\n',
        'channel "y": column: expected a column of its own ("vbus" has this one), got "vbus"',
    ),
    (
        '[[channel]]\nname = "x"\nsensor = "computed"\n',
        'channel "x": from: expected the names of other channels',
    ),
    (
        '[[channel]]\nname = "x"\nsensor = "computed"\nfrom = ["iu", "x"]\n',
        'channel "x": from: expected channels out of iu, iv, iw, vbus, got "x"',
    ),
    (
        '[[channel]]\nname = "x"\nsensor = "computed"\nfrom = ["iu", "vbus"]\n',
        'channel "x": from: expected channels of one unit, got ["iu in A", "vbus in V"]',
    ),
    (
        '[[channel]]\nname = "a"\nsensor = "direct"\ngroup = 1\n[[channel]]\nname = "b"\nsensor = "direct"\n'
        '[[channel]]\nname = "x"\nsensor = "computed"\nfrom = ["a", "b"]\n',
        'channel "x": from: expected channels of one group, got ["a", "b"]',
    ),
    (
        '[[channel]]\nname = "a"\nsensor = "direct"\n[[watch]]\nkind = '
        '"overcurrent"\nchannels = ["a"]\nlimit = "1 A"',
        'watch 2: channels: expected channels that read a current in A, got "a in no unit"',
    ),
    (
        '[[channel]]\nname = "t"\nsensor = "linear"\nscale = 25\n',
        'channel "t": scale: expected units per volt such as "25 A/V", or '
        'volts per unit such as "40 mV/A", got 25',
    ),
    (
        '[[channel]]\nname = "t"\nsensor = "linear"\nunit = "bar"\nscale = "0 bar/V"\n',
        'channel "t": scale: expected',
    ),
    (
        '[[channel]]\nname = "t"\nsensor = "linear"\nunit = "A"\nscale = "2 bar/V"\n',
        'channel "t": scale: expected units per volt such as "25 A/V", or '
        'volts per unit such as "40 mV/A", got',
    ),
    (
        '[[channel]]\nname = "t"\nsensor = "linear"\nscale = "25 A/V"\nzero = 1.65\n',
        'channel "t": zero: expected a voltage such as "1.65 V", got 1.65',
    ),
    (
        '[[channel]]\nname = "t"\nsensor = "linear"\nscale = "25 A/V"\nzero = "1 A"\n',
        'channel "t": zero: expected a voltage such as "1.65 V", got "1 A"',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nscale = 0\n',
        'channel "d": scale: expected a number that is not',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nscale = nan\n',
        'channel "d": scale: expected a number that is not',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nscale = "A"\n',
        'channel "d": scale: expected a number that is',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nunit = "A"\nscale = "1 V"\n',
        'channel "d": scale: expected a number that is not zero, or a step such as "0.1 A", got "1 V"',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nzero = "1 A"\n',
        'channel "d": zero: expected a code such as 2048',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nscale = true\n',
        'channel "d": scale: expected a number that is not zero',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nzero = true\n',
        'channel "d": zero: expected a code such as 2048',
    ),
    (
        '[[channel]]\nname = "d"\nsensor = "direct"\nunit = "a b"\n',
        'channel "d": unit: expected a unit of at most 16',
    ),
    (
        '[[channel]]\nname = "s"\nsensor = "state"\nlabels = 1\n',
        'channel "s": labels: expected a table such as',
    ),
    (
        '[[channel]]\nname = "s"\nsensor = "state"\nlabels = { a = "b" }\n',
        'channel "s": labels: expected a table',
    ),
    (
        '[[channel]]\nname = "s"\nsensor = "state"\nlabels = { 1 = "b", 01 = "c" }\n',
        'channel "s": labels: expected each code once, got a table',
    ),
    (
        '[[channel]]\nname = "r"\nsensor = "rtd"\npull_up = "1 kΩ"\npull_up_voltage = "1 mV"\n',
        'channel "r": pull_up_voltage: expected at least 0.1 V, got "1 mV"',
    ),
    (
        '[[group]]\nrate = "20 kHz"\n[[channel]]\nname = "s"\nsensor = "state"\ngroup = 1\n',
        'channel "s": group: expected one of the 1 [[group]] tables, counted from 0, got 1',
    ),
    (
        '[[group]]\nchannels = ["iu"]\n[[channel]]\nname = "s"\nsensor = "state"\ngroup = 0\n',
        'channel "s": column: expected one of the channels of group 0: iu, got "s"',
    ),
    ("[[group]]\nrate = 20000\n", 'group 0: rate: expected a rate such as "20 kHz", got 20000'),
    (
        '[[group]]\nrate = "0 Hz"\n',
        'group 0: rate: expected a rate above 0 Hz and at most 1000 MHz, got "0 Hz"',
    ),
]


_BETA = 'r25 = "10 kΩ"\nbeta = "3950 K"\n'
_COEFFICIENTS = "steinhart_hart = [1.129148e-3, 2.34125e-4, 8.76741e-8]\n"
_WAYS = "r25 and beta, or steinhart_hart"
_THREE = (
    "steinhart_hart: expected three coefficients A, B and C such as [1.129148e-3, 2.34125e-4, 8.76741e-8]"
)
_FALLS = "steinhart_hart: expected A, B and C, for ohms and kelvins, of a resistance that falls from 0 °C to"
THERMISTORS = [
    ("", f'r25: expected a resistance such as "10 kΩ": a thermistor is stated by {_WAYS}, got nothing'),
    ('r25 = "10 kΩ"\n', 'beta: expected a temperature difference such as "3950 K", got nothing'),
    ('beta = "3950 K"\n', 'r25: expected a resistance such as "10 kΩ", got nothing'),
    (
        _BETA + _COEFFICIENTS,
        f"steinhart_hart: expected one way only to state a thermistor: {_WAYS}; remove the other, got [0.00",
    ),
    ('beta = "3950 K"\n' + _COEFFICIENTS, "steinhart_hart: expected one way only to state a thermistor"),
    ("steinhart_hart = 1e-3\n", f"{_THREE}, got 0.001"),
    ("steinhart_hart = [1e-3, 2e-4]\n", f"{_THREE}, got [0.001, 0.0002]"),
    ("steinhart_hart = [1e-3, 2e-4, 1e-7, 0]\n", _THREE),
    ('steinhart_hart = [1e-3, "2e-4", 1e-7]\n', _THREE),
    ("steinhart_hart = [true, 2e-4, 1e-7]\n", _THREE),
    ("steinhart_hart = [nan, 2e-4, 1e-7]\n", _THREE),
    ("steinhart_hart = [1e-3, inf, 1e-7]\n", _THREE),
    (f"steinhart_hart = [1e-3, {'9' * 400}, 1e-7]\n", _THREE),
    # rising, flat, no curve at all, for °C instead of kelvins, and one that turns at 18 °C
    ("steinhart_hart = [5e-3, -2e-4, 1e-7]\n", f"{_FALLS} 100 °C, between 1 mΩ and 100 MΩ, got [0.005"),
    ("steinhart_hart = [3e-3, 0, 0]\n", _FALLS),
    ("steinhart_hart = [1e-3, 0, 1e-6]\n", _FALLS),
    ("steinhart_hart = [0, 0, 0]\n", _FALLS),
    ("steinhart_hart = [0.02, 2e-3, 1e-7]\n", _FALLS),
    ("steinhart_hart = [1.26e-3, 4e-4, -2e-6]\n", _FALLS),
]


@pytest.mark.parametrize(("stated", "message"), THERMISTORS)
def test_a_thermistor_is_refused(changed: Changed, stated: str, message: str) -> None:
    more = f'[[channel]]\nname = "t"\nsensor = "ntc"\npull_up = "10 kΩ"\n{stated}'
    with pytest.raises(BenchError, match="^" + re.escape(f'pump.toml: channel "t": {message}')):
        changed(more=more)


@pytest.mark.parametrize(("more", "message"), MORE_REFUSED, ids=[message[:60] for _, message in MORE_REFUSED])
def test_refused_in_addition(changed: Changed, more: str, message: str) -> None:
    with pytest.raises(BenchError) as caught:
        changed(more=more)
    assert str(caught.value).startswith("pump.toml: " + message)


TEXT = """
[link]
wire = "text"
{link}
[adc]
reference = "3.3 V"
{adc}
[[group]]
rate = "1 kHz"
{group}
[[channel]]
name = "iu"
sensor = "divider"
ratio = 2
{channel}
"""


@pytest.mark.parametrize(
    ("part", "message"),
    [
        (
            {},
            'channel "iu": bits: expected the ADC\'s bits here or in [adc]: text '
            "does not tell them, got nothing",
        ),
        (
            {"adc": "bits = 12", "channel": "group = 1"},
            'channel "iu": group: expected 0: text has one group, got 1',
        ),
        (
            {"adc": "bits = 12", "group": "[[group]]"},
            'group: expected one [[group]] at most: wire = "text" has one group, got',
        ),
        (
            {"adc": "bits = 12", "link": 'columns = ["n", "iv"]'},
            'channel "iu": column: expected one of the columns in [link]: n, iv, got "iu"',
        ),
    ],
)
def test_a_text_wire_refuses(part: dict[str, str], message: str) -> None:
    filled = {"link": "", "adc": "", "group": "", "channel": ""} | part
    with pytest.raises(BenchError) as caught:
        parse(TEXT.format(**filled), "pump.toml")
    assert str(caught.value).startswith("pump.toml: " + message)


def test_a_vector_of_phases_in_several_groups() -> None:
    channel = '[[channel]]\nname = "i{0}"\nphase = "{1}"\nsensor = "direct"\nunit = "A"\ngroup = {2}\n'
    text = "".join(channel.format(p.lower(), p, g) for p, g in (("U", 0), ("V", 0), ("W", 1)))
    text += '[[watch]]\nkind = "overcurrent"\nquantity = "vector"\nchannels = '
    text += '["iu", "iv", "iw"]\nlimit = "12 A"\n'
    with pytest.raises(BenchError, match="watch 1: channels: expected phases of one group for a vector"):
        parse(text)


def test_a_computed_channel_is_limited_by_its_sources(changed: Changed) -> None:
    computed = '[[channel]]\nname = "ix"\nsensor = "computed"\nfrom = ["iu", "iv"]\n'
    rule = '[[watch]]\nkind = "overcurrent"\nchannels = ["ix"]\nlimit = "{} A"\n'
    assert changed(more=computed + rule.format(31)).watches[1].limit == 31
    with pytest.raises(BenchError, match='less than "ix" can read, -32 A to 32 A'):
        changed(more=computed + rule.format(33))


def test_where_codes_alone_decide_any_limit_is_taken(changed: Changed) -> None:
    more = '[[channel]]\nname = "d"\nsensor = "direct"\nunit = "A"\n'
    more += '[[channel]]\nname = "x"\nsensor = "computed"\nfrom = ["iu", "d"]\n'
    more += '[[watch]]\nkind = "overcurrent"\nchannels = ["d", "x"]\nlimit = "900 A"\n'
    assert changed(more=more).watches[1].limit == 900


def test_a_status_word_may_be_shown_as_number_and_as_state(changed: Changed) -> None:
    more = '[[channel]]\nname = "status"\nsensor = "direct"\n'
    more += '[[channel]]\nname = "state"\ncolumn = "status"\nsensor = "state"\n'
    assert changed(more=more).channels[-1].column == "status"


# Files


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(
        BenchError, match=r"^none\.toml: expected a bench file at .*, got nothing there; `livesense init`"
    ):
        load(tmp_path / "none.toml")


def test_a_directory(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"^benches: expected a bench file.*, got a directory"):
        (tmp_path / "benches").mkdir()
        load(tmp_path / "benches")


def test_the_directory_one_is_in() -> None:
    with pytest.raises(BenchError, match=r"^\.: expected a bench file"):
        load(".")


def test_a_path_through_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BenchError, match=r"^pump\.toml: expected a bench file"):
        load(tmp_path / "file" / "pump.toml")


def test_bytes_that_are_not_utf_8(tmp_path: Path) -> None:
    path = tmp_path / "pump.toml"
    path.write_bytes('[bench]\nname = "5 mΩ"\n'.encode("utf-16-le"))
    path.write_bytes(b'[bench]\nname = "5 m\xe9"\n')
    with pytest.raises(
        BenchError, match=r"^pump\.toml: line 2: expected UTF-8 text, got the byte 0xe9; save"
    ):
        load(path)


def test_a_file_that_is_too_large(tmp_path: Path) -> None:
    path = tmp_path / "capture.bin"
    path.write_bytes(b"#" * (LARGEST_FILE + 1))
    with pytest.raises(
        BenchError, match=r"^capture\.bin: expected a bench file of at most 1 MiB, got a larger one"
    ):
        load(path)


def test_a_complaint_without_a_position_is_passed_on() -> None:
    assert syntax_message("odd", "pump.toml") == "pump.toml: expected TOML, got: odd"


def test_the_path_is_not_in_messages() -> None:
    for path in ("C:\\benches\\pump.toml", "/benches/pump.toml"):
        with pytest.raises(BenchError, match=r"^pump\.toml: line 1"):
            parse("[bench\n", path)


# Nothing but BenchError

SHAPE = re.compile(r"pump\.toml: .*expected .+, got .+", re.DOTALL)


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_bench_or_a_bench_error(text: str) -> None:
    try:
        parse(text, "pump.toml")
    except BenchError as error:
        assert SHAPE.match(str(error))


VALUES = st.one_of(
    st.sampled_from(
        ['""', '"5"', '"5 mA"', '"nan V"', "nan", "-inf", "0", "-1", "true", "[]", "{}", "1979-05-27"]
    ),
    st.sampled_from(
        ['"U"', '"iu"', '["iu"]', '[["iu"]]', "[1]", '"1e300 V"', '"-1 A"', '"mid-supply"', "1e300"]
    ),
    st.integers().map(str),
    st.floats().map(lambda x: str(x)),
)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_value_anywhere_is_taken_or_a_bench_error(pump: str, data: st.DataObject) -> None:
    lines = pump.splitlines()
    keyed = [number for number, line in enumerate(lines) if "=" in line]
    for number in data.draw(st.lists(st.sampled_from(keyed), min_size=1, max_size=3)):
        key = lines[number].split("=")[0]
        lines[number] = f"{key}= {data.draw(VALUES)}"
    try:
        parse("\n".join(lines), "pump.toml")
    except BenchError as error:
        assert SHAPE.match(str(error))
