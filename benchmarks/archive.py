"""How questions to a dataset grow with workers: ``python benchmarks/archive.py --runs 12 --seconds 100``.

Compare the times of 1 and 2 workers within one call; absolute ones depend on what else the computer does.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from pathlib import Path

from exports import RATE_HZ, write_run

from livesense.archive.questions import Archive, Chosen
from livesense.archive.workers import Where, computing
from livesense.archive.writing import write_dataset
from livesense.logbook.reader import Logbook


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=100.0)
    parser.add_argument("--workers", type=int, nargs="+", default=[0, 1, 2])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        book, dataset = Path(folder) / "runs.db", Path(folder) / "ds"
        for number in range(args.runs):
            write_run(book, int(args.seconds * RATE_HZ), 1.772e9 + 86_400 * number)
        began = time.monotonic()
        with Logbook(book) as opened:
            write_dataset(opened, None, str(dataset))
        size = sum(path.stat().st_size for path in dataset.rglob("*") if path.is_file()) / 1e6
        samples = args.runs * args.seconds * RATE_HZ * 4 / 1e6
        took_s = time.monotonic() - began
        print(
            f"{args.runs} runs, {samples:.0f} M samples: dataset of {size:.0f} MB in {took_s:.0f} s",
            flush=True,
        )
        answers = set()
        for workers in args.workers:
            began = time.monotonic()
            with computing(Where(workers=workers)) as who:
                ready = time.monotonic()
                archive = Archive(str(dataset), Chosen(), who, lambda what, done, total: None)
                summary = archive.summary()
                summed = time.monotonic()
                trend = archive.trend("three_phase.unbalance_percent", 10.0)
                done = time.monotonic()
            answers.add(json.dumps([summary, trend]))
            times = f"start {ready - began:.1f} s, summary {summed - ready:.1f} s"
            windows = len(trend["points"])
            print(
                f"  {workers} workers: {times}, trend of {windows} windows {done - summed:.1f} s", flush=True
            )
        print("the same answers" if len(answers) == 1 else "THE ANSWERS DIFFER")


if __name__ == "__main__":
    main()
