"""All nine figures in one table: ``python benchmarks/all.py [--long] [--only 5 8] [--json FILE]``.

Ratios are to the alternative that each row names, measured in the same run. Before each figure and at the
end a fixed loop of work is timed: where it took longer than its best, something else used the machine, and
times beside it are too long by about as much. How to read the table: docs/performance.md. No test asserts it.

``--long`` takes 1e9 samples for figure 5 and three days for figure 8, an hour or less and 10 GB of disk.
"""

from __future__ import annotations

import os

# As the commands have it, before numpy is loaded: several threads spin, and processor time counts all.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import compressing
import decoding
import measuring
import recording
import starting
import weekend
import zooming
from table import Report, markdown

FIGURES = {
    1: "framed decoding", 2: "text decoding", 3: "size", 4: "recording", 5: "zoom", 6: "measures",
    7: "live page", 8: "a long weekend", 9: "start-up",
}  # fmt: skip


def live_page(report: Report, seconds: float) -> None:
    """Add figure 7, where there is a browser to look with."""
    if shutil.which("chromium") is None:
        print("    figure 7 needs a Chromium: left out here")
        return
    found = by_script("live_page.py", "--seconds", str(seconds), "--naive")
    if found is None:
        return
    for name in ("steady", "running"):
        facts, naive = found[name], found["naive"]["pictures_per_s"]
        speed, p95 = facts["pictures_per_s"], facts["sample_to_paint_ms_p95"]
        report.add(
            7, f"live page, {name} picture", speed, "frames/s", "a whole figure each time",
            naive, speed / naive if naive >= 0.5 else None, "≥ 25", speed >= 25,
        )  # fmt: skip
        report.add(7, f"live page, {name}: sample to paint, p50", facts["sample_to_paint_ms_p50"], "ms")
        report.add(
            7, f"live page, {name}: sample to paint, p95", p95, "ms", target="≤ 150 ms", met=p95 <= 150
        )
        report.add(7, f"live page, {name}: the page's server", facts["server_core_percent"], "% of a core")


def by_script(name: str, *options: str) -> dict[str, Any] | None:
    """Run a benchmark as a process of its own and hand over what it told; None where it failed."""
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "told.json"
        done = subprocess.run(
            [sys.executable, str(Path(__file__).with_name(name)), *options, "--json", str(told)],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        if done.returncode or not told.exists():
            print(f"    {name} could not measure: {done.stderr.strip()[-300:]}")
            return None
        found: dict[str, Any] = json.loads(told.read_text(encoding="utf-8"))
        return found


def zooming_page(report: Report, scans: int) -> None:
    """Add to figure 7 how fast a run's screen zooms, where there is a browser."""
    if shutil.which("chromium") is None:
        return
    found = by_script("zoom_page.py", "--scans", str(scans), "--naive")
    if found is None:
        return
    naive = found["naive"]
    for name in ("key", "wheel", "outline", "moving", "all"):
        facts, of = found[name], f"zoom of {4 * scans:.0e} samples, {name}"
        beside = ("a whole figure each time", naive["ms_p50"]) if name == "all" else ("", None)
        ratio = facts["ms_p50"] / naive["ms_p50"] if name == "all" else None
        report.add(7, f"{of}: gesture to paint, p50", facts["ms_p50"], "ms", *beside, ratio)
        p95 = facts["ms_p95"]
        report.add(7, f"{of}: gesture to paint, p95", p95, "ms", target="≤ 150 ms", met=p95 <= 150)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", type=int, nargs="+", choices=list(FIGURES), default=list(FIGURES))
    parser.add_argument("--long", action="store_true", help="1e9 samples, and three days")
    parser.add_argument("--quick", action="store_true", help="less of everything: does it run?")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write everything there")
    parser.add_argument("--table", type=Path, metavar="FILE", help="write the table as Markdown there")
    parser.add_argument("--folder", type=Path, help="where logbooks are written")
    args = parser.parse_args()
    report = Report()
    with tempfile.TemporaryDirectory(dir=args.folder, ignore_cleanup_errors=True) as name:
        folder = Path(name)
        small = args.quick
        sizes = (10**6, 4 * 10**6) if small else (10**7, 10**8, 10**9) if args.long else (10**7, 10**8)
        steps = {
            1: lambda: decoding.framed(report, 1_000_000 if small else 8_000_000),
            2: lambda: decoding.text(report, 400_000 if small else 4_000_000),
            3: lambda: compressing.measure(report),
            4: lambda: recording.measure(report, 2.0 if small else 10.0, 10 if small else 100),
            5: lambda: zooming.measure(report, folder, sizes),
            6: lambda: measuring.measure(report),
            7: lambda: (
                live_page(report, 4.0 if small else 12.0),
                zooming_page(report, 10**6 if small else 25 * 10**6),
            ),
            8: lambda: weekend.measure(report, folder, 0.2 if small else 72.0 if args.long else 2.0),
            9: lambda: starting.measure(report),
        }
        for figure in sorted(set(args.only)):
            report.calibrate()
            print(f"\n{figure} {FIGURES[figure]} (the loop took {report.loops[-1]:.3f} s)")
            steps[figure]()
        report.calibrate()
    facts = report.as_json()
    loop = facts["calibration_s"]
    print(f"\ncalibration loop: best {loop['best']:.3f} s, median {loop['median']:.3f} s")
    facts |= {"python": platform.python_version(), "machine": platform.machine(), "system": platform.system()}
    facts |= {"at": time.strftime("%Y-%m-%d %H:%M")}
    if args.json:
        args.json.write_text(json.dumps(facts, indent=2) + "\n", encoding="utf-8")
    if args.table:
        args.table.write_text(markdown(report) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
