"""Which pin voltage and code the card states, against values worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from livesense.bench import Bench
from livesense.card.points import Numbers, Point, numbers
from livesense.errors import BenchError

One = Callable[..., Numbers]

WATCH = '[[watch]]\nkind = "overcurrent"\nchannels = ["i"]\nlimit = "12 A"\n'
LOWER = '[[watch]]\nkind = "overcurrent"\nchannels = ["i"]\nlimit = "10 A"\nhold = "1 ms"\n'
MOTOR = '[motor]\nrated_current = "6 A"\n'


def at(found: Numbers, what: str, sign: int = 1) -> Point:
    point = found.point(what, sign)
    assert point is not None and point.pin_v is not None
    return point


def volts_and_code(point: Point) -> tuple[float, float]:
    assert point.pin_v is not None
    return point.pin_v, point.code


# 3.3 V, 12 bit, gain 20, 5 mΩ, mid-supply: 100 mV per ampere at the pin,
# and a code is 3.3 V / 4096 = 0.8056640625 mV.


def test_mid_supply_at_zero_one_ampere_and_the_ends(one: One) -> None:
    found = one()
    assert volts_and_code(at(found, "zero")) == (1.65, 2048.0)
    assert volts_and_code(at(found, "one")) == pytest.approx((1.75, 2172.121212), abs=1e-6)
    assert volts_and_code(at(found, "one", -1)) == pytest.approx((1.55, 1923.878788), abs=1e-6)
    # ±16.5 A; the highest code, 4095, stands for one step less: 2047 × 8.056640625 mA.
    assert (at(found, "adc", -1).value, at(found, "adc", -1).code) == (-16.5, 0.0)
    assert (at(found, "adc").value, at(found, "adc").code) == pytest.approx((16.491943359375, 4095.0))
    assert at(found, "range").value == pytest.approx(16.491943359375)
    assert at(found, "range", -1).value == pytest.approx(-16.5)


def test_a_swing_of_50_mv_ends_the_range_at_16_a(one: One) -> None:
    found = one(swing_low='"50 mV"', swing_high='"50 mV"')
    assert volts_and_code(at(found, "range")) == pytest.approx((3.25, 4033.0))
    # The lowest whole code within the swing: 50 mV / 0.8056640625 mV = 62.06.
    assert volts_and_code(at(found, "range", -1)) == pytest.approx((0.05, 63.0))
    assert at(found, "range").value == pytest.approx(16.0)
    assert not at(found, "adc").readable


def test_a_milliohm_at_gain_20_is_40_ma_a_code(one: One) -> None:
    # 3.3 V / 4096 / (20 × 1 mΩ).
    assert one(shunt='"1 mΩ"').chain.per_code == 0.040283203125


def test_an_output_that_rests_at_its_supply_falls(one: One) -> None:
    found = one(reference='"supply"', plus_input='"motor"')
    assert volts_and_code(at(found, "zero")) == pytest.approx((3.3, 4096.0))
    assert volts_and_code(at(found, "one")) == pytest.approx((3.2, 4096 - 124.121212), abs=1e-6)
    assert at(found, "one").readable and not at(found, "one", -1).readable
    assert at(found, "range").value == pytest.approx(33.0)


def test_inputs_the_other_way_round_turn_the_table(one: One) -> None:
    assert volts_and_code(at(one(plus_input='"motor"'), "one")) == pytest.approx(
        (1.55, 1923.878788), abs=1e-6
    )


def test_an_outside_voltage_is_the_zero(one: One) -> None:
    # 1.5 V / 0.8056640625 mV = 1861.818...
    found = one(reference='"1.5 V"', supply='"5 V"')
    assert volts_and_code(at(found, "zero")) == pytest.approx((1.5, 1861.8181818), abs=1e-6)


def test_filter_resistors_take_their_part_of_the_gain(one: One) -> None:
    # 20 × 5000 / (5000 + 2 × 10) = 19.92.
    found = one(filter_resistance='"10 Ω"', input_resistance='"5 kΩ"')
    assert at(found, "one").pin_v == pytest.approx(1.65 + 0.005 * 20 * 5000 / 5020)


def test_codes_are_as_they_are_sent(one: One) -> None:
    # The firmware has taken 2048 off.
    found = one(code_offset="2048")
    assert at(found, "zero").code == 0.0
    assert at(found, "one").code == pytest.approx(124.121212, abs=1e-6)


def test_the_rated_peak_is_root_two_of_the_rated_current(one: One) -> None:
    found = one(phase='"U"', more=MOTOR)
    assert at(found, "rated-peak").value == pytest.approx(math.sqrt(2) * 6)
    assert volts_and_code(at(found, "rated-peak", -1)) == pytest.approx((0.8014719, 994.79659), abs=1e-5)
    # A bus current has no rated value in the file.
    assert one(phase='"bus"', more=MOTOR).point("rated-peak") is None


def test_the_first_trip_is_the_lowest_limit_and_its_codes_are_beyond(one: One) -> None:
    found = one(more=WATCH + LOWER)
    assert found.trip is not None
    assert (found.trip.number, found.trip.watch.limit, found.trip.watch.hold_s) == (2, 10.0, 0.001)
    # 10 A is 1 V: 2048 ± 1241.21.
    assert (found.trip.code_above, found.trip.code_below) == (3290, 806)
    assert volts_and_code(at(found, "trip")) == pytest.approx((2.65, 3289.212121), abs=1e-6)


def test_a_limit_on_an_rms_is_no_trip_of_a_code(one: One) -> None:
    rms = WATCH.replace("12 A", "7 A") + 'quantity = "cycle-rms"\n'
    thermal = '[[watch]]\nkind = "thermal"\nchannels = ["i"]\npickup = "6 A"\ntau = "60 s"\n'
    found = one(more=rms + WATCH + thermal)
    assert found.trip is not None
    assert (found.trip.number, found.trip.watch.limit) == (2, 12.0)
    assert one(more=thermal).trip is None


def test_a_limit_on_a_whole_code_is_not_beyond(one: One) -> None:
    # 8.0 V over 4096 codes of 0.01953125 A: 10 A is code 2048 + 512 exactly.
    found = one(adc={"reference": '"8 V"'}, gain="10", shunt='"10 mΩ"', more=LOWER)
    assert at(found, "trip").code == 2048 + 512
    assert found.trip is not None
    assert (found.trip.code_above, found.trip.code_below) == (2561, 1535)


def test_a_trip_that_no_code_shows_has_none(one: One) -> None:
    found = one(reference='"ground"', more=WATCH)
    assert found.trip is not None
    assert (found.trip.code_above, found.trip.code_below) == (1490, None)


def test_codes_of_a_bus_divider(one: One) -> None:
    # 24 V / 11 = 2.1818 V, / 0.8056640625 mV = 2708.1.
    text = '[bench]\nbus_voltage = "24 V"\n'
    found = one({"sensor": '"divider"', "phase": '"bus"', "ratio": "11"}, more=text)
    assert volts_and_code(at(found, "nominal")) == pytest.approx((24 / 11, 2708.099174), abs=1e-5)
    assert at(found, "range").value == pytest.approx(11 * 3.3 * 4095 / 4096)


def test_codes_of_a_thermistor_at_25_degrees(one: One) -> None:
    # 10 kΩ against 10 kΩ: half of the reference.
    found = one({"sensor": '"ntc"', "r25": '"10 kΩ"', "beta": '"3950 K"', "pull_up": '"10 kΩ"'})
    points = {p.value: p for p in found.points}
    assert volts_and_code(points[25.0]) == pytest.approx((1.65, 2048.0))
    # 33620.60 Ω at 0 °C, from the beta equation.
    assert points[0.0].pin_v == pytest.approx(3.3 * 33620.60 / 43620.60, rel=1e-6)


def test_codes_of_a_thermistor_by_three_coefficients(one: One) -> None:
    found = one(
        {
            "sensor": '"ntc"',
            "steinhart_hart": "[1.129148e-3, 2.34125e-4, 8.76741e-8]",
            "pull_up": '"10 kΩ"',
        }
    )
    points = {p.value: p for p in found.points}
    # 10 kΩ is 24.99967 °C with these coefficients, 0.0003 °C and 0.015 codes from here.
    assert volts_and_code(points[25.0]) == pytest.approx((1.65, 2048.0), abs=0.02)
    assert [p.readable for p in found.points] == [True] * 5


def test_codes_of_a_platinum_resistor(one: One) -> None:
    # IEC 60751: 138.5055 Ω at 100 °C.
    found = one({"sensor": '"rtd"', "pull_up": '"1 kΩ"'})
    points = {p.value: p for p in found.points}
    assert points[100.0].pin_v == pytest.approx(3.3 * 138.5055 / 1138.5055, rel=1e-6)


def test_values_of_the_firmware_have_codes_and_no_pin(one: One) -> None:
    found = one({"sensor": '"direct"', "unit": '"A"', "scale": "0.01", "zero": "2000"})
    assert [(p.what, p.code, p.pin_v) for p in found.points] == [
        ("zero", 2000.0, None),
        ("one", 2100.0, None),
    ]


def test_without_bits_a_card_says_what_to_state(pump: Bench) -> None:
    with pytest.raises(BenchError) as caught:
        numbers(replace(pump, adc=replace(pump.adc, bits=None)))
    message = str(caught.value)
    assert 'pump.toml: channel "iu": bits: expected the width of a code, such as bits = 12' in message
    assert "\n" not in message


def test_columns_and_groups_change_no_number(pump: Bench) -> None:
    text = pump.text.replace('name = "iu"', 'group = 1\ncolumn = "a1"\nname = "iu"')
    from livesense.bench import parse

    assert [n.points for n in numbers(parse(text))] == [n.points for n in numbers(pump)]
