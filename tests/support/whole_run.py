"""A run with a row in every table that belongs to runs, of several groups, blocks and pages."""

from __future__ import annotations

from typing import Any

import numpy as np

from livesense.logbook.rows import CalibrationRow, OutageRow, PointRow, RevisionRow, StageRow
from livesense.logbook.writer import LogbookWriter
from livesense.samples import (
    CodeType,
    Estimate,
    Event,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Restart,
    ScanBlock,
    SegmentStart,
)

SCANS = 60_000
LOST = 100
GROUPS = [
    GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv", "iw", "vbus")),
    GroupInfo(100.0, CodeType.I32, 24, ("t_sink", "t_motor"), clock="t_us"),
    GroupInfo(50.0, CodeType.F32, None, ("speed",)),
]


def fast_codes(first: int, count: int) -> np.ndarray[Any, Any]:
    index = np.arange(first, first + count)[:, None]
    noise = np.random.default_rng([7, first]).integers(-3, 4, (count, 4))
    return (2048 + 700 * np.sin(index / 21 + np.arange(4)) + noise).astype("<u2")


def slow_codes(count: int) -> np.ndarray[Any, Any]:
    return np.random.default_rng(8).integers(-(1 << 22), 1 << 22, (count, 2)).astype("<i4")


def event(first: int, last: int, peak: float = 14.0) -> Event:
    return Event("overcurrent", "iu", 0, 0, first, last, peak, first + 1, False, 12.0, "A", "iu beyond 12 A")


def calibration(kind: str = "zero", code: float = 2047.5, channel: str = "iu") -> CalibrationRow:
    return CalibrationRow(0, 5.0, kind, "coolant pump, 24 V", "", "pump 7", channel, code, 0.1, 500, "A")


def point(channel: str = "iu") -> PointRow:
    meter = (10.0, "A", 3279.0, 0.1, 500, "meter", 1e-3, 0.0, 0.0)
    return PointRow(0, 5.0, "coolant pump, 24 V", "", "pump 7", channel, *meter)


def write_run(writer: LogbookWriter, *, name: str = "whole", seed_calibrations: bool = True) -> int:
    """Record such a run, complete, with a revision; returns its number."""
    used = _calibrate(writer) if seed_calibrations else []
    run = begin(writer, name)
    if used:
        run.use_calibrations(used, 10.0, "0.1")
    for at in (0, 20_000, 40_000 + LOST):
        run.append(ScanBlock(0, at, fast_codes(at, 20_000)))
        run.merge(force=True)
    run.append(ScanBlock(1, 0, slow_codes(1200), np.arange(1200, dtype=np.int64) * 10_000))
    run.append(ScanBlock(2, 0, np.linspace(-1, 1, 900, dtype="<f4")[:, None]))
    run.gap(Gap(0, 40_000, LOST, GapCause.WIRE), 12.0)
    run.restart(Restart(0, 20_000, 19_999, 0), 11.0)
    run.segment(SegmentStart(0, 0, 0.0, 20000.0))
    run.segment(SegmentStart(0, 20_000, 1.0, 20000.0))
    run.fault(LinkFault("crc", 2), 12.0)
    run.note("booted", 10.5, 3)
    run.stage(StageRow(0, 13.5, "zero-off", "passed", 0.5, 2.5, "All rest.", {"checks": []}))
    run.outage(OutageRow(13.0, 14.0, "unplugged", 0))
    run.rate(0, 20000.0, Estimate(19999.0, 0.5, 0.1, "Hz"))
    run.open_event(event(500, 600))
    run.open_event(event(50_000, 50_020, -13.0))
    run.health(rate_hz=20000.0)
    groups = [
        {"group": 0, "scans_stored": SCANS, "scans_lost": LOST},
        {"group": 1, "scans_stored": 1200, "scans_lost": 0},
        {"group": 2, "scans_stored": 900, "scans_lost": 0},
    ]
    run.finish("time", 20.0, {"groups": groups})
    row = RevisionRow(
        0, 30.0, "4 mΩ were fitted", "Kim", "[bench]\n# other\n", "p.toml", tuple(used[:1]), "0.1", None
    )
    writer.add_revision(run.number, row, [event(500, 610)])
    return run.number


def begin(writer: LogbookWriter, name: str) -> Any:
    run = writer.start_run(
        name=name,
        bench_name="coolant pump, 24 V",
        bench_text="[bench]\n",
        bench_path="pump.toml",
        version="0.1",
        port="socket://localhost:1",
        wire="framed",
        started_wall_s=1_700_000_000.0,
    )
    run.describe('{"device": "pump 7"}')
    run.add_groups(GROUPS)
    return run


def _calibrate(writer: LogbookWriter) -> list[int]:
    writer.add_points([point(), point("iv")])
    zero = writer.add_calibrations([calibration()])
    return zero + writer.add_calibrations([calibration("scale", 2047.6)], {"iu": [1]})
