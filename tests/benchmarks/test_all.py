"""The one command that measures everything runs, and tells what it says it does; speed is not asserted."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.slow
def test_figures_are_measured_beside_their_alternatives(tmp_path: Path) -> None:
    command = [sys.executable, str(ROOT / "benchmarks" / "all.py"), "--quick", "--only", "1", "3", "5", "8"]
    told, table = tmp_path / "now.json", tmp_path / "now.md"
    done = subprocess.run(
        [*command, "--json", str(told), "--table", str(table), "--folder", str(tmp_path)],
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    facts = json.loads(told.read_text(encoding="utf-8"))
    rows = facts["rows"]
    assert {row["figure"] for row in rows} == {1, 3, 5, 8}
    assert len(facts["calibration_s"]["all"]) == 5
    for row in rows:
        if row["alternative"] and row["ratio"] is not None and row["figure"] == 1:
            assert row["ratio"] == pytest.approx(row["value"] / row["other"])
        assert (row["met"] is None) == (row["target"] == "")
    # Sizes do not depend on the machine.
    (size,) = (r for r in rows if r["what"] == "bytes a sample at 20 kS/s, in blocks")
    assert size["met"]
    lines = table.read_text(encoding="utf-8").splitlines()
    assert len(lines) == 2 + len(rows)
    assert all(len(re.findall(r"\|", line)) == 8 for line in lines)
