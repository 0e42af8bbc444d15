"""Figure 9: how long a command takes to answer."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from logbook import start
from table import Report

from livesense.logbook.writer import LogbookWriter

PASSES = 9


def seconds(command: list[str], folder: Path) -> tuple[list[float], float]:
    """Wall-clock times in order, and the least processor time."""
    times, own = [], []
    for _ in range(PASSES):
        began, before = time.perf_counter(), children_s()
        subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - began)
        own.append(children_s() - before)
    return sorted(times), min(own)


def children_s() -> float:
    spent = os.times()
    return spent.children_user + spent.children_system


def measure(report: Report) -> None:
    """Add figure 9: the fastest of nine, beside a Python that does nothing; the median is told as well."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with LogbookWriter(folder / "livesense.db") as writer:
            for _ in range(200):
                start(writer, 20000.0).finish("time", 1.0)
        (nothing, *_), _ = seconds([sys.executable, "-c", "pass"], folder)
        for what, words, most in (("--help", ["--help"], 0.2), ("runs, of 200", ["runs"], 0.5)):
            times, own = seconds([sys.executable, "-m", "livesense.cli.main", *words], folder)
            name = f"livesense {what}: the fastest of {PASSES} (median {statistics.median(times):.2f} s)"
            report.add(
                9, name, times[0], "s", "python -c pass", nothing, times[0] / nothing,
                f"≤ {most:g} s", times[0] <= most,
            )  # fmt: skip
            report.add(9, f"livesense {what}: processor time", own, "s")


if __name__ == "__main__":
    measure(Report())
