"""Zeros and corrected chains on the simulated bench, held to the errors that it was built with."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook
from livesense.watching import events_again
from simulator.main import BENCH

Command = Callable[..., Any]
PHASES = {"iu": "U", "iv": "V", "iw": "W"}


def simulated(livesense: Command, folder: Path, scenario: str, seed: int) -> tuple[str, list[dict[str, Any]]]:
    stream, truth = folder / "stream.bin", folder / "truth.jsonl"
    made = livesense(
        *("simulate", "--scenario", scenario, "--outlet", f"file:{stream}", "--speed", "max"),
        *("--truth", truth, "--seed", seed),
    )
    assert made.code == 0, made.err
    rows = [json.loads(line) for line in truth.read_text(encoding="utf-8").splitlines()]
    return f"file:{stream}", rows


def run_figures(livesense: Command, row: dict[str, Any]) -> dict[str, Any]:
    measured = livesense("measure", "last", "--from", row["from_s"], "--to", row["to_s"], "--json").json
    figures: dict[str, Any] = measured["channels"]
    return figures


@pytest.mark.slow
def test_a_zero_at_rest_takes_the_offsets_away(livesense: Command, tmp_path: Path) -> None:
    port, truth = simulated(livesense, tmp_path, "bring-up", 4)
    built = next(row for row in truth if row["kind"] == "run")
    steady = [row for row in truth if row["kind"] == "steady" and row["rpm"]]
    # The drive idles for 1.5 s.
    zeroed = livesense("zero", BENCH, "--port", port, "--seconds", "1.4", "--json")
    assert zeroed.code == 0, zeroed.err
    for name in PHASES:
        found = zeroed.json["channels"][name]
        offset_a = built["errors"]["currents"][name]["offset_v"] / 5e-3
        lsb_a = built["ampere_per_code"] * built["errors"]["adc_offset_codes"]
        # Bow and the reference's and gain's shares of a small offset: less than half a code.
        assert found["offset"]["value"] == pytest.approx(offset_a + lsb_a, abs=0.5 * built["ampere_per_code"])
    livesense("record", BENCH, "--port", port, "--json")
    for row in steady:
        for name, figures in run_figures(livesense, row).items():
            if name in PHASES:
                mean, true = figures["mean"], row["phases"][PHASES[name]]["mean_a"]
                assert abs(mean["value"] - true) <= 2 * mean["u"]
                assert mean["u"] < 0.006
    # Without it the stated offsets alone are 17 mA.
    livesense("rescale", "last", "--calibration", "none", "--reason", "as the data sheets say")
    assert run_figures(livesense, steady[0])["iu"]["mean"]["u"] > 0.017


@pytest.mark.slow
def test_a_bench_file_with_the_true_values_reads_the_truth(livesense: Command, tmp_path: Path) -> None:
    port, truth = simulated(livesense, tmp_path, "bring-up", 5)
    errors = next(row for row in truth if row["kind"] == "run")["errors"]
    steady = [row for row in truth if row["kind"] == "steady" and row["rpm"]]
    livesense("record", BENCH, "--port", port, "--json")

    def off(row: dict[str, Any]) -> list[float]:
        figures = run_figures(livesense, row)
        return [
            figures[name]["fundamental_rms"]["value"] / row["phases"][phase]["fundamental_rms_a"] - 1
            for name, phase in PHASES.items()
        ]

    before = [max(map(abs, off(row))) for row in steady]
    tables = BENCH.read_text(encoding="utf-8").split("[[channel]]")
    for at, name in enumerate(PHASES, start=1):
        current = errors["currents"][name]
        tables[at] = (
            tables[at]
            .replace("5 mΩ", f"{5 * (1 + current['shunt']):.8f} mΩ")
            .replace("gain = 20\n", f"gain = {20 * (1 + current['gain']):.8f}\n")
        )
    text = "[[channel]]".join(tables).replace('"3.3 V"', f'"{3.3 * (1 + errors["reference"]):.8f} V"', 1)
    fixed = tmp_path / "fixed.toml"
    fixed.write_text(text, encoding="utf-8")
    answer = livesense("rescale", 1, "--bench", fixed, "--reason", "measured on a four-wire meter", "--json")
    assert answer.code == 0, answer.err
    after = [max(map(abs, off(row))) for row in steady]
    assert all(late < 0.2 * early for late, early in zip(after, before, strict=True)), (before, after)
    livesense("rescale", 1, "--undo")
    assert [max(map(abs, off(row))) for row in steady] == before


@pytest.mark.slow
def test_overloads_are_found_again_as_they_were_found_live(livesense: Command, tmp_path: Path) -> None:
    port, _ = simulated(livesense, tmp_path, "overload", 2)
    livesense("zero", BENCH, "--port", port, "--seconds", "1.4", "--json")
    assert livesense("record", BENCH, "--port", port, "--json").json["events"] > 5
    with Logbook("livesense.db") as book:
        analysis = RunAnalysis(book, "last")
        live = [row.event for row in analysis.run.events(0)]
        again = events_again(analysis.run, analysis.bench, analysis.chain)
    assert sorted(again, key=lambda e: (e.start_scan, e.channel)) == sorted(
        live, key=lambda e: (e.start_scan, e.channel)
    )
    tight = tmp_path / "tight.toml"
    tight.write_text(BENCH.read_text(encoding="utf-8").replace('"12 A"', '"9 A"'), encoding="utf-8")
    answer = livesense("rescale", "last", "--bench", tight, "--reason", "a lower limit", "--json")
    assert answer.json["events"] > answer.json["events_before"]
