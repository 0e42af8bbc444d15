"""Single terms of the budget against worked numbers, and what keys need each other."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.bench import parse
from livesense.chain import Chain, ChannelChain
from livesense.chain.budget import Acts
from livesense.errors import BenchError
from livesense.samples import CodeType, GroupInfo

ADC = '[adc]\nbits = 12\nreference = "3.3 V"\n'
CONDITIONS = '[bench]\nbus_voltage = "48 V"\ntemperature_change = "60 K (k=1)"\n'


def channel(
    *lines: str, adc: str = "", conditions: str = CONDITIONS, reference: str = "mid-supply"
) -> ChannelChain:
    """A 1 mΩ shunt with a gain of 20, and what else is said of it."""
    own = '[[channel]]\nname = "i"\nphase = "U"\nsensor = "shunt"\nshunt = "1 mΩ"\ngain = 20\n'
    own += f'reference = "{reference}"\n'
    text = conditions + ADC + adc + own + "\n".join(lines)
    return Chain(parse(text), [GroupInfo(20_000.0, CodeType.U16, None, ("i",))]).channels["i"]


def term(found: ChannelChain, key: str, acts: Acts) -> float:
    """The one term of a key that acts so."""
    (only,) = (t for t in found.budget.terms if t.key == key and t.acts is acts)
    return only.u


def test_common_mode_at_the_high_side() -> None:
    # 120 dB at 48 V leave 48 µV at the inputs: 0.048 A in 1 mΩ (arithmetic of the definition).
    i = channel('common_mode_rejection = "120 dB"', 'place = "high-side"')
    assert term(i, "common_mode_rejection", Acts.OFFSET) == pytest.approx(0.048 / math.sqrt(3))
    assert i.budget.total(Acts.ALTERNATING) == 0
    assert "common_mode_rejection" not in i.u_excludes


def test_common_mode_in_a_motor_s_line_follows_the_duty() -> None:
    i = channel('common_mode_rejection = "120 dB"')
    assert term(i, "common_mode_rejection", Acts.OFFSET) == pytest.approx(0.024 / math.sqrt(3))
    # At most half the bus voltage as amplitude.
    assert term(i, "common_mode_rejection", Acts.ALTERNATING) == pytest.approx(0.024 / math.sqrt(6))
    # A zero measured with the bus off holds none of it.
    assert i.with_zero(2048.0, 0.0).u_offset == pytest.approx(0.024 / math.sqrt(3))


def test_common_mode_needs_a_bus_voltage_and_is_nothing_at_the_low_side() -> None:
    i = channel('common_mode_rejection = "120 dB"', conditions="")
    assert "common_mode_rejection" in i.u_excludes
    assert i.u_offset == 0
    i = channel('common_mode_rejection = "120 dB"', 'place = "low-side"')
    assert i.u_offset == 0
    assert "common_mode_rejection" not in i.u_excludes


def test_drift_over_a_change_of_temperature() -> None:
    # 0.5 µV/K over 60 K in 1 mΩ: 0.03 A (arithmetic of the definition).
    i = channel('offset_drift = "0.5 µV/K (k=1)"')
    assert term(i, "offset_drift", Acts.OFFSET) == pytest.approx(0.03)
    assert i.with_zero(2048.0, 0.0).u_offset == pytest.approx(0.03)
    i = channel('shunt_tempco = "50 ppm/K (k=1)"', 'gain_drift = "10 ppm/K (k=1)"')
    assert i.u_scale == pytest.approx(math.hypot(0.003, 0.0006))
    i = channel('offset_drift = "0.5 µV/K (k=1)"', conditions="")
    assert (i.u_offset, "offset_drift" in i.u_excludes) == (0, True)


def test_self_heating_grows_with_the_square_of_the_current() -> None:
    # 50 A in 1 mΩ are 2.5 W, with 40 K/W 100 K, with 50 ppm/K 0.5 % (to first order).
    i = channel('shunt_tempco = "50 ppm/K (k=1)"', 'shunt_heating = "40 K/W"', conditions="")
    assert i.u_systematic(50.0) == pytest.approx(0.005 * 50)
    assert i.u_systematic(25.0) == pytest.approx(0.005 / 4 * 25)


def test_copper_between_the_sense_points() -> None:
    i = channel('sense_copper = "0.03 mΩ"')
    assert i.u_systematic(10.0) == pytest.approx(0.3 / math.sqrt(3))


def test_filter_resistors_take_gain() -> None:
    plain, filtered = channel(), channel('filter_resistance = "50 Ω"', 'input_resistance = "900 Ω"')
    # 900 of 1000 Ω: the same code stands for more current.
    assert filtered.values(np.array([2458])) == pytest.approx(plain.values(np.array([2458])) / 0.9)
    assert filtered.high == pytest.approx(plain.high / 0.9)
    offset = channel('filter_resistance = "50 Ω"', 'input_resistance = "900 Ω"', 'offset = "90 µV (k=1)"')
    assert offset.u_offset == pytest.approx(0.1)
    unsure = channel(
        'filter_resistance = "50 Ω"',
        'input_resistance = "900 Ω"',
        'input_resistance_tolerance = "20 % (k=1)"',
    )
    assert unsure.u_scale == pytest.approx(0.02)


def test_a_pin_s_current_through_what_lies_before_it() -> None:
    # 1 µA through 1 kΩ is 1 mV at the pin: 0.05 A with a gain of 20 and 1 mΩ.
    i = channel('source_resistance = "1 kΩ"', adc='input_current = "1 µA (k=1)"\n')
    assert i.u_offset == pytest.approx(0.05)
    assert channel(adc='input_current = "1 µA (k=1)"\n').u_offset == 0


def test_settling_of_the_sampling_capacitor() -> None:
    adc = 'sampling_time = "40 ns"\nsampling_capacitance = "8 pF"\nsampling_resistance = "500 Ω"\n'
    # 8 pF × (500 + 500) Ω: five time constants leave e⁻⁵ of the range.
    i = channel('source_resistance = "500 Ω"', adc=adc)
    assert term(i, "adc.sampling_time", Acts.BOW) == pytest.approx(
        math.exp(-5) * (i.high - i.low) / math.sqrt(3)
    )
    slow = 'sampling_time = "40 us"\nsampling_capacitance = "8 pF"\n'
    assert channel('source_resistance = "500 Ω"', adc=slow).u_bow == 0
    assert channel(adc=slow).u_bow == 0


def test_the_voltage_of_the_zero() -> None:
    i = channel('zero_tolerance = "1 % (k=1)"', reference="1.65 V")
    # 1.65 V stand for 82.5 A.
    assert i.u_offset == pytest.approx(0.825)
    assert "reference" not in i.u_excludes
    assert i.budget.shared_offsets() == {}
    i = channel('zero_tolerance = "1 % (k=1)"', 'rail = "r"', 'plus_input = "motor"', reference="1.65 V")
    assert i.budget.shared_offsets() == {"rail r": pytest.approx(-0.825)}
    # A zero that follows the converter's reference has no voltage of its own.
    assert channel('zero_tolerance = "1 % (k=1)"').u_offset == 0


def test_the_converter_s_reference_moves_zeros_from_outside_together() -> None:
    i = channel(adc='reference_tolerance = "1 % (k=1)"\n', reference="1.65 V")
    assert i.budget.shared_offsets() == {"adc.reference": pytest.approx(0.825)}


def test_corrections_know_their_own_uncertainty() -> None:
    i = channel('bandwidth = "10 kHz"', 'bandwidth_tolerance = "0.01 % (k=1)"')
    wider = channel('bandwidth = "10.001 kHz"')
    change = wider.correction(3000.0) / i.correction(3000.0)
    size, angle = i.u_correction(3000.0)
    assert size == pytest.approx(abs(abs(change) - 1), rel=1e-3)
    assert angle == pytest.approx(abs(np.angle(change)), rel=1e-3)
    size, angle = channel('delay_tolerance = "1 us (k=1)"').u_correction(400.0)
    # 1 µs at 400 Hz: 0.144° (arithmetic of the definition).
    assert (size, math.degrees(angle)) == (0, pytest.approx(0.144))


def test_a_shunt_s_inductance_leads() -> None:
    # 1 nH at 1 mΩ: at 159.155 kHz as much reactance as resistance, 45° and √2.
    undone = channel('shunt_inductance = "1 nH"').correction(1e6 / (2 * math.pi))
    assert (1 / abs(undone), math.degrees(np.angle(1 / undone))) == pytest.approx((math.sqrt(2), 45))


def test_a_computed_phase_has_the_errors_of_its_sources() -> None:
    more = 'zero_tolerance = "1 % (k=1)"\nrail = "r"\ndelay_tolerance = "1 us (k=1)"\n'
    text = CONDITIONS + ADC + 'gain_error = "1 % (k=1)"\nreference_tolerance = "2 % (k=1)"\n'
    for name, phase in (("iu", "U"), ("iv", "V")):
        text += (
            f'[[channel]]\nname = "{name}"\nphase = "{phase}"\nsensor = "shunt"\nshunt = "1 mΩ"\ngain = 20\n'
        )
        text += f'reference = "1.65 V"\n{more}'
    text += '[[channel]]\nname = "iw"\nphase = "W"\nsensor = "computed"\nfrom = ["iu", "iv"]\n'
    chain = Chain(parse(text), [GroupInfo(20_000.0, CodeType.U16, None, ("iu", "iv"))])
    iu, iw = chain.channels["iu"], chain.channels["iw"]
    # One rail moves both zeros: their sum moves twice as far. So does the reference; the gains are two.
    assert iw.budget.shared_offsets() == {
        "rail r": pytest.approx(-2 * 0.825),
        "adc.reference": pytest.approx(-2 * 0.02 * 82.5),
    }
    by_gain = math.sqrt(2) * 0.01 * 82.5
    assert iw.u_offset == pytest.approx(math.sqrt((2 * 0.825) ** 2 + (2 * 0.02 * 82.5) ** 2 + by_gain**2))
    assert iw.u_scale == pytest.approx(math.hypot(0.02, math.sqrt(2) * 0.01))
    assert iw.u_correction(400.0)[1] == pytest.approx(math.sqrt(2) * iu.u_correction(400.0)[1])


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            'input_resistance_tolerance = "20 %"',
            "input_resistance_tolerance: expected input_resistance beside it",
        ),
        ('bandwidth_tolerance = "20 %"', "bandwidth_tolerance: expected bandwidth beside it"),
        ('shunt_heating = "40 K/W"', "shunt_heating: expected shunt_tempco beside it"),
        ('filter_resistance = "10 Ω"', "filter_resistance: expected input_resistance beside it"),
        ('common_mode_rejection = "100"', 'expected a rejection such as "100 dB"'),
        ('common_mode_rejection = "0 dB"', "above 0 dB and at most 200 dB"),
        ("common_mode_rejection = 100", 'expected a rejection such as "100 dB"'),
    ],
)
def test_keys_that_need_another(line: str, message: str) -> None:
    with pytest.raises(BenchError, match=message):
        channel(line)


def test_a_thermometer_at_the_shunt_tells_how_warm_it_is() -> None:
    i = channel('shunt_tempco = "50 ppm/K (k=1)"', 'shunt_heating = "40 K/W"')
    warm = i.at_temperature(85.0, 0.0)
    # 60 K above the 25 °C at which the shunt is stated: 0.3 %, its own warmth within it.
    assert warm.u_scale == pytest.approx(0.003)
    assert warm.budget.total(Acts.HEATING) == 0
    assert i.at_temperature(25.0, 2.0).u_scale == pytest.approx(0.0001)
    assert channel().at_temperature(85.0, 1.0).u_scale == 0
