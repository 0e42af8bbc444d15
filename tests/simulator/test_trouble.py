"""Every scenario of trouble against the rule, measure or stretch that it is there to prove.

The simulator shares no code with what judges it here; limits are those of the default rules.
"""

from __future__ import annotations

import functools
import json
import math

import numpy as np
import played
import pytest

from livesense.measures.rotation import rotation
from livesense.measures.stretches import believed, find_stretches
from simulator.drive import Drive, Phase
from simulator.main import run
from simulator.trouble import SCENARIOS
from simulator.world import World

play = functools.lru_cache(maxsize=None)(played.play)
PHASES = ("iu", "iv", "iw")


def currents(told, from_s, to_s):
    part = slice(round(from_s * told.rate_hz), round(to_s * told.rate_hz))
    return np.stack([told.values(name)[part] for name in PHASES], axis=1)


def share(values, order, hz, rate_hz):
    """Peak of a harmonic of the first column, by a least-squares fit over the whole piece."""
    turn = 2 * np.pi * order * hz * np.arange(len(values)) / rate_hz
    basis = np.stack([np.cos(turn), np.sin(turn), np.ones(len(values))], axis=1)
    a, b, _ = np.linalg.lstsq(basis, values[:, 0], rcond=None)[0]
    return math.hypot(a, b)


def kinds(told):
    steps = rotation(currents(told, 0, len(told.codes) / told.rate_hz), told.rate_hz)
    return [s.kind for s in find_stretches(believed(steps, 0.1), 0.1)], steps


def test_an_open_phase():
    told = play("phase-loss")
    (event,) = told.events
    begin = told.begins_s("open")
    assert (event.kind, event.details["severity"]) == ("phase-loss", "alarm")
    # It begins with the line's opening, to a few scans, and ends within a cycle of 200 Hz of its closing.
    assert told.start_s(event) == pytest.approx(begin, abs=3 / told.rate_hz)
    assert told.end_s(event) == pytest.approx(begin + 1.5, abs=0.0051)
    assert "least current in iw" in event.text and event.peak == pytest.approx(100, abs=0.5)
    # Truth: no current in W, one and the same in the others.
    open_a = told.truth["current_a"][round((begin + 0.1) * told.rate_hz) :][:1000]
    assert np.all(open_a[:, 2] == 0) and np.allclose(open_a[:, 0], -open_a[:, 1])


def test_a_dip_of_the_supply_and_a_sag_that_is_none():
    told = play("supply-dip")
    (event,) = told.events
    begin = told.begins_s("dip")
    assert event.kind == "undervoltage"
    # The capacitor holds for some milliseconds: 2.2 mF from 24 V to 19.2 V at about 60 W.
    assert begin < told.start_s(event) < begin + 0.012
    assert told.end_s(event) == pytest.approx(begin + 0.2, abs=0.001)
    assert event.peak == pytest.approx(16.8, abs=0.2)


@pytest.mark.slow
def test_a_rotor_that_is_held():
    told = play("stall", more='[[watch]]\nkind = "stall"\n')
    (event,) = told.of("stall")
    begin = told.begins_s("held")
    assert begin < told.start_s(event) < begin + 0.3 and told.end_s(event) == pytest.approx(
        begin + 1.5, abs=0.15
    )
    assert event.peak == pytest.approx(11 / math.sqrt(2), rel=0.03)
    assert told.of("overcurrent") == []


@pytest.mark.slow
def test_exchanged_sensors_come_in_the_other_order():
    told = play("reversed")
    (event,) = told.events
    assert (event.kind, event.details["severity"]) == ("reversed", "note")
    assert told.begins_s("start") + 0.6 < told.start_s(event) < told.begins_s("start") + 1.2
    found, steps = kinds(told)
    steady_hz = np.median(steps.frequency_hz[round(5 / steps.step_s) : round(6.5 / steps.step_s)])
    assert "steady" in found and steady_hz == pytest.approx(-200, abs=0.5)


@pytest.mark.slow
def test_grades_of_a_winding_fault_rank():
    told = play("winding-fault")
    (event,) = told.events
    assert (event.kind, event.details["severity"]) == ("unbalance", "alarm")
    assert told.start_s(event) == pytest.approx(told.begins_s("grade 2"), abs=0.25)
    assert told.end_s(event) == pytest.approx(told.begins_s("after"), abs=0.25)
    ratios = []
    for grade in ("run", "grade 1", "grade 2", "grade 3"):
        begin = told.begins_s(grade) + 1.0
        u, v, w = currents(told, begin, begin + 1.0).T
        vector = (2 * u - v - w) / 3 + 1j * (v - w) / math.sqrt(3)
        turn = np.exp(2j * np.pi * 200.0 * np.arange(vector.size) / told.rate_hz)
        ratios.append(100 * abs((vector * turn).mean()) / abs((vector * turn.conj()).mean()))
    assert ratios == sorted(ratios)
    # 0.4 % of any winding and up to about half a per cent of the sense chain come on top, in any direction.
    assert ratios[1:] == [pytest.approx(g, abs=1.0) for g in (3, 7, 14)]


@pytest.mark.slow
def test_an_overload_beyond_the_range_is_at_least():
    told = play("saturation")
    over = told.of("overcurrent")
    assert {e.channel for e in over} == set(PHASES) and all(e.peak_at_least for e in over)
    true = np.abs(told.truth["current_a"]).max()
    assert true > 17.5 > 16.2 > max(abs(e.peak) for e in over)
    assert all("clipped at the end of the range" in e.text for e in over)
    assert {e.kind for e in told.events} == {"overcurrent"}


@pytest.mark.slow
def test_steps_of_the_load_are_changes_at_one_speed():
    told = play("load-steps")
    found, _ = kinds(told)
    assert found.count("load change") == 3 and "speed change" not in found
    assert told.events == []


@pytest.mark.slow
def test_dead_time_makes_a_fifth_harmonic():
    healthy, told = play("six-step"), play("dead-time")
    begin = told.begins_s("run") + 1.2
    values = currents(told, begin, begin + 1.5)
    fundamental = share(values, 1, 200.0, told.rate_hz)
    fifth = share(values, 5, 200.0, told.rate_hz) / fundamental
    plain = play("phase-loss")
    before = currents(plain, plain.begins_s("run") + 1.2, plain.begins_s("run") + 2.7)
    assert fifth > 3 * share(before, 5, 200.0, plain.rate_hz) / share(before, 1, 200.0, plain.rate_hz)
    assert healthy.events == told.events == []


@pytest.mark.slow
def test_six_step_has_its_fifth_and_seventh():
    told = play("six-step", rate_hz=20_000)
    begin = told.begins_s("run") + 1.2
    values = currents(told, begin, begin + 1.5)
    one, five, seven = (share(values, order, 200.0, told.rate_hz) for order in (1, 5, 7))
    # 120° blocks: 20 % and 14.2857 % of the fundamental; commutation takes some of it off.
    assert five / one == pytest.approx(0.20, abs=0.02) and seven / one == pytest.approx(0.1429, abs=0.02)
    found, _ = kinds(told)
    assert "steady" in found and told.events == []


@pytest.mark.slow
def test_coasting_is_let_go_and_braking_feeds_the_bus():
    told = play("coast-and-brake")
    steps = rotation(currents(told, 0, len(told.codes) / told.rate_hz), told.rate_hz)
    found = find_stretches(believed(steps, 0.1), 0.1)
    first = next(s for s in found if s.let_go)
    assert first.kind == "standstill"
    assert steps.time_s[first.first] == pytest.approx(told.begins_s("coast"), abs=0.1)
    (event,) = told.events
    assert event.kind == "overvoltage" and told.begins_s("brake") < told.start_s(event)
    assert 28.8 < event.peak < 36


@pytest.mark.slow
def test_other_pole_pairs_make_another_speed_of_the_same_frequency(tmp_path):
    told = play("pole-pairs")
    found, steps = kinds(told)
    hz = np.median(steps.frequency_hz[round(5 / steps.step_s) : round(6.5 / steps.step_s)])
    assert hz == pytest.approx(2400 / 60 * 4, rel=0.002) and "steady" in found
    # With the bench file's 5 pole pairs that reads 1920 rpm, where 2400 rpm is true: four fifths.
    assert hz * 60 / told.bench.motor.pole_pairs == pytest.approx(2400 * 4 / 5, rel=0.002)


@pytest.mark.slow
def test_an_offset_within_the_loop_shows_at_rest_and_is_in_the_motor():
    told = play("loop-offset")
    offsets = {"iu": 0.6, "iv": -0.4, "iw": -0.2}
    running = slice(round(5 * told.rate_hz), round(6 * told.rate_hz))
    for number, (name, offset) in enumerate(offsets.items()):
        rest, turns = told.values(name)[100:3000].mean(), told.values(name)[running].mean()
        assert rest == pytest.approx(offset, abs=0.03) and turns == pytest.approx(0, abs=0.03)
        assert told.truth["current_a"][running, number].mean() == pytest.approx(-offset, abs=0.01)
    assert told.events == []


@pytest.mark.slow
def test_a_soak_warms_the_heat_sink_and_finds_nothing():
    hot = '[[watch]]\nkind = "overtemperature"\nchannels = ["t_sink"]\nlimit = "30 °C"\n'
    told = play("soak", seconds=60.0, rate_hz=1000, more=hot)
    (event,) = told.events
    assert event.kind == "overtemperature" and event.details["severity"] == "alarm"
    assert event.end_scan == 599 and event.cut_short


def simulated(tmp_path, name, seconds, wire="framed", rate_hz=20_000):
    truth = tmp_path / "truth.jsonl"
    stream = tmp_path / "stream.bin"
    code = run(name, f"file:{stream}", wire, "max", 1, truth, seconds, rate_hz=rate_hz)
    assert code == 0
    return [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()], stream


def test_the_truth_tells_what_is_wrong(tmp_path):
    lines, _ = simulated(tmp_path, "phase-loss", 7.2, rate_hz=1000)
    (opened,) = (line for line in lines if line["kind"] == "phase" and line["open_phase"])
    assert (opened["name"], opened["open_phase"], opened["scan"]) == ("open", "W", 7000)
    assert lines[0]["sequence"] == "UVW" and lines[0]["loop_offset_a"] == [0, 0, 0]
    assert {line["supply_v"] for line in lines if line["kind"] == "phase"} == {24.0}


@pytest.mark.slow
def test_the_truth_of_exchanged_sensors(tmp_path):
    lines, _ = simulated(tmp_path, "reversed", 7.0, rate_hz=1000)
    (steady,) = (line for line in lines if line["kind"] == "steady")
    assert lines[0]["sequence"] == steady["sequence"] == "UWV"
    angles = {phase: steady["phases"][phase]["angle_deg"] for phase in "UVW"}
    assert angles["V"] == pytest.approx(120, abs=1) and angles["W"] == pytest.approx(-120, abs=1)


@pytest.mark.parametrize("wire", ["framed", "text"])
def test_bursts_are_pauses_and_no_losses(tmp_path, livesense, wire):
    _, stream = simulated(tmp_path, "bursts", 1.0, wire)
    text = played.BENCH_TEXT.replace('wire = "framed"', f'wire = "{wire}"')
    (tmp_path / "pump.toml").write_text(text, encoding="utf-8")
    told = livesense("record", "pump.toml", "--port", f"file:{stream}", "--until-closed", "--json").json
    assert told["groups"][0]["scans_stored"] == 10 * 500 and told["groups"][0]["scans_lost"] == 0
    assert told["gaps"] == 0
    assert livesense("events", "last", "--json").json == {"events": [], "link": []}


def test_a_burst_may_begin_anywhere_in_a_chunk():
    # At 1000 S/s a tenth of a second holds 100 scans; bursts of 500 in 2000 lie over many.
    from simulator.device import Device, Wire

    device = Device(World(SCENARIOS["bursts"], rate_hz=1000), Wire.FRAMED, seed=1)
    sent = []
    for chunk in range(40):
        device._counter = 100 * chunk
        sent += [(100 * chunk + a, 100 * chunk + b) for a, b in device._sent(100)]
    assert sum(b - a for a, b in sent) == 1000
    assert (sent[0][0], sent[4][1], sent[5][0]) == (0, 500, 2000)


@pytest.mark.parametrize("name", [n for n in SCENARIOS if n not in ("soak", "stages")])
def test_a_story_ends_at_rest(name):
    assert SCENARIOS[name].phases[-1].rpm == 0 and 5 < SCENARIOS[name].seconds < 40


def test_without_power_there_are_zeros_to_take(tmp_path, livesense):
    (tmp_path / "pump.toml").write_text(played.BENCH_TEXT, encoding="utf-8")
    _, stream = simulated(tmp_path, "de-energised", 4.0, rate_hz=2000)
    told = livesense("zero", "pump.toml", "--port", f"file:{stream}", "--json")
    assert told.code == 0, told.err
    assert {"iu", "iv", "iw", "ibus"} <= set(told.json["channels"])


def test_a_supply_off_empties_the_bus():
    rows = Drive().advance([(400, Phase("on", 0.1)), (20_000, Phase("off", 5.0, powered=False))])
    assert rows.bus_v[400] > 23.5
    assert 0.0 < rows.bus_v[-1] < 0.2
    assert np.all(np.diff(rows.bus_v[401:]) <= 0)


def test_the_walk_is_proven_by_what_is_pushed(tmp_path, livesense):
    (tmp_path / "pump.toml").write_text(played.BENCH_TEXT, encoding="utf-8")
    lines, stream = simulated(tmp_path, "walk", 24.0, rate_hz=1000)
    assert [line["pushed_a"] for line in lines if line["kind"] == "phase"][1] == [1.0, -1.0, 0.0]
    recorded = livesense("record", "pump.toml", "--port", f"file:{stream}", "--until-closed", "--json")
    assert recorded.code == 0, recorded.err
    words = ("walk", "pump.toml", "--run", "last", "--at", "rest=1-7,U-V=9-15,V-W=17-23", "--json")
    told = livesense(*words, "--current", "1.000 A", "--reference-error", "0.5 %")
    assert told.code == 0, told.err
    assert {name: c["verdict"] for name, c in told.json["channels"].items()} == dict.fromkeys(
        ("iu", "iv", "iw"), "proven"
    )
