"""Everything of one group: the 24 V coolant pump's currents and bus, whole, broken and partly missing."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group

RATE_HZ = 20_000.0
N = 8000
LSB_A = 33 / 4096
FREQUENCY_HZ = 83.37


def angle(frequency=FREQUENCY_HZ, n=N):
    return 2 * np.pi * frequency * np.arange(n) / RATE_HZ + 0.7


def current(k, theta, peak=6.0, noise=0.02, seed=0):
    rng = np.random.default_rng(100 * seed + k)
    y = peak * np.cos(theta - k * 2 * np.pi / 3) + rng.normal(0, noise, theta.size)
    return np.round(y / LSB_A) * LSB_A


def phases(theta=None, names=("iu", "iv", "iw"), **changes):
    theta = angle() if theta is None else theta
    settings = {"u_scale": 0.006, "u_offset": 0.01, "u_quantisation": LSB_A / math.sqrt(12), **changes}
    return {
        name: ChannelInput(current(k, theta), np.zeros(theta.size, dtype=bool), phase=p, **settings)
        for k, (name, p) in enumerate(zip(names, "UVW", strict=True))
    }


def bus(theta=None, volts=24.0, amperes=2.0, **changes):
    theta = angle() if theta is None else theta
    rng = np.random.default_rng(50)
    v = volts + 0.2 * np.cos(6 * theta) + rng.normal(0, 0.01, theta.size)
    i = amperes + 0.5 * np.cos(6 * theta + 0.5) + rng.normal(0, 0.01, theta.size)
    return {
        "ubus": ChannelInput(v, unit="V", quantity="voltage", phase="bus", u_scale=0.004, u_offset=0.02),
        "ibus": ChannelInput(i, phase="bus", place="high-side", u_scale=0.006, u_offset=0.01, **changes),
    }


def within(estimate, truth, k=2.0):
    assert abs(estimate.value - truth) <= k * estimate.u, (estimate, truth)


@pytest.fixture(scope="module")
def running():
    return measure_group({**phases(), **bus()}, RATE_HZ, pole_pairs=5, u_rate_relative=2e-5)


class TestRunning:
    def test_channel(self, running):
        iu = running.channels["iu"]
        within(iu.mean, 0.0)
        within(iu.rms, 6 / math.sqrt(2))
        within(iu.ac_rms, 6 / math.sqrt(2))
        within(iu.fundamental_rms, 6 / math.sqrt(2))
        within(iu.max, 6.0)
        within(iu.min, -6.0)
        within(iu.crest_factor, math.sqrt(2))
        within(iu.thd_percent, 0.0)
        assert iu.peak_to_peak.value == pytest.approx(iu.max.value - iu.min.value)
        assert iu.noise_rms.value == pytest.approx(0.02, rel=0.1)
        assert (iu.thd_order, iu.clipped_scans) == (13, 0)
        assert iu.withheld == {"effective_bits": "the channel's range is not known"}

    def test_frequency_carries_the_scan_rate(self, running):
        frequency = running.channels["iv"].frequency_hz
        within(frequency, FREQUENCY_HZ)
        assert frequency.u_systematic == pytest.approx(FREQUENCY_HZ * 2e-5)
        assert running.speed.electrical_hz == frequency
        within(running.speed.rpm, FREQUENCY_HZ * 12)

    def test_later_phases_are_negative(self, running):
        assert (running.channels["iu"].phase_deg.value, running.channels["iu"].phase_deg.u) == (0.0, 0.0)
        within(running.channels["iv"].phase_deg, -120.0)
        within(running.three_phase.angles_deg["W"], 120.0)

    def test_three_phase(self, running):
        assert running.three_phase.sequence == "UVW"
        within(running.three_phase.unbalance_percent, 0.0)
        within(running.three_phase.zero_rms, 0.0)
        assert running.three_phase.residual_rms.value == pytest.approx(0.02 * math.sqrt(3), rel=0.1)
        assert running.three_phase_by_place == {}

    def test_bus(self, running):
        within(running.power.bus_voltage, 24.0)
        within(running.power.bus_current, 2.0)
        truth = 24 * 2 + 0.2 * 0.5 / 2 * math.cos(0.5)
        within(running.power.input_power, truth)
        within(running.power.energy_Wh, truth * N / RATE_HZ / 3600)
        within(running.power.charge_Ah, 2.0 * N / RATE_HZ / 3600)
        # 0.4 % and 0.6 %, and the offsets: 0.02 V on 2 A, 0.01 A on 24 V.
        assert running.power.input_power.u == pytest.approx(math.hypot(48 * 0.00721, 0.04, 0.24), rel=0.02)

    def test_what_cannot_be_known_says_why(self, running):
        assert running.power.phase_power is None
        withheld = running.withheld()
        assert withheld["power.phase_power"] == "phase voltages are not measured"
        assert withheld["channels.ibus.thd_percent"] == "this channel carries no fundamental to be seen"


def test_a_broken_cycle_does_not_shift_the_mean():
    theta = angle(12.5, 4000) - 0.7  # two cycles and a half
    group = measure_group(phases(theta), RATE_HZ)
    assert abs(np.mean(current(1, theta))) > 0.3, "the plain mean would be off"
    assert group.channels["iv"].mean.value == pytest.approx(0.0, abs=0.01)
    assert group.channels["iv"].rms.value == pytest.approx(6 / math.sqrt(2), rel=2e-3)


def test_bandwidth_and_delay_are_undone_at_the_line():
    corrections = [lambda f: 1.0, lambda f: 1.01 * cmath.exp(0.02j), lambda f: 1.0]
    channels = {
        name: ChannelInput(c.values, phase=c.phase, correction=correction)
        for (name, c), correction in zip(phases().items(), corrections, strict=True)
    }
    group = measure_group(channels, RATE_HZ)
    assert group.channels["iv"].fundamental_rms.value == pytest.approx(1.01 * 6 / math.sqrt(2), rel=1e-3)
    assert group.three_phase.angles_deg["V"].value == pytest.approx(-120 + math.degrees(0.02), abs=0.05)


def test_without_pole_pairs_there_is_no_rpm():
    speed = measure_group(phases(), RATE_HZ).speed
    assert speed.electrical_hz is not None
    assert speed.withheld["rpm"] == "the number of pole pairs is not stated"


@pytest.fixture(scope="module")
def standstill():
    theta = angle()
    rng = np.random.default_rng(1)
    channels = {
        name: ChannelInput(1.5 + rng.normal(0, 0.02, N), phase=p, u_offset=0.01)
        for name, p in zip(("iu", "iv", "iw"), "UVW", strict=True)
    }
    return measure_group({**channels, **bus(theta)}, RATE_HZ, pole_pairs=5)


class TestStandstill:
    def test_levels_are_given(self, standstill):
        within(standstill.channels["iu"].mean, 1.5)
        within(standstill.channels["iu"].rms, 1.5)
        assert standstill.channels["iu"].noise_rms.value == pytest.approx(0.02, rel=0.1)
        within(standstill.power.bus_current, 2.0)
        within(standstill.power.input_power, 48.0)
        assert standstill.three_phase.residual_rms.value == pytest.approx(4.5, rel=1e-3)

    def test_what_needs_a_line_is_withheld(self, standstill):
        reason = "no alternating part stands out of the noise"
        iu = standstill.channels["iu"]
        assert iu.fundamental_rms is iu.frequency_hz is iu.phase_deg is iu.thd_percent is None
        keys = ("electrical_hz", "rpm", "acceleration_hz_per_s")
        assert standstill.speed.withheld == dict.fromkeys(keys, reason)
        assert standstill.three_phase.sequence is None
        assert standstill.withheld()["three_phase.angles_deg.V"] == reason


def test_nothing_at_all_flows():
    channels = {
        n: ChannelInput(np.zeros(N), phase=p, u_quantisation=0.002) for n, p in (("iu", "U"), ("iv", "V"))
    }
    group = measure_group(channels, RATE_HZ)
    iu = group.channels["iu"]
    assert (iu.rms.value, iu.crest_factor) == (0.0, None)
    assert iu.mean.u == pytest.approx(0.002), "rounding to one and the same code does not average out"
    assert group.three_phase is None


@pytest.fixture(scope="module")
def run_up():
    t = np.arange(N) / RATE_HZ
    theta = 2 * np.pi * (20 * t + 150 * t**2 + 300 * t**3)
    return measure_group({**phases(theta), **bus(theta)}, RATE_HZ, pole_pairs=5)


class TestRunUp:
    def test_nothing_is_said_of_the_line(self, run_up):
        iu = run_up.channels["iu"]
        assert iu.frequency_hz is iu.fundamental_rms is iu.mean is iu.noise_rms is None
        assert run_up.speed.rpm is None
        assert run_up.three_phase.unbalance_percent is None

    def test_the_reason_names_both_halves(self, run_up):
        reason = run_up.withheld()["speed.rpm"]
        assert reason.startswith("the frequency is not constant: about ")
        assert "in its second" in reason

    def test_levels_of_the_window_are_given(self, run_up):
        assert run_up.channels["iu"].rms.value == pytest.approx(6 / math.sqrt(2), rel=0.05)
        within(run_up.power.bus_current, 2.0)
        within(run_up.power.input_power, 48.0)


def test_a_load_step_is_not_called_a_change_of_frequency():
    theta = angle()
    load = np.where(np.arange(N) < N / 2, 1.0, 0.25)
    channels = {n: ChannelInput(c.values * load, phase=c.phase) for n, c in phases(theta).items()}
    group = measure_group(channels, RATE_HZ)
    assert group.withheld()["speed.electrical_hz"] == "the amplitude changes within the window"


class TestClipped:
    def channels(self, share):
        made = phases()
        clipped = np.zeros(N, dtype=bool)
        clipped[: round(share * N)] = True
        made["iv"] = ChannelInput(made["iv"].values, clipped, phase="V")
        return made

    def test_a_few_scans_are_counted(self):
        iv = measure_group(self.channels(0.005), RATE_HZ).channels["iv"]
        assert (iv.clipped_scans, iv.rms is None) == (40, False)

    def test_many_withhold_the_wave_but_not_the_frequency(self):
        group = measure_group(self.channels(0.05), RATE_HZ, pole_pairs=5)
        iv = group.channels["iv"]
        assert iv.mean is iv.rms is iv.fundamental_rms is iv.phase_deg is iv.crest_factor is None
        assert "5 % of the scans are at the end of the range" in iv.withheld["rms"]
        assert iv.max is not None
        within(iv.frequency_hz, FREQUENCY_HZ)
        assert group.three_phase.withheld["residual_rms"] == "iv: clipped"
        assert group.speed.electrical_hz is None

    def test_at_standstill(self):
        clipped = np.ones(N, dtype=bool)
        channels = {"iu": ChannelInput(np.full(N, 16.5), clipped, phase="U")}
        iu = measure_group(channels, RATE_HZ).channels["iu"]
        assert iu.mean is iu.rms is None
        assert iu.max.value == 16.5

    def test_a_clipped_bus_gives_no_power(self):
        made = {**phases(), **bus()}
        made["ibus"] = ChannelInput(made["ibus"].values, np.ones(N, dtype=bool), phase="bus")
        power = measure_group(made, RATE_HZ).power
        assert power.input_power is power.energy_Wh is power.charge_Ah is None
        assert "ibus" in power.withheld["input_power"]


class TestPhaseSets:
    def test_a_computed_phase_has_no_residual_and_no_say_in_the_frequency(self):
        made = phases()
        iw = -(made["iu"].values + made["iv"].values)
        made["iw"] = ChannelInput(iw, phase="W", computed=True)
        group = measure_group(made, RATE_HZ)
        assert group.three_phase.residual_rms is None
        assert "computed from the others" in group.withheld()["three_phase.residual_rms"]
        assert group.three_phase.sequence == "UVW"

    def test_and_none_at_standstill_either(self):
        rng = np.random.default_rng(2)
        made = {
            n: ChannelInput(rng.normal(size=N), phase=p, computed=p == "W")
            for n, p in zip("abc", "UVW", strict=True)
        }
        assert "computed" in measure_group(made, RATE_HZ).three_phase.withheld["residual_rms"]

    def test_two_phases_are_no_set(self):
        made = phases()
        del made["iw"]
        assert measure_group(made, RATE_HZ).three_phase is None

    def test_several_places(self):
        made = {**phases(place="low-side", names=("lu", "lv", "lw")), **phases()}
        made["shaft"] = ChannelInput(made["iu"].values, phase="U", place="elsewhere")
        group = measure_group(made, RATE_HZ)
        assert set(group.three_phase_by_place) == {"low-side", "in-line"}
        assert group.three_phase.positive_rms == group.three_phase_by_place["in-line"].positive_rms
        assert "three_phase_by_place.low-side.sequence" not in group.withheld()

    def test_without_phase_u_there_is_no_phase_angle(self):
        made = phases()
        del made["iu"]
        iv = measure_group(made, RATE_HZ).channels["iv"]
        assert iv.withheld["phase_deg"] == "there is no phase U to refer to"

    def test_an_open_phase_has_no_sequence_and_no_speed(self):
        theta = angle()
        made = {
            "iu": ChannelInput(current(0, theta), phase="U"),
            "iv": ChannelInput(-current(0, theta), phase="V"),
            "iw": ChannelInput(current(2, theta, peak=0.0), phase="W"),
        }
        group = measure_group(made, RATE_HZ, pole_pairs=5)
        assert group.speed.withheld["rpm"] == "no rotation: positive and negative sequence are alike"
        assert group.channels["iw"].frequency_hz is None
        assert group.three_phase.angles_deg["W"] is None
        within(group.three_phase.unbalance_percent, 100.0)


class TestOtherChannels:
    def test_a_channel_alone_has_a_line_of_its_own(self):
        y = 3 + 2 * np.cos(angle()) + 0.5 * np.cos(3 * angle())
        group = measure_group({"x": ChannelInput(y, unit="", quantity="number")}, RATE_HZ)
        x = group.channels["x"]
        assert x.frequency_hz.value == pytest.approx(FREQUENCY_HZ)
        assert x.thd_percent.value == pytest.approx(25.0)
        assert x.mean.value == pytest.approx(3.0)
        assert x.withheld["phase_deg"] == "there is no phase U to refer to"
        assert group.speed.withheld["rpm"] == "no phase current or voltage is measured"
        assert group.three_phase is None

    def test_a_steady_value_alone(self):
        y = 3 + np.random.default_rng(1).normal(0, 0.1, N)
        x = measure_group({"x": ChannelInput(y, unit="V", quantity="voltage")}, RATE_HZ).channels["x"]
        within(x.mean, 3.0)
        assert x.withheld["frequency_hz"] == "no alternating part stands out of the noise"

    def test_a_value_that_drifts_alone_keeps_its_mean(self):
        y = np.linspace(20.0, 24.0, N)
        group = measure_group({"ubus": ChannelInput(y, unit="V", quantity="voltage", phase="bus")}, RATE_HZ)
        within(group.channels["ubus"].mean, 22.0)
        assert group.channels["ubus"].noise_rms is None
        assert "fewer than 2 cycles" in group.withheld()["channels.ubus.noise_rms"]

    def test_temperatures_and_states_have_no_line(self):
        made = phases()
        made["winding"] = ChannelInput(np.full(N, 61.5), unit="°C", quantity="temperature", u_offset=0.5)
        made["mode"] = ChannelInput(np.ones(N), unit="", quantity="state")
        group = measure_group(made, RATE_HZ)
        assert group.temperatures["winding"].value == 61.5
        assert group.temperatures["winding"].u == pytest.approx(0.5)
        assert group.channels["mode"].withheld["frequency_hz"] == "this quantity has no line"

    def test_a_bus_ripple_at_the_line_has_no_distortion(self):
        made = {**phases(), **bus()}
        ripple = made["ibus"].values + np.cos(angle())
        made["ibus"] = ChannelInput(ripple, phase="bus")
        ibus = measure_group(made, RATE_HZ).channels["ibus"]
        assert ibus.frequency_hz is not None
        assert ibus.withheld["thd_percent"] == "this channel has no fundamental of its own"

    def test_a_weak_line_has_no_distortion_and_no_angle(self):
        rng = np.random.default_rng(3)
        made = {
            n: ChannelInput(current(k, angle(), 0.01, noise=0.05, seed=5), phase=p)
            for k, (n, p) in enumerate(zip("abc", "UVW", strict=True))
        }
        made["a"] = ChannelInput(0.2 * np.cos(angle()) + rng.normal(0, 0.05, N), phase="U")
        group = measure_group(made, RATE_HZ)
        b = group.channels["b"]
        assert "too small against the noise" in b.withheld["thd_percent"]
        assert "known to ±" in b.withheld["phase_deg"]

    def test_no_harmonics_below_half_the_scan_rate(self):
        iu = measure_group(phases(angle(6011.0)), RATE_HZ).channels["iu"]
        assert iu.withheld["thd_percent"] == "every harmonic lies above half the scan rate"
        assert iu.thd_order is None


class TestBusPower:
    def test_a_chopped_current_at_one_switching_state_is_no_mean(self):
        power = measure_group({**phases(), **bus(sampled_at="low-on")}, RATE_HZ).power
        assert power.bus_voltage is not None
        assert power.bus_current is power.input_power is power.charge_Ah is None
        assert "not its mean" in power.withheld["input_power"]

    def test_voltage_alone(self):
        made = {"ubus": bus()["ubus"]}
        power = measure_group(made, RATE_HZ).power
        assert power.withheld["input_power"] == "no bus current is measured"
        assert power.withheld["charge_Ah"] == "no bus current is measured"

    def test_current_alone(self):
        power = measure_group({"ibus": bus()["ibus"]}, RATE_HZ).power
        assert power.charge_Ah is not None
        assert power.withheld["energy_Wh"] == "no bus voltage is measured"

    def test_of_several_the_first_counts(self):
        made = bus()
        made["second"] = ChannelInput(np.full(N, 7.0), phase="bus")
        assert measure_group(made, RATE_HZ).power.bus_current.value == pytest.approx(2.0, abs=0.01)


class TestPhasePower:
    def voltages(self, theta, lead=0.5, peak=10.0, offset=12.0, **changes):
        return {
            f"u{p.lower()}": ChannelInput(
                offset + peak * np.cos(theta - k * 2 * np.pi / 3 + lead),
                unit="V",
                quantity="voltage",
                phase=p,
                **changes,
            )
            for k, p in enumerate("UVW")
        }

    def test_power_and_power_factor(self):
        theta = angle()
        power = measure_group({**phases(theta), **self.voltages(theta, u_scale=0.004)}, RATE_HZ).power
        within(power.phase_power, 1.5 * 10 * 6 * math.cos(0.5))
        within(power.power_factor, math.cos(0.5))
        assert power.power_factor.value == pytest.approx(math.cos(0.5), rel=1e-3)

    def test_voltages_alone_give_the_frequency(self):
        group = measure_group(self.voltages(angle()), RATE_HZ, pole_pairs=5)
        within(group.speed.rpm, FREQUENCY_HZ * 12, k=3)
        assert group.power.withheld["phase_power"] == "not every phase has its voltage and current"

    def test_a_run_up_has_none(self):
        t = np.arange(N) / RATE_HZ
        theta = 2 * np.pi * (20 * t + 150 * t**2 + 300 * t**3)
        power = measure_group({**phases(theta), **self.voltages(theta)}, RATE_HZ).power
        assert power.phase_power is None
        assert "not constant" in power.withheld["power_factor"]

    def test_nothing_applied(self):
        rng = np.random.default_rng(4)
        made = {n: ChannelInput(rng.normal(size=N), phase=c.phase) for n, c in phases().items()}
        made |= {
            n: ChannelInput(np.zeros(N), unit="V", quantity="voltage", phase=c.phase)
            for n, c in self.voltages(angle()).items()
        }
        power = measure_group(made, RATE_HZ).power
        assert power.phase_power.value == 0.0
        assert power.withheld["power_factor"] == "there is no apparent power"

    def test_clipped(self):
        theta = angle()
        made = {**phases(theta), **self.voltages(theta, clipped=np.ones(N, dtype=bool))}
        assert "end of the range" in measure_group(made, RATE_HZ).power.withheld["phase_power"]


@pytest.mark.parametrize(
    "channels",
    [
        {"a": ChannelInput(np.zeros(4)), "b": ChannelInput(np.zeros(5))},
        {"a": ChannelInput(np.zeros(0))},
    ],
)
def test_lengths_must_agree(channels):
    with pytest.raises(ValueError, match="expected one length above 0"):
        measure_group(channels, RATE_HZ)


def test_no_channels_no_figures():
    assert measure_group({}, RATE_HZ).channels == {}


def test_values_that_are_no_numbers_withhold_their_channel_only():
    # A device that sends floats can send NaN and infinity.
    channels = {**phases(), **bus()}
    whole = measure_group(channels, RATE_HZ, pole_pairs=5)
    broken = channels["iw"].values.copy()
    broken[[7, 9]] = math.nan, math.inf
    found = measure_group({**channels, "iw": ChannelInput(broken, phase="W")}, RATE_HZ, pole_pairs=5)
    assert found.channels["iw"].rms is found.channels["iw"].max is None
    assert found.withheld()["channels.iw.rms"] == f"2 of {N} values are no numbers"
    assert found.three_phase is None
    within(found.channels["iu"].rms, whole.channels["iu"].rms.value, k=0.1)
    within(found.speed.electrical_hz, FREQUENCY_HZ)
