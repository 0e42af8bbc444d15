"""A recorder to be killed: writes as fast as it can and says what it has committed.

Run as ``python killed_recorder.py LOGBOOK``. Codes follow from the scan index alone, so
that whoever reads them can tell whether they are right.
"""

from __future__ import annotations

import sys

import numpy as np

from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, FaultKind, Gap, GapCause, GroupInfo, LinkFault, ScanBlock


def codes_at(first: int, count: int) -> np.ndarray:
    index = np.arange(first, first + count, dtype=np.int64)
    return np.column_stack([index * 7 % 4096, index * 131 % 4093, index // 4096 % 4096]).astype("<u2")


def record(path: str) -> None:
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
    run.add_groups([GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv", "iw"))])
    at = number = 0
    while True:
        run.append(ScanBlock(0, at, codes_at(at, 1000)))
        at += 1000
        if number % 50 == 49:
            run.gap(Gap(0, at, 10, GapCause.WIRE))
            run.fault(LinkFault(FaultKind.CRC), 5.0)
            at += 10
        run.merge(force=number % 7 == 6)
        number += 1
        print(at, flush=True)


if __name__ == "__main__":
    record(sys.argv[1])
