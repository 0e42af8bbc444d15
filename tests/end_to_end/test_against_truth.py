"""The whole way from simulated motor to printed figures, held to what the simulator knows to be true."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from simulator.main import BENCH

Command = Callable[..., Any]


def simulated(livesense: Command, folder: Path, scenario: str, *options: object) -> list[dict[str, Any]]:
    """Simulate into a file and record it; returns the rows of the truth file."""
    stream, truth = folder / "stream.bin", folder / "truth.jsonl"
    made = livesense(
        *("simulate", "--scenario", scenario, "--outlet", f"file:{stream}", "--speed", "max"),
        *("--truth", truth, *options),
    )
    assert made.code == 0, made.err
    recorded = livesense("record", BENCH, "--port", f"file:{stream}", "--json")
    assert recorded.code == 0, recorded.err
    assert recorded.json["faults"] == {}
    return [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()]


def holds(figure: dict[str, Any], true: float, *, within: float) -> None:
    """The true value lies within twice the stated uncertainty, and the error is small besides."""
    error = figure["value"] - true
    assert abs(error) <= 2 * figure["u"] + 1e-12, f"{figure} against {true}: {error / figure['u']:.2f} u"
    assert abs(error) <= within, f"{figure} against {true}"


def check_stretch(livesense: Command, row: dict[str, Any]) -> None:
    facts = livesense("measure", "last", "--from", row["from_s"], "--to", row["to_s"], "--json").json
    assert facts["used_from_s"] == pytest.approx(row["from_s"])
    for phase, name in zip("UVW", ("iu", "iv", "iw"), strict=True):
        true = row["phases"][phase]
        figures = facts["channels"][name]
        holds(figures["fundamental_rms"], true["fundamental_rms_a"], within=0.01 * true["fundamental_rms_a"])
        holds(figures["rms"], true["rms_a"], within=0.01 * true["rms_a"])
        holds(figures["mean"], true["mean_a"], within=0.08)
        holds(facts["three_phase"]["angles_deg"][phase], true["angle_deg"], within=0.5)
    assert facts["three_phase"]["sequence"] == row["sequence"]
    holds(facts["speed"]["electrical_hz"], row["electrical_hz"], within=0.01)
    holds(facts["speed"]["rpm"], row["rpm"], within=0.1)
    power = facts["power"]
    holds(power["bus_voltage"], row["bus_voltage_v"], within=0.01 * row["bus_voltage_v"])
    holds(power["bus_current"], row["bus_current_a"], within=0.01 * row["bus_current_a"] + 0.02)
    holds(power["input_power"], row["bus_power_w"], within=0.01 * row["bus_power_w"] + 0.5)


@pytest.mark.parametrize(
    "seed", [1, pytest.param(2, marks=pytest.mark.slow), pytest.param(3, marks=pytest.mark.slow)]
)
def test_bring_up_figures_hold_the_truth(livesense: Command, tmp_path: Path, seed: int) -> None:
    truth = simulated(livesense, tmp_path, "bring-up", "--seed", seed)
    steady = [row for row in truth if row["kind"] == "steady" and row["rpm"]]
    assert len(steady) >= 3
    for row in steady:
        check_stretch(livesense, row)


def test_overload_events_are_those_of_the_true_currents(livesense: Command, tmp_path: Path) -> None:
    truth = simulated(livesense, tmp_path, "overload", "--seed", 4)
    true_events = [row for row in truth if row["kind"] == "over-limit"]
    assert len(true_events) >= 3
    events = livesense("events", "last", "--json").json["events"]
    # The chain's gain may be off by 1 %: a true peak further than that beyond the limit must be found,
    # and what is found must have a true current near the limit behind it.
    for row in true_events:
        if abs(row["peak_a"]) > 12.0 * 1.02:
            assert any(overlap(event, row) for event in events), row
    for event in events:
        assert abs(event["peak"]["value"]) > 12.0
        near = [row for row in true_events if overlap(event, row)]
        assert near or abs(event["peak"]["value"]) < 12.0 * 1.02, event
        for row in near:
            # One event spans half waves of both signs, and either may hold the largest sample.
            true_a = abs(row["peak_a"])
            assert abs(event["peak"]["value"]) == pytest.approx(true_a, abs=0.02 * true_a + 0.05)


def overlap(event: dict[str, Any], row: dict[str, Any]) -> bool:
    """Same channel, and within a cycle of each other."""
    apart_s = max(event["start_s"] - row["end_s"], row["start_s"] - event["end_s"])
    return bool(event["channel"] == row["channel"] and apart_s < 0.01)
