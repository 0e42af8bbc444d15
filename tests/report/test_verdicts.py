"""Pass, fail and undecided, by hand."""

from __future__ import annotations

import math
from typing import Any

import pytest

from livesense.bench import Bounds
from livesense.report.verdicts import Judged, Verdict, allowed, judge, judged, summary, told


def q(value: float | None, u: float | None = 0.1, **more: Any) -> dict[str, Any]:
    return {"value": value, "u": u, "unit": "A", **more}


AT_MOST, BETWEEN = Bounds(None, 10.0, "A"), Bounds(2.0, 10.0, "A")


@pytest.mark.parametrize(
    ("quantity", "bounds", "expected"),
    [
        # ± is 0.2 (k = 2): the interval decides, both ends of the limits are within.
        (q(9.7), AT_MOST, "passed"),
        (q(9.8), AT_MOST, "passed"),
        (q(9.81), AT_MOST, "undecided"),
        (q(10.2), AT_MOST, "undecided"),
        (q(10.21), AT_MOST, "failed"),
        (q(-50), AT_MOST, "passed"),
        (q(2.2), BETWEEN, "passed"),
        (q(2.1), BETWEEN, "undecided"),
        (q(1.7), BETWEEN, "failed"),
        (q(6, 5.0), BETWEEN, "undecided"),
        (q(10, 0.0), AT_MOST, "passed"),
        # A clipped peak may be anything above.
        (q(9.0, at_least=True), AT_MOST, "undecided"),
        (q(11.0, at_least=True), AT_MOST, "failed"),
        (q(None), AT_MOST, "undecided"),
        (q(9.0, None), AT_MOST, "undecided"),
        (None, AT_MOST, "undecided"),
    ],
)
def test_a_figure_is_judged_by_its_interval(quantity: Any, bounds: Bounds, expected: str) -> None:
    assert judge(quantity, bounds) == expected


def test_limits_in_words() -> None:
    assert allowed(AT_MOST) == "at most 10 A"
    assert allowed(Bounds(22.0, 26.0, "V")) == "22 V to 26 V"
    assert allowed(Bounds(None, 0.0, "")) == "at most 0"


def steady(rms: float, unbalance: float | None) -> dict[str, Any]:
    part = {"unbalance_percent": None if unbalance is None else q(unbalance), "withheld": {}}
    if unbalance is None:
        part["withheld"] = {"unbalance_percent": "too unsure"}
    channel = {"rms": q(rms), "thd_percent": None, "withheld": {"thd_percent": "no harmonics"}}
    return {
        "kind": "steady", "from_s": 1.0, "to_s": 2.0, "highest": {**q(-9.0), "channel": "iu"},
        "measures": {
            "channels": {"iu": channel, "vbus": {}}, "three_phase": part, "speed": {}, "power": {},
            "temperatures": {"t_sink": {"value": 40.0, "u": 0.5, "unit": "°C"}},
        },
    }  # fmt: skip


START = {
    "kind": "start",
    "from_s": 0.0,
    "to_s": 1.0,
    "time_to_speed_s": 0.9,
    "highest": {**q(12.0), "channel": "iv"},
}
PHASES = {"iu": "U"}


def test_every_limit_finds_its_figures() -> None:
    limits = {
        "current_rms": AT_MOST,
        "unbalance": Bounds(None, 3.0, "%"),
        "distortion": Bounds(None, 8.0, "%"),
        "speed": Bounds(None, 3000.0, "rpm"),
        "temperature": Bounds(None, 60.0, "°C"),
        "current_peak": AT_MOST,
        "start_time": Bounds(None, 1.0, "s"),
        "events": Bounds(None, 0.0, ""),
    }
    rows = judged(limits, [START, steady(5.0, 1.0), steady(11.0, None)], PHASES, 2)
    found = [(row.key, row.what, row.verdict.value, row.why) for row in rows]
    assert found == [
        ("current_rms", "current, rms, iu", "passed", ""),
        ("current_rms", "current, rms, iu", "failed", ""),
        ("unbalance", "unbalance", "passed", ""),
        ("unbalance", "unbalance", "undecided", "too unsure"),
        ("distortion", "distortion, iu", "undecided", "no harmonics"),
        ("distortion", "distortion, iu", "undecided", "no harmonics"),
        ("speed", "speed", "undecided", "not measured on this bench"),
        ("speed", "speed", "undecided", "not measured on this bench"),
        ("temperature", "temperature, t_sink", "passed", ""),
        ("temperature", "temperature, t_sink", "passed", ""),
        ("current_peak", "largest current, iv", "failed", ""),
        ("current_peak", "largest current, iu", "passed", ""),
        ("current_peak", "largest current, iu", "passed", ""),
        ("start_time", "time to speed", "passed", ""),
        ("events", "events", "failed", ""),
    ]


def test_a_start_is_told_in_steps() -> None:
    """0.98 s in steps of 20 ms reaches 1.003 s at k = 2: not proven to be within 1 s."""
    limits = {"start_time": Bounds(None, 1.0, "s")}
    (row,) = judged(limits, [{**START, "time_to_speed_s": 0.98}], PHASES, 0)
    assert row.verdict is Verdict.UNDECIDED
    assert row.quantity is not None
    assert row.quantity["u"] == pytest.approx(0.02 / math.sqrt(3))
    (row,) = judged(limits, [{**START, "time_to_speed_s": None}], PHASES, 0)
    assert (row.verdict, row.why) == (Verdict.UNDECIDED, "no steady part follows")


@pytest.mark.parametrize("key", ["unbalance", "current_peak", "start_time", "temperature"])
def test_what_the_run_does_not_hold_is_undecided(key: str) -> None:
    (row,) = judged({key: AT_MOST}, [], PHASES, 0)
    assert row.verdict is Verdict.UNDECIDED
    assert row.why


def row(key: str, value: float, verdict: Verdict, bounds: Bounds = AT_MOST) -> Judged:
    return Judged(key, key, "", q(value), bounds, verdict)


def test_the_sentence_says_the_worst() -> None:
    good, bad, open_ = (row("a", 1, v) for v in (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED))
    assert summary([good, good]) == "Within all limits: 2 passed."
    assert summary([good, open_]) == "Not proven to be within the limits: 1 passed, 1 undecided."
    assert summary([good, bad, open_]) == "Not within the limits: 1 passed, 1 failed, 1 undecided."


def test_of_those_that_pass_the_nearest_to_the_limit_is_told() -> None:
    rows = [
        row("a", 1.0, Verdict.PASS),
        row("a", 9.0, Verdict.PASS),
        row("a", 12.0, Verdict.FAIL),
        row("b", 6.0, Verdict.PASS, BETWEEN),
        row("b", 2.5, Verdict.PASS, BETWEEN),
    ]
    found = [(one.key, one.quantity["value"], more) for one, more in told(rows) if one.quantity]
    assert found == [("a", 12.0, 0), ("a", 9.0, 1), ("b", 2.5, 1)]
