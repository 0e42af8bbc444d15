"""The truth file: over-limit stretches, steady figures, phases, and the scans beside."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.errors import UsageError
from simulator.device import Device, Wire
from simulator.drive import Phase
from simulator.faults import LinkFaults
from simulator.over_limit import OverLimit, OverLimitFinder
from simulator.scenarios import BRING_UP, OVERLOAD, Scenario
from simulator.truth import TruthWriter
from simulator.world import World

SHORT = Scenario(
    "short",
    "start, run with an overload, stop",
    (
        Phase("idle", 0.13, note="ready"),
        Phase("start", 3.37, rpm=2400.0, valve=0.9, note="start"),
        Phase("run", 1.5, rpm=2400.0, valve=0.9, settle_s=0.4),
        Phase("debris", 0.2, rpm=2400.0, valve=0.9, jam_nm=0.4),
        Phase("off", 0.3),
    ),
)


def tell(tmp_path, scenario=SHORT, *, scans=None, faults=None, seed=4, with_scans=True):
    world = World(scenario, seed=seed)
    writer = TruthWriter(
        tmp_path / "truth.jsonl", tmp_path / "scans.npy" if with_scans else None, world, {"seed": seed}
    )
    device = Device(world, Wire.FRAMED, seed=seed, faults=faults, truth=writer)
    for _ in device.run(round(scenario.seconds * world.rate_hz) if scans is None else scans):
        pass
    writer.close()
    return [json.loads(line) for line in (tmp_path / "truth.jsonl").read_text().splitlines()]


def of_kind(lines, kind):
    return [line for line in lines if line["kind"] == kind]


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    folder = tmp_path_factory.mktemp("truth")
    return tell(folder), np.load(folder / "scans.npy")


def test_scans_file_has_one_row_a_scan(told):
    lines, rows = told
    assert len(rows) == 110_000 == of_kind(lines, "end")[0]["scans"]
    assert np.array_equal(rows["scan"], np.arange(110_000))
    assert rows["time_s"] == pytest.approx(rows["scan"] / 20e3)


def test_phases_begin_where_the_story_says(told):
    lines, _ = told
    begun = [(line["name"], line["scan"]) for line in of_kind(lines, "phase")]
    assert begun == [("idle", 0), ("start", 2600), ("run", 70_000), ("debris", 100_000), ("off", 104_000)]


def test_steady_figures_agree_with_a_plain_transform_of_the_scans(told):
    lines, rows = told
    (steady,) = of_kind(lines, "steady")
    assert (steady["first_scan"], steady["stop_scan"]) == (78_000, 100_000)
    # 200 Hz at 20 kS/s: 100 scans a cycle, so that whole cycles transform without leakage
    part = rows[80_000:100_000]
    assert steady["electrical_hz"] == pytest.approx(200.0, rel=1e-5)
    assert steady["rpm"] == pytest.approx(2400.0, rel=1e-5)
    wave = np.exp(-2j * np.pi * np.arange(20_000) / 100.0)
    for kind, key, late_s in (("_a", "", 0.2e-6), ("_mean_a", "continuous_", 0.0)):
        phasors = [
            2.0 * np.mean(part[name + kind] * wave) * np.exp(-2j * np.pi * 200.0 * late_s * (number - 1))
            for number, name in enumerate(("iu", "iv", "iw"))
        ]
        for phase, phasor in zip("UVW", phasors, strict=True):
            figures = steady["phases"][phase]
            assert figures[key + "fundamental_rms_a"] == pytest.approx(abs(phasor) / 2**0.5, rel=1e-4)
            angle_deg = np.degrees(np.angle(phasor / phasors[0]))
            assert figures[key + "angle_deg"] == pytest.approx(angle_deg, abs=2e-3)
    assert steady["phases"]["U"]["rms_a"] == pytest.approx(np.sqrt(np.mean(part["iu_a"] ** 2)), rel=1e-4)
    assert steady["bus_power_w"] == pytest.approx(np.mean(part["vbus_v"] * part["ibus_a"]), rel=1e-5)


def test_steady_angles_follow_one_another_in_uvw_order(told):
    phases = of_kind(told[0], "steady")[0]["phases"]
    assert phases["U"]["angle_deg"] == 0.0
    assert phases["V"]["angle_deg"] == pytest.approx(-120.0, abs=0.6)
    assert phases["W"]["angle_deg"] == pytest.approx(120.0, abs=0.6)


def test_powers_are_in_the_order_of_the_way_through_the_bench(told):
    (steady,) = of_kind(told[0], "steady")
    assert steady["bus_power_w"] > steady["motor_power_w"] > steady["air_gap_power_w"] > 0.0
    assert steady["bus_power_w"] == pytest.approx(steady["bus_voltage_v"] * steady["bus_current_a"], rel=1e-6)


def test_ripple_adds_a_little_to_the_rms(told):
    figures = of_kind(told[0], "steady")[0]["phases"]["U"]
    without_a, with_a = figures["continuous_rms_a"], figures["continuous_rms_with_ripple_a"]
    assert without_a < with_a < 1.01 * without_a


def test_samples_off_the_valley_differ_a_little_from_the_continuous_current(told):
    phases = of_kind(told[0], "steady")[0]["phases"]
    for name, least in (("U", 2e-4), ("V", 0.0), ("W", 2e-4)):
        off = phases[name]["fundamental_rms_a"] / phases[name]["continuous_fundamental_rms_a"] - 1.0
        assert least <= abs(off) < 5e-3


def test_over_limit_stretches_are_those_of_the_scans(told):
    lines, rows = told
    stretches = of_kind(lines, "over-limit")
    assert {line["channel"] for line in stretches} == {"iu", "iv", "iw"}
    for line in stretches:
        size = np.abs(rows[line["channel"] + "_a"])
        start, end = line["start_scan"], line["end_scan"]
        assert size[start] > 12.0 and size[start + 1] > 12.0
        assert not np.any((size[100_000 : start - 1] > 12.0) & (size[100_001:start] > 12.0))
        assert size[end] > 11.4
        assert size[end + 1 : end + 1001].max() <= 11.4
        assert abs(line["peak_a"]) == size[start : end + 1].max()
        assert line["start_s"] == pytest.approx(rows["time_s"][start], abs=1e-9)


def test_finder_needs_two_scans_in_a_row_at_20_khz():
    finder = OverLimitFinder(12.0, 20e3)
    assert finder.feed(0, np.array([0.0, 13.0, 0.0, 13.0, 12.0])) == []
    assert finder.finish() == []
    finder.feed(5, np.array([0.0, -13.0, -14.0, 0.0]))
    assert finder.finish() == [OverLimit(6, 7, -14.0, 7)]


def test_finder_takes_the_limit_itself_as_not_beyond():
    finder = OverLimitFinder(12.0, 20e3)
    finder.feed(0, np.array([12.0, 12.0, 12.0]))
    assert finder.finish() == []


def test_finder_joins_what_the_release_time_joins():
    finder = OverLimitFinder(12.0, 20e3)
    wave = np.zeros(4000)
    wave[10:13] = 13.0
    wave[1012:1014] = -12.5
    wave[2100:2102] = 13.0
    ended = finder.feed(0, wave)
    assert [(one.start_scan, one.end_scan) for one in ended] == [(10, 1013), (2100, 2101)]


def test_finder_ends_after_exactly_the_release_time():
    finder = OverLimitFinder(12.0, 20e3)
    wave = np.zeros(3000)
    wave[10:13] = 13.0
    # 1000 scans below, 13 to 1012, end the first stretch
    wave[1013:1015] = 13.0
    ended = finder.feed(0, wave)
    assert [(one.start_scan, one.end_scan) for one in ended] == [(10, 12), (1013, 1014)]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 700))
def test_finder_does_not_care_for_the_borders_of_chunks(seed, size):
    random = np.random.default_rng(seed)
    wave = random.normal(0.0, 4.0, 5000) * (random.random(5000) < 0.01) * 3.0
    wave[1:] += wave[:-1]
    whole, cut = OverLimitFinder(12.0, 2e3), OverLimitFinder(12.0, 2e3)
    expected = whole.feed(0, wave) + whole.finish()
    found = [one for begin in range(0, 5000, size) for one in cut.feed(begin, wave[begin : begin + size])]
    assert found + cut.finish() == expected


def test_restart_splits_the_truth_and_keeps_counting(tmp_path):
    lines = tell(tmp_path, faults=LinkFaults(resets_s=(4.2,)), scans=95_000, with_scans=False)
    (restart,) = of_kind(lines, "restart")
    # 4.2 s of scans, then a pause of 0.3 s that nobody counted
    assert restart["scan"] == 84_000
    assert restart["time_s"] == pytest.approx(4.5)
    first, second = of_kind(lines, "steady")
    assert first["stop_scan"] == 84_000 == second["first_scan"]
    assert second["from_s"] == pytest.approx(4.5)
    assert second["to_s"] == pytest.approx(5.0)


def test_run_cut_short_reports_the_stretch_that_it_had(tmp_path):
    lines = tell(tmp_path, scans=90_123, with_scans=False)
    assert of_kind(lines, "end")[0]["scans"] == 90_123
    assert of_kind(lines, "steady")[0]["stop_scan"] == 90_123


def test_overload_open_at_the_end_is_reported(tmp_path):
    lines = tell(tmp_path, scans=103_000, with_scans=False)
    assert max(line["end_scan"] for line in of_kind(lines, "over-limit")) < 103_000
    assert len(of_kind(lines, "over-limit")) == 3


@pytest.mark.parametrize("scenario", [BRING_UP, OVERLOAD], ids=lambda scenario: scenario.name)
def test_stories_have_long_steady_stretches(scenario):
    lengths = [phase.seconds - phase.settle_s for phase in scenario.phases if phase.settle_s is not None]
    assert len(lengths) >= 2
    assert min(lengths) >= 5.0


def test_file_that_cannot_be_written_is_a_clear_error(tmp_path):
    with pytest.raises(UsageError, match=r"truth file .*choose another path"):
        TruthWriter(tmp_path / "nowhere" / "truth.jsonl", None, World(SHORT), {})
