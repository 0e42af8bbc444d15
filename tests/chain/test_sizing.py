"""What a shunt and a gain do, held to numbers that were reckoned without this code."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.bench import Bench, parse
from livesense.chain import Chain, ChannelChain
from livesense.chain.shunt_values import SERIES, shunt_values
from livesense.chain.sizing import (
    Candidate,
    Demands,
    Option,
    carried_share,
    evaluate,
    evaluate_all,
    holds_from_a,
    relative_error,
    self_heating,
    size_and_angle,
    worst_error,
)
from livesense.samples import CodeType, GroupInfo

Make = Callable[..., ChannelChain]

BARE = """
[adc]
bits = 12
reference = "3.3 V"
{adc}
[[channel]]
name = "i"
phase = "{phase}"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "{reference}"
{channel}
"""


def bench(channel: str = "", adc: str = "", *, reference: str = "mid-supply", phase: str = "U") -> Bench:
    return parse(BARE.format(channel=channel, adc=adc, reference=reference, phase=phase))


RAIL = 'swing_low = "0 V"\nswing_high = "0 V"\n'
PUMP = Demands(peak_a=8.5, rms_a=6.0, trip_a=12.0, headroom=0.1, dissipation_w=0.5, small_a=0.5, error=0.1)


def demands(**changed: float | bool | None) -> Demands:
    settled = {
        "peak_a": 50.0, "rms_a": 50.0, "trip_a": 50.0, "headroom": 0.0, "dissipation_w": 5.0, "small_a": 1.0,
        "error": 0.5,
    }  # fmt: skip
    return Demands(**(settled | changed))  # type: ignore[arg-type]


# ── range, resolution, heat ──────────────────────────────────────────────────────────────────────


def test_a_milliohm_and_gain_20() -> None:
    # Computed from the definition, Vref / (2^n G R): 3.3 V, 12 bit, zero code 2048.
    option = evaluate(Candidate(0.001, 20), bench(RAIL), demands())
    assert option.code_a == pytest.approx(0.040283203125, rel=1e-12)
    assert option.low_a == pytest.approx(-82.5, rel=1e-12)
    assert option.high_a == option.range_a == pytest.approx(82.459716796875, rel=1e-12)
    # P = I² R.
    assert option.dissipation_w == pytest.approx(2.5, rel=1e-12)


def test_ten_milliohms_and_gain_60_at_5_v() -> None:
    # Common practice, no source: mid-supply of 5 V reads ±4.1667 A, and 200 µV are 20 mA.
    chain = bench('supply = "5 V"\nadc_reference = "5 V"\noffset = "200 µV"\n' + RAIL)
    option = evaluate(Candidate(0.01, 60), chain, demands(peak_a=4.0, rms_a=2.0, trip_a=4.0))
    assert option.low_a == pytest.approx(-4.1667, abs=5e-5)
    q = 5 / 4096 / 60 / 0.01
    assert option.high_a == pytest.approx(4.1667 - q, abs=5e-5)
    assert option.worst_small * 1.0 == pytest.approx(0.020 + q / 2, rel=1e-9)


def test_the_outputs_swing_takes_from_the_range_only() -> None:
    # (1.65 V - 50 mV) / (20 × 5 mΩ) = 16 A; by the rails 16.5 A, one code less at the top.
    option = evaluate(Candidate(0.005, 20), bench(), PUMP)
    assert option.range_a == pytest.approx(16.0, rel=1e-12)
    assert option.full_range_a == pytest.approx(16.5 - 3.3 / 4096 / 0.1, rel=1e-12)


def test_mean_and_peak_heat_of_the_pump() -> None:
    option = evaluate(Candidate(0.005, 20), bench(), PUMP)
    assert option.dissipation_w == pytest.approx(0.18)
    assert option.peak_dissipation_w == pytest.approx(8.5**2 * 0.005)


def test_a_leg_s_shunt_makes_half_the_heat() -> None:
    option = evaluate(Candidate(0.001, 20), bench(), demands(share=carried_share("low-side", "U")))
    assert option.dissipation_w == pytest.approx(1.25)


@pytest.mark.parametrize(
    ("place", "phase", "share"),
    [
        ("in-line", "U", 1.0),
        ("low-side", "U", 0.5),
        ("high-side", "V", 0.5),
        ("low-side", None, 0.5),
        ("high-side", "bus", 1.0),
        ("low-side", "bus", 1.0),
    ],
)
def test_share_of_the_mean_square(place: str, phase: str | None, share: float) -> None:
    assert carried_share(place, phase) == share


@pytest.mark.parametrize("third", [0.0, 1 / 6])
@pytest.mark.parametrize("depth", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("phi", [0.0, 0.4, 1.2, -2.0])
def test_half_of_the_mean_square_by_a_slow_twin(depth: float, phi: float, third: float) -> None:
    """Switch a leg pulse by pulse with a carrier and add up what flows while the low switch conducts."""
    pulses, within = 600, 400
    wt = (np.arange(pulses * within) + 0.5) * 2 * math.pi / (pulses * within)
    carrier = 1 - 4 * np.abs((wt * pulses / (2 * math.pi)) % 1 - 0.5)
    low_on = carrier >= depth * (np.sin(wt) + third * np.sin(3 * wt))
    current = np.sin(wt - phi)
    assert np.mean(np.where(low_on, current, 0.0) ** 2) / np.mean(current**2) == pytest.approx(0.5, abs=0.005)


def test_self_heating() -> None:
    # R = R0 / (1 - a Rth I² R0), computed: 50 A in 1 mΩ, 50 ppm/K, 40 K/W.
    assert self_heating(0.001, 50e-6, 40.0, 50.0**2) == pytest.approx(0.00502513, abs=5e-9)
    assert self_heating(0.001, 0.01, 40.0, 50.0**2) == math.inf


def test_self_heating_needs_both_keys() -> None:
    both = bench('shunt_tempco = "50 ppm/K"\nshunt_heating = "40 K/W"\n')
    found = evaluate(Candidate(0.001, 20), both, demands())
    assert found.self_heating == pytest.approx(0.00502513, abs=5e-9)
    alone = evaluate(Candidate(0.001, 20), bench('shunt_tempco = "50 ppm/K"\n'), demands())
    assert alone.self_heating is None
    assert evaluate(Candidate(0.001, 20), bench(), demands()).self_heating is None


@pytest.mark.parametrize(
    ("ratio", "percent", "degrees"),
    [(0.05, -0.1248, -2.862), (0.1, -0.4963, -5.711), (0.2, -1.9419, -11.310), (1.0, -29.289, -45.0)],
)
def test_first_order_bandwidth(ratio: float, percent: float, degrees: float) -> None:
    # 1 / √(1 + (f/fc)²) - 1 and -atan(f/fc), computed.
    option = evaluate(Candidate(0.001, 20, 1e5), bench('delay = "3 us"\n'), demands(frequency_hz=ratio * 1e5))
    assert option.response is not None
    part, angle = size_and_angle(option.response)
    assert 100 * part == pytest.approx(percent, abs=10 ** -(5 - len(f"{abs(percent):.0f}")))
    assert angle == pytest.approx(degrees, abs=5e-4)


def test_no_bandwidth_or_no_frequency_no_response() -> None:
    assert evaluate(Candidate(0.001, 20), bench(), demands(frequency_hz=400.0)).response is None
    assert evaluate(Candidate(0.001, 20, 1e5), bench(), demands()).response is None


# ── errors ───────────────────────────────────────────────────────────────────────────────────────

SEVEN = bench(
    'shunt_tolerance = "0.5 %"\ngain_error = "0.3 %"\noffset = "150 µV"\nsense_copper = "0.003 mΩ"\n' + RAIL,
    f'offset_error = "{0.03 / 0.040283203125} LSB"\nreference_tolerance = "0.4 %"\ninl = "2 LSB"\n',
)
"""Errors of {0.5, 0.3, 0.3, 0.06, 0.4, 0.3, 0.1611328125} % of 50 A in 1 mΩ × 20 at 3.3 V and 12 bit."""


def test_worst_case_and_root_sum_square_of_seven_errors() -> None:
    # Computed from the seven numbers: sum, root of the sum of squares, and that over √3.
    option = evaluate(Candidate(0.001, 20), SEVEN, demands())
    q = 0.040283203125 / 50
    assert option.worst_full - q / 2 == pytest.approx(0.020211328, abs=5e-10)
    systematic = float(option.chain.u_systematic(50.0)) / 50
    assert systematic == pytest.approx(0.004863345, abs=5e-10)
    assert systematic * math.sqrt(3) == pytest.approx(0.008423561, abs=5e-10)
    assert option.error_full == pytest.approx(2 * math.hypot(0.004863345, q / math.sqrt(12)), rel=1e-6)
    assert option.largest_error(50.0) == "resistance of the shunt"
    assert option.largest_error(0.5) == "offset of the amplifier"


def test_rounding_alone() -> None:
    # A code's rounding is rectangular: q / √12 (JCGM 100:2008, 4.3.7).
    option = evaluate(Candidate(0.001, 20), bench(), demands())
    assert option.error_small == pytest.approx(2 * 0.040283203125 / math.sqrt(12), rel=1e-12)
    assert option.worst_small == pytest.approx(0.040283203125 / 2, rel=1e-12)
    assert option.largest_error(1.0) == "rounding to codes"


def test_the_error_is_that_of_the_chain_that_measures() -> None:
    """What ``size`` says of a fitted channel is what ``measure`` says of a single reading."""
    text = BARE.format(
        channel='shunt_tolerance = "1 %"\noffset = "150 µV"\n',
        adc='inl = "1.5 LSB"',
        reference="1.6 V",
        phase="U",
    )
    fitted = Chain(parse(text), [GroupInfo(20_000.0, CodeType.U16, None, ("i",))]).channels["i"]
    option = evaluate(Candidate(0.005, 20), parse(text), PUMP)
    currents = np.array([0.3, 1.0, 5.0])
    u = np.maximum(fitted.u_systematic(currents), fitted.u_systematic(-currents))
    expected = 2 * np.hypot(u, fitted.u_quantisation) / currents
    assert option.error_at(currents) == pytest.approx(expected, rel=1e-12)
    assert (option.low_a, option.high_a) == (fitted.low, fitted.high)


def test_the_worse_direction_counts(channel: Make) -> None:
    # The reference moves the zero as well: the whole pin voltage is larger on one side.
    i = channel(reference='"1.65 V"', adc={"reference_tolerance": '"1 % (k=1)"'})
    both = float(relative_error(i, 40.0, both_ways=True))
    assert both == pytest.approx(2 * math.hypot(0.01 * (82.5 + 40), i.u_quantisation) / 40, rel=1e-9)
    one = channel(reference='"1.65 V"', place='"low-side"', adc={"reference_tolerance": '"1 % (k=1)"'})
    # There it reads minus the current, so that the other side is the worse one.
    assert float(relative_error(one, 40.0, both_ways=True)) == pytest.approx(both, rel=1e-9)
    assert float(relative_error(one, 40.0, both_ways=False)) < both
    assert worst_error(one, 40.0, both_ways=True) == pytest.approx(worst_error(i, 40.0, both_ways=True))


def test_beyond_the_range_there_is_no_error() -> None:
    option = evaluate(Candidate(0.005, 20), bench(), PUMP)
    assert np.isnan(option.error_at([15.99, 16.01])).tolist() == [False, True]
    assert math.isnan(evaluate(Candidate(0.02, 20), bench(), PUMP).worst_full)


def test_a_zero_at_ground_reads_one_direction_and_hides_the_smallest_currents() -> None:
    # 50 mV with gain 60 and 10 mΩ hide the first 83 mA (computed).
    one = bench(reference="ground", phase="bus")
    option = evaluate(Candidate(0.01, 60), one, demands(both_ways=False, small_a=0.083))
    assert option.low_a == pytest.approx(0.0833333, abs=5e-8)
    assert math.isnan(option.error_small)
    assert option.range_a == pytest.approx((3.25) / 0.6)
    assert evaluate(Candidate(0.01, 60), bench(reference="ground"), demands()).range_a == 0


# ── where an error holds from ────────────────────────────────────────────────────────────────────


def test_where_an_error_holds_from() -> None:
    option = evaluate(Candidate(0.001, 20), bench(), demands())
    # Rounding alone: U / I = e at I = 2 q / √12 / e.
    assert holds_from_a(option, 0.01) == pytest.approx(2 * 0.040283203125 / math.sqrt(12) / 0.01, rel=1e-9)


def test_an_error_that_holds_nowhere() -> None:
    option = evaluate(Candidate(0.001, 20), SEVEN, demands())
    assert holds_from_a(option, 0.009) is None


def test_an_error_that_holds_in_the_whole_range() -> None:
    one = bench(reference="ground", phase="bus")
    option = evaluate(Candidate(0.01, 60), one, demands(both_ways=False))
    assert holds_from_a(option, 1.0) == pytest.approx(0.0833333, abs=1e-6)


def test_an_error_holds_nowhere_without_a_range() -> None:
    option = evaluate(Candidate(0.01, 60), bench(reference="ground"), demands())
    assert holds_from_a(option, 1.0) is None


@settings(deadline=None)
@given(st.floats(0.005, 0.5), st.sampled_from(shunt_values("usual")), st.sampled_from([5.0, 20.0, 100.0]))
def test_from_there_on_it_holds_and_just_below_it_does_not(error: float, ohm: float, gain: float) -> None:
    option = evaluate(Candidate(ohm, gain), SEVEN, demands())
    found = holds_from_a(option, error)
    if found is None:
        assert np.nanmin(option.error_at(np.geomspace(option.range_a * 1e-3, option.range_a, 50))) > error
    else:
        assert float(option.error_at(found)) <= error * (1 + 1e-9)
        assert not float(option.error_at(found * 0.999)) <= error


# ── what it takes ────────────────────────────────────────────────────────────────────────────────


def test_options_come_by_gain_and_then_by_shunt() -> None:
    wanted = [Candidate(0.005, 50), Candidate(0.01, 20), Candidate(0.005, 20)]
    options = evaluate_all(wanted, bench(), PUMP)
    assert [(o.candidate.gain, o.candidate.shunt_ohm) for o in options] == [
        (20, 0.005),
        (20, 0.01),
        (50, 0.005),
    ]


def test_one_shunt_channel_is_wanted() -> None:
    with pytest.raises(ValueError, match="one shunt channel, got 0"):
        evaluate(Candidate(0.005, 20), parse("[adc]\nbits = 12\n"), PUMP)
    divider = (
        '[adc]\nbits = 12\nreference = "3.3 V"\n[[channel]]\nname = "v"\nsensor = "divider"\nratio = 11\n'
    )
    with pytest.raises(ValueError, match="one shunt channel, got 1"):
        evaluate(Candidate(0.005, 20), parse(divider), PUMP)


def test_bits_are_wanted() -> None:
    text = BARE.format(channel="", adc="", reference="mid-supply", phase="U").replace("bits = 12", "")
    with pytest.raises(ValueError, match="bits"):
        evaluate(Candidate(0.005, 20), parse(text), PUMP)
    own: Option = evaluate(Candidate(0.005, 20), parse(text + "bits = 12\n"), PUMP)
    assert own.code_a == pytest.approx(3.3 / 4096 / 0.1)


def test_a_channel_of_another_group_is_sized_alike() -> None:
    other = evaluate(Candidate(0.005, 20), bench("group = 3\n"), PUMP)
    assert other.error_small == evaluate(Candidate(0.005, 20), bench(), PUMP).error_small


def test_series() -> None:
    # Preferred numbers of IEC 60063, from memory.
    e6 = shunt_values("E6")
    assert e6[:6] == pytest.approx([1e-4, 1.5e-4, 2.2e-4, 3.3e-4, 4.7e-4, 6.8e-4])
    assert len(e6) == 4 * 6 + 1 and len(shunt_values("E24")) == 4 * 24 + 1
    assert set(e6) <= set(shunt_values("E12")) <= set(shunt_values("E24"))
    # A decade's numbers are rounded powers of the 24th root of ten (some by tradition otherwise).
    for n, value in enumerate(shunt_values("E24")):
        assert value == pytest.approx(1e-4 * 10 ** (n / 24), rel=0.06)
    # Common practice, no source.
    assert {0.0005, 0.001, 0.002, 0.003, 0.004, 0.005, 0.01, 0.02} <= set(shunt_values("usual"))
    for series in SERIES:
        assert list(shunt_values(series)) == sorted(set(shunt_values(series)))


def test_an_unknown_series_names_those_there_are() -> None:
    with pytest.raises(ValueError, match="usual, E6, E12, E24, got 'E7'"):
        shunt_values("E7")
