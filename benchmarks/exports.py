"""Memory and time of exports, by the size of the run: ``python benchmarks/exports.py --samples 1e8 1e7``.

Each format is written by a process of its own, whose peak of resident memory is read at its end. What has to
hold: the peak of the longest run is that of the shortest, whatever the absolute figures.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from livesense.export.run_export import Format
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock, SegmentStart

RATE_HZ = 20_000.0
CHANNELS = ("iu", "iv", "iw", "vbus")
PIECE = 500_000

BENCH = '[bench]\nname = "coolant pump, 24 V"\n[adc]\nbits = 12\nreference = "3.3 V"\n' + "".join(
    f'[[channel]]\nname = "{name}"\nphase = "{phase}"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\n'
    'reference = "mid-supply"\n'
    for name, phase in zip(CHANNELS, ("U", "V", "W", "none"), strict=True)
)

MEASURED = """
import json, resource, sys, time
from pathlib import Path
from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook
began = time.monotonic()
with Logbook(sys.argv[1]) as book:
    if sys.argv[3] == "dataset":
        from livesense.archive.writing import write_dataset
        rows = write_dataset(book, None, sys.argv[2])["rows"]
    else:
        from livesense.export.run_export import Format, export_run
        rows = export_run(RunAnalysis(book, 1), Path(sys.argv[2]), Format(sys.argv[3]))["rows"]
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps([rows, time.monotonic() - began, peak / 1024]))
"""


def write_run(path: Path, scans: int, started_s: float = 1.772e9) -> None:
    """A run of sines with noise, in a logbook."""
    at = np.arange(PIECE)[:, None]
    noise = np.random.default_rng(1).normal(0, 1.5, (PIECE, 4))
    wave = 2048 + 740 * np.sin(at * 2 * np.pi * 250 / RATE_HZ - np.arange(4) * 2 * np.pi / 3) + noise
    codes = np.round(wave).astype("<u2")
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="", bench_name="coolant pump, 24 V", bench_text=BENCH, bench_path="", version="0", port="",
            wire="framed", started_wall_s=started_s,
        )  # fmt: skip
        run.add_groups([GroupInfo(RATE_HZ, CodeType.U16, 12, CHANNELS)])
        run.segment(SegmentStart(0, 0, 0.0, RATE_HZ))
        for first in range(0, scans, PIECE):
            run.append(ScanBlock(0, first, codes[: min(PIECE, scans - first)]))
            run.merge(force=True)
        run.finish("closed", started_s + scans / RATE_HZ)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=float, nargs="+", default=[1e7, 1e8])
    parser.add_argument("--formats", nargs="+", default=[*Format, "dataset"])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for samples in args.samples:
            book = Path(folder) / "run.db"
            began = time.monotonic()
            write_run(book, int(samples) // len(CHANNELS))
            size = book.stat().st_size / 1e6
            print(
                f"{samples:.0e} samples: logbook of {size:.0f} MB in {time.monotonic() - began:.0f} s",
                flush=True,
            )
            for form in args.formats:
                out = Path(folder) / "out"
                out.mkdir()
                suffix = "" if form == "dataset" else Format(form).suffix
                printed = subprocess.run(
                    [sys.executable, "-c", MEASURED, str(book), str(out / f"x{suffix}"), str(form)],
                    capture_output=True, check=True, text=True,
                ).stdout  # fmt: skip
                rows, seconds, peak = json.loads(printed)
                written = sum(path.stat().st_size for path in out.rglob("*") if path.is_file()) / 1e6
                rate = rows * len(CHANNELS) / seconds / 1e6
                speed = f"{seconds:6.1f} s  {rate:5.1f} M samples/s"
                print(f"  {form:9} {speed}  {written:7.0f} MB  peak {peak:4.0f} MB", flush=True)
                subprocess.run(
                    [sys.executable, "-c", f"import shutil; shutil.rmtree({str(out)!r})"], check=True
                )
            for path in Path(folder).glob("run.db*"):
                path.unlink()


if __name__ == "__main__":
    main()
