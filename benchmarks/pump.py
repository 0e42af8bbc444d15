"""What the benchmarks record: the tests' own coolant pump, with a bus voltage and a watch."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock
from livesense.wire.encode import description_packet, encode_frame

sys.path.append(str(Path(__file__).parents[1] / "tests" / "support"))

from plain_device import bench_text

STEP = 65536
"""Scans of a commit where a run is written as fast as it goes."""

CHANNELS = ("iu", "iv", "iw", "vbus")
RATE_HZ = 20_000
PER_PACKET = 40

BENCH = bench_text(
    more="""
[[channel]]
name = "vbus"
phase = "bus"
sensor = "divider"
ratio = 11
[[watch]]
kind = "overcurrent"
channels = ["iu", "iv", "iw"]
limit = "12 A"
"""
)


def codes(count: int, rate_hz: float = RATE_HZ) -> np.ndarray:
    """Three currents at 150 Hz with a little ripple, a bus voltage, noise of 1.5 LSB: ``(n, 4)``."""
    rng = np.random.default_rng(1)
    time_s = np.arange(count) / rate_hz
    angle = 2 * np.pi * 150 * time_s[:, None] - np.array([0, 1, 2]) * 2 * np.pi / 3
    ripple = 12 * np.sin(2 * np.pi * 0.37 * rate_hz * time_s)[:, None]
    analogue = np.column_stack([2048 + 800 * np.sin(angle) + ripple, np.full(count, 2900.0)])
    return np.clip(np.rint(analogue + rng.normal(0, 1.5, analogue.shape)), 0, 4095).astype("<u2")


def description(rate_hz: float = RATE_HZ) -> bytes:
    """Give the frame in which the device says what it sends."""
    return encode_frame(
        description_packet([GroupInfo(rate_hz, CodeType.U16, 12, CHANNELS)], device="benchmark", boot=1)
    )


def write_run(
    path: Path, scans: int, rate_hz: float, name: str, committed: Callable[[], None] = lambda: None
) -> tuple[float, float]:
    """Write a run of the four channels as fast as it goes; gives seconds, and those of the processor.

    ``committed`` is called after each commit.
    """
    sent = codes(16 * STEP, rate_hz)
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name=name, bench_name="benchmark", bench_text=BENCH, bench_path="", version="", port="",
            wire="framed", started_wall_s=time.time(),
        )  # fmt: skip
        run.add_groups([GroupInfo(rate_hz, CodeType.U16, 12, CHANNELS)])
        began, cpu = time.perf_counter(), time.process_time()
        for number, at in enumerate(range(0, scans, STEP)):
            begin = number % 16 * STEP
            run.append(ScanBlock(0, at, sent[begin : begin + min(STEP, scans - at)]))
            run.commit()
            committed()
        run.finish("time", time.time())
        return time.perf_counter() - began, time.process_time() - cpu
