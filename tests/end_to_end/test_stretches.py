"""`stretches` on the simulated pump, against what really happened (docs/simulator.md)."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simulator

Command = Callable[..., Any]


@pytest.fixture
def pump(livesense: Command, tmp_path: Path) -> Callable[..., tuple[dict[str, Any], list[dict[str, Any]]]]:
    """Record a scenario; its stretches, and the truth."""

    def made(*words: str) -> tuple[dict[str, Any], list[dict[str, Any]]]:
        simulated = livesense(
            "simulate",
            "--speed",
            "max",
            "--rate",
            "5000",
            "--outlet",
            "file:s.bin",
            "--truth",
            "t.jsonl",
            *words,
        )
        assert simulated.code == 0, simulated.err
        bench = Path(simulator.__file__).parent / "benches" / "coolant-pump.toml"
        shutil.copy(bench, tmp_path / "pump.toml")
        recorded = livesense("record", "pump.toml", "--port", "file:s.bin", "--until-closed", "--quiet")
        assert recorded.code == 0, recorded.err
        answer = livesense("stretches", "last", "--json")
        assert answer.code == 0, answer.err
        truth = [json.loads(line) for line in Path("t.jsonl").read_text(encoding="utf-8").splitlines()]
        return answer.json, truth

    return made


@pytest.mark.slow
@pytest.mark.parametrize("drive", ["field-oriented", "six-step"])
def test_the_pump_is_brought_up(pump, livesense, drive):
    facts, truth = pump("--drive", drive)
    rows = facts["stretches"]
    assert [row["kind"] for row in rows] == [
        "standstill", "align", "start", "steady", "load change", "steady", "braking", "standstill", "align",
        "start", "steady", "braking", "standstill",
    ]  # fmt: skip
    phases = {p["name"]: p["time_s"] for p in truth if p["kind"] == "phase"}
    assert rows[1]["from_s"] == pytest.approx(phases["start"], abs=0.1)
    assert rows[4]["from_s"] == pytest.approx(phases["rated load"], abs=0.1)
    assert rows[6]["from_s"] == pytest.approx(phases["stop"], abs=0.15)
    # What the simulator calls steady lies within what is called so here, and has its speed.
    steady = [row for row in rows if row["kind"] == "steady"]
    for known in (t for t in truth if t["kind"] == "steady"):
        row = next(r for r in steady if r["from_s"] <= known["from_s"] and known["to_s"] <= r["to_s"] + 0.1)
        measured = row["measures"]["speed"]["electrical_hz"]
        assert abs(measured["value"] - known["electrical_hz"]) < 0.01 * known["electrical_hz"]
        assert row["frequency_hz"] == pytest.approx(known["electrical_hz"], rel=0.01)
    # Words of the drive's own state come along, and energy where the bus is measured.
    assert rows[5]["states"]["state"] == ["run"]
    assert rows[5]["energy"]["value"] > 0
    start = rows[2]
    assert 1.0 < start["time_to_speed_s"] < 3.0
    assert abs(start["highest"]["value"]) > 4
    assert "at speed after" in livesense("stretches", "last").out


@pytest.mark.slow
def test_overloads_and_a_blocked_rotor(pump):
    facts, _ = pump("--scenario", "overload")
    rows = facts["stretches"]
    changes = [row for row in rows if row["kind"] == "load change"]
    assert len(changes) >= 2
    assert max(abs(row["highest"]["value"]) for row in changes) > 12
    assert any("as before" in row["text"] for row in changes)
    assert [row["kind"] for row in rows][-1] == "standstill"


@pytest.mark.slow
def test_a_rotor_that_is_held_and_what_the_machine_does_now(pump, livesense):
    from livesense.analysis import RunAnalysis
    from livesense.logbook.reader import Logbook
    from livesense.stretch_now import newest_stretch

    facts, truth = pump("--scenario", "stall", "--duration", "8.3s")
    phases = {p["name"]: p["time_s"] for p in truth if p["kind"] == "phase"}
    held = facts["stretches"][-1]
    # It stands, and the drive's state says that it runs: no alignment.
    assert held["kind"] == "held" and held["from_s"] == pytest.approx(phases["held"], abs=0.2)
    assert held["states"]["state"] == ["run"] and held["fault"] is None
    mark = facts["marks"][-1]
    assert (mark["word"], mark["from_s"]) == ("held fast", held["from_s"]) and "held fast with" in mark[
        "title"
    ]
    with Logbook("livesense.db") as logbook:
        analysis = RunAnalysis(logbook, 1)
        now = newest_stretch(analysis)
        assert (now["kind"], now["word"]) == ("align", "held")
        assert now["from_s"] == pytest.approx(held["from_s"], abs=0.1)
        assert now["to_s"] == pytest.approx(8.3, abs=0.03) and now["sequence"] is None
        # One second is all of one stretch, which began before it.
        assert newest_stretch(analysis, 1.0)["from_s"] is None


@pytest.mark.slow
def test_a_stop_that_feeds_the_bus(pump):
    facts, truth = pump("--scenario", "coast-and-brake")
    rows = facts["stretches"]
    phases = {p["name"]: p["time_s"] for p in truth if p["kind"] == "phase"}
    (coast,) = (r for r in rows if r["kind"] == "standstill" and r["let_go"] and r["from_s"] < 10)
    assert coast["from_s"] == pytest.approx(phases["coast"], abs=0.1)
    (brake,) = (r for r in rows if r["kind"] == "braking")
    assert brake["from_s"] == pytest.approx(phases["brake"], abs=0.1)
    assert brake["from_hz"] == pytest.approx(200, abs=2) and 0.1 < brake["stopped_after_s"] < 0.6
    assert "let go after" in brake["text"]


def test_benches_without_three_phases_are_told(livesense, recorded):
    from plain_device import Sender, bench_text, description_frame, group

    fast = Sender(channels=("iu", "iv"))
    recorded(description_frame([group(fast.channels)]) + fast.packet(50), bench_text(channels=("iu", "iv")))
    answer = livesense("stretches", "last")
    assert answer.code == 2
    assert "none of the bench's channels has phase W" in answer.err


@pytest.mark.slow
def test_a_lossy_line_tells_the_same_story(pump):
    clean, _ = pump()
    lossy, _ = pump("--link-fault", "drop=0.005", "--link-fault", "corrupt=0.003")
    assert [row["kind"] for row in lossy["stretches"]] == [row["kind"] for row in clean["stretches"]]
    for one, other in zip(clean["stretches"], lossy["stretches"], strict=True):
        assert abs(one["from_s"] - other["from_s"]) < 0.1


def test_a_machine_that_turns_round_is_told_with_both_orders(livesense, tmp_path):
    rate_hz = 2000
    hz = np.concatenate([np.full(3000, 50.0), np.linspace(50, -50, 1000), np.full(3000, -50.0)])
    angle = 2 * np.pi * np.cumsum(hz) / rate_hz
    currents = 4 * np.cos(angle[:, None] - 2 * np.pi / 3 * np.arange(3))
    np.savetxt(tmp_path / "r.csv", currents, "%.5f", ",", header="iu_A,iv_A,iw_A", comments="")
    assert livesense("import", "r.csv", "--rate", rate_hz).code == 0
    rows = livesense("stretches", "last", "--json").json["stretches"]
    assert [(row["kind"], row["sequence"]) for row in rows] == [
        ("steady", "UVW"), ("speed change", None), ("steady", "UWV"),
    ]  # fmt: skip
    assert [rows[1][side]["sequence"] for side in ("before", "after")] == ["UVW", "UWV"]
    assert rows[1]["text"] == "turns round: from 50 Hz UVW to 50 Hz UWV"
