"""Meter at no current, heat, headroom, common mode and the ADC's pin, against values worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from livesense.bench import Bench
from livesense.card.limits import at_zero, common_mode, heat, pin_safety, reach
from livesense.card.points import Numbers, numbers

Make = Callable[..., Bench]

BUS = '[bench]\nbus_voltage = "24 V"\n'
MOTOR = '[motor]\nrated_current = "6 A"\n'
WATCH = '[[watch]]\nkind = "overcurrent"\nchannels = ["i"]\nlimit = "12 A"\n'


def first(bench: Bench) -> tuple[Bench, Numbers]:
    return bench, numbers(bench)[0]


def test_a_meter_sees_the_offset_times_the_gain(bench: Make) -> None:
    zero = at_zero(*first(bench(offset='"150 µV"')))
    assert zero is not None
    # 150 µV × 20 = 3 mV as a limit: 2 × 3 mV / √3.
    expanded = 2 * 0.003 / math.sqrt(3)
    assert (zero.lowest_v, zero.highest_v) == pytest.approx((1.65 - expanded, 1.65 + expanded))
    assert [p.key for p in zero.parts] == ["offset"]
    assert "offset" not in zero.missing and "offset_drift" in zero.missing


def test_a_meter_sees_the_reference_move_the_zero_and_codes_do_not(bench: Make) -> None:
    adc = {"reference_tolerance": '"0.2 % (k=2)"'}
    zero = at_zero(*first(bench(adc=adc)))
    assert zero is not None
    # 0.2 % of 1.65 V, at k = 2 as stated.
    assert zero.highest_v - 1.65 == pytest.approx(0.0033)
    # Half a code to either side, of rounding alone: 2 / √12 = 0.577.
    assert (zero.lowest_code, zero.highest_code) == (2047, 2049)
    # A reference from outside does not follow it: the meter sees nothing, the codes 0.2 % of 1.65 V.
    outside = at_zero(*first(bench(adc=adc, reference='"1.65 V"')))
    assert outside is not None and outside.parts == ()
    assert outside.expanded == pytest.approx(math.hypot(0.033, 2 * 0.008056640625 / math.sqrt(12)))
    assert "reference" in outside.missing


def test_a_meter_does_not_see_errors_of_the_converter(bench: Make) -> None:
    zero = at_zero(*first(bench(adc={"offset_error": '"2 LSB"', "inl": '"1.5 LSB"'})))
    assert zero is not None and zero.parts == ()
    # √(2² + 1.5² + ½²) LSB as limits, at k = 2.
    assert zero.expanded / 0.008056640625 == pytest.approx(2 * math.sqrt((4 + 2.25 + 0.25) / 3))
    assert {p.key for p in zero.code_parts} == {"offset_error", "inl", "rounding"}


def test_errors_add_as_squares(bench: Make) -> None:
    made = bench(offset='"150 µV"', adc={"reference_tolerance": '"0.2 %"'})
    zero = at_zero(*first(made))
    assert zero is not None
    assert zero.highest_v - 1.65 == pytest.approx(2 / math.sqrt(3) * math.hypot(0.003, 0.0033))


def test_what_the_bus_voltage_lets_through_is_in_both(bench: Make) -> None:
    # 100 dB of 24 V at the high side: 0.24 mV at the input, 4.8 mV at the pin.
    made = bench(place='"high-side"', common_mode_rejection='"100 dB"', more=BUS)
    zero = at_zero(*first(made))
    assert zero is not None
    assert zero.highest_v - 1.65 == pytest.approx(2 * 0.0048 / math.sqrt(3))


def test_an_output_that_ends_above_ground_stands_there(bench: Make) -> None:
    zero = at_zero(*first(bench(reference='"ground"', swing_low='"50 mV"')))
    assert zero is not None and zero.at_rail
    assert (zero.lowest_v, zero.highest_v) == (0.0, 0.05)
    top = at_zero(*first(bench(reference='"supply"', plus_input='"motor"', swing_high='"50 mV"')))
    assert top is not None and (top.lowest_v, top.highest_v) == pytest.approx((3.25, 3.3))


def test_only_amplifiers_and_sensors_have_a_zero_that_is_looked_at(bench: Make) -> None:
    assert at_zero(*first(bench({"sensor": '"divider"', "ratio": "11"}))) is None
    assert at_zero(*first(bench({"sensor": '"state"'}))) is None
    linear = at_zero(
        *first(bench({"sensor": '"linear"', "scale": '"25 A/V"', "zero": '"1.65 V"', "offset": '"5 mV"'}))
    )
    assert linear is not None
    assert linear.highest_v - 1.65 == pytest.approx(2 * 0.005 / math.sqrt(3))


def test_heat_is_the_current_squared_times_the_shunt(bench: Make) -> None:
    warm = heat(*first(bench(phase='"U"', more=MOTOR + WATCH)))
    assert warm is not None
    # 6² × 5 mΩ, 12² × 5 mΩ, 16.5² × 5 mΩ.
    assert (warm.rated_w, warm.trip_w, warm.range_w) == pytest.approx((0.18, 0.72, 1.36125))
    assert warm.share == 1


def test_a_shunt_in_a_leg_has_half_of_the_heat(bench: Make) -> None:
    warm = heat(*first(bench(phase='"U"', place='"low-side"', more=MOTOR)))
    assert warm is not None and warm.rated_w == pytest.approx(0.09) and warm.trip_w is None
    assert heat(*first(bench(phase='"bus"', more=MOTOR))).rated_w is None  # type: ignore[union-attr]
    assert heat(*first(bench({"sensor": '"divider"', "ratio": "11"}))) is None


def test_a_phase_reaches_as_far_as_its_nearer_side(bench: Make) -> None:
    # About 1.5 V of 3.3 V: 15 A to one side, 18 A to the other.
    made = {"reference": '"1.5 V"', "supply": '"3.3 V"'}
    assert reach(first(bench(phase='"U"', **made))[1]) == pytest.approx(15.0)
    assert reach(first(bench(phase='"bus"', **made))[1]) == pytest.approx(18.0 - 0.008056640625)
    assert reach(first(bench({"sensor": '"direct"', "unit": '"A"'}))[1]) is None


def test_common_mode_by_place(bench: Make) -> None:
    in_line = common_mode(*first(bench(phase='"U"', more=BUS)))
    assert in_line is not None and (in_line.lowest_v, in_line.highest_v) == (0.0, 24.0)
    # 16.5 A through 5 mΩ.
    assert in_line.drop_v == pytest.approx(0.0825)
    bus = common_mode(*first(bench(phase='"bus"', more=BUS)))
    assert bus is not None and (bus.lowest_v, bus.highest_v) == (24.0, 24.0)
    low = common_mode(*first(bench(phase='"U"', place='"low-side"')))
    assert low is not None and (low.lowest_v, low.highest_v) == (0.0, 0.0)
    assert common_mode(*first(bench(phase='"U"'))) is None
    assert common_mode(*first(bench({"sensor": '"state"'}))) is None


def test_an_amplifier_of_more_than_the_reference_drives_the_pin_beyond(bench: Make) -> None:
    pin = pin_safety(*first(bench(supply='"5 V"', source_resistance='"1 kΩ"')))
    assert pin is not None
    assert (pin.highest_v, pin.beyond_v, pin.current_a) == pytest.approx((5.0, 1.7, 0.0017))
    unknown = pin_safety(*first(bench(supply='"5 V"')))
    assert unknown is not None and unknown.current_a is None
    same = pin_safety(*first(bench()))
    assert same is not None and (same.highest_v, same.beyond_v) == (3.3, 0.0)


def test_a_divider_reaches_the_reference_somewhere(bench: Make) -> None:
    pin = pin_safety(*first(bench({"sensor": '"divider"', "ratio": "11"})))
    assert pin is not None and pin.reaches_at == pytest.approx(36.3) and pin.highest_v is None


def test_an_open_thermometer_lets_the_pin_go_to_its_pull_up(bench: Make) -> None:
    ntc = {"sensor": '"ntc"', "r25": '"10 kΩ"', "beta": '"3950 K"', "pull_up": '"10 kΩ"'}
    pin = pin_safety(*first(bench(ntc, pull_up_voltage='"5 V"')))
    assert pin is not None
    assert (pin.highest_v, pin.beyond_v, pin.current_a) == pytest.approx((5.0, 1.7, 0.00017))
    assert pin_safety(*first(bench({"sensor": '"state"'}))) is None
