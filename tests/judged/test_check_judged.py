"""`livesense check` on benches with seeded faults and healthy ones, made and graded by the documents alone.

A failed test tells seed, group and index of its cases; `seeded_case(seed, group, index)` has file and bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from fault_judge import alarms, unnamed
from seeded_faults import Case, seeded_case

SEED = 4201
LEAST_NAMED = 0.95
"""Share of the faults that are found and rightly named."""

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1200)]


@pytest.fixture
def checked(recorded: Callable[..., Any], livesense: Callable[..., Any]) -> Callable[[Case], dict[str, Any]]:
    """What `check` says of a case's run."""

    def call(case: Case) -> dict[str, Any]:
        recorded(case.stream, case.bench)
        answer = livesense("check", "pump.toml", "--run", "last", "--json")
        assert answer.out, f"{case}: {answer.err}"
        facts = answer.json
        assert isinstance(facts, dict)
        return facts

    return call


def said(answer: dict[str, Any]) -> str:
    return "; ".join(f"{one['kind']}({one['channel']}) {one['text']}" for one in alarms(answer)) or "nothing"


def test_a_healthy_bench_raises_no_alarm(checked: Callable[[Case], dict[str, Any]]) -> None:
    false = []
    for index in range(40):
        case = seeded_case(SEED, "healthy", index)
        answer = checked(case)
        if alarms(answer):
            false.append(f"{case} | {said(answer)}")
    assert not false, "\n".join(false)


@pytest.mark.parametrize(("group", "cases"), [("single", 50), ("pair", 30)])
def test_faults_are_found_and_named(
    group: str, cases: int, checked: Callable[[Case], dict[str, Any]]
) -> None:
    missed, seeded = [], 0
    for index in range(cases):
        case = seeded_case(SEED, group, index)
        answer = checked(case)
        seeded += len(case.faults)
        missed += [f"{fault} of {case} | {said(answer)}" for fault in unnamed(case, answer)]
    assert len(missed) <= (1 - LEAST_NAMED) * seeded, "\n".join(missed)
