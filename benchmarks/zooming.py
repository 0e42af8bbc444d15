"""Figure 5: a picture of any stretch of a long run, in amperes: ``python benchmarks/zooming.py``."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

import numpy as np
from pump import BENCH, codes
from table import Report, median_ms

from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock

RATE_HZ = 20_000.0
BUCKETS = 2000
WINDOWS = 60
REPEATS = 3
"""Each window is drawn so often and the fastest counts, because the machine does other things as well."""


def written(path: Path, scans: int) -> float:
    """Write a run of one current as fast as it goes; returns samples a second."""
    sent = codes(1 << 20)[:, :1]
    # A bench file's other channels must be there: groups are checked against it.
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="", bench_name="benchmark", bench_text=ONE, bench_path="", version="", port="",
            wire="framed", started_wall_s=time.time(),
        )  # fmt: skip
        run.add_groups([GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu",))])
        began = time.perf_counter()
        for at in range(0, scans, len(sent)):
            run.append(ScanBlock(0, at, sent[: scans - at]))
            run.commit()
        spent_s = time.perf_counter() - began
        run.finish("time", time.time())
    return scans / spent_s


ONE = BENCH.partition('[[channel]]\nname = "iv"')[0]
"""The pump's first phase alone."""


def looked_at(path: Path) -> tuple[float, float, float, float]:
    """Milliseconds: a picture of any stretch, a raw second, the first's processor time, all of it."""
    rng = np.random.default_rng(7)
    with Logbook(path) as book:
        analysis = RunAnalysis(book, "last")
        _, end_s = analysis.extent_s()
        # From a sixtieth of the run to all of it, each length as likely as twice that: so the
        # levels of the pyramid are met alike, whatever the run's length.
        spans = end_s * np.exp(rng.uniform(np.log(1 / 60), 0.0, WINDOWS))
        begins = rng.uniform(0, 1, WINDOWS) * (end_s - spans)
        whole, zooms, cpu = [], [], []
        for _ in range(2 * REPEATS):
            before = time.perf_counter()
            analysis.envelope("iu", 0.0, end_s, BUCKETS)
            whole.append(time.perf_counter() - before)
        for begin, span in zip(begins, spans, strict=True):
            tries = []
            for _ in range(REPEATS):
                before, before_cpu = time.perf_counter(), time.process_time()
                band = analysis.envelope("iu", begin, begin + span, BUCKETS)
                tries.append((time.perf_counter() - before, time.process_time() - before_cpu))
            assert np.isfinite(band.low).all()
            zooms.append(min(wall for wall, _ in tries))
            cpu.append(min(own for _, own in tries))
        raw = []
        for begin in begins:
            # Not twice the same: a block that was just decoded is kept.
            before = time.perf_counter()
            (window,) = analysis.window(begin, begin + 1.0, ["iu"])
            raw.append(time.perf_counter() - before)
            assert len(window.time_s) > 0.9 * RATE_HZ
    return median_ms(zooms), median_ms(raw), median_ms(cpu), 1e3 * min(whole)


def measure(report: Report, place: Path, sizes: tuple[int, ...], *, keep: bool = False) -> None:
    """Add figure 5 for runs of some lengths; the growth is from the first to each of the others."""
    first: dict[str, float] = {}
    for scans in sizes:
        path = place / f"zoom{scans:.0e}.db"
        speed = written(path, scans)
        report.add(5, f"{scans:.0e} samples written at", speed / 1e6, "MS/s")
        zoom, raw, cpu, whole = looked_at(path)
        pictures = {"any stretch, p50": zoom, "all of it": whole}
        for what, took in pictures.items():
            name = f"{scans:.0e} samples: {BUCKETS} buckets of {what}"
            beside = ("its processor time", cpu) if what != "all of it" else ("", None)
            report.add(5, name, took, "ms", *beside, target="≤ 5 ms", met=took <= 5)
            if first:
                ratio = took / first[what]
                name = f"growth of that from {sizes[0]:.0e} to {scans:.0e}"
                report.add(5, name, ratio, "", target="≤ 1.2", met=ratio <= 1.2)
        first = first or pictures
        report.add(
            5, f"{scans:.0e} samples: 1 s of raw values, p50", raw, "ms", target="≤ 15 ms", met=raw <= 15
        )
        if not keep:
            path.unlink()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scans", type=float, nargs="+", default=[1e7])
    parser.add_argument("--folder", type=Path, default=Path("."))
    parser.add_argument("--keep", action="store_true", help="leave the logbooks there")
    arguments = parser.parse_args()
    measure(Report(), arguments.folder, tuple(map(int, arguments.scans)), keep=arguments.keep)


if __name__ == "__main__":
    main()
