"""What the logbook costs: time of a commit, bytes a sample, time of a zoom.

    python benchmarks/logbook.py             # about 20 s
    python benchmarks/logbook.py --long      # adds a run of 1e8 scans, some minutes

The signal: three phase currents and a bus voltage of 12 bit with 1.5 LSB of noise, the
currents at 150 Hz with a little switching ripple. Figures go to stdout, one a line.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from livesense.logbook import group_writer
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter, RunWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock

CHANNELS = ("iu", "iv", "iw", "vbus")


def signal(count: int, rate_hz: float, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    time_s = np.arange(count) / rate_hz
    angle = 2 * np.pi * 150 * time_s[:, None] - np.array([0, 1, 2]) * 2 * np.pi / 3
    ripple = 12 * np.sin(2 * np.pi * 0.37 * rate_hz * time_s)[:, None]
    analogue = np.column_stack([2048 + 800 * np.sin(angle) + ripple, np.full(count, 2900.0)])
    return np.clip(np.rint(analogue + rng.normal(0, 1.5, analogue.shape)), 0, 4095).astype("<u2")


def start(writer: LogbookWriter, rate_hz: float, channels: tuple[str, ...] = CHANNELS) -> RunWriter:
    run = writer.start_run(
        name="benchmark",
        bench_name="benchmark",
        bench_text="",
        bench_path="",
        version="",
        port="",
        wire="framed",
        started_wall_s=time.time(),
    )
    run.add_groups([GroupInfo(rate_hz, CodeType.U12, 12, channels)])
    return run


def say(what: str, value: float, unit: str) -> None:
    print(f"{what:<58} {value:10.3f} {unit}", flush=True)


def spread(what: str, seconds: list[float]) -> None:
    ordered = sorted(seconds)
    for name, at in (("p50", 0.5), ("p95", 0.95)):
        say(f"{what}, {name}", 1e3 * ordered[int(at * (len(ordered) - 1))], "ms")
    say(f"{what}, worst", 1e3 * ordered[-1], "ms")


def live(place: Path, rate_hz: float, seconds: float) -> None:
    """Record in real time, a commit each 50 ms, with a reader that looks 30 times a second's worth."""
    path = place / f"live{rate_hz:g}.db"
    codes = signal(int(rate_hz * seconds), rate_hz)
    step = int(rate_hz * 0.05)
    commits: list[float] = []
    looks: list[float] = []
    with LogbookWriter(path) as writer:
        run = start(writer, rate_hz)
        run.commit()
        with Logbook(path) as book:
            reader = book.run(1)
            begun = time.perf_counter()
            spent = 0.0
            for number, at in enumerate(range(0, len(codes) - step, step)):
                time.sleep(max(0.0, begun + number * 0.05 - time.perf_counter()))
                before, cpu = time.perf_counter(), time.process_time()
                run.append(ScanBlock(0, at, codes[at : at + step]))
                run.commit()
                commits.append(time.perf_counter() - before)
                spent += time.process_time() - cpu
                before = time.perf_counter()
                reader.latest(0, int(rate_hz * 0.2))
                looks.append(time.perf_counter() - before)
            elapsed = time.perf_counter() - begun
        run.finish("time", time.time())
    label = f"{rate_hz / 1000:g} kS/s x 4"
    spread(f"{label}: commit", commits)
    say(f"{label}: share of a core for writing", 100 * spent / elapsed, "%")
    spread(f"{label}: latest 200 ms", looks)


def size(place: Path, rate_hz: float, seconds: float) -> None:
    """Bytes a sample when merged each second, as a recorder does."""
    path = place / f"size{rate_hz:g}.db"
    codes = signal(int(rate_hz * seconds), rate_hz)
    step = int(rate_hz)
    with LogbookWriter(path) as writer:
        run = start(writer, rate_hz)
        run.commit()
        writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
        empty = path.stat().st_size
        for at in range(0, len(codes), step):
            run.append(ScanBlock(0, at, codes[at : at + step]))
            run.merge(force=True)
        run.finish("time", time.time())
        with Logbook(path) as book:
            for name, table in (("FLAC blocks", "block"), ("pyramid", "pyramid")):
                ((held,),) = book.select(f"SELECT sum(length(data)) FROM {table}")
                say(f"{rate_hz / 1000:g} kS/s: {name}", held / codes.size, "bytes a sample")
    grown = path.stat().st_size - empty
    say(f"{rate_hz / 1000:g} kS/s: growth of the file", grown / codes.size, "bytes a sample")
    say("an empty logbook", empty / 1000, "kB")


def zoom(place: Path, scans: int) -> None:
    """Envelope of 2000 buckets over windows of any length, on one channel."""
    path = place / f"zoom{scans}.db"
    codes = signal(1 << 20, 20000.0)[:, :1]
    with LogbookWriter(path) as writer:
        run = start(writer, 20000.0, ("iu",))
        before = time.perf_counter()
        for at in range(0, scans, len(codes)):
            run.append(ScanBlock(0, at, codes[: scans - at]))
            run.commit()
        say(
            f"{scans:.0e} scans: written as fast as it goes",
            scans / (time.perf_counter() - before) / 1e6,
            "MS/s",
        )
        # Not finished: the newest pages are missing, as they are while recording.
        with Logbook(path) as book:
            reader = book.run(1)
            for share in (1.0, 0.5, 0.05, 0.013):
                times = []
                for number in range(40):
                    span = int(scans * share)
                    first = (scans - span) * number // 40
                    before = time.perf_counter()
                    reader.envelope(0, "iu", first, first + span, 2000)
                    times.append(time.perf_counter() - before)
                say(
                    f"{scans:.0e} scans: 2000 buckets of {100 * share:g} %, p50",
                    1e3 * statistics.median(times),
                    "ms",
                )
                say(f"{scans:.0e} scans: 2000 buckets of {100 * share:g} %, worst", 1e3 * max(times), "ms")
            before = time.perf_counter()
            stored = reader.scans_stored(0)
            say(f"{scans:.0e} scans: counting them", 1e3 * (time.perf_counter() - before), "ms")
            assert stored == scans


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--long", action="store_true", help="also 1e8 scans")
    parser.add_argument("--folder", help="where to write (default: the system's place for temporary files)")
    arguments = parser.parse_args()
    print(f"merge every {group_writer.MERGE_S:g} s")
    with tempfile.TemporaryDirectory(dir=arguments.folder, ignore_cleanup_errors=True) as folder:
        place = Path(folder)
        for rate_hz in (20000.0, 50000.0):
            live(place, rate_hz, 5.0)
            size(place, rate_hz, 60.0)
        zoom(place, 10**7)
        if arguments.long:
            zoom(place, 10**8)


if __name__ == "__main__":
    main()
