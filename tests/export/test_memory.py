"""However long the run, an export takes the same memory."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from export_run import BENCH

from livesense.export.run_export import Format
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock, SegmentStart

PIECE = 200_000
ALLOWED_KB = 48 << 10
"""Caches and allocators wander by some megabytes; the longer run is 115 MB more as floats."""

MEASURED = """
import json, resource, sys
from pathlib import Path
from livesense.analysis import RunAnalysis
from livesense.export.run_export import Format, export_run
from livesense.logbook.reader import Logbook
with Logbook(sys.argv[1]) as book:
    done = export_run(RunAnalysis(book, 1), Path(sys.argv[2]), Format(sys.argv[3]))
print(json.dumps([done["rows"], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss]))
"""


def write_long(path: Path, pieces: int) -> None:
    at = np.arange(PIECE)[:, None]
    codes = (2048 + 900 * np.sin(at / 31 + np.array([0.0, 2.1, 4.2]))).astype("<u2")
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="", bench_name="x", bench_text=BENCH, bench_path="", version="0", port="", wire="framed",
            started_wall_s=1.7e9,
        )  # fmt: skip
        run.add_groups([GroupInfo(20000.0, CodeType.U16, 12, ("iu", "iv", "t_sink"))])
        run.segment(SegmentStart(0, 0, 0.0, 20000.0))
        for piece in range(pieces):
            run.append(ScanBlock(0, piece * PIECE, codes))
            run.merge(force=True)
        run.finish("closed", 1.7e9)


@pytest.fixture(scope="module")
def logbooks(tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    pytest.importorskip("resource", reason="this system does not tell the memory of a process")
    folder = tmp_path_factory.mktemp("long")
    found = {}
    for pieces in (4, 16):
        found[pieces] = folder / f"{pieces}.db"
        write_long(found[pieces], pieces)
    return found


@pytest.mark.slow
@pytest.mark.parametrize("form", list(Format))
def test_four_times_the_scans_take_the_same_memory(
    logbooks: dict[int, Path], tmp_path: Path, form: Format
) -> None:
    peaks = {}
    for pieces, path in logbooks.items():
        out = tmp_path / f"{pieces}{form.suffix}"
        printed = subprocess.run(
            [sys.executable, "-c", MEASURED, str(path), str(out), str(form)],
            capture_output=True, check=True, text=True,
        ).stdout  # fmt: skip
        rows, peaks[pieces] = json.loads(printed)
        assert rows == pieces * PIECE
    assert peaks[16] - peaks[4] < ALLOWED_KB
