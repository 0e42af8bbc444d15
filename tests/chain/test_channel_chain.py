"""One channel: codes to values and back, ends of the range, corrections."""

import cmath
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livesense.bench import BenchError
from livesense.chain import ChannelChain
from livesense.samples import CodeType

Make = Callable[..., ChannelChain]


def test_the_shape_of_the_codes_is_kept(channel: Make) -> None:
    i = channel()
    codes = np.array([[0, 2048], [2049, 4095]], dtype=np.uint16)
    assert i.values(codes).shape == (2, 2)
    assert i.values(codes).dtype == np.float64
    assert i.clipped(codes).tolist() == [[True, False], [False, True]]


def test_unsigned_codes_do_not_wrap(channel: Make) -> None:
    i = channel()
    assert i.values(np.array([0], dtype=np.uint16))[0] == -82.5


def test_means_of_codes_convert_like_codes(channel: Make) -> None:
    i = channel()
    assert i.values(np.array([2048.5]))[0] == pytest.approx((i.per_code or 0) / 2)


def test_codes_are_not_changed_by_converting(channel: Make) -> None:
    codes = np.array([1.0, 2.0])
    channel().values(codes)
    assert codes.tolist() == [1.0, 2.0]


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    code=st.integers(0, 4095),
    reference=st.sampled_from(["ground", "supply", "mid-supply", "0.7 V"]),
    node=st.sampled_from(["bridge", "motor"]),
)
def test_values_and_codes_undo_each_other(channel: Make, code: int, reference: str, node: str) -> None:
    i = channel(reference=f'"{reference}"', plus_input=f'"{node}"')
    assert i.codes(i.values(np.array([code])))[0] == pytest.approx(code, abs=1e-8)


@pytest.mark.parametrize(
    ("phase", "place", "node", "sign"),
    [
        ("U", "in-line", "bridge", 1),
        ("U", "in-line", "motor", -1),
        ("U", "high-side", "supply", 1),
        ("U", "high-side", "bridge", -1),
        ("U", "low-side", "ground", 1),
        ("U", "low-side", "bridge", -1),
        ("bus", "high-side", "supply", 1),
        ("bus", "high-side", "bridge", -1),
        # The return current of the whole bridge flows from the bridge to ground.
        ("bus", "low-side", "bridge", 1),
        ("bus", "low-side", "ground", -1),
    ],
)
def test_the_sign_follows_from_the_node(channel: Make, phase: str, place: str, node: str, sign: int) -> None:
    i = channel(phase=f'"{phase}"', place=f'"{place}"', plus_input=f'"{node}"')
    assert math.copysign(1, i.values(np.array([3000]))[0]) == sign


# Code ranges


def test_signed_codes(channel: Make) -> None:
    # LSB = 2 × 3.3 V / 4096, whatever the integer's type; zero at 1.65 V is code 1024.
    i = channel(adc={"signed": "true"}, code=CodeType.I16)
    assert i.zero_code == 1024
    assert i.per_code == pytest.approx(2 * 3.3 / 4096 / 0.02)
    assert i.clip_codes() == (0, 2047)


def test_signed_codes_of_a_divider_reach_below_zero(channel: Make) -> None:
    v = channel({"sensor": '"divider"', "ratio": "2"}, adc={"signed": "true"}, code=CodeType.I16)
    assert v.clip_codes() == (-2048, 2047)
    assert v.low == pytest.approx(-6.6)


def test_an_offset_of_the_codes_is_added_first(channel: Make) -> None:
    i = channel(code_offset="2048", code=CodeType.I16)
    assert i.zero_code == 0
    assert i.values(np.array([-2048, 0, 2047])) == pytest.approx([-82.5, 0, 82.459716796875])
    assert i.clip_codes() == (-2048, 2047)


def test_steps_that_are_not_two_to_the_power_of_bits(channel: Make) -> None:
    i = channel(adc={"steps": "4000"})
    assert i.zero_code == 2000
    assert i.per_code == pytest.approx(3.3 / 4000 / 0.02)
    assert i.clip_codes() == (0, 4000)


def test_a_channel_with_a_converter_of_its_own(channel: Make) -> None:
    i = channel(bits="16", adc_reference='"2.5 V"', adc={"steps": "4000"})
    assert i.per_code == pytest.approx(2.5 / 65536 / 0.02)
    assert i.clip_codes() == (0, 65535)
    assert i.u_common == 0.0


def test_decimals_are_a_power_of_ten(channel: Make) -> None:
    # 2048.5 is held as 20485.
    i = channel(code=CodeType.TEXT, decimals=(1,))
    assert i.zero_code == 20480
    assert i.values(np.array([20485]))[0] == pytest.approx(0.5 * 0.040283203125)
    assert i.clip_codes() == (0, 40950)


# Swing


def test_the_output_swing_limits_the_range(channel: Make) -> None:
    i = channel(shunt='"5 mΩ"', swing_low='"50 mV"', swing_high='"50 mV"')
    assert (i.low, i.high) == pytest.approx((-16, 16))
    # 50 mV is code 62.06 and 3.25 V code 4033.94: a reading there may be more.
    assert i.clip_codes() == (63, 4033)
    assert i.clipped(np.array([62, 63, 64, 4032, 4033, 4034])).tolist() == [
        True,
        True,
        False,
        False,
        True,
        True,
    ]


def test_a_swing_on_a_whole_code_is_that_code(channel: Make) -> None:
    # 0.1 V of 3.2 V in 4096 steps is code 128.
    i = channel(adc={"reference": '"3.2 V"'}, swing_low='"0.1 V"', swing_high='"0.1 V"')
    assert i.clip_codes() == (128, 3968)


def test_the_supply_limits_an_amplifier_below_the_adc(channel: Make) -> None:
    i = channel(supply='"3 V"')
    assert i.zero_code == pytest.approx(4096 * 1.5 / 3.3)
    assert i.clip_codes() == (0, 3723)
    assert i.high == pytest.approx(75)


def test_the_adc_limits_an_amplifier_above_it(channel: Make) -> None:
    i = channel(supply='"5 V"', reference='"1.65 V"')
    assert i.clip_codes() == (0, 4095)


def test_a_linear_sensor_has_a_swing_only_where_one_is_stated(channel: Make) -> None:
    hall = {"sensor": '"linear"', "scale": '"25 A/V"', "zero": '"1.65 V"'}
    assert channel(hall).clip_codes() == (0, 4095)
    assert channel(hall, swing_high='"0.3 V"').clip_codes() == (0, 3723)
    assert channel(hall, swing_low='"0.3 V"').clip_codes() == (373, 4095)


# Other sensors


def test_linear(channel: Make) -> None:
    t = channel({"sensor": '"linear"', "unit": '"°C"', "scale": '"10 mV/K"', "zero": '"0.5 V"'})
    assert (t.unit, t.quantity) == ("°C", "temperature")
    assert t.values(np.array([0, 4096 * 0.75 / 3.3])) == pytest.approx([-50, 25])


def test_a_linear_sensor_may_fall(channel: Make) -> None:
    i = channel({"sensor": '"linear"', "scale": '"-40 mV/A"', "zero": '"1.65 V"'})
    assert i.values(np.array([0])) == pytest.approx([41.25])
    assert i.low < 0 < i.high


def test_divider(channel: Make) -> None:
    v = channel({"sensor": '"divider"', "ratio": "11"})
    assert (v.unit, v.quantity, v.low) == ("V", "voltage", 0)
    assert v.values(np.array([4096 * 24 / 36.3])) == pytest.approx([24])


def test_direct(channel: Make) -> None:
    i = channel({"sensor": '"direct"', "unit": '"A"', "scale": '"1 mA"', "zero": "1000"}, code=CodeType.I16)
    assert i.quantity == "current"
    assert i.values(np.array([3000])) == pytest.approx([2])
    assert (i.low, i.high) == pytest.approx((-33.768, 31.767))
    assert i.clip_codes() == (None, None)
    assert not i.clipped(np.array([-32768, 32767])).any()
    assert i.u_quantisation == pytest.approx(0.001 / math.sqrt(12))


def test_direct_decimals_stand_for_themselves(channel: Make) -> None:
    i = channel({"sensor": '"direct"', "unit": '"A"'}, code=CodeType.TEXT, decimals=(3,))
    assert i.values(np.array([-1234])) == pytest.approx([-1.234])


@pytest.mark.parametrize("code", [CodeType.F32, CodeType.F64, CodeType.I32, CodeType.I64, CodeType.TEXT])
def test_how_far_a_channel_of_wide_values_reaches_nobody_tells(channel: Make, code: CodeType) -> None:
    # What 32 bits or a float can hold is no range that anything measures.
    i = channel({"sensor": '"direct"', "unit": '"A"', "scale": "-0.5"}, code=code)
    assert (i.low, i.high) == (-math.inf, math.inf)


def test_a_direct_channel_may_fall(channel: Make) -> None:
    i = channel({"sensor": '"direct"', "unit": '"A"', "scale": "-1"}, code=CodeType.U12)
    assert (i.low, i.high) == (-4095, 0)


def test_state(channel: Make) -> None:
    s = channel({"sensor": '"state"', "labels": '{ 0 = "off", 2 = "run" }'})
    assert s.quantity == "state"
    assert s.values(np.array([0, 2], dtype=np.uint16)).tolist() == [0.0, 2.0]
    assert [s.label(code) for code in (0, 1, 2)] == ["off", "1", "run"]
    assert s.u_quantisation == 0.0


NTC = {"sensor": '"ntc"', "r25": '"10 kΩ"', "beta": '"3950 K"', "pull_up": '"10 kΩ"'}


def test_a_thermistor_at_its_own_resistance(channel: Make) -> None:
    t = channel(NTC)
    assert (t.unit, t.quantity, t.per_code) == ("°C", "temperature", None)
    assert t.values(np.array([2048], dtype=np.uint16))[0] == pytest.approx(25)


FALLING = "[1.129148e-3, 2.34125e-4, 8.76741e-8]"
TURNING = "[0.9e-3, 2.9e-4, -2.5e-7]"
STRAIGHT = "[1.02e-3, 2.53e-4, 0]"


@pytest.mark.parametrize("coefficients", [FALLING, TURNING, STRAIGHT, "[1.02e-3, 2.53e-4, 1e-300]"])
def test_a_thermistor_by_three_coefficients(channel: Make, coefficients: str) -> None:
    t = channel({"sensor": '"ntc"', "steinhart_hart": coefficients, "pull_up": '"10 kΩ"'})
    a, b, c = (float(one) for one in coefficients.strip("[]").split(","))
    # 10 kΩ against 10 kΩ; then resistances of both ends.
    for code, log in (
        (2048, math.log(10e3)),
        (4000, math.log(10e3 * 4000 / 96)),
        (100, math.log(1e6 / 3996)),
    ):
        celsius = 1 / (a + b * log + c * log**3) - 273.15
        assert t.values(np.array([code]))[0] == pytest.approx(celsius, rel=1e-12)
        assert t.codes([celsius])[0] == pytest.approx(code, rel=1e-9)


def test_coefficients_that_amount_to_a_beta_read_alike(channel: Make) -> None:
    # With C = 0 the two equations are one: B = 1 / beta, A = 1/298.15 K - ln(r25) / beta.
    a = 1 / 298.15 - math.log(10e3) / 3950
    same = channel({"sensor": '"ntc"', "steinhart_hart": f"[{a!r}, {1 / 3950!r}, 0]", "pull_up": '"10 kΩ"'})
    codes = np.arange(1, 4095)
    assert same.values(codes) == pytest.approx(channel(NTC).values(codes), rel=1e-9)


def test_a_curve_that_turns_is_held_there(channel: Make) -> None:
    t = channel({"sensor": '"ntc"', "steinhart_hart": "[0.6e-3, 3.2e-4, -4.5e-7]", "pull_up": '"10 kΩ"'})
    # 1/T is largest where B + 3 C (ln R)² = 0.
    log = math.sqrt(3.2e-4 / 13.5e-7)
    coldest = 1 / (0.6e-3 + 3.2e-4 * log - 4.5e-7 * log**3) - 273.15
    values = t.values(np.arange(4096))
    assert (np.diff(values) <= 0).all()
    assert values[-1] == t.low == pytest.approx(coldest)
    assert math.isfinite(t.codes([coldest - 1])[0])


@pytest.mark.parametrize("stated", [{"r25": '"10 kΩ"', "beta": '"3950 K"'}, {"steinhart_hart": FALLING}])
def test_a_shorted_thermistor_is_not_below_absolute_zero(channel: Make, stated: dict[str, str]) -> None:
    # Of 24 bits the lowest codes are thousandths of an ohm, where 1/T comes out below zero.
    t = channel({"sensor": '"ntc"', "bits": "24", "pull_up": '"10 kΩ"', **stated}, code=CodeType.I32)
    values = t.values(np.array([0, 1, 2, 1 << 12, 1 << 23], dtype=np.int32))
    assert (np.diff(values) <= 0).all() and values[0] == 2000 == t.high


def test_open_and_shorted_thermometers_stay_finite_and_are_clipped(channel: Make) -> None:
    for sensor in (NTC, {"sensor": '"rtd"', "pull_up": '"1 kΩ"'}):
        t = channel(sensor)
        codes = np.array([0, 4095, 5000], dtype=np.uint16)
        assert np.isfinite(t.values(codes)).all()
        assert t.clipped(codes).all()
        assert math.isfinite(t.low) and math.isfinite(t.high) and t.low < 25 < t.high


def test_a_thermometer_s_codes_may_be_shifted_too(channel: Make) -> None:
    t = channel(NTC, code_offset="2048", code=CodeType.I16)
    assert t.values(np.array([0]))[0] == pytest.approx(25)
    assert t.codes([25.0])[0] == pytest.approx(0)
    assert t.clip_codes() == (-2048, 2047)


def test_a_pull_up_to_a_voltage_of_its_own(channel: Make) -> None:
    t = channel(NTC, pull_up_voltage='"2 V"')
    assert t.values(np.array([4096 * 1 / 3.3]))[0] == pytest.approx(25)
    # Open, the pin stands at 2 V: code 2482.4.
    assert t.clip_codes() == (0, 2482)


def test_a_pt100_both_sides_of_zero(channel: Make) -> None:
    t = channel({"sensor": '"rtd"', "pull_up": '"1 kΩ"'}, adc={"bits": "24"}, code=CodeType.I32)
    celsius = np.array([-200.0, -100.0, -1e-3, 0.0, 1e-3, 300.0, 850.0])
    assert t.values(t.codes(celsius)) == pytest.approx(celsius, abs=1e-6)
    assert t.low >= -200 and t.high <= 850


# Corrections


def test_nothing_stated_nothing_corrected(channel: Make) -> None:
    assert channel().correction(1000.0) == 1


def test_late_and_slow_together(channel: Make) -> None:
    i = channel(delay='"10 us"', bandwidth='"10 kHz"')
    factor = i.correction(1000.0)
    # Late: it leads by 3.6°, take them away; slow: it lags by atan 0.1, add it.
    assert math.degrees(cmath.phase(factor)) == pytest.approx(-3.6 + math.degrees(math.atan(0.1)))
    assert abs(factor) == pytest.approx(math.hypot(1, 0.1))


def test_computed_channels_have_no_codes_of_their_own(channel: Make) -> None:
    i = ChannelChain("iw", "A", "current", "W", "in-line", 0, computed=True, source=("iu", "iv"))
    with pytest.raises(ValueError, match="'iw' is not linear in codes: it is computed from iu, iv"):
        i.values(np.array([1]))
    with pytest.raises(ValueError, match="it is computed"):
        i.codes(np.array([1.0]))


def test_a_reference_below_the_swing_is_refused_before_it_gets_here(channel: Make) -> None:
    with pytest.raises(BenchError):
        channel(supply='"1 V"', swing_high='"1 V"')
