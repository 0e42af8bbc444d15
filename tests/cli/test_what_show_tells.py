"""Texts of `show`, `runs`, `record` and `measure`: outages, digits, places, notes, reasons."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame

from livesense.cli import measure_text, record, runs, show

Command = Callable[..., Any]

MORE = """
[[channel]]
name = "t_sink"
sensor = "linear"
unit = "°C"
scale = "100 °C/V"
zero = "0.5 V"
[[channel]]
name = "state"
sensor = "state"
"""

AWAY = {
    "count": 1, "seconds": 3.2, "scans_lost": 502, "uncounted": 0, "text": "away 3.2 s, 502 scans lost"
}  # fmt: skip
NEVER = {"count": 0, "seconds": 0.0, "scans_lost": 0, "uncounted": 0, "text": ""}


@pytest.fixture
def two_groups(recorded: Callable[..., Any]) -> None:
    fast, slow = Sender(), Sender(channels=("t_sink", "state"), number=1)
    described = [group(fast.channels), group(slow.channels, rate_hz=10)]
    early = note_frame("booted")
    recorded(
        early + description_frame(described) + fast.packet(5) + slow.packet(2) + note_frame("primed"),
        bench_text(more=MORE),
    )


def test_show_tells_each_group_by_itself(two_groups: None, livesense: Command) -> None:
    said = livesense("show", "last").out
    assert "Group 0: 20000 scans/s, 5 stored, 0 lost; iu iv iw" in said
    assert "Group 1: 10 scans/s, 2 stored, 0 lost; t_sink state" in said


def test_places_are_those_of_shunts_and_states_are_whole_numbers(
    two_groups: None, livesense: Command
) -> None:
    rows = {line.split()[0]: line for line in livesense("show", "last").out.splitlines() if line.strip()}
    assert "in-line" in rows["iu"]
    assert "−16" in rows["iu"]
    assert "in-line" not in rows["t_sink"]
    assert "in-line" not in rows["state"]
    assert "0 … 65535" in rows["state"]


def test_a_note_before_the_first_scan_says_so(two_groups: None, livesense: Command) -> None:
    said = livesense("show", "last").out
    assert "before the first" in said
    assert "None" not in said


def facts(livesense: Command, **more: Any) -> dict[str, Any]:
    shown: dict[str, Any] = livesense("show", "last", "--json").json
    return shown | more


def test_show_tells_what_each_outage_cost(
    two_groups: None, livesense: Command, capfd: pytest.CaptureFixture[str]
) -> None:
    outage = {
        "began": "2026-03-02T10:15:04.120+01:00", "ended": None, "seconds": None, "cause": "unplugged",
        "scans_lost": 502, "uncounted": None, "text": "away and not seen to come back, 502 scans lost",
    }  # fmt: skip
    quiet, loud = facts(livesense), facts(livesense, away=AWAY, outages=[outage])
    show._print(quiet)
    assert "Interruptions" not in capfd.readouterr().out
    show._print(loud)
    said = capfd.readouterr().out
    assert "Interruptions: the port was away 3.2 s, 502 scans lost" in said
    assert "2026-03-02 10:15:04  not back  " in said
    assert "unplugged" in said


def test_a_fitted_rate_has_the_digits_of_its_uncertainty(
    two_groups: None, livesense: Command, capfd: pytest.CaptureFixture[str]
) -> None:
    shown = facts(livesense)
    shown["groups"][0]["rate_fitted_hz"] = {"value": 19998.71234, "u": 0.61, "unit": "Hz"}
    show._print(shown)
    assert "19998.7 ± 1.3 Hz (k = 2)" in capfd.readouterr().out


def test_runs_marks_outages_and_explains_the_mark(
    two_groups: None,
    livesense: Command,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from livesense import run_list

    assert "away:" not in livesense("runs").out
    rows = livesense("runs", "--json").json["runs"]
    monkeypatch.setattr(run_list, "runs", lambda logbook: [row | {"away": AWAY} for row in rows])
    said = livesense("runs").out
    assert "1×" in said
    assert "away: how often the port was" in said
    assert runs.NOTHING not in said


@pytest.mark.parametrize(("away", "told"), [(AWAY, "The port was away 3.2 s, 502 scans lost"), (NEVER, "")])
def test_the_last_line_of_record_tells_outages(away: dict[str, Any], told: str) -> None:
    group = {"group": 0, "channels": ["iu"], "scans_stored": 5, "scans_lost": 502}
    summary = {
        "run": 1, "runs": [1], "logbook": "l.db", "seconds": 1.0, "groups": [group], "gaps": 1, "restarts": 0,
        "away": away, "faults": {}, "events": 0, "ended": "time", "error": None,
    }  # fmt: skip
    said = record._sentence(summary)
    assert said.startswith("Run 1 in l.db: 1.0 s, 5 scans, 502 lost in 1 gap")
    assert ("The port was" in said) == bool(told)
    assert told in said


def test_the_summary_tells_each_group_by_itself() -> None:
    groups = [
        {"group": 0, "channels": ["iu", "iv"], "scans_stored": 500, "scans_lost": 0},
        {"group": 1, "channels": ["t_sink"], "scans_stored": 1, "scans_lost": None},
    ]
    summary = {
        "run": 2, "runs": [2], "logbook": "l.db", "seconds": 1.0, "groups": groups, "gaps": 0, "restarts": 1,
        "away": NEVER, "faults": {"crc": 2}, "events": 0, "ended": "time", "error": None,
    }  # fmt: skip
    assert record._sentence(summary).splitlines() == [
        "Run 2 in l.db: 1.0 s, 0 gaps, 1 restart, faults: crc 2, 0 events",
        "  iu iv: 500 scans, 0 lost",
        "  t_sink: 1 scan, loss cannot be counted",
        "Next: livesense measure 2",
    ]


def test_a_withheld_angle_says_why(capfd: pytest.CaptureFixture[str]) -> None:
    figures = {
        "sequence": None,
        "angles_deg": {"U": {"value": 0.0, "u": 0.0, "unit": "°"}, "V": None},
        "withheld": {"angles_deg.V": "phase V carries no fundamental"},
    }
    missing: dict[str, dict[str, list[str]]] = defaultdict(dict)
    measure_text._part("three phases", "three_phase", figures, {"three_phase.sequence": "no order"}, missing)
    assert missing == {
        "no order": {"three phases": ["sequence"]},
        "phase V carries no fundamental": {"three phases": ["angle V"]},
    }
    assert re.search("angle U +0 °", capfd.readouterr().out)
