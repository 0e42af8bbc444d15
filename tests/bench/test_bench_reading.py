"""What a bench file's keys become."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from livesense.bench import Bench, Bounds, Sensor, Tolerance, Watch, load, parse
from livesense.bench.template import starter

Changed = Callable[..., Bench]


def test_the_pump(changed: Changed) -> None:
    bench = changed()
    assert bench.name == "coolant pump, 24 V"
    assert (bench.link.port, bench.link.baud, bench.link.wire) == ("COM5", 3_000_000, "framed")
    assert (bench.adc.bits, bench.adc.reference_v, bench.adc.signed, bench.adc.steps) == (
        12,
        3.3,
        False,
        None,
    )
    assert bench.motor is not None
    assert (bench.motor.kind, bench.motor.pole_pairs, bench.motor.sequence) == ("permanent-magnet", 5, None)
    assert [c.name for c in bench.channels] == ["iu", "iv", "iw", "vbus"]
    assert bench.path == "benches/pump.toml"
    assert bench.warnings == ()


def test_a_shunt_channel_with_its_defaults(changed: Changed) -> None:
    channel = changed().channels[0]
    assert channel.column == "iu"
    assert (channel.phase, channel.place, channel.sensor, channel.unit) == ("U", "in-line", Sensor.SHUNT, "A")
    assert (channel.shunt_ohm, channel.gain, channel.reference, channel.supply) == (
        0.005,
        20,
        "mid-supply",
        "adc",
    )
    assert (channel.plus_input, channel.swing_low_v, channel.swing_high_v) == ("bridge", 0.05, 0.05)
    assert (channel.code_offset, channel.delay_s, channel.bandwidth_hz) == (0, 0.0, None)
    assert (channel.in_loop, channel.board, channel.sampled_at) == (False, None, None)
    assert channel.assumed == (
        "shunt_tolerance",
        "gain_error",
        "offset",
        "shunt_tempco",
        "offset_drift",
        "common_mode_rejection",
        "swing_low",
        "swing_high",
        "reference_tolerance",
        "offset_error",
        "inl",
        "adc.gain_error",
    )


def test_the_rule_with_its_defaults(changed: Changed) -> None:
    assert changed().watches == (
        Watch("overcurrent", "instant", ("iu", "iv", "iw"), 12.0, "A", 0.0, 0.95 * 12.0, 0.05, 0.1, 0.4),
    )


def test_a_rule_with_everything(changed: Changed) -> None:
    more = '[[watch]]\nkind = "overcurrent"\nquantity = "vector"\nchannels = '
    more += '["iw", "iu", "iv"]\nlimit = "10 A"\n'
    more += 'hold = "1 ms"\nrelease = "8 A"\nrelease_hold = "0.2 s"\n'
    watch = changed(more=more).watches[1]
    assert watch == Watch("overcurrent", "vector", ("iw", "iu", "iv"), 10.0, "A", 0.001, 8.0, 0.2, 0.1, 0.4)


def test_stated_tolerances_are_not_assumed(changed: Changed) -> None:
    stated = (
        'reference = "3.3 V"\nreference_tolerance = "±0.2 %"\noffset_error = "1 LSB"\ninl = "0.1 %"\n'
        'gain_error = "0.1 % (k=2)"\n'
    )
    bench = changed('reference = "3.3 V"\n', stated)
    assert bench.adc.reference_tolerance == Tolerance(0.002, None)
    assert bench.adc.offset_error == Tolerance(1.0, None)
    assert bench.adc.inl == Tolerance(4.096, None)
    assert bench.adc.gain_error == Tolerance(0.001, 2.0)
    assert bench.channels[3].assumed == ("ratio_tolerance",)


def test_per_cent_of_full_scale_are_of_the_steps(changed: Changed) -> None:
    assert changed("bits = 12", 'bits = 12\nsteps = 4000\ninl = "0.1 %"').adc.inl == Tolerance(4.0, None)


@pytest.mark.parametrize(("k", "divisor"), [(None, 3**0.5), (1.0, 1.0), (2.0, 2.0)])
def test_standard_uncertainty_of_a_tolerance(k: float | None, divisor: float) -> None:
    assert Tolerance(0.3, k).u == pytest.approx(0.3 / divisor)


@pytest.mark.parametrize(
    ("phase", "place", "default"),
    [
        ("U", "in-line", "bridge"),
        ("U", "high-side", "supply"),
        ("U", "low-side", "bridge"),
        ("bus", "high-side", "supply"),
        ("bus", "low-side", "bridge"),
        ("bus", "in-line", "supply"),
    ],
)
def test_plus_input_defaults(changed: Changed, phase: str, place: str, default: str) -> None:
    bench = changed('phase = "U"', f'phase = "{phase}"\nplace = "{place}"')
    assert bench.channels[0].plus_input == default


def test_the_bus_is_high_side_unless_it_says_otherwise(changed: Changed) -> None:
    assert changed().channels[3].place == "high-side"


def test_sensors_other_than_shunts(changed: Changed) -> None:
    more = """
[[channel]]
name = "hall"
sensor = "linear"
scale = "40 mV/A"
zero = "1.65 V"
[[channel]]
name = "t_sink"
sensor = "linear"
unit = "°C"
scale = "10 mV/K"
zero = "0.5 V"
[[channel]]
name = "t_motor"
sensor = "ntc"
r25 = "10 kΩ"
beta = "3950 K"
pull_up = "4.7 kΩ"
[[channel]]
name = "t_rotor"
sensor = "ntc"
steinhart_hart = [1.129148e-3, 2.34125e-4, 8.76741e-8]
pull_up = "4.7 kΩ"
[[channel]]
name = "t_water"
sensor = "rtd"
pull_up = "1 kΩ"
pull_up_voltage = "2.5 V"
[[channel]]
name = "speed"
column = "rpm"
sensor = "direct"
unit = "rpm"
scale = 0.5
zero = 100
[[channel]]
name = "duty"
sensor = "direct"
unit = "A"
scale = "1 mA"
zero = "2 LSB"
[[channel]]
name = "torque"
sensor = "direct"
scale = "2 mA/LSB"
[[channel]]
name = "state"
sensor = "state"
labels = { 1 = "run", 0 = "off" }
[[channel]]
name = "flag"
sensor = "state"
labels = ["no", "yes"]
[[channel]]
name = "iw_2"
phase = "W"
sensor = "computed"
from = ["iu", "iv"]
"""
    channels = {c.name: c for c in changed(more=more).channels}
    assert (channels["hall"].scale, channels["hall"].unit, channels["hall"].zero) == (25.0, "A", 1.65)
    assert (channels["t_sink"].scale, channels["t_sink"].unit) == (100.0, "°C")
    assert (channels["t_motor"].r25_ohm, channels["t_motor"].beta_k) == (10_000, 3950)
    assert channels["t_motor"].steinhart_hart is channels["t_rotor"].beta_k is None
    assert channels["t_rotor"].steinhart_hart == (1.129148e-3, 2.34125e-4, 8.76741e-8)
    assert (channels["t_motor"].pull_up_ohm, channels["t_motor"].pull_up_v) == (4700, "adc")
    assert (channels["t_water"].r0_ohm, channels["t_water"].pull_up_v) == (100.0, 2.5)
    assert "reference_tolerance" in channels["t_water"].assumed
    assert "reference_tolerance" not in channels["t_motor"].assumed
    assert (channels["speed"].column, channels["speed"].scale, channels["speed"].zero) == ("rpm", 0.5, 100.0)
    assert (channels["duty"].scale, channels["duty"].zero) == (0.001, 2.0)
    assert (channels["torque"].scale, channels["torque"].unit) == (0.002, "A")
    assert channels["state"].labels == ((0, "off"), (1, "run"))
    assert channels["flag"].labels == ((0, "no"), (1, "yes"))
    computed = channels["iw_2"]
    assert (computed.source, computed.column, computed.unit) == (("iu", "iv"), "", "A")
    assert [channels[n].quantity for n in ("hall", "vbus", "t_motor", "state", "speed")] == [
        "current",
        "voltage",
        "temperature",
        "state",
        "number",
    ]


@pytest.mark.parametrize(
    ("reference", "supply", "assumed"),
    [
        ("mid-supply", "5 V", "supply"),
        ("supply", "5 V", "supply"),
        ("1.65 V", "adc", "reference"),
        ("ground", "5 V", None),
    ],
)
def test_the_error_of_an_outside_zero_is_named(
    changed: Changed, reference: str, supply: str, assumed: str | None
) -> None:
    bench = changed('reference = "mid-supply"', f'reference = "{reference}"\nsupply = "{supply}"')
    found = {"supply", "reference"} & set(bench.channels[0].assumed)
    assert found == ({assumed} if assumed else set())


def test_groups_and_a_text_wire() -> None:
    bench = parse(
        """
[link]
wire = "text"
columns = ["n", "iu"]
counter_bits = 16
on_open = "go"
dtr = false
rts = true
[adc]
bits = 10
reference = "5 V"
[[group]]
rate = "1 kS/s"
[[channel]]
name = "iu"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "ground"
phase = "none"
""",
        "text.toml",
    )
    assert bench.name == "text"
    assert bench.motor is None
    assert bench.link.columns == ("n", "iu")
    assert (bench.link.counter_bits, bench.link.on_open, bench.link.dtr, bench.link.rts) == (
        16,
        "go",
        False,
        True,
    )
    assert (bench.groups[0].rate_hz, bench.groups[0].code, bench.groups[0].channels) == (1000.0, None, ())
    assert bench.channels[0].phase is None


def test_a_channel_in_a_declared_group(changed: Changed) -> None:
    more = '[[group]]\nrate = "20 kHz"\n[[group]]\nrate = "10 Hz"\nchannels = ["t", "state"]\n'
    more += '[[channel]]\nname = "state"\nsensor = "state"\ngroup = 1\n'
    more += '[[channel]]\nname = "mode"\nsensor = "state"\ngroup = 0\n'
    assert [c.group for c in changed(more=more).channels[-2:]] == [1, 0]


def test_an_empty_file_is_a_bench_without_channels() -> None:
    bench = parse("", "")
    assert bench.channels == ()
    assert bench.name == "bench file"


def test_reading_from_disk(tmp_path: Path, pump: str) -> None:
    path = tmp_path / "pump.toml"
    path.write_bytes(b"\xef\xbb\xbf" + pump.replace("\n", "\r\n").encode())
    bench = load(path)
    assert len(bench.channels) == 4
    assert bench.path == str(path)
    assert parse(bench.text, bench.path) == bench
    assert load(str(path)) == bench


def test_the_starter_loads_and_says_what_to_change() -> None:
    bench = parse(starter(), "pump.toml")
    assert [c.name for c in bench.channels] == ["iu", "iv", "iw", "vbus"]
    assert bench.warnings == ()
    assert bench.watches[0].limit == 12.0
    comments = [line for line in starter().splitlines() if "#" in line]
    assert len(comments) > 30
    assert max(map(len, starter().splitlines())) <= 110


def test_what_the_starter_has_in_comments_loads_too() -> None:
    lines = starter().splitlines()
    first_table = lines.index("[bench]")
    taken = [
        line.removeprefix("# ") if line.startswith("# ") and ("=" in line or "[[" in line) else line
        for line in lines[first_table:]
    ]
    text = "\n".join(taken)
    # The computed third phase stands in for the measured one.
    measured = text.index('name = "iw"')
    text = text[:measured] + text[measured:].replace('name = "iw"', 'name = "iw_measured"', 1)
    text = text.replace('channels = ["iu", "iv", "iw", "vbus"]', "")
    bench = parse(text, "pump.toml")
    assert {c.sensor for c in bench.channels} == {
        Sensor.SHUNT,
        Sensor.DIVIDER,
        Sensor.NTC,
        Sensor.STATE,
        Sensor.COMPUTED,
    }
    assert bench.link.port == "COM5"
    assert bench.groups[0].rate_hz == 20e3
    assert [watch.kind for watch in bench.watches] == ["overcurrent", "thermal"]


def test_reading_the_usual_file_loads_neither_pint_nor_numpy() -> None:
    code = (
        "import sys, livesense.bench\n"
        "assert 'tomllib' not in sys.modules\n"
        "from livesense.bench.template import starter\n"
        "livesense.bench.parse(starter())\n"
        "print(sorted({'pint', 'numpy'} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


OVERCURRENT = 'kind = "overcurrent"\nchannels = ["iu", "iv", "iw"]\nlimit = "12 A"\n'


def test_rules_that_integrate(changed: Changed) -> None:
    inverse = 'kind = "inverse-time"\nchannels = ["iu"]\npickup = "8 A"\ncurve = "B"\ntms = 0.5\n'
    thermal = '[[watch]]\nkind = "thermal"\nchannels = ["iv"]\npickup = "7 A"\ntau = "10 min"\npre = "1 s"\n'
    i2t = '[[watch]]\nkind = "i2t"\nchannels = ["iw"]\ni2t = "50 A²s"\n'
    above = i2t + 'pickup = "9 A"\nlongest_cycle = "1 s"\n'
    found = changed(OVERCURRENT, inverse, more=thermal + i2t + above).watches
    assert [(w.kind, w.channels, w.limit, w.quantity, w.instant) for w in found] == [
        ("inverse-time", ("iu",), 8.0, "cycle-rms", False),
        ("thermal", ("iv",), 7.0, "cycle-rms", False),
        ("i2t", ("iw",), 0.0, "instant", False),
        ("i2t", ("iw",), 9.0, "cycle-rms", False),
    ]
    assert (found[0].curve, found[0].tms, found[1].tau_s, found[1].pre_s) == ("B", 0.5, 600.0, 1.0)
    assert [(w.i2t, w.longest_cycle_s) for w in found[2:]] == [(50.0, 0.2), (50.0, 1.0)]


def test_a_rule_on_the_rms_of_cycles(changed: Changed) -> None:
    (watch,) = changed(
        'limit = "12 A"', 'limit = "9 A"\nquantity = "cycle-rms"\nlongest_cycle = "0.5 s"'
    ).watches
    assert (watch.limit, watch.quantity, watch.longest_cycle_s, watch.instant) == (
        9.0,
        "cycle-rms",
        0.5,
        False,
    )
    assert changed().watches[0].instant


def test_limits_of_a_report(changed: Changed) -> None:
    stated = '[limits]\nunbalance = "3 %"\nspeed = ["2900 rpm", "3100 rpm"]\nevents = 0\n[motor]'
    assert changed("[motor]", stated).limits == (
        ("unbalance", Bounds(None, 3.0, "%")),
        ("speed", Bounds(2900.0, 3100.0, "rpm")),
        ("events", Bounds(None, 0.0, "")),
    )
