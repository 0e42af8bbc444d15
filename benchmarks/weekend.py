"""Figure 8: three days at 10 kS/s x 4, written at speed: ``python benchmarks/weekend.py --hours 72``.

The logbook's writer takes the scans as a recorder hands them over, a commit for every 65536; wire
and watches are not in it. Memory is looked at while it writes; then the file is opened, listed and
drawn, by a process of its own.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from pump import CHANNELS, write_run
from table import Report, median_ms

from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook

RATE_HZ = 10_000
REPEATS = 3
"""Each window is drawn so often and the fastest counts, as for figure 5."""


def resident_mb() -> float:
    """Memory of this process now; where the system does not tell, the most it ever was."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return pages * resource.getpagesize() / 1e6


def write(path: Path, hours: float) -> dict[str, float]:
    scans = int(hours * 3600 * RATE_HZ)
    memory: list[float] = []
    spent_s, cpu_s = write_run(path, scans, RATE_HZ, "weekend", lambda: memory.append(resident_mb()))
    tenth = max(1, len(memory) // 10)
    return {
        "seconds": spent_s,
        "cpu_s": cpu_s,
        "times_real_time": hours * 3600 / spent_s,
        "memory_after_a_tenth_mb": float(np.median(memory[tenth : 2 * tenth])),
        "memory_at_the_end_mb": float(np.median(memory[-tenth:])),
        "bytes": path.stat().st_size,
        "bytes_per_sample": path.stat().st_size / (scans * len(CHANNELS)),
    }


def look(path: Path) -> dict[str, float]:
    began = time.perf_counter()
    with Logbook(path) as book:
        analysis = RunAnalysis(book, "last")
        end_s = analysis.extent_s()[1]
        opened_s = time.perf_counter() - began
        began = time.perf_counter()
        book.runs()
        listed_s = time.perf_counter() - began
        began = time.perf_counter()
        analysis.envelope("iu", 0.0, end_s, 2000)
        first_s = time.perf_counter() - began
        rng = np.random.default_rng(1)
        zooms, raws, cpu = [], [], []
        for _ in range(60):
            span = float(np.exp(rng.uniform(np.log(60.0), np.log(end_s))))
            begin = float(rng.uniform(0, end_s - span))
            tries = []
            for _ in range(REPEATS):
                before, before_cpu = time.perf_counter(), time.process_time()
                analysis.envelope("iu", begin, begin + span, 2000)
                tries.append((time.perf_counter() - before, time.process_time() - before_cpu))
            zooms.append(min(wall for wall, _ in tries))
            cpu.append(min(own for _, own in tries))
            before = time.perf_counter()
            analysis.window(begin, begin + 1.0, ["iu"])
            raws.append(time.perf_counter() - before)
    return {
        "open_ms": 1e3 * opened_s,
        "list_ms": 1e3 * listed_s,
        "first_overview_ms": 1e3 * first_s,
        "zoom_p50_ms": median_ms(zooms),
        "zoom_cpu_p50_ms": median_ms(cpu),
        "raw_second_p50_ms": median_ms(raws),
    }


def in_a_process(*arguments: object) -> dict[str, Any]:
    """Run a step of this file by itself: memory and caches are then its own."""
    command = [sys.executable, str(Path(__file__).absolute()), *map(str, arguments)]
    answer = subprocess.run(command, stdout=subprocess.PIPE, check=True, text=True)
    found = json.loads(answer.stdout)
    assert isinstance(found, dict)
    return found


def measure(report: Report, place: Path, hours: float) -> None:
    """Add figure 8."""
    path = place / "weekend.db"
    wrote = in_a_process("--write", path, "--hours", hours)
    name = f"{hours:g} h at 10 kS/s x 4"
    report.add(8, f"{name}: written in", wrote["seconds"], "s", f"{wrote['times_real_time']:.0f} x real time")
    grown = wrote["memory_at_the_end_mb"] / wrote["memory_after_a_tenth_mb"]
    report.add(
        8, f"{name}: memory at the end", wrote["memory_at_the_end_mb"], "MB", "after a tenth of it",
        wrote["memory_after_a_tenth_mb"], grown, "flat (≤ 1.1)", grown <= 1.1,
    )  # fmt: skip
    report.add(
        8,
        f"{name}: size of the file",
        wrote["bytes"] / 1e9,
        "GB",
        f"{wrote['bytes_per_sample']:.3f} B a sample",
    )
    looked = in_a_process("--look", path)
    report.add(8, f"{name}: to open it", looked["open_ms"], "ms")
    report.add(8, f"{name}: to list the runs", looked["list_ms"], "ms")
    report.add(8, f"{name}: the first picture of all of it", looked["first_overview_ms"], "ms")
    report.add(
        8, f"{name}: 2000 buckets of any stretch, p50", looked["zoom_p50_ms"], "ms", "its processor time",
        looked["zoom_cpu_p50_ms"],
    )  # fmt: skip
    report.add(8, f"{name}: 1 s of raw values, p50", looked["raw_second_p50_ms"], "ms")
    path.unlink()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--look", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.write:
        print(json.dumps(write(arguments.write, arguments.hours)))
    elif arguments.look:
        print(json.dumps(look(arguments.look)))
    else:
        with tempfile.TemporaryDirectory(dir=arguments.folder) as folder:
            measure(Report(), Path(folder), arguments.hours)


if __name__ == "__main__":
    main()
