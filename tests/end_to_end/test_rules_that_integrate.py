"""Rules on the rms of cycles, from bytes to `livesense events`, against times that are known beforehand."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import bench_text, description_frame, group, scans_frame

Command = Callable[..., Any]
Recorded = Callable[..., dict[str, Any]]

CODE_A = 3.3 / 4096 / (20 * 0.005)
RATE_HZ = 2000.0
HZ = 50.0
CYCLE_S = 1 / HZ

RULES = """
[[watch]]
kind = "overcurrent"
quantity = "cycle-rms"
channels = ["iu"]
limit = "6 A"
pre = "20 ms"
post = "40 ms"
[[watch]]
kind = "inverse-time"
channels = ["iu"]
curve = "A"
pickup = "4 A"
tms = 0.1
[[watch]]
kind = "thermal"
channels = ["iu"]
pickup = "6 A"
tau = "2 s"
[[watch]]
kind = "i2t"
channels = ["iu"]
i2t = "64 A²s"
pickup = "6 A"
[[watch]]
kind = "i2t"
channels = ["iu"]
i2t = "40 A²s"
"""
QUIET_S, LOAD_S, AFTER_S = 1.0, 2.5, 0.5
QUIET_RMS, LOAD_RMS = 3.0, 8.0


def scans(begin: int, stop: int) -> list[tuple[int, ...]]:
    """3 A rms, then 8 A, then 3 A, balanced, rounded to codes."""

    def one(n: int) -> tuple[int, ...]:
        loaded = QUIET_S <= n / RATE_HZ < QUIET_S + LOAD_S
        peak = math.sqrt(2) * (LOAD_RMS if loaded else QUIET_RMS) / CODE_A
        return tuple(
            round(2048 + peak * math.sin(2 * math.pi * (HZ * n / RATE_HZ - k / 3))) for k in range(3)
        )

    return [one(n) for n in range(begin, stop)]


def stream(lost: range = range(0), boot: int = 1) -> bytes:
    """Give the packets of the whole course, without those that begin within ``lost``."""
    data = description_frame([group(("iu", "iv", "iw"), rate_hz=RATE_HZ)], boot=boot)
    for at in range(0, round((QUIET_S + LOAD_S + AFTER_S) * RATE_HZ), 50):
        if at not in lost:
            data += scans_frame(0, at, scans(at, at + 50))
    return data


def events_of(livesense: Command) -> dict[tuple[str, float], dict[str, Any]]:
    """Find each event by its kind and its limit."""
    found = livesense("events", "last", "--json").json["events"]
    by_rule = {(event["kind"], event["limit"]["value"]): event for event in found}
    assert len(by_rule) == len(found)
    return by_rule


def test_each_rule_trips_when_its_formula_says(recorded: Recorded, livesense: Command) -> None:
    assert recorded(stream(), bench_text(more=RULES))["events"] == 5
    events = events_of(livesense)
    m = LOAD_RMS / 4
    after_s = {
        ("inverse-time", 4.0): 0.1 * 0.14 / (m**0.02 - 1),  # IEC 60255-151
        # IEC 60255-149; 1 s at 3 A has warmed the image before.
        ("thermal", 6.0): 2 * math.log((64 - 9 * (1 - math.exp(-0.5))) / (64 - 36)),
        ("i2t", 64.0): 1.0,
    }
    for rule, seconds in after_s.items():
        event = events[rule]
        assert event["start_s"] == pytest.approx(QUIET_S, abs=CYCLE_S)
        assert event["trip_s"] - event["start_s"] == pytest.approx(seconds, abs=CYCLE_S)
        assert event["end_s"] == pytest.approx(QUIET_S + LOAD_S, abs=CYCLE_S)
        assert abs(event["peak"]["value"]) == pytest.approx(math.sqrt(2) * LOAD_RMS, rel=0.01)
        assert (event["quantity"], event["lost_scans"], event["cut_short"]) == ("cycle-rms", 0, False)
    # 9 A²s in the first second, then 64 a second.
    plain = events["i2t", 40.0]
    assert plain["start_s"] == pytest.approx(0, abs=CYCLE_S)
    assert plain["trip_s"] == pytest.approx(QUIET_S + 31 / 64, abs=CYCLE_S)
    assert plain["limit"]["unit"] == "A²s"
    over = events["overcurrent", 6.0]
    assert over["peak"]["value"] == pytest.approx(LOAD_RMS, rel=0.01)
    assert (over["trip_scan"], over["trip_s"]) == (None, None)
    assert (over["pre_s"], over["post_s"]) == (0.02, 0.04)
    assert "tripped after" in livesense("events", "last").out


def test_the_same_events_are_found_again_afterwards(
    recorded: Recorded, livesense: Command, tmp_path: Path
) -> None:
    # Scans lost within the overload, once in the middle of a cycle.
    recorded(stream(range(2500, 2700)), bench_text(more=RULES))
    live = events_of(livesense)
    assert live["i2t", 64.0]["lost_scans"] == 200
    assert live["i2t", 64.0]["trip_s"] == pytest.approx(QUIET_S + 1.1, abs=CYCLE_S)
    (tmp_path / "again.toml").write_text(bench_text(more=RULES) + "\n# the same rules\n", encoding="utf-8")
    answer = livesense("rescale", "last", "--bench", "again.toml", "--reason", "once more", "--json")
    assert answer.code == 0, answer.err
    assert answer.json["events"] == answer.json["events_before"] == 5
    assert events_of(livesense) == live


def test_a_restart_begins_cold(recorded: Recorded, livesense: Command) -> None:
    thermal = '[[watch]]\nkind = "thermal"\nchannels = ["iu"]\npickup = "6 A"\ntau = "2 s"\n'
    course = stream(range(6000, 9000))
    recorded(course + stream(boot=2), bench_text(more=thermal))
    first, second = livesense("events", "last", "--json").json["events"]
    assert first["cut_short"] and not second["cut_short"]
    assert second["trip_scan"] - second["start_scan"] == first["trip_scan"] - first["start_scan"]
