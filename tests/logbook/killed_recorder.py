"""A recorder to be killed: writes as fast as it can and says what it has committed.

Run as ``python killed_recorder.py LOGBOOK [SECONDS]``; with seconds, raw scans older than
those are dropped. Codes follow from the scan index alone, so that whoever reads them can tell
whether they are right.
"""

from __future__ import annotations

import sys

import numpy as np

from livesense.logbook import retention
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, Event, FaultKind, Gap, GapCause, GroupInfo, LinkFault, ScanBlock


def codes_at(first: int, count: int) -> np.ndarray:
    index = np.arange(first, first + count, dtype=np.int64)
    return np.column_stack([index * 7 % 4096, index * 131 % 4093, index // 4096 % 4096]).astype("<u2")


def record(path: str, raw_s: float | None = None) -> None:
    writer = LogbookWriter(path)
    run = writer.start_run(
        name="to be killed",
        bench_name="b",
        bench_text="",
        bench_path="",
        version="0",
        port="",
        wire="framed",
        started_wall_s=1.0,
    )
    if raw_s is not None:
        # At each commit: most kills then fall into it.
        retention.STEP_S = 0.0
        run.retain(retention.Keeping(raw_s, None, 0.05, 60.0))
    run.add_groups([GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv", "iw"))])
    at = number = 0
    while True:
        run.append(ScanBlock(0, at, codes_at(at, 1000)))
        at += 1000
        if number % 50 == 49:
            run.gap(Gap(0, at, 10, GapCause.WIRE))
            run.fault(LinkFault(FaultKind.CRC), 5.0)
            at += 10
        if raw_s is not None and number % 97 == 0:
            run.open_event(
                Event("overcurrent", "iu", 0, 0, at - 900, at - 800, 1.0, at - 850, False, 1.0, "A", "x")
            )
        run.merge(force=number % 7 == 6)
        if raw_s is not None:
            run.commit()
        number += 1
        print(at, flush=True)


if __name__ == "__main__":
    record(sys.argv[1], float(sys.argv[2]) if len(sys.argv) > 2 else None)
