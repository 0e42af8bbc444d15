"""Two benches, three runs, in a logbook and as a dataset."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from export_run import BENCH, write_export_run

DAY_S = 86_400
STARTED_S = 1_772_359_200.0  # 2026-03-01T10:00:00Z

OTHER = BENCH.replace("coolant pump, 24 V", "spare").replace('shunt = "5 mΩ"', 'shunt = "4 mΩ"')


@pytest.fixture
def three_runs(livesense: Callable[..., Any], tmp_path: Path) -> Path:
    book = tmp_path / "livesense.db"
    write_export_run(book, started_s=STARTED_S, events=2)
    write_export_run(book, OTHER, started_s=STARTED_S + DAY_S, bench_name="spare", shift=3)
    write_export_run(book, started_s=STARTED_S + 3 * DAY_S, shift=5, events=1)
    return book


@pytest.fixture
def dataset(three_runs: Path, livesense: Callable[..., Any], tmp_path: Path) -> Path:
    answer = livesense("export", "--format", "dataset", tmp_path / "ds", "--json")
    assert answer.code == 0, answer.err
    return tmp_path / "ds"
