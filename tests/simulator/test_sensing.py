"""The built sense chain against the nominal one that the bench file states."""

import tomllib

import numpy as np
import pytest

from simulator.main import BENCH
from simulator.scenarios import BRING_UP, OVERLOAD
from simulator.sensing import CURRENTS, FAST, NOMINAL, SLOW, SenseChain, draw_errors
from simulator.world import World

SEEDS = range(8)


def built(seed):
    return SenseChain(draw_errors(np.random.default_rng(seed)), np.random.default_rng(seed + 100))


def nominal_a(codes):
    """Amperes as the bench file's chain reads codes: (code - half scale) steps of q = Vref/(2^n G R)."""
    return (codes.astype(float) - 2048.0) * (3.3 / (4096 * 20.0 * 0.005))


def test_nominal_range_is_that_of_the_bench():
    # 3.3 V, 12 bit, gain 20, 5 mOhm: 3.3/(4096*20*.005) = 8.05664 mA a code, 16.5 A either way
    assert NOMINAL.ampere_per_code == pytest.approx(0.008056640625, rel=1e-12)
    assert 2048 * NOMINAL.ampere_per_code == pytest.approx(16.5, rel=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", CURRENTS)
def test_truth_and_nominal_chain_never_coincide(seed, name):
    chain = built(seed)
    level_a = np.repeat([-8.0, 0.0, 8.0], 4000)
    read_a = nominal_a(chain.current_codes(name, level_a)).reshape(3, -1).mean(axis=1)
    offset_a = read_a[1]
    slope = (read_a[2] - read_a[0]) / 16.0 - 1.0
    assert abs(offset_a) > 0.2e-3 or abs(slope) > 0.2e-3
    assert not np.allclose(read_a, [-8.0, 0.0, 8.0], atol=1e-3)


@pytest.mark.parametrize("seed", SEEDS)
def test_errors_are_never_zero_and_within_what_the_bench_file_states(seed):
    errors = draw_errors(np.random.default_rng(seed))
    stated = [
        *((errors.currents[name].shunt, NOMINAL.shunt_limit) for name in CURRENTS[:3]),
        (errors.currents["ibus"].shunt, NOMINAL.bus_shunt_limit),
        *((errors.currents[name].gain, NOMINAL.gain_limit) for name in CURRENTS),
        *((errors.currents[name].offset_v, NOMINAL.offset_limit_v) for name in CURRENTS[:3]),
        (errors.currents["ibus"].offset_v, NOMINAL.bus_offset_limit_v),
        (errors.reference, NOMINAL.reference_limit),
        (errors.adc_offset, NOMINAL.adc_offset_limit),
        (errors.adc_bow, NOMINAL.adc_bow_limit),
        (errors.divider, NOMINAL.divider_limit),
        (errors.temperature, NOMINAL.temperature_limit),
    ]
    assert all(0.0 < abs(error) < limit for error, limit in stated)
    assert all(noise > 0.5 for noise in errors.noise.values())


@pytest.mark.parametrize("seed", SEEDS)
def test_reading_at_rated_current_is_within_one_percent(seed):
    chain = built(seed)
    for name in CURRENTS:
        up_a, down_a = (
            nominal_a(chain.current_codes(name, np.full(4000, level))).mean() for level in (8.5, -8.5)
        )
        assert (up_a - down_a) / 17.0 == pytest.approx(1.0, abs=0.009)


def test_noise_is_about_one_code():
    codes = built(1).current_codes("iu", np.full(20_000, 1.234))
    assert 1.0 < codes.astype(float).std() < 1.7


def test_amplifier_clips_at_its_output_swing():
    # 50 mV from each rail of 3.3 V: codes 62 and 4034; everything beyond reads the same
    chain = built(2)
    for level_a, expected in ((17.0, 4034), (40.0, 4034), (-17.0, 62), (-40.0, 62)):
        codes = chain.current_codes("iv", np.full(500, level_a))
        assert abs(codes.astype(float).mean() - expected) < 4.0
    assert abs(int(nominal_a(chain.current_codes("iv", np.array([15.0])))[0]) - 15) <= 1


def test_adc_ends_at_its_first_and_last_code():
    chain = built(3)
    assert chain.voltage_codes(np.full(50, 100.0)).max() == 4095
    assert chain.temperature_codes(np.full(50, -200.0)).min() == 0


def test_ibus_noise_is_its_own():
    world = World(BRING_UP, seed=3)
    codes = world.chunk().codes.astype(float)
    correlation = np.corrcoef(codes[:, [0, 1, 2, 4]].T)
    assert np.abs(correlation - np.eye(4)).max() < 0.1


def test_phases_are_sampled_around_the_valley():
    chain = built(1)
    assert chain.instants_s[:3] == pytest.approx((-0.2e-6, 0.0, 0.2e-6))
    assert 1e-9 < abs(chain.late_s) < 0.02e-6


# The bench file beside the simulator states this very chain.


@pytest.fixture(scope="module")
def bench():
    return tomllib.loads(BENCH.read_text(encoding="utf-8"))


def test_bench_file_has_the_channels_in_wire_order(bench):
    assert tuple(channel["name"] for channel in bench["channel"]) == FAST + SLOW


def number(text):
    value, unit = text.split(" ", 1)
    factor = {"%": 0.01, "mΩ": 1e-3, "µV": 1e-6, "V": 1.0, "kHz": 1e3, "µs": 1e-6, "LSB": 1.0, "A": 1.0}[unit]
    return pytest.approx(float(value) * factor, rel=1e-12)


def test_bench_file_states_the_nominal_chain(bench):
    adc = bench["adc"]
    assert adc["bits"] == NOMINAL.bits
    assert NOMINAL.reference_v == number(adc["reference"])
    assert NOMINAL.reference_limit == number(adc["reference_tolerance"])
    assert NOMINAL.adc_offset_limit == number(adc["offset_error"])
    assert NOMINAL.adc_bow_limit == number(adc["inl"])
    channels = {channel["name"]: channel for channel in bench["channel"]}
    for name in CURRENTS:
        channel = channels[name]
        assert channel["gain"] == NOMINAL.gain
        assert NOMINAL.shunt_ohm == number(channel["shunt"])
        shunt_limit = NOMINAL.bus_shunt_limit if name == "ibus" else NOMINAL.shunt_limit
        assert shunt_limit == number(channel["shunt_tolerance"])
        assert NOMINAL.gain_limit == number(channel["gain_error"])
        offset_limit_v = NOMINAL.bus_offset_limit_v if name == "ibus" else NOMINAL.offset_limit_v
        assert offset_limit_v == number(channel["offset"])
        assert NOMINAL.bandwidth_hz == number(channel["bandwidth"])
        assert channel["reference"] == "mid-supply" and channel["supply"] == "adc"
    for name, sampled_s in zip(FAST[1:], NOMINAL.sampled_s[1:], strict=True):
        assert sampled_s == number(channels[name]["delay"])
    assert channels["vbus"]["ratio"] == NOMINAL.divider_ratio
    assert NOMINAL.divider_limit == number(channels["vbus"]["ratio_tolerance"])
    assert NOMINAL.temperature_zero_v == number(channels["t_sink"]["zero"])


def test_bench_file_agrees_with_motor_states_and_limit(bench):
    from simulator.drive import State
    from simulator.motor import COOLANT_PUMP

    assert bench["motor"]["pole_pairs"] == COOLANT_PUMP.pole_pairs
    state = next(channel for channel in bench["channel"] if channel["name"] == "state")
    assert state["labels"] == {str(int(known)): known.name.lower() for known in State}
    (watch,) = bench["watch"]
    assert OVERLOAD.over_limit_a == number(watch["limit"])
