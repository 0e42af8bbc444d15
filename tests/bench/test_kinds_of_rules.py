"""Rules of every kind: their defaults, what replaces them, what is refused."""

import math

import pytest

from livesense.bench import parse
from livesense.errors import BenchError

RATED = ("pole_pairs = 5", 'pole_pairs = 5\nrated_current = "6 A"\nsequence = "UVW"')
BUS = ('name = "coolant pump, 24 V"', 'name = "coolant pump, 24 V"\nbus_voltage = "24 V"')
STATED = '[[watch]]\nkind = "overcurrent"\nchannels = ["iu", "iv", "iw"]\nlimit = "12 A"\n'


def bench(pump, *changes, more=""):
    for old, new in changes:
        assert old in pump
        pump = pump.replace(old, new, 1)
    return parse(pump + more, "pump.toml")


def kinds(found):
    return [rule.kind for rule in found.default_watches]


def test_a_bench_that_states_neither_has_no_default_rules(pump):
    assert kinds(bench(pump, (STATED, ""))) == []


def test_the_rated_current_brings_those_of_currents(pump):
    found = bench(pump, RATED, (STATED, ""))
    assert kinds(found) == ["overcurrent", "overload", "phase-loss", "unbalance", "reversed"]
    over, load, loss, unbalance, turned = found.default_watches
    # Twice the rated peak, 16.97 A, but at most 0.8 of ±16 A; 1.5 × 6 A rms for 60 s.
    assert over.limit == pytest.approx(0.8 * 16) and (over.hold_scans, over.release_hold_s) == (2, 0.6)
    assert (load.limit, load.hold_s, load.quantity) == (9.0, 60.0, "vector-rms")
    assert (loss.limit, loss.cycles, loss.unit) == (50.0, 3, "%")
    assert loss.above == pytest.approx(0.6) and unbalance.above == pytest.approx(1.2)
    assert (unbalance.note, unbalance.limit, unbalance.hold_s) == (5.0, 10.0, 1.0)
    assert turned.sequence == "UVW" and turned.limit == pytest.approx(0.6)
    assert {(rule.pre_s, rule.post_s) for rule in found.rules} == {(0.1, 0.4)}
    assert all(rule.default for rule in found.default_watches)


def test_a_small_rated_current_keeps_twice_its_peak(pump):
    found = bench(pump, RATED, ('"6 A"', '"2 A"'), (STATED, ""))
    assert found.default_watches[0].limit == pytest.approx(2 * 2 * math.sqrt(2))


def test_the_bus_voltage_brings_its_band(pump):
    low, high = bench(pump, BUS, (STATED, "")).default_watches
    assert (low.kind, high.kind) == ("undervoltage", "overvoltage")
    assert (low.limit, high.limit) == (pytest.approx(19.2), pytest.approx(28.8))
    assert low.release == pytest.approx(1.03 * 19.2) and low.channels == ("vbus",) and low.hold_s == 0.005


@pytest.mark.parametrize(
    ("changes", "above", "currents"),
    [
        ([], 0.3, ("iu", "iv", "iw")),
        # Only two phases measured, the third not even computed.
        ([('phase = "W"', 'phase = "bus"')], 0.3, ("iu", "iv")),
        # Sampled apart, and no rated current: nothing tells whether the drive is in use.
        ([('name = "vbus"', 'name = "vbus"\ngroup = 1')], 0.0, ()),
        ([('rated_current = "6 A"\n', "")], 0.0, ()),
    ],
)
def test_the_default_undervoltage_looks_at_the_current_beside_it(pump, changes, above, currents):
    found = bench(pump, RATED, BUS, (STATED, ""), *changes)
    (low,) = (rule for rule in found.default_watches if rule.kind == "undervoltage")
    assert (low.above, low.currents) == (pytest.approx(above), currents)


def test_a_stated_undervoltage_looks_at_the_current_where_it_says_so(pump):
    more = '[[watch]]\nkind = "undervoltage"\n'
    plain = bench(pump, RATED, BUS, more=more).watches[-1]
    assert (plain.above, plain.currents) == (0.0, ())
    stated = bench(pump, BUS, more=more + 'above = "0.5 A"\n').watches[-1]
    assert (stated.above, stated.currents) == (0.5, ("iu", "iv", "iw"))
    apart = [('name = "vbus"', 'name = "vbus"\ngroup = 1')]
    with pytest.raises(BenchError, match="above: expected currents of the phases, sampled with the voltage"):
        bench(pump, BUS, *apart, more=more + 'above = "0.5 A"\n')


MODE = (
    '[[channel]]\nname = "mode"\nsensor = "state"\n'
    'labels = { 0 = "off", 1 = "align", 2 = "ramp", 3 = "run" }\n'
)
STALL = '[[watch]]\nkind = "stall"\nstate = "mode"\n'


def test_a_stall_knows_the_state_that_is_sampled_with_the_currents(pump):
    (*_, stall) = bench(pump, RATED, more=MODE + STALL).watches
    assert stall.state == "mode"
    assert stall.says == ((1, "align"), (2, "start"), (3, "run"))


@pytest.mark.parametrize(
    ("channel", "told"),
    [
        ("", 'expected a state channel in the file, which has none, got "mode"'),
        (MODE.replace('"mode"', '"other"'), 'expected a state channel out of other, got "mode"'),
        (MODE + "group = 1\n", "in another group nothing tells which scans it is about"),
        (MODE.replace("align", "x").replace('"run"', '"y"'), "labels tell that the drive aligns or runs"),
    ],
)
def test_a_state_that_cannot_serve_a_stall_is_refused(pump, channel, told):
    grouped = pump.replace('sensor = "shunt"', 'sensor = "shunt"\ngroup = 0')
    with pytest.raises(BenchError, match="watch 2: state: ") as error:
        bench(grouped, RATED, more=channel + STALL)
    assert told in str(error.value)


def test_a_divider_that_cannot_show_an_overvoltage_has_no_rule_for_it(pump):
    assert kinds(bench(pump, BUS, ("ratio = 11", "ratio = 8.7"), (STATED, ""))) == ["undervoltage"]


def test_a_stated_rule_replaces_the_default_of_its_kind(pump):
    assert kinds(bench(pump, RATED)) == ["overload", "phase-loss", "unbalance", "reversed"]
    more = '[[watch]]\nkind = "phase-loss"\nlimit = "30 %"\ncycles = 5\n'
    found = bench(pump, RATED, more=more)
    assert kinds(found) == ["overload", "unbalance", "reversed"]
    assert (found.watches[1].limit, found.watches[1].release, found.watches[1].cycles) == (30.0, 24.0, 5)
    assert [rule.kind for rule in found.rules][:2] == ["overcurrent", "phase-loss"]


def test_defaults_are_switched_off(pump):
    assert kinds(bench(pump, RATED, more='[[watch]]\nkind = "unbalance"\noff = true\n')) == [
        "overload",
        "phase-loss",
        "reversed",
    ]
    none = (BUS[0], BUS[1] + "\ndefault_watches = false")
    assert kinds(bench(pump, RATED, none)) == []
    assert len(bench(pump, RATED, none).rules) == 1


def test_a_current_that_no_rule_watches_is_looked_at_for_clipping(pump):
    bus = '[[channel]]\nname = "ibus"\nphase = "bus"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\n'
    found = bench(pump, RATED, more=bus + 'reference = "mid-supply"\n')
    (clipping,) = (rule for rule in found.default_watches if rule.kind == "clipping")
    assert (clipping.channels, clipping.hold_scans, clipping.severity) == (("ibus",), 2, "note")
    assert clipping.limit == pytest.approx(16.0)


ONE_WAY = ('gain = 20\nreference = "mid-supply"', 'gain = 20\nreference = "ground"')


def test_currents_of_one_direction_tell_no_sequence(pump):
    found = bench(pump, RATED, ONE_WAY, (STATED, ""))
    assert kinds(found) == ["overcurrent"]
    # 0 to 32.5 A of iu, ±16 A of the others: the least of what they show.
    assert found.default_watches[0].limit == pytest.approx(12.8)


def test_phases_that_are_not_there_have_no_rules(pump):
    # What is no phase's current is looked at for the end of its range.
    one = bench(pump, RATED, ('phase = "W"', 'phase = "none"'), (STATED, ""))
    assert [(r.kind, r.channels) for r in one.default_watches] == [
        ("overcurrent", ("iu", "iv")),
        ("clipping", ("iw",)),
    ]
    apart = ('name = "iw"', 'name = "iw"\ngroup = 1')
    assert kinds(bench(pump, RATED, apart, (STATED, ""))) == ["overcurrent"]
    nothing = [(f'phase = "{p}"', 'phase = "none"') for p in "UVW"]
    assert "overcurrent" not in kinds(bench(pump, RATED, *nothing, (STATED, "")))


def test_a_computed_phase_comes_after_measured_ones(pump):
    more = '[[channel]]\nname = "w2"\nphase = "W"\nsensor = "computed"\nfrom = ["iu", "iv"]\n'
    load = next(r for r in bench(pump, RATED, more=more).default_watches if r.kind == "overload")
    assert load.channels == ("iu", "iv", "iw")


TEMPERATURE = '[[channel]]\nname = "t"\nsensor = "linear"\nscale = "100 °C/V"\nunit = "°C"\n'


def test_what_is_stated_of_each_kind(pump):
    more = TEMPERATURE + (
        '[[watch]]\nkind = "overtemperature"\nchannels = ["t"]\nlimit = "60 °C"\n'
        '[[watch]]\nkind = "stall"\n[[watch]]\nkind = "standing"\nlimit = "0.5 A"\nhold = "4 s"\n'
        '[[watch]]\nkind = "undervoltage"\nlimit = "20 V"\nrelease = "21 V"\nhold = "1 ms"\n'
        '[[watch]]\nkind = "clipping"\nchannels = ["vbus"]\n'
        '[[watch]]\nkind = "reversed"\nabove = "1 A"\n'
        '[[watch]]\nkind = "unbalance"\nlimit = "20 %"\nnote = "4 %"\nabove = "2 A"\n'
    )
    hot, stall, standing, low, clip, turned, unlike = bench(pump, RATED, more=more).watches[1:]
    assert (hot.limit, hot.release, hot.unit, hot.hold_s) == (60.0, 57.0, "°C", 1.0)
    assert (stall.limit, stall.hold_s, stall.channels) == (6.0, 0.3, ("iu", "iv", "iw"))
    assert (standing.limit, standing.hold_s, standing.severity) == (0.5, 4.0, "note")
    assert (low.limit, low.release, low.hold_s, low.channels) == (20.0, 21.0, 0.001, ("vbus",))
    assert (clip.unit, clip.limit) == ("V", pytest.approx(36.3))
    assert (turned.above, turned.limit) == (1.0, 1.0)
    assert (unlike.limit, unlike.note, unlike.release, unlike.above) == (20.0, 4.0, pytest.approx(3.2), 2.0)


@pytest.mark.parametrize(
    ("rule", "message"),
    [
        ('kind = "unbalance"', "watch 2: above: expected a current here, or rated_current in [motor]"),
        ('kind = "overload"', "watch 2: limit: expected a current here, or rated_current in [motor]"),
        ('kind = "undervoltage"', "watch 2: limit: expected a voltage here, or bus_voltage in [bench]"),
        ('kind = "reversed"\nabove = "1 A"', "watch 2: kind: expected sequence in [motor]"),
        ('kind = "overtemperature"\nlimit = "60 °C"', "watch 2: channels: expected a value such as"),
        ('kind = "clipping"', "watch 2: channels: expected a value such as"),
        ('kind = "stall"\noff = true\nlimit = "1 A"', "watch 2: limit: expected no further key beside off"),
        ('kind = "stall"\nlimit = "5 V"', 'watch 2: limit: expected a current such as "6 A", got "5 V"'),
        ('kind = "phase-loss"\nlimit = "5 A"', 'watch 2: limit: expected a share such as "50 %", got "5 A"'),
        (
            'kind = "phase-loss"\nlimit = "150 %"',
            "watch 2: limit: expected a share above 0 % and at most 100 %",
        ),
        (
            'kind = "overload"\nlimit = "40 A"',
            'watch 2: limit: expected less than "iu" can read, -16 A to 16 A',
        ),
        (
            'kind = "overvoltage"\nlimit = "40 V"',
            'watch 2: limit: expected less than "vbus" can read, 0 V to 36.3 V, got "40 V"',
        ),
        (
            'kind = "undervoltage"\nlimit = "20 V"\nrelease = "19 V"',
            'watch 2: release: expected at least the limit, got "19 V"',
        ),
        (
            'kind = "unbalance"\nabove = "1 A"\nlimit = "10 %"\nnote = "20 %"',
            'watch 2: note: expected at most the limit, got "20 %"',
        ),
        (
            'kind = "unbalance"\nabove = "1 A"\nrelease = "8 %"',
            'watch 2: release: expected at most the note, got "8 %"',
        ),
        (
            'kind = "undervoltage"\nlimit = "20 V"\nchannels = ["iu"]',
            "watch 2: channels: expected channels that read a voltage in V, got",
        ),
        (
            'kind = "phase-loss"\nabove = "1 A"\nchannels = ["iu", "iv"]',
            'watch 2: channels: expected one current each of the phases U, V and W for kind = "phase-loss"',
        ),
        (
            'kind = "thermal"\nchannels = ["iu"]\npickup = "6 A"\ntau = "60 s"\npreload = "6 A"',
            'watch 2: preload: expected less than the pickup, which nothing bears for long, got "6 A"',
        ),
        ('kind = "overcurrent"\nchannels = ["iu"]\nlimit = 5', "watch 2: limit: expected a current such as"),
    ],
)
def test_refused(pump, rule, message):
    with pytest.raises(ValueError) as caught:
        bench(pump, more=f"[[watch]]\n{rule}\n")
    assert message in str(caught.value)


def test_kinds_about_phases_or_a_bus_want_them(pump):
    no_phase = ('phase = "W"', 'phase = "none"')
    with pytest.raises(ValueError, match="channels: expected one current each of the phases U, V and W"):
        bench(pump, no_phase, more='[[watch]]\nkind = "stall"\nlimit = "5 A"\n')
    with pytest.raises(ValueError, match='channels: expected a channel in V, or one with phase = "bus"'):
        bench(pump, ('phase = "bus"', ""), more='[[watch]]\nkind = "overvoltage"\nlimit = "30 V"\n')


def test_a_rated_current_out_of_range_is_told_by_the_kind(pump):
    changes = ("pole_pairs = 5", 'pole_pairs = 5\nrated_current = "20 A"')
    with pytest.raises(ValueError, match=r'watch 2: kind: expected less than "iu" can read, .* got "20 A"'):
        bench(pump, changes, more='[[watch]]\nkind = "stall"\n')
