"""Which shunt and gain is best, and which demand gives way where none fits."""

import re
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.bench import Bench, parse
from livesense.chain.choosing import (
    Choice,
    Way,
    amount,
    changes,
    choose,
    name,
    rounded_down,
    rounded_up,
    span,
    worth_showing,
)
from livesense.chain.shunt_values import shunt_values
from livesense.chain.sizing import Candidate, Demands, Option, evaluate_all

PUMP = Demands(peak_a=8.5, rms_a=6.0, trip_a=12.0, headroom=0.1, dissipation_w=0.5, small_a=0.5, error=0.1)
"""The coolant pump: 6 A rms, tripping at 12 A."""

TEXT = """
[adc]
bits = 12
reference = "3.3 V"
reference_tolerance = "0.2 %"
offset_error = "2 LSB"
inl = "1.5 LSB"
[[channel]]
name = "iu"
phase = "{phase}"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = 20
gain_error = "0.3 %"
offset = "150 µV"
reference = "{reference}"
"""


def bench(reference: str = "mid-supply", phase: str = "U") -> Bench:
    return parse(TEXT.format(reference=reference, phase=phase))


def options(
    demands: Demands, gains: Sequence[float] = (20,), shunts: Sequence[float] = (), where: Bench | None = None
) -> list[Option]:
    made = [Candidate(ohm, gain) for gain in gains for ohm in shunts or shunt_values("usual")]
    return evaluate_all(made, where or bench(), demands)


def relaxed(demands: Demands, way: Way) -> Demands:
    """Take a way's changes as a user would."""
    keys = {
        "trip": ("trip_a", 1), "current": ("peak_a", 1), "dissipation": ("dissipation_w", 1),
        "small-current": ("small_a", 1), "headroom": ("headroom", 100), "error": ("error", 100),
    }  # fmt: skip
    for change in way.changes:
        key, scale = keys[change.demand]
        assert change.needed is not None
        demands = replace(demands, **{key: change.needed / scale})
    if any(change.demand == "current" for change in way.changes):
        demands = replace(demands, trip_a=demands.peak_a)
    return demands


def asked(choice: Choice) -> list[str]:
    return [change.demand for change in choice.ways[0].changes]


# ── the best ─────────────────────────────────────────────────────────────────────────────────────


def test_the_pump_s_five_milliohms_are_the_only_ones_for_gain_20() -> None:
    choice = choose(options(PUMP), PUMP)
    assert choice.best is not None and name(choice.best) == "5 mΩ × 20"
    assert choice.fitting == 1 and choice.ways == ()
    assert choice.reason == (
        "5 mΩ × 20: the only one of 22 candidates that fits, with an error of 8.49 % at 500 mA, where "
        "10 % is allowed; it reads ±16 A, 33 % beyond the trip level of 12 A, and turns 180 mW into heat, "
        "where 500 mW is allowed; 10 mΩ × 20 would read only ±8 A."
    )


def test_of_several_that_fit_the_one_with_the_smallest_error() -> None:
    found = options(PUMP, (10, 20, 50))
    choice = choose(found, PUMP)
    fitting = [o for o in found if not changes(o, PUMP)]
    assert choice.best is min(fitting, key=lambda o: o.error_small)
    assert choice.fitting == len(fitting) == 2
    assert choice.reason.startswith(
        "10 mΩ × 10: of the 2 of 66 candidates that fit, it has the smallest error at 500 mA, 6 % where 10 %"
    )
    assert choice.reason.endswith("15 mΩ × 10 would read only ±10.6 A and would make 540 mW of heat.")


def test_a_single_candidate_that_fits() -> None:
    choice = choose(options(PUMP, shunts=(0.005,)), PUMP)
    assert choice.reason.startswith("5 mΩ × 20: it fits, with an error of 8.49 % at 500 mA, where 10 %")
    assert choice.reason.endswith("500 mW is allowed.")


def test_a_larger_shunt_that_fits_as_well_is_not_blamed() -> None:
    # Less error, but more: never true of a larger shunt, unless heat makes it so.
    hot = parse(
        TEXT.format(reference="mid-supply", phase="U") + 'shunt_tempco = "1 %/K"\nshunt_heating = "100 K/W"\n'
    )
    demands = replace(PUMP, small_a=8.0, error=0.9)
    choice = choose(options(demands, shunts=(0.001, 0.005), where=hot), demands)
    assert choice.best is not None and name(choice.best) == "1 mΩ × 20"
    assert choice.fitting == 2 and choice.reason.endswith("500 mW is allowed.")


def test_a_demand_missed_by_little_is_missed_and_one_met_exactly_is_met() -> None:
    for allowed, missed in ((0.179, ["dissipation"]), (0.18, [])):
        demands = replace(PUMP, dissipation_w=allowed)
        (one,) = options(demands, shunts=(0.005,))
        assert [change.demand for change in changes(one, demands)] == missed
    exact = replace(PUMP, trip_a=16.0, headroom=0.0)
    (one,) = options(exact, shunts=(0.005,))
    assert changes(one, exact) == ()


def test_of_options_alike_the_one_with_less_heat() -> None:
    twins = options(PUMP, shunts=(0.005,)) * 2
    twins[1] = replace(twins[1], dissipation_w=0.1)
    assert choose(twins, PUMP).best is twins[1]


def test_without_a_trip_level_the_peak_is_what_counts() -> None:
    demands = replace(PUMP, trip_a=8.5)
    assert "88 % beyond the peak of 8.5 A" in choose(options(demands), demands).reason


@given(
    st.floats(0.2, 500),
    st.floats(1, 3),
    st.floats(0.01, 0.5),
    st.floats(0.01, 100),
    st.floats(0.002, 0.5),
    st.sampled_from([(20,), (10, 50), (20, 60, 100)]),
)
@settings(max_examples=60, deadline=None)
def test_the_best_meets_all_demands_and_else_the_first_way_does(
    peak: float, trip: float, small: float, watt: float, error: float, gains: tuple[float, ...]
) -> None:
    demands = Demands(peak, peak / 2**0.5, peak * trip, 0.1, watt, small * peak, error)
    found = options(demands, gains)
    choice = choose(found, demands)
    # By hand, not by `changes`.
    fit = [
        o
        for o in found
        if o.range_a >= peak * trip * 1.1 and o.dissipation_w <= watt and o.error_small <= error
    ]
    assert choice.fitting == len(fit)
    if fit:
        assert choice.best is not None
        assert choice.best.error_small == min(o.error_small for o in fit)
    for way in choice.ways:
        easier = relaxed(demands, way)
        again = evaluate_all([way.option.candidate], bench(), easier)
        assert choose(again, easier).best is not None, choice.reason


# ── nothing fits ─────────────────────────────────────────────────────────────────────────────────


def test_too_small_an_error() -> None:
    demands = replace(PUMP, error=0.05)
    choice = choose(options(demands), demands)
    assert choice.best is None and choice.fitting == 0
    (change,) = choice.ways[0].changes
    assert (change.demand, change.stated, change.needed, change.unit) == ("error", 5.0, 8.49, "%")
    assert change.factor == pytest.approx(8.4858 / 5, abs=1e-4)
    assert choice.reason.startswith(
        "None of 22 candidates fits. Least to relax: the error at 500 mA, 8.49 % instead of 5 %; then "
        "5 mΩ × 20 fits (most of its error there: offset of the amplifier; it keeps 5 % from 867 mA up)"
    )


def test_the_current_itself_gives_way_last() -> None:
    # 10 mΩ × 20 errs by 4.37 %, but reads ±8 A: a factor of 1.65, where the error asks for 1.70.
    demands = replace(PUMP, error=0.05)
    choice = choose(options(demands), demands)
    assert [way.changes[0].demand for way in choice.ways] == ["error", "current"]
    assert choice.ways[1].changes[0].factor < choice.ways[0].changes[0].factor
    assert choice.reason.endswith(
        "Or the peak current, 7.27 A instead of 8.5 A and the trip level, 7.27 A instead of 12 A, "
        "for 10 mΩ × 20."
    )


def test_a_current_much_smaller_is_advice_only_where_there_is_no_other() -> None:
    # 25 mΩ × 50 reads ±1.28 A and errs by less than 2 %.
    demands = replace(PUMP, error=0.02, dissipation_w=1.0)
    choice = choose(options(demands, (10, 50)), demands)
    assert [way.changes[0].demand for way in choice.ways] == ["error"]
    alone = choose(options(demands, (50,), (0.025,)), demands)
    assert [way.changes[0].demand for way in alone.ways] == ["current"]
    assert alone.ways[0].changes[0].factor > 10


def test_an_error_that_no_current_reaches() -> None:
    demands = replace(PUMP, error=0.01)
    reason = choose(options(demands, shunts=(0.005,)), demands).reason
    assert reason == (
        "The candidate does not fit. Least to relax: the error at 500 mA, 8.49 % instead of 1 %; then "
        "5 mΩ × 20 fits (most of its error there: offset of the amplifier)."
    )


def test_too_little_heat() -> None:
    demands = replace(PUMP, dissipation_w=0.15)
    choice = choose(options(demands), demands)
    first, *others = choice.ways
    # 5 mΩ needs a fifth more heat, 4 mΩ a twentieth more error: the smaller step comes first.
    assert [change.demand for change in first.changes] == ["error"] and name(first.option) == "4 mΩ × 20"
    assert [(w.changes[0].demand, w.changes[0].needed, name(w.option)) for w in others] == [
        ("dissipation", 0.18, "5 mΩ × 20")
    ]
    assert choice.reason.endswith("Or the dissipation, 180 mW instead of 150 mW, for 5 mΩ × 20.")


@pytest.mark.parametrize(
    ("trip", "demand", "needed", "text"),
    [
        (15.0, "headroom", 6.66, "the headroom beyond the trip level of 15 A, 6.66 % instead of 10 %"),
        (20.0, "trip", 14.5, "the trip level, 14.5 A instead of 20 A"),
    ],
)
def test_too_far_a_range(trip: float, demand: str, needed: float, text: str) -> None:
    # 16 A is what 5 mΩ × 20 reads: 6.67 % beyond 15 A, and 10 % beyond 14.55 A.
    demands = replace(PUMP, trip_a=trip)
    choice = choose(options(demands, shunts=(0.005,)), demands)
    assert asked(choice) == [demand] and choice.ways[0].changes[0].needed == needed
    assert choice.ways[0].changes[0].factor == pytest.approx(1.1 * trip / 16)
    assert f"Least to relax: {text}; then 5 mΩ × 20 fits." in choice.reason


def test_a_range_below_the_peak() -> None:
    demands = replace(PUMP, peak_a=18.0, trip_a=20.0)
    choice = choose(options(demands, shunts=(0.005,)), demands)
    assert asked(choice) == ["current", "trip"]
    # Both are one demand on the range.
    assert (
        "relax: the peak current, 14.5 A instead of 18 A and the trip level, 14.5 A instead" in choice.reason
    )
    demands = replace(PUMP, peak_a=18.0, trip_a=18.0)
    choice = choose(options(demands, shunts=(0.005,)), demands)
    assert asked(choice) == ["current"]


def test_several_demands_at_once() -> None:
    demands = replace(PUMP, dissipation_w=0.1, error=0.05)
    choice = choose(options(demands, shunts=(0.005,)), demands)
    assert asked(choice) == ["dissipation", "error"]
    assert choice.reason == (
        "The candidate does not fit. Least to relax together: the dissipation, 180 mW instead of 100 mW "
        "and the error at 500 mA, 8.49 % instead of 5 %; then 5 mΩ × 20 fits."
    )


def test_of_several_together_the_smallest_worst_miss() -> None:
    demands = replace(PUMP, dissipation_w=0.02, error=0.03)
    found = options(demands, shunts=(0.001, 0.002, 0.003))
    choice = choose(found, demands)
    worst = {name(o): max(c.factor for c in changes(o, demands)) for o in found}
    assert name(choice.ways[0].option) == min(worst, key=lambda n: worst[n])


def test_a_zero_at_ground_reads_no_phase_current() -> None:
    choice = choose(options(PUMP, where=bench("ground")), PUMP)
    assert asked(choice)[0] == "reference"
    assert choice.ways[0].changes[0].needed is None
    assert "None of 22 candidates fits: with this zero no current is read in both directions" in choice.reason
    assert "--reference mid-supply" in choice.reason


def test_a_zero_at_the_supply_reads_no_current_that_lifts_the_output() -> None:
    demands = replace(PUMP, both_ways=False)
    choice = choose(options(demands, where=bench("supply", "bus")), demands)
    assert asked(choice)[0] == "reference"
    assert "a current out of the supply is not read" in choice.reason


def test_a_small_current_that_the_output_does_not_reach() -> None:
    # 50 mV / (20 × 10 mΩ) = 0.25 A.
    demands = replace(PUMP, both_ways=False, small_a=0.1, error=0.2)
    ground = bench("ground", "bus")
    choice = choose(options(demands, shunts=(0.01,), where=ground), demands)
    (change,) = choice.ways[0].changes
    assert (change.demand, change.needed) == ("small-current", 0.251)
    assert "relax: the small current, 251 mA instead of 100 mA; then 10 mΩ × 20 fits." in choice.reason
    # Where the error is too large from there on, both give way.
    strict = replace(demands, error=0.001)
    choice = choose(options(strict, shunts=(0.01,), where=ground), strict)
    assert asked(choice) == ["small-current", "error"]
    easier = relaxed(strict, choice.ways[0])
    assert choose(options(easier, shunts=(0.01,), where=ground), easier).best is not None


def test_a_next_larger_shunt_that_hides_or_errs_is_told_as_such() -> None:
    ground = bench("ground", "bus")
    demands = replace(PUMP, both_ways=False, small_a=0.3, error=0.4, dissipation_w=1.0)
    found = options(demands, shunts=(0.01, 0.015), where=ground)
    hiding = replace(found[1], error_small=float("nan"), low_a=0.4)
    assert choose([found[0], hiding], demands).reason.endswith("would read nothing below 400 mA.")
    erring = replace(found[1], error_small=0.5)
    assert choose([found[0], erring], demands).reason.endswith("would err by 50 % at 300 mA.")


def test_no_options_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="at least one option"):
        choose([], PUMP)


# ── what is shown, and how ───────────────────────────────────────────────────────────────────────


def test_a_long_list_is_thinned_out_to_what_decides() -> None:
    found = options(PUMP, (10, 20))
    assert [name(o) for o in worth_showing(found, PUMP)] == [
        "5 mΩ × 10", "10 mΩ × 10", "15 mΩ × 10", "4 mΩ × 20", "5 mΩ × 20", "10 mΩ × 20",
    ]  # fmt: skip


def test_what_is_fitted_and_what_a_way_names_stay() -> None:
    demands = replace(PUMP, dissipation_w=0.02)
    made = [Candidate(ohm, 20, present=ohm == 0.05) for ohm in shunt_values("usual")]
    found = evaluate_all(made, bench(), demands)
    shown = [name(o) for o in worth_showing(found, demands)]
    choice = choose(found, demands)
    assert {name(way.option) for way in choice.ways} <= set(shown)
    assert "50 mΩ × 20" in shown


def test_where_no_shunt_can_be_borne_the_smallest_are_shown() -> None:
    demands = replace(PUMP, dissipation_w=1e-6)
    assert [name(o) for o in worth_showing(options(demands), demands)][:2] == ["0.1 mΩ × 20", "0.2 mΩ × 20"]


def test_how_values_are_written() -> None:
    (one,) = options(PUMP, shunts=(1.0,))
    assert name(one) == "1 Ω × 20"
    assert span(one) == "±80 mA"
    (ground,) = options(replace(PUMP, both_ways=False), shunts=(0.01,), where=bench("ground", "bus"))
    assert span(ground) == "250 mA to 16.2 A"
    assert (
        amount(0.0080566, "A") == "8.06 mA" and amount(1234.6, "W") == "1.23 kW" and amount(0, "A") == "0 A"
    )


@given(st.floats(1e-9, 1e9))
def test_rounding_goes_to_the_side_it_says(value: float) -> None:
    assert rounded_down(value) <= value * (1 + 1e-11) and rounded_up(value) >= value * (1 - 1e-11)
    assert rounded_up(value) - rounded_down(value) <= value * 0.0101
    assert len(re.sub(r"e.*|\D", "", f"{rounded_up(value):.12e}").rstrip("0")) <= 3


def test_rounding_zero() -> None:
    assert rounded_down(0.0) == rounded_up(0.0) == 0.0
    assert rounded_down(16.0 - 2e-15) == 16.0
