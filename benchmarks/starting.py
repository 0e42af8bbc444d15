"""Figure 9: how long a command takes to answer."""

from __future__ import annotations

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


def seconds(command: list[str], folder: Path) -> list[float]:
    times = []
    for _ in range(PASSES):
        began = time.perf_counter()
        subprocess.run(command, cwd=folder, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - began)
    return sorted(times)


def measure(report: Report) -> None:
    """Add figure 9: the fastest of nine, beside a Python that does nothing; the median is told as well."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with LogbookWriter(folder / "livesense.db") as writer:
            for _ in range(200):
                start(writer, 20000.0).finish("time", 1.0)
        nothing = seconds([sys.executable, "-c", "pass"], folder)[0]
        for what, words, most in (("--help", ["--help"], 0.2), ("runs, of 200", ["runs"], 0.5)):
            times = seconds([sys.executable, "-m", "livesense.cli.main", *words], folder)
            name = f"livesense {what}: the fastest of {PASSES} (median {statistics.median(times):.2f} s)"
            report.add(
                9, name, times[0], "s", "python -c pass", nothing, times[0] / nothing,
                f"≤ {most:g} s", times[0] <= most,
            )  # fmt: skip


if __name__ == "__main__":
    measure(Report())
