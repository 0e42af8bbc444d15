"""The uncertainty of a channel, held to what errors of that size do to a chain.

Each case builds a chain that has one error, reads a known current through it and takes the
reading by the nominal chain: the difference must be what the budget says for that error alone.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest

from livesense.chain import ChannelChain

Make = Callable[..., ChannelChain]

VREF, STEPS, GAIN, OHM = 3.3, 4096, 20.0, 0.001
CURRENTS = np.array([-40.0, -1.0, 0.0, 1.0, 40.0])


def read_with(
    nominal: ChannelChain,
    zero_v: Callable[[float], float],
    *,
    ohm: float = 0.0,
    gain: float = 0.0,
    offset_v: float = 0.0,
    reference: float = 0.0,
    adc_gain: float = 0.0,
    adc_offset: float = 0.0,
) -> np.ndarray:
    """Errors of the readings, in amperes; the arguments are relative errors, volts and codes.

    ``zero_v`` gives the zero's voltage from the true reference voltage.
    """
    true_reference_v = VREF * (1 + reference)
    pin_v = zero_v(true_reference_v) + (CURRENTS * OHM * (1 + ohm) + offset_v) * GAIN * (1 + gain)
    codes = pin_v / (true_reference_v / STEPS) * (1 + adc_gain) + adc_offset
    return nominal.values(codes) - CURRENTS


def half(reference_v: float) -> float:
    return reference_v / 2


def outside(_: float) -> float:
    return 1.65


TINY = 1e-6


def test_shunt_and_gain_scale(channel: Make) -> None:
    i = channel(shunt_tolerance='"1 ppm (k=1)"')
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(read_with(i, half, ohm=TINY)), rel=1e-5, abs=1e-12)
    i = channel(gain_error='"1 ppm (k=1)"')
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(read_with(i, half, gain=TINY)), rel=1e-5, abs=1e-12)


def test_an_offset_at_the_input_does_not_depend_on_the_current(channel: Make) -> None:
    i = channel(offset='"1 µV (k=1)"')
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(read_with(i, half, offset_v=1e-6)), rel=1e-5)


def test_codes_of_the_adc_s_offset(channel: Make) -> None:
    i = channel(adc={"offset_error": '"0.5 LSB (k=1)"'})
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(read_with(i, half, adc_offset=0.5)), rel=1e-9)


def test_the_reference_cancels_in_a_zero_that_follows_it(channel: Make) -> None:
    i = channel(adc={"reference_tolerance": '"1 ppm (k=1)"'})
    errors = read_with(i, half, reference=TINY)
    assert abs(errors[2]) < 1e-12
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(errors), rel=1e-5, abs=1e-12)
    assert (i.u_offset, i.u_scale, i.u_common) == (0.0, TINY, TINY)


def test_the_reference_moves_a_zero_from_outside(channel: Make) -> None:
    i = channel(reference='"1.65 V"', adc={"reference_tolerance": '"1 ppm (k=1)"'})
    errors = read_with(i, outside, reference=TINY)
    # 1.65 V stand for 82.5 A: that is what the error is a part of.
    assert abs(errors[2]) == pytest.approx(82.5e-6, rel=1e-5)
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(errors), rel=1e-5)
    assert i.u_offset == pytest.approx(82.5e-6)


def test_the_reference_moves_the_zero_of_an_amplifier_with_its_own_supply(channel: Make) -> None:
    i = channel(supply='"3.3 V"', adc={"reference_tolerance": '"1 ppm (k=1)"'})
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(read_with(i, outside, reference=TINY)), rel=1e-5)


def test_an_inverted_chain_has_the_same_uncertainty(channel: Make) -> None:
    adc = {"reference_tolerance": '"1 ppm (k=1)"'}
    i = channel(reference='"1.65 V"', plus_input='"motor"', adc=adc)
    # At the current where the pin stands at 0 V the reference has nothing to scale.
    at_ground = i.values(i.codes(82.5))
    assert at_ground == pytest.approx(82.5)
    assert i.u_systematic(at_ground) == pytest.approx(0, abs=1e-12)
    assert i.u_systematic(-at_ground) == pytest.approx(165e-6)


def test_the_adc_s_gain_moves_the_zero_whatever_it_follows(channel: Make) -> None:
    i = channel(adc={"gain_error": '"1 ppm (k=1)"'})
    errors = read_with(i, half, adc_gain=TINY)
    assert abs(errors[2]) == pytest.approx(82.5e-6, rel=1e-5)
    assert i.u_systematic(CURRENTS) == pytest.approx(abs(errors), rel=1e-5)
    assert i.u_common == 0.0


@pytest.mark.parametrize(("reference", "zero_a"), [("ground", 0.0), ("supply", 165.0)])
def test_zeros_at_the_ends(channel: Make, reference: str, zero_a: float) -> None:
    adc = {"gain_error": '"1 ppm (k=1)"', "reference_tolerance": '"3 ppm (k=1)"'}
    i = channel(reference=f'"{reference}"', adc=adc)
    # Both scale; only the ADC's gain moves the zero, and not one at ground.
    assert i.u_offset == pytest.approx(zero_a * 1e-6, abs=1e-15)
    assert i.u_scale == pytest.approx(math.hypot(1e-6, 3e-6))


def test_non_linearity_counts_like_an_offset(channel: Make) -> None:
    i = channel(adc={"inl": '"2 LSB"'})
    assert i.u_offset == pytest.approx(2 / math.sqrt(3) * 0.040283203125)


def test_a_channel_with_everything(channel: Make) -> None:
    i = channel(
        adc={
            "reference_tolerance": '"0.2 %"',
            "offset_error": '"2 LSB"',
            "inl": '"2 LSB"',
            "gain_error": '"0 %"',
        },
        shunt_tolerance='"1 %"',
        gain_error='"0.3 %"',
        offset='"150 µV"',
    )
    assert i.u_scale == pytest.approx(math.sqrt((0.01**2 + 0.003**2 + 0.002**2) / 3))
    lsb_a = 0.040283203125
    assert i.u_offset == pytest.approx(math.sqrt((0.15**2 + (2 * lsb_a) ** 2 * 2) / 3))
    assert i.u_quantisation == pytest.approx(lsb_a / math.sqrt(12))
    assert i.u_systematic(10.0) == pytest.approx(math.hypot(10 * i.u_scale, i.u_offset))
    assert i.u_excludes == ("shunt_tempco", "offset_drift", "common_mode_rejection")


def test_what_is_not_stated_is_named_and_not_counted(channel: Make) -> None:
    i = channel()
    assert (i.u_scale, i.u_offset) == (0.0, 0.0)
    assert i.u_excludes == (
        "shunt_tolerance",
        "gain_error",
        "offset",
        "shunt_tempco",
        "offset_drift",
        "common_mode_rejection",
        "reference_tolerance",
        "offset_error",
        "inl",
        "adc.gain_error",
    )


def test_an_assumed_swing_is_assumed_but_no_error(channel: Make) -> None:
    i = channel({"sensor": '"shunt"', "shunt": '"1 mΩ"', "gain": "20", "reference": '"ground"'})
    assert {"swing_low", "swing_high"} <= set(i.assumed)
    assert not {"swing_low", "swing_high"} & set(i.u_excludes)


def test_a_divider(channel: Make) -> None:
    adc = {"reference_tolerance": '"0.2 %"', "offset_error": '"2 LSB (k=1)"'}
    v = channel({"sensor": '"divider"', "ratio": "11", "ratio_tolerance": '"0.5 %"'}, adc=adc)
    assert v.u_scale == pytest.approx(math.sqrt((0.005**2 + 0.002**2) / 3))
    assert v.u_offset == pytest.approx(2 * 11 * 3.3 / 4096)


def test_a_linear_sensor(channel: Make) -> None:
    hall = {"sensor": '"linear"', "scale": '"40 mV/A"', "zero": '"1.65 V"'}
    i = channel(
        hall, gain_error='"1 % (k=1)"', offset='"4 mV (k=1)"', adc={"reference_tolerance": '"0.2 % (k=1)"'}
    )
    assert i.u_scale == pytest.approx(math.hypot(0.01, 0.002))
    # Its zero is a voltage, so that the reference moves it.
    assert i.u_offset == pytest.approx(math.hypot(0.1, 0.002 * 41.25))


def test_a_thermistor_at_25_degrees(channel: Make) -> None:
    ntc = {"sensor": '"ntc"', "r25": '"10 kΩ"', "beta": '"3950 K"', "pull_up": '"10 kΩ"'}
    # dT/dcode = T² / beta × d(ln R)/dcode, the latter 4 / 4096 where both resistors are alike.
    per_code = 298.15**2 / 3950 * 4 / 4096
    t = channel(ntc, adc={"offset_error": '"3 LSB (k=1)"', "reference_tolerance": '"1 % (k=1)"'})
    assert t.u_offset == pytest.approx(3 * per_code, rel=1e-5)
    assert t.u_quantisation == pytest.approx(per_code / math.sqrt(12), rel=1e-5)
    t = channel(ntc, adc={"reference_tolerance": '"1 % (k=1)"'}, pull_up_voltage='"3.3 V"')
    assert t.u_offset == pytest.approx(0.01 * 2048 * per_code, rel=1e-5)
    assert set(t.u_excludes) >= {"r25", "beta", "pull_up"}
    assert "steinhart_hart" not in t.u_excludes


def test_a_thermistor_by_three_coefficients(channel: Make) -> None:
    a, b, c = 1.129148e-3, 2.34125e-4, 8.76741e-8
    ntc = {"sensor": '"ntc"', "steinhart_hart": f"[{a}, {b}, {c}]", "pull_up": '"10 kΩ"'}
    # dT/dR = -T² (B + 3 C (ln R)²) / R, by the derivative of 1/T; dR/dcode = 4 R / 4096 at half the range.
    kelvin, log = 273.15 + 24.99967, math.log(10e3)
    per_code = kelvin**2 * (b + 3 * c * log**2) * 4 / 4096
    t = channel(ntc, adc={"offset_error": '"3 LSB (k=1)"', "reference_tolerance": '"1 % (k=1)"'})
    assert t.u_offset == pytest.approx(3 * per_code, rel=1e-5)
    assert t.u_quantisation == pytest.approx(per_code / math.sqrt(12), rel=1e-5)
    t = channel(ntc, adc={"reference_tolerance": '"1 % (k=1)"'}, pull_up_voltage='"3.3 V"')
    assert t.u_offset == pytest.approx(0.01 * 2048 * per_code, rel=1e-4)
    assert set(t.u_excludes) >= {"steinhart_hart", "pull_up"}
    assert not set(t.u_excludes) & {"r25", "beta"}


# Zero calibration


def test_a_measured_zero_replaces_the_offset_terms(channel: Make) -> None:
    adc = {
        "offset_error": '"2 LSB"',
        "inl": '"1 LSB (k=1)"',
        "gain_error": '"0.1 %"',
        "reference_tolerance": '"1 %"',
    }
    i = channel(reference='"1.65 V"', offset='"150 µV"', shunt_tolerance='"1 %"', adc=adc)
    zeroed = i.with_zero(2055.25, 0.02)
    assert zeroed.values(np.array([2055.25]))[0] == 0
    assert zeroed.per_code == i.per_code
    assert zeroed.u_scale == i.u_scale
    lsb_a = 0.040283203125
    assert zeroed.u_offset == pytest.approx(math.hypot(0.02 * lsb_a, lsb_a))
    # With the zero measured, an error of the pin's scale acts on the current alone.
    assert zeroed.u_systematic(40.0) == pytest.approx(math.hypot(40 * i.u_scale, zeroed.u_offset))
    assert (zeroed.low, zeroed.high) == pytest.approx((i.low - 7.25 * lsb_a, i.high - 7.25 * lsb_a))
    assert zeroed.clip_codes() == i.clip_codes()


def test_a_measured_zero_takes_its_keys_from_the_list(channel: Make) -> None:
    i = channel(reference='"1.65 V"')
    assert {"offset", "offset_error", "reference"} <= set(i.u_excludes)
    assert i.with_zero(2048.0, 0.1).u_excludes == (
        "shunt_tolerance",
        "gain_error",
        "shunt_tempco",
        "offset_drift",
        "common_mode_rejection",
        "reference_tolerance",
        "inl",
        "adc.gain_error",
    )


def test_thermometers_have_no_zero_to_measure(channel: Make) -> None:
    ntc = {"sensor": '"ntc"', "r25": '"10 kΩ"', "beta": '"3950 K"', "pull_up": '"10 kΩ"'}
    with pytest.raises(ValueError, match="not linear"):
        channel(ntc).with_zero(2048.0, 0.1)
