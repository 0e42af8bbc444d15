"""Verdicts from numbers alone: what passes, what does not, what cannot be decided, and why."""

import math
from dataclasses import replace

import pytest

from livesense.bench import parse
from livesense.bench.template import starter
from livesense.bringup.judge import Current, Outcome, Seen, Turning, judge
from livesense.bringup.stages import GUIDES, Stage, expected, guide
from livesense.samples import Estimate

RATED_A = 6.0


def current(phase="U", value=0.0, **more):
    fields = {
        "name": f"i{phase.lower()}",
        "phase": phase,
        "mean": Estimate(value, 0.0005, 0.0, "A"),
        "u_chain": 0.02,
        "moves": None,
        "line_a": 0.0,
        "clipped": 0.0,
        "range_a": 32.0,
        "u_common_mode": 0.0,
        "offset_stated": True,
    }
    return Current(**{**fields, **more})


def volts(value, u=0.05):
    return Estimate(value, u, 0.0, "V")


def seen(*currents, bus_v=24.0, **more):
    known = {
        "bus_v": None if bus_v is None else volts(bus_v),
        "highest_bus_v": bus_v,
        "nominal_v": 24.0,
        "rated_a": RATED_A,
        "wanted_sequence": "UVW",
    }
    return Seen(currents=currents, **{**known, **more})


def three(a, b, c, **more):
    return tuple(current(p, v, **more) for p, v in zip("UVW", (a, b, c), strict=True))


def turning(**more):
    known = {
        "frequency_hz": Estimate(20.0, 0.001, 0.0, "Hz"),
        "rpm": Estimate(240.0, 0.01, 0.0, "rpm"),
        "sequence": "UVW",
        "unbalance_percent": Estimate(0.6, 0.3, 0.0, "%"),
        "residual_a": Estimate(0.02, 0.01, 0.0, "A"),
        "rms": dict.fromkeys(("iu", "iv", "iw"), Estimate(3.5, 0.02, 0.0, "A")),
        "clipped": dict.fromkeys(("iu", "iv", "iw"), 0),
        "power_w": Estimate(33.0, 0.3, 0.0, "W"),
    }
    return Turning(**{**known, **more})


class TestZeroOff:
    def test_dead_and_still(self):
        verdict = judge(Stage.ZERO_OFF, seen(*three(0.01, -0.02, 0.0), bus_v=0.1))
        assert verdict.outcome is Outcome.PASSED
        assert [check.what for check in verdict.checks] == ["bus", "iu", "iv", "iw"]

    def test_a_bus_that_is_charged(self):
        verdict = judge(Stage.ZERO_OFF, seen(*three(0, 0, 0), bus_v=23.9))
        assert verdict.outcome is Outcome.FAILED
        assert verdict.text == "The bus is at 23.90 ± 0.10 V: it is not off, or still charged."

    def test_without_a_bus_voltage_it_stands_on_a_word(self):
        verdict = judge(Stage.ZERO_OFF, seen(*three(0, 0, 0), bus_v=None))
        assert verdict.outcome is Outcome.UNDECIDED
        assert "stands on your word" in verdict.text

    @pytest.mark.parametrize(
        ("one", "why"),
        [
            # Allowed are three standard uncertainties of the offsets: 3 × 0.02 A.
            (current("U", 0.07), "iu rests at 0.0700 ± 0.0010 A, further from zero than 0.06 A"),
            (current("U", moves="drifts by 3 codes (0.024 A) meanwhile"), "iu drifts by 3 codes"),
        ],
    )
    def test_what_is_no_zero(self, one, why):
        verdict = judge(Stage.ZERO_OFF, seen(one, current("V"), current("W"), bus_v=0.0))
        assert verdict.outcome is Outcome.FAILED
        assert verdict.text.startswith(why)
        assert not verdict.text.endswith(("..", "?."))

    def test_without_stated_offsets_a_twentieth_of_the_range_is_allowed(self):
        loose = current("U", 1.5, offset_stated=False)
        assert judge(Stage.ZERO_OFF, seen(loose, bus_v=0.0)).outcome is Outcome.PASSED
        far = current("U", 1.7, offset_stated=False)
        assert judge(Stage.ZERO_OFF, seen(far, bus_v=0.0)).outcome is Outcome.FAILED


class TestWalk:
    def test_kept_or_not(self):
        assert judge(Stage.WALK, seen(walked="2026-03-02 10:15")).outcome is Outcome.PASSED
        verdict = judge(Stage.WALK, seen())
        assert verdict.outcome is Outcome.UNDECIDED
        assert "stand on the bench file's word" in verdict.text


class TestZeroOn:
    BEFORE = {f"i{p}": Estimate(0.01, 0.0005, 0.0, "A") for p in "uvw"}  # noqa: RUF012

    def test_where_they_were(self):
        found = seen(*three(0.012, 0.011, 0.009), current("bus", 0.3), before=self.BEFORE)
        verdict = judge(Stage.ZERO_ON, found)
        assert verdict.outcome is Outcome.PASSED
        # The bus feeds what hangs on it.
        assert [check.what for check in verdict.checks] == ["bus", "iu", "iv", "iw"]

    def test_common_mode_beyond_what_is_stated(self):
        # 24 V over 2, 100 dB: 12 V × 1e-5 = 0.12 mV at the input; over 5 mΩ 0.024 A, three of these 0.072 A.
        found = seen(*three(0.1, 0.01, 0.01, u_common_mode=0.024), before=self.BEFORE)
        verdict = judge(Stage.ZERO_ON, found)
        assert verdict.outcome is Outcome.FAILED
        assert (
            "moved by 0.0900 ± 0.0015 A from where it was with the bus off, more than 0.072 A" in verdict.text
        )

    def test_gates_that_switch(self):
        verdict = judge(Stage.ZERO_ON, seen(current("U", moves="alternates by ±9 codes"), before=self.BEFORE))
        assert verdict.outcome is Outcome.FAILED and "do the gates switch" in verdict.text

    def test_a_bus_that_is_not_on_decides_nothing(self):
        verdict = judge(Stage.ZERO_ON, seen(*three(0.01, 0.01, 0.01), bus_v=0.2, before=self.BEFORE))
        assert verdict.outcome is Outcome.UNDECIDED and "it is not on" in verdict.text

    def test_a_bus_that_is_another(self):
        verdict = judge(Stage.ZERO_ON, seen(*three(0.01, 0.01, 0.01), bus_v=29.0, before=self.BEFORE))
        assert verdict.outcome is Outcome.FAILED and "expected 24 V ± 10 %" in verdict.text

    def test_without_a_zero_before_it_is_held_against_the_bench_file(self):
        verdict = judge(Stage.ZERO_ON, seen(*three(0.01, 0.01, 0.07)))
        assert verdict.outcome is Outcome.FAILED
        assert "no zero with the bus off is kept" in verdict.text


class TestAlign:
    def test_the_vector_of_a_direct_current(self):
        # Clarke (1943), amplitude-invariant: along U (i, −i/2, −i/2); at 90° (0, √3/2 i, −√3/2 i).
        verdict = judge(Stage.ALIGN, seen(*three(4.0, -2.0, -2.0), given=Estimate(4.0, 0, 0, "A")))
        assert verdict.outcome is Outcome.PASSED
        assert "4.00 ±" in verdict.text and "at 0° electrical" in verdict.text
        side = 4 * math.sqrt(3) / 2
        assert "at 90° electrical" in judge(Stage.ALIGN, seen(*three(0.0, side, -side))).text

    def test_a_sum_that_is_not_nothing(self):
        verdict = judge(Stage.ALIGN, seen(*three(4.0, -2.0, -1.0)))
        assert verdict.outcome is Outcome.FAILED and "he three sum to 1.00" in verdict.text

    def test_another_current_than_commanded(self):
        verdict = judge(Stage.ALIGN, seen(*three(2.0, -1.0, -1.0), given=Estimate(4.0, 0, 0, "A")))
        assert verdict.outcome is Outcome.FAILED and "0.5 times as much" in verdict.text

    def test_without_a_commanded_current_it_passes_and_says_what_was_not_judged(self):
        verdict = judge(Stage.ALIGN, seen(*three(4.0, -2.0, -2.0)))
        assert verdict.outcome is Outcome.PASSED
        assert verdict.text.endswith("; no commanded current given: current not judged.")

    def test_more_than_the_motor_bears(self):
        assert judge(Stage.ALIGN, seen(*three(9.0, -4.5, -4.5))).outcome is Outcome.FAILED

    def test_nothing_flows_or_not_all_is_measured(self):
        assert judge(Stage.ALIGN, seen(*three(0.01, -0.005, -0.005))).outcome is Outcome.UNDECIDED
        assert judge(Stage.ALIGN, seen(current("U", 4.0))).outcome is Outcome.UNDECIDED

    def test_a_field_that_turns(self):
        verdict = judge(Stage.ALIGN, seen(*three(0.1, 0.0, -0.1, line_a=4.0)))
        assert verdict.outcome is Outcome.FAILED and "the field is not held" in verdict.text


class TestTurning:
    @pytest.mark.parametrize("stage", [Stage.OPEN_LOOP, Stage.CLOSED_LOOP])
    def test_three_sines_as_they_should_be(self, stage):
        given = Estimate(240.0, 0, 0, "rpm")
        verdict = judge(stage, seen(*three(0, 0, 0), turning=turning(), given=given))
        assert verdict.outcome is Outcome.PASSED
        assert "20.0000 ± 0.0020 Hz" in verdict.text and "unbalance 0.6 ± 0.6 %" in verdict.text

    @pytest.mark.parametrize(
        ("change", "outcome", "why"),
        [
            ({"sequence": "UWV"}, Outcome.FAILED, "it turns the other way"),
            ({"unbalance_percent": Estimate(9.0, 0.5, 0, "%")}, Outcome.FAILED, "nbalance 9.0 ± 1.0 %"),
            ({"unbalance_percent": Estimate(5.0, 0.5, 0, "%")}, Outcome.UNDECIDED, "expected up to 5 %"),
            ({"unbalance_percent": None, "withheld": {"unbalance_percent": "too small"}}, Outcome.UNDECIDED,
             "he unbalance is withheld: too small"),
            ({"frequency_hz": None, "withheld": {"frequency": "no line"}}, Outcome.UNDECIDED, "no line"),
            ({"rms": {"iu": Estimate(7.0, 0.02, 0, "A")}}, Outcome.FAILED, "above the rated 6 A"),
            ({"clipped": {"iu": 5}}, Outcome.FAILED, "iu is clipped"),
            ({"sequence": None}, Outcome.UNDECIDED, "order of the phases is not known"),
        ],
    )  # fmt: skip
    def test_what_is_otherwise(self, change, outcome, why):
        verdict = judge(Stage.OPEN_LOOP, seen(*three(0, 0, 0), turning=turning(**change)))
        assert verdict.outcome is outcome
        assert why in verdict.text

    @pytest.mark.parametrize(
        ("given", "outcome"),
        [
            (Estimate(20.0, 0, 0, "Hz"), Outcome.PASSED),
            (Estimate(20.39, 0, 0, "Hz"), Outcome.PASSED),
            (Estimate(20.5, 0, 0, "Hz"), Outcome.FAILED),
            (Estimate(300.0, 0, 0, "rpm"), Outcome.FAILED),
        ],
    )
    def test_within_two_per_cent_of_what_is_commanded(self, given, outcome):
        verdict = judge(Stage.OPEN_LOOP, seen(*three(0, 0, 0), turning=turning(), given=given))
        assert verdict.outcome is outcome

    @pytest.mark.parametrize("stage", [Stage.OPEN_LOOP, Stage.CLOSED_LOOP])
    def test_without_a_commanded_speed_it_passes_and_says_what_was_not_judged(self, stage):
        verdict = judge(stage, seen(*three(0, 0, 0), turning=turning()))
        assert verdict.outcome is Outcome.PASSED
        assert "no commanded speed given: speed not judged" in verdict.text
        assert [c.outcome for c in verdict.checks if c.what == "commanded"] == [Outcome.NOT_JUDGED]
        failed = judge(stage, seen(*three(0, 0, 0), turning=turning(sequence="UWV")))
        assert failed.outcome is Outcome.FAILED and "not judged" not in failed.text

    def test_four_pole_pairs_for_five(self):
        # f = 20 Hz: 240 rpm with 5 pole pairs, 300 with 4 (n = 60 f / p).
        given = Estimate(300.0, 0, 0, "rpm")
        text = judge(Stage.CLOSED_LOOP, seen(*three(0, 0, 0), turning=turning(), given=given)).text
        assert "0.8 times as much: pole pairs" in text

    def test_events_and_power_that_comes_back_fail_a_closed_loop_only(self):
        odd = turning(events=["overcurrent of iu"], power_w=Estimate(-5.0, 0.2, 0, "W"))
        assert judge(Stage.OPEN_LOOP, seen(*three(0, 0, 0), turning=odd)).outcome is Outcome.PASSED
        verdict = judge(Stage.CLOSED_LOOP, seen(*three(0, 0, 0), turning=odd))
        assert verdict.outcome is Outcome.FAILED
        assert "overcurrent of iu" in verdict.text and "feeds back" in verdict.text


class TestStop:
    def test_at_rest_and_still_charged(self):
        verdict = judge(Stage.STOP, seen(*three(0.01, 0, 0), current("bus", 0.2)))
        assert verdict.outcome is Outcome.PASSED
        assert "stays charged: prove it dead" in verdict.text

    def test_a_bus_that_was_lifted(self):
        verdict = judge(Stage.STOP, replace(seen(*three(0, 0, 0)), highest_bus_v=31.0))
        assert verdict.outcome is Outcome.FAILED and "went up to 31 V" in verdict.text

    def test_still_turning(self):
        verdict = judge(Stage.STOP, seen(current("U", moves="alternates by ±50 codes")))
        assert verdict.outcome is Outcome.FAILED


def test_nothing_to_judge_is_undecided():
    assert judge(Stage.STOP, seen(bus_v=None)).outcome is Outcome.UNDECIDED


def test_every_stage_has_its_words_in_order():
    assert [one.stage for one in GUIDES] == list(Stage)
    assert all(one.do and one.caution for one in GUIDES)
    assert "rated meter" in guide(Stage.ZERO_OFF).caution


def test_what_is_expected_has_the_numbers_of_the_bench():
    bench = parse(starter())
    assert expected(bench, Stage.ZERO_OFF).startswith("vbus below 2 V; iu, iv and iw stand still")
    assert "24 V ± 10 %" in expected(bench, Stage.ZERO_ON)
    # √2 × 6 A.
    assert "at most 8.49 A" in expected(bench, Stage.ALIGN)
    assert "at most 6 A rms each" in expected(bench, Stage.OPEN_LOOP)
    assert "at most 28.8 V" in expected(bench, Stage.STOP)
    bare = parse('[[channel]]\nname = "x"\nsensor = "direct"\n')
    assert "no current is measured" in expected(bare, Stage.ZERO_OFF)
    assert expected(bare, Stage.ALIGN) == "three direct currents whose sum is zero."
