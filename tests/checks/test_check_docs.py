"""docs/check.md has every kind and every key, and its thresholds are those of the code."""

from __future__ import annotations

import re
from pathlib import Path

from pump_check import checked, pump

from livesense.checks.bus import BUS_OVER_PHASE, EN_LIMIT, IDLE_SHARE
from livesense.checks.dead import OPPOSITE_DEG, REPEATS_DEG, REPEATS_SHARE, SILENT
from livesense.checks.evidence import LIMIT
from livesense.checks.findings import Kind
from livesense.checks.kirchhoff import BALANCE
from livesense.checks.line import LOST_SHARE, RATE_OFF
from livesense.checks.noise import FEWEST_SCANS_A_CYCLE, FOREIGN_SHARE, LOUDER
from livesense.checks.plan import TIGHT, WIDE
from livesense.checks.zero import CLIPPED_SHARE, FEWEST_CLIPPED, NEAR_SETUP

DOCS = Path(__file__).parents[2] / "docs"
TEXT = (DOCS / "check.md").read_text(encoding="utf-8")
FINDINGS = TEXT.partition("## Findings")[2].partition("\n## ")[0]
ROWS = dict(re.findall(r"^\| `([a-z-]+)`(?: \(note\))? \| (.*) \|$", FINDINGS, re.MULTILINE))


def test_every_kind_has_a_row() -> None:
    assert set(map(str, Kind)) == set(ROWS)


def test_thresholds_are_those_of_the_code() -> None:
    assert f"more than {LIMIT:g} u" in TEXT
    assert f"unbalance of {100 * BALANCE:g} %" in TEXT
    assert f"under {100 * SILENT:g} %" in ROWS["no-signal"]
    assert f"opposite within {OPPOSITE_DEG:g}°" in ROWS["missing-phase"]
    low, high = (round(100 * share) for share in REPEATS_SHARE)
    assert f"within {REPEATS_DEG:g}°, {low} to {high} %" in ROWS["floating"]
    assert f"{100 * NEAR_SETUP:g} % of the reference" in ROWS["reference-setup"]
    assert f"{FEWEST_CLIPPED} scans and {100 * CLIPPED_SHARE:g} %" in ROWS["clipped"]
    assert f"{LOUDER:g} times" in ROWS["noisy"]
    assert f"{100 * FOREIGN_SHARE:g} % of the fundamental" in ROWS["aliasing"]
    assert FEWEST_SCANS_A_CYCLE == 6
    assert f"En above {EN_LIMIT * LIMIT / 2:g}" in ROWS["pair"]
    assert f"{BUS_OVER_PHASE:.2f} × rms, and {100 * IDLE_SHARE:g} % of rated" in ROWS["bus"]
    assert f"{100 * TIGHT:g} %" in ROWS["range-tight"]
    assert f"{100 * WIDE:g} %" in ROWS["range-wide"]
    assert f"{100 * RATE_OFF:g} %" in ROWS["rate"]
    assert f"{100 * LOST_SHARE:g} % is an alarm" in ROWS["link"]


def test_every_key_of_the_self_check_has_a_row() -> None:
    made = checked(pump()["rated"]).as_json()["kirchhoff"]
    named = set(re.findall(r"`([a-z_]+)`", TEXT))
    assert set(made) <= named
    scripting = (DOCS / "scripting.md").read_text(encoding="utf-8")
    part = scripting.partition("## `check BENCH`")[2].partition("\n## ")[0]
    assert all(f'"{key}"' in part for key in made)
