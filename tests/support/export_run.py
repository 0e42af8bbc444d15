"""A run with all that an export has to keep: two groups, lost scans, a restart, floats that are none."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, Event, Gap, GapCause, GroupInfo, Restart, ScanBlock, SegmentStart

RATE_HZ = 20_000.0
LOST = range(3_000, 3_040)
RESTART = 7_000
SCANS = 9_000
SLOW = 90
STARTED_S = 1_700_000_000.25

BENCH = """
[bench]
name = "coolant pump, 24 V"
[adc]
bits = 12
reference = "3.3 V"
[[channel]]
name = "iu"
phase = "U"
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = 20
reference = "mid-supply"
[[channel]]
name = "iv"
phase = "V"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "mid-supply"
delay = "0.5 us"
[[channel]]
name = "iw"
phase = "W"
sensor = "computed"
from = ["iu", "iv"]
[[channel]]
name = "t_sink"
sensor = "direct"
unit = "°C"
"""


def codes() -> np.ndarray:
    """Of iu and iv, ``(SCANS, 2)``, lost ones too."""
    at = np.arange(SCANS)[:, None]
    noise = np.random.default_rng(5).integers(-2, 3, (SCANS, 2))
    return (2048 + 900 * np.sin(at / 31 + np.array([0.0, 2.1])) + noise).astype("<u2")


def amperes() -> np.ndarray:
    """What they mean: q = Vref / (2^n · G · R) per code from mid-supply on; iw is minus the sum."""
    measured = (codes().astype(float) - 2048) * (3.3 / (4096 * 20 * 0.005))
    return np.column_stack([measured, -measured.sum(axis=1)])


def stored() -> np.ndarray:
    """Indices of the scans that are there."""
    return np.array([scan for scan in range(SCANS) if scan not in LOST])


def temperatures() -> np.ndarray:
    """Floats of a device, one of them not a number."""
    found = np.linspace(25, 30, SLOW, dtype="<f4")
    found[7] = np.nan
    return found


def write_export_run(
    path: Path, bench: str = BENCH, *, started_s: float = STARTED_S, bench_name: str = "coolant pump, 24 V",
    shift: int = 0, events: int = 0,
) -> None:  # fmt: skip
    """Record it; ``shift`` moves all codes, so that runs differ."""
    fast = codes() + np.uint16(shift)
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="exported", bench_name=bench_name, bench_text=bench, bench_path="pump.toml",
            version="0.1", port="file:x", wire="framed", started_wall_s=started_s,
        )  # fmt: skip
        run.add_groups(
            [
                GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv")),
                GroupInfo(200.0, CodeType.F32, None, ("t_sink",)),
            ]
        )
        for first, stop in ((0, LOST.start), (LOST.stop, RESTART), (RESTART, SCANS)):
            run.append(ScanBlock(0, first, fast[first:stop]))
        run.gap(Gap(0, LOST.start, len(LOST), GapCause.WIRE), STARTED_S)
        run.restart(Restart(0, RESTART, RESTART - 1, 0), STARTED_S)
        run.segment(SegmentStart(0, 0, 0.0, RATE_HZ))
        # The device was away for a moment: the new segment begins later than its scans alone tell.
        run.segment(SegmentStart(0, RESTART, 0.5, RATE_HZ))
        run.append(ScanBlock(1, 0, temperatures()[:, None]))
        run.segment(SegmentStart(1, 0, 0.0, 200.0))
        for number in range(events):
            first = 500 * number
            run.open_event(
                Event(
                    "overcurrent",
                    "iu",
                    0,
                    0,
                    first,
                    first + 9,
                    13.0,
                    first,
                    False,
                    12.0,
                    "A",
                    "iu beyond 12 A",
                )
            )
        run.finish("closed", STARTED_S + 1)


def times() -> np.ndarray:
    """Seconds of the stored scans."""
    scans = stored()
    return np.where(scans < RESTART, scans / RATE_HZ, 0.5 + (scans - RESTART) / RATE_HZ)
