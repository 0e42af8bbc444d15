"""What the logbook costs: time of a commit, bytes a sample, time of a zoom, of a look at a long run.

    python benchmarks/logbook.py             # about two minutes
    python benchmarks/logbook.py --long      # adds a run of 1e8 scans, some minutes
    python benchmarks/logbook.py --only look

The signal: three phase currents and a bus voltage of 12 bit with 1.5 LSB of noise, the
currents at 150 Hz with a little switching ripple. Figures go to stdout, one a line.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from pump import BENCH, CHANNELS, RATE_HZ, codes

from livesense.logbook import codec, group_writer
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import OutageRow
from livesense.logbook.writer import LogbookWriter, RunWriter
from livesense.samples import (
    CodeType,
    Event,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    ScanBlock,
    SegmentStart,
)


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
    sent = codes(int(rate_hz * seconds), rate_hz)
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
            for number, at in enumerate(range(0, len(sent) - step, step)):
                time.sleep(max(0.0, begun + number * 0.05 - time.perf_counter()))
                before, cpu = time.perf_counter(), time.process_time()
                run.append(ScanBlock(0, at, sent[at : at + step]))
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
    sent = codes(int(rate_hz * seconds), rate_hz)
    step = int(rate_hz)
    with LogbookWriter(path) as writer:
        run = start(writer, rate_hz)
        run.commit()
        writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
        empty = path.stat().st_size
        for at in range(0, len(sent), step):
            run.append(ScanBlock(0, at, sent[at : at + step]))
            run.merge(force=True)
        run.finish("time", time.time())
        with Logbook(path) as book:
            for name, table in (("FLAC blocks", "block"), ("pyramid", "pyramid")):
                ((held,),) = book.select(f"SELECT sum(length(data)) FROM {table}")
                say(f"{rate_hz / 1000:g} kS/s: {name}", held / sent.size, "bytes a sample")
    grown = path.stat().st_size - empty
    say(f"{rate_hz / 1000:g} kS/s: growth of the file", grown / sent.size, "bytes a sample")
    say("an empty logbook", empty / 1000, "kB")


def zoom(place: Path, scans: int) -> None:
    """Envelope of 2000 buckets over windows of any length, on one channel."""
    path = place / f"zoom{scans}.db"
    sent = codes(1 << 20)[:, :1]
    with LogbookWriter(path) as writer:
        run = start(writer, 20000.0, ("iu",))
        before = time.perf_counter()
        for at in range(0, scans, len(sent)):
            run.append(ScanBlock(0, at, sent[: scans - at]))
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


HOURS_28 = 28 * 3600


def stood_for(path: Path, seconds: int) -> LogbookWriter:
    """Record a run that stands for so long at 20 kS/s x 4, with losses and events in proportion.

    The newest minute holds the signal. Before it the blocks hold one value each, which makes them
    small: their number, and that of all other rows, is what a long run has. 28 h get 50 000 gaps
    with as many faults, 5000 events, 500 restarts and outages, and a list of 2000 other runs.
    """
    share = seconds / HOURS_28
    writer = LogbookWriter(path)
    for _ in range(int(2000 * share)):
        other = start(writer, RATE_HZ)
        other.finish("time", time.time())
    run = start(writer, RATE_HZ)
    run.commit()
    writer.write([("UPDATE run SET bench_text = ? WHERE number = ?", (BENCH, run.number))])
    scans = seconds * RATE_HZ
    still = codec.encode(np.full(RATE_HZ, 2048, "<u2"))
    put = "INSERT INTO block (run, scan_group, position, first, scans, encoding, base, crc32, data)"
    rows = [
        (f"{put} VALUES (?, 0, ?, ?, ?, ?, ?, ?, ?)",
         (run.number, position, at, RATE_HZ, still.encoding, still.base, still.crc32, still.data))
        for at in range(0, scans - 60 * RATE_HZ, RATE_HZ)
        for position in range(4)
    ]  # fmt: skip
    writer.write(rows)
    for number in range(int(50_000 * share)):
        at = int(scans * number / (50_000 * share))
        run.gap(Gap(0, at, 3, GapCause.WIRE), 1.0)
        run.fault(LinkFault("crc", 2), time.time() - seconds + at / RATE_HZ)
    for number in range(int(5000 * share)):
        at = int(scans * number / (5000 * share))
        run.open_event(
            Event("overcurrent", "iu", 0, 0, at, at + 5, 14.0, at + 2, False, 12.0, "A", "", 0, False)
        )
    for number in range(int(500 * share)):
        at = int(scans * number / (500 * share))
        run.segment(SegmentStart(0, at, at / RATE_HZ, RATE_HZ))
        run.outage(OutageRow(float(at), at + 1.0, "gone"))
    newest = codes(60 * RATE_HZ)
    for at in range(0, len(newest), RATE_HZ):
        run.append(ScanBlock(0, scans - len(newest) + at, newest[at : at + RATE_HZ]))
        run.merge(force=at + RATE_HZ < len(newest))
    writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
    return writer


def look(place: Path, rounds: int = 40) -> None:
    """Time what the page reads of a run being recorded, twice a second, beside the same of a short run.

    The two are looked at in turn, by one process, so that the machine's moods fall on both alike.
    Also timed are one picture, and the list of all runs. A ratio near 1 says that length costs nothing.
    """
    from dashboard.live import Live
    from dashboard.pictures import View
    from dashboard.reading import Reading

    works: list[dict[str, Callable[[], object]]] = []
    writers, readings = [], []
    for name, seconds in (("short", 60), ("long", HOURS_28)):
        folder = place / name
        folder.mkdir()
        began = time.perf_counter()
        writers.append(stood_for(folder / "x.db", seconds))
        say(f"a run that stands for {seconds} s: made in", time.perf_counter() - began, "s")
        reading = Reading(folder / "x.db")
        readings.append(reading)
        live = Live(reading, 1000.0)
        # The thread that makes the facts is left out: its waits are not what is measured.
        setup: dict[str, Any] = {}

        def facts(live: Live = live, setup: dict[str, Any] = setup) -> None:
            live._measured_scans, live._measure_next = -1, float("-inf")
            live._new_facts(time.monotonic())
            setup.update(live._building)

        def picture(live: Live = live, setup: dict[str, Any] = setup) -> None:
            live._pictures._views.clear()
            live._pictures.newest(setup, View(steady=True, span_s=2.0, columns=1200))

        def runs(reading: Reading = reading) -> None:
            with reading.desk() as desk:
                assert desk is not None
                desk.logbook.runs()

        works.append({"facts": facts, "picture": picture, "list of runs": runs})
    for name in works[0]:
        times: list[list[float]] = [[], []]
        first: list[float] = []
        for number in range(rounds + 1):
            for which, work in enumerate(works):
                before = time.process_time()
                work[name]()
                spent = time.process_time() - before
                if number:
                    times[which].append(spent)
                else:
                    first.append(spent)
        short, long = map(statistics.median, times)
        say(f"look at a minute: {name}, p50", 1e3 * short, "ms")
        say(f"look at 28 h: {name}, p50", 1e3 * long, "ms")
        say(f"look at 28 h: {name}, the first", 1e3 * first[1], "ms")
        say(f"28 h over a minute: {name}", long / short, "")
    for reading in readings:
        reading.close()
    for writer in writers:
        writer.close()


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--long", action="store_true", help="also 1e8 scans")
    parser.add_argument("--only", choices=["look"], help="just this")
    parser.add_argument("--folder", help="where to write (default: the system's place for temporary files)")
    arguments = parser.parse_args()
    print(f"merge every {group_writer.MERGE_S:g} s")
    with tempfile.TemporaryDirectory(dir=arguments.folder, ignore_cleanup_errors=True) as folder:
        place = Path(folder)
        look(place)
        if arguments.only:
            return
        for rate_hz in (20000.0, 50000.0):
            live(place, rate_hz, 5.0)
            size(place, rate_hz, 60.0)
        zoom(place, 10**7)
        if arguments.long:
            zoom(place, 10**8)


if __name__ == "__main__":
    main()
