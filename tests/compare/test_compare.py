"""`compare`: two chains on one shunt, and two runs; against streams whose truth is known."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.compare_data import compared
from dashboard.run_figures import steady_part
from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook

Command = Callable[..., Any]

RATE_HZ = 10_000.0
STEPS, VREF, OHM = 4096, 3.3, 0.005

BENCH = """
[bench]
name = "coolant pump, 24 V"
[link]
wire = "text"
columns = ["n", {columns}]
[[group]]
rate = "10 kHz"
[adc]
bits = 12
reference = "3.3 V"
reference_tolerance = "0.5 %"
[motor]
rated_current = "4 A"
"""

CHANNEL = """
[[channel]]
name = "{name}"
phase = "{phase}"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = {gain}
gain_error = "0.1 %"
offset = "50 µV"
reference = "mid-supply"
"""


def codes(current_a: np.ndarray, gain: float, noise_v: float, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, noise_v, current_a.size)
    pin_v = VREF / 2 + gain * OHM * current_a + noise
    return np.clip(np.round(pin_v / VREF * STEPS), 0, STEPS - 1).astype(int)


def currents(seconds: float, f_hz: float, peak_a: float) -> list[np.ndarray]:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return [peak_a * np.cos(2 * np.pi * (f_hz * t - k / 3)) for k in range(3)]


@pytest.fixture
def record(livesense: Command, tmp_path: Path) -> Callable[..., int]:
    """Record columns of codes as a run, through a bench file; returns its number."""

    def made(columns: dict[str, np.ndarray], channels: list[tuple[str, str, float]], **changes: str) -> int:
        names = list(columns)
        lines = [
            f"{n}," + ",".join(map(str, row))
            for n, row in enumerate(np.stack(list(columns.values()), axis=1).tolist())
        ]
        (tmp_path / "s.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        text = BENCH.format(columns=", ".join(f'"{name}"' for name in names))
        text += "".join(CHANNEL.format(name=n, phase=p, gain=g) for n, p, g in channels)
        for was, now in changes.items():
            text = text.replace(was, now)
        (tmp_path / "b.toml").write_text(text, encoding="utf-8")
        answer = livesense("record", "b.toml", "--port", "file:s.txt", "--until-closed", "--json")
        assert answer.code == 0, answer.err
        return int(answer.json["run"])

    return made


def phases(
    currents_a: list[np.ndarray], gain: float = 20, noise_v: float = 3e-3, seed: int = 1
) -> dict[str, Any]:
    return {
        name: codes(i, gain, noise_v, seed + k)
        for k, (name, i) in enumerate(zip(("iu", "iv", "iw"), currents_a, strict=True))
    }


THREE = [("iu", "U", 20), ("iv", "V", 20), ("iw", "W", 20)]


def rows(facts: dict[str, Any], pair: int = 0) -> dict[str, dict[str, Any]]:
    return {row["figure"]: row for row in facts["pairs"][pair]["rows"]}


class TestTwoChains:
    def both(self, record: Callable[..., int], true_gain: float = 60) -> None:
        i = currents(1.0, 120.0, 3.0)
        columns = phases(i) | {"iu_fine": codes(i[0], true_gain, 3e-3, 9)}
        record(columns, [*THREE, ("iu_fine", "U", 60)])

    def test_a_higher_gain_has_less_noise_and_less_range(self, record, livesense):
        self.both(record)
        facts = livesense("compare", "last", "--chains", "iu:iu_fine", "--one-shunt", "--json").json
        found = rows(facts)
        noise = found["noise"]["second"]["value"] / found["noise"]["first"]["value"]
        assert noise == pytest.approx(1 / 3, rel=0.05)
        assert found["noise"]["differs"] is True
        assert found["range_high"]["second"]["value"] == pytest.approx(16 / 3, rel=0.01)
        assert found["error_small"]["second"]["value"] < found["error_small"]["first"]["value"]
        assert found["dissipation"]["first"]["value"] == pytest.approx(OHM * 4.5, rel=0.01)
        assert facts["changed"] == [{"of": "iu, iu_fine", "key": "gain", "first": 20, "second": 60}]

    def test_an_error_of_the_one_shunt_is_in_both_and_in_no_difference(self, record, livesense):
        self.both(record)
        apart = rows(livesense("compare", "last", "--chains", "iu:iu_fine", "--json").json)["fundamental_rms"]
        one = rows(livesense("compare", "last", "--chains", "iu:iu_fine", "--one-shunt", "--json").json)
        rms, limit = 3 / math.sqrt(2), math.sqrt(3)
        # Gains 0.1 % each; the shunts 1 % each, where there are two. The reference is one in any case.
        assert one["fundamental_rms"]["difference"]["u"] == pytest.approx(
            rms * 0.001 * math.sqrt(2) / limit, rel=0.1
        )
        assert apart["difference"]["u"] == pytest.approx(rms * 0.01 * math.sqrt(2) / limit, rel=0.1)
        assert one["fundamental_rms"]["differs"] is False

    def test_the_heat_has_the_resistance_once_and_the_gain_twice(self, record, livesense):
        self.both(record)
        apart = rows(livesense("compare", "last", "--chains", "iu:iu_fine", "--json").json)["dissipation"]
        one = rows(livesense("compare", "last", "--chains", "iu:iu_fine", "--one-shunt", "--json").json)
        watts, limit = OHM * 4.5, math.sqrt(3)
        # P = V²/R/G²: 1 % of the shunt counts once, 0.1 % of the gain and 0.5 % of the reference twice.
        assert apart["first"]["u"] == pytest.approx(watts * math.hypot(0.01, 0.002, 0.01) / limit, rel=0.02)
        assert apart["difference"]["u"] == pytest.approx(
            watts * math.hypot(0.01, 0.002) * math.sqrt(2) / limit, rel=0.05
        )
        assert one["dissipation"]["difference"]["u"] == pytest.approx(
            watts * 0.002 * math.sqrt(2) / limit, rel=0.1
        )
        assert one["dissipation"]["differs"] is False

    def test_a_wrong_gain_shows(self, record, livesense):
        self.both(record, true_gain=60.5)
        facts = livesense("compare", "last", "--chains", "iu:iu_fine", "--one-shunt", "--json").json
        row = rows(facts)["fundamental_rms"]
        assert row["differs"] is True
        assert row["difference"]["value"] == pytest.approx(3 / math.sqrt(2) * 0.5 / 60, rel=0.05)
        said = livesense("compare", "last", "--chains", "iu:iu_fine", "--one-shunt").out
        assert "their fundamentals differ by more than is known of them" in said

    def test_chains_that_never_see_the_same_current(self, record, livesense):
        i = currents(0.5, 120.0, 3.0)
        low = 'name = "iu"\nphase = "U"\nplace = "low-side"\nsampled_at = "low-on"'
        high = 'name = "iv"\nphase = "U"\nplace = "high-side"\nsampled_at = "high-on"'
        record(
            phases(i), THREE,
            **{'name = "iu"\nphase = "U"': low, 'name = "iv"\nphase = "V"': high},
        )  # fmt: skip
        answer = livesense("compare", "last", "--chains", "iu:iv")
        assert answer.code == 2
        assert "got low-on and high-on" in answer.err

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (["last", "--chains", "iu"], "expected two channels such as iu:iu_fine, got 'iu'"),
            (["last", "--chains", "iu:iu"], "expected two channels"),
            (["last", "--chains", "iu:nothing"], "expected a current out of iu, iv, iw"),
            (["last", "--chains", "iu:iv"], "got iu (phase U) and iv (phase V): they carry other currents"),
            (["last"], "expected two runs, or one with --chains A:B, got 1: last"),
            (["last", "last", "--chains", "iu:iv"], "expected one run with --chains, got 2"),
            (["last", "last", "--one-shunt"], "--one-shunt says something of two chains"),
            (["last", "last", "--band", "10"], "expected two frequencies in Hz"),
            (["last", "last", "--band", "20:10"], "expected two frequencies in Hz"),
            (["last", "last", "--band", "a:b"], "expected two frequencies in Hz"),
            (["1", "last"], "expected two runs, or two windows of one, got run 1 twice"),
        ],
    )
    def test_wrong_use(self, record, livesense, words, told):
        record(phases(currents(0.2, 120.0, 3.0)), THREE)
        answer = livesense("compare", *words)
        assert (answer.code, answer.out) == (2, "")
        assert told in answer.err


class TestTwoRuns:
    def test_states_that_are_alike_are_found(self, record, livesense):
        slow, fast = currents(1.0, 80.0, 2.0), currents(1.0, 200.0, 4.0)
        record(phases([np.concatenate(p) for p in zip(slow, fast, strict=True)]), THREE)
        record(phases([np.concatenate(p) for p in zip(fast, slow, strict=True)], seed=5), THREE)
        facts = livesense("compare", "1", "2", "--json").json
        assert facts["matched"] is True
        # The more loaded of both states, wherever it lies.
        assert facts["first"]["from_s"] >= 1.0
        assert facts["second"]["to_s"] <= 1.0
        row = rows(facts)["fundamental_rms"]
        assert row["first"]["value"] == pytest.approx(4 / math.sqrt(2), rel=0.01)
        # One and the same chain: only noise is left in the difference.
        assert row["difference"]["u"] < 0.1 * row["first"]["u"]
        assert row["differs"] is False
        assert facts["changed"] == []
        assert "Nothing that is written down changed." in livesense("compare", "1", "2").out

    def test_what_changed_in_the_bench_counts_and_is_told(self, record, livesense):
        i = currents(1.0, 120.0, 3.0)
        record(phases(i), THREE)
        record(phases(i, seed=5), THREE, **{"gain = 20": "gain = 20.1"})
        facts = livesense("compare", "1", "2", "--json").json
        assert {"of": "iv", "key": "gain", "first": 20, "second": 20.1} in facts["changed"]
        row = rows(facts)["fundamental_rms"]
        assert row["difference"]["u"] > 0.7 * row["first"]["u"]
        assert "gain" in livesense("compare", "1", "2").out.split("What changed")[1]

    def test_states_that_are_not_alike_are_not_set_against_each_other(self, record, livesense):
        record(phases(currents(1.0, 120.0, 3.0)), THREE)
        record(phases(currents(1.0, 200.0, 3.0), seed=5), THREE)
        facts = livesense("compare", "1", "2", "--json").json
        assert facts["matched"] is False
        assert "120 Hz" in facts["why_not"]
        assert "200 Hz" in facts["why_not"]
        assert set(rows(facts)) == {
            "range_low",
            "range_high",
            "per_code",
            "error_full",
            "error_small",
            "noise",
        }
        assert "figures under load are left out" in livesense("compare", "1", "2").out

    def test_at_rest_and_turning(self, record, livesense):
        record(phases(currents(1.0, 120.0, 0.0)), THREE)
        record(phases(currents(1.0, 120.0, 3.0), seed=5), THREE)
        assert "stands still" in livesense("compare", "1", "2", "--json").json["why_not"]
        facts = livesense("compare", "1", "1", "--other-from", "0.1", "--json").json
        assert facts["matched"] is True
        assert rows(facts)["noise"]["first"]["value"] == pytest.approx(
            3e-3 / (20 * OHM) * math.sqrt(0.9), rel=0.1
        )

    def test_runs_without_a_channel_in_common(self, record, livesense):
        i = currents(0.5, 120.0, 3.0)
        record(phases(i), THREE)
        renamed = {f"j{name}": column for name, column in phases(i).items()}
        record(renamed, [(f"j{n}", p, g) for n, p, g in THREE])
        answer = livesense("compare", "1", "2")
        assert answer.code == 2
        assert "got iu, iv, iw and jiu, jiv, jiw" in answer.err

    def test_a_run_that_is_not_there(self, record, livesense):
        record(phases(currents(0.2, 120.0, 3.0)), THREE)
        assert livesense("compare", "1", "7").code == 1

    def test_windows_of_both_runs(self, record, livesense):
        slow, fast = currents(1.0, 80.0, 2.0), currents(1.0, 200.0, 4.0)
        record(phases([np.concatenate(p) for p in zip(slow, fast, strict=True)]), THREE)
        window = ["--from", "0", "--to", "0.9", "--other-from", "0.1", "--other-to", "1.0"]
        facts = livesense("compare", "1", "1", *window, "--band", "100:1000", "--json").json
        assert facts["first"]["to_s"] <= 0.9
        assert facts["band_hz"] == [100, 1000]
        assert rows(facts)["rms"]["first"]["value"] == pytest.approx(2 / math.sqrt(2), rel=0.02)

    def test_a_run_of_a_recording_has_no_range_and_is_matched_all_the_same(self, record, livesense, tmp_path):
        rest, turning = currents(0.6, 120.0, 0.0), currents(2.4, 120.0, 3.0)
        record(phases([np.concatenate(p) for p in zip(rest, turning, strict=True)]), THREE)
        assert livesense("export", "1", "--out", "pump.csv").code == 0
        assert livesense("import", "pump.csv").code == 0
        facts = livesense("compare", "1", "2", "--json").json
        assert facts["matched"] is True
        assert facts["second"]["frequency_hz"] == pytest.approx(120, abs=0.1)
        found = rows(facts)
        for key in ("range_low", "range_high", "per_code", "error_full", "error_small"):
            assert found[key]["first"]["value"] is not None
            assert (found[key]["second"]["value"], found[key]["difference"]) == (None, None)
        assert found["rms"]["second"]["value"] == pytest.approx(3 / math.sqrt(2), rel=0.01)
        told = livesense("compare", "1", "2").out
        assert "of the first; their fundamentals agree" in told
        assert "inf" not in told and "nan" not in told
        with Logbook(tmp_path / "livesense.db") as book:
            page = compared(RunAnalysis(book, 1), RunAnalysis(book, 2))
            assert page["matched"] is True
            begin_s, end_s = steady_part(RunAnalysis(book, 2), 0.0, 3.0)
            assert begin_s >= 0.6 and end_s > begin_s + 0.2
        empty = rows(livesense("compare", "2", "2", "--other-from", "0.1", "--json").json)
        assert empty["error_full"]["at"]["value"] == pytest.approx(1.5, rel=0.05)
