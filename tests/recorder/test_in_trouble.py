"""A recorder beside a slow disk, a busy processor, a locked logbook, jumping clocks, a port torn out.

In each case every scan that was sent is stored, or inside a recorded gap.
"""

from __future__ import annotations

import random
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text, description_frame, group

from livesense import bench as bench_file
from livesense.link import reader as link_reader
from livesense.link.address import parse_address
from livesense.link.queue import Chunk, LinkQueue
from livesense.logbook import run_writer
from livesense.logbook.reader import Logbook
from livesense.logbook.verify import verify
from livesense.record_settings import RecordSettings
from livesense.recorder import Recorder
from livesense.samples import Arrival, CodeType
from livesense.wire.encode import frames

CHANNELS = ("iu", "iv", "iw")
RATE_HZ = 20000
HELLO = description_frame([group(CHANNELS)])


def codes_at(first: int, count: int) -> np.ndarray[Any, Any]:
    index = np.arange(first, first + count, dtype=np.int64)
    return np.column_stack([index * 7 % 4096, index * 131 % 4093, index // 4096 % 4096]).astype("<u2")


def packets(first: int, count: int) -> bytes:
    return frames(0, first, codes_at(first, count), 100, CodeType.U16)


class Bench:
    """A recorder in a thread, and a socket that it reads from."""

    def __init__(self, folder: Path, limit_bytes: int) -> None:
        self.path = folder / "livesense.db"
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(30)
        address = parse_address(f"socket://127.0.0.1:{self._server.getsockname()[1]}")
        self.recorder = Recorder(
            RecordSettings(
                bench_file.parse(bench_text(), ""), address, self.path, queue_limit_bytes=limit_bytes
            )
        )
        self.summary: dict[str, Any] = {}
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        self.summary = self.recorder.run()

    def accept(self) -> socket.socket:
        peer = self._server.accept()[0]
        peer.settimeout(60)
        return peer

    def end(self) -> dict[str, Any]:
        self.recorder.stop.set()
        self._thread.join(60)
        assert not self._thread.is_alive()
        self._server.close()
        return self.summary

    def wait_for_scans(self, count: int) -> None:
        until(lambda: self.recorder.look().scans >= count, f"{count} scans")


def until(condition: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < deadline, f"waited for {what}"
        time.sleep(0.01)


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    made: list[Bench] = []

    def start(limit_bytes: int = 64 << 20) -> Bench:
        made.append(Bench(tmp_path, limit_bytes))
        return made[-1]

    yield start
    for bench in made:
        bench.end()


class Clocks:
    """The host's clocks, which a test may set."""

    def __init__(self) -> None:
        self.wall_s = 0.0
        self.asleep_s = 0.0

    def time(self) -> float:
        return time.time() + self.wall_s

    def arrival(self) -> Arrival:
        return Arrival(time.monotonic() + self.asleep_s, self.time(), counts_sleep=True)


@pytest.fixture
def clocks(monkeypatch: pytest.MonkeyPatch) -> Clocks:
    from livesense import recorder

    made = Clocks()
    shown = SimpleNamespace(time=made.time, monotonic=time.monotonic, sleep=time.sleep)
    monkeypatch.setattr(recorder, "time", shown)
    monkeypatch.setattr(recorder, "arrival_now", made.arrival)
    monkeypatch.setattr(link_reader, "arrival_now", made.arrival)
    return made


def accounted(path: Path, sent: int) -> tuple[int, int, set[str]]:
    """Hold what is in the logbook against what was sent: scans stored and lost, causes of the gaps."""
    with Logbook(path) as book:
        assert len(book.runs()) == 1
        run = book.run("last")
        gaps = run.gaps(0)
        at = stored = 0
        lost = {gap.first: gap.count or 0 for gap in gaps}
        for first, codes in run.codes(0, 0, 1 << 40):
            while at in lost:
                at += lost[at]
            assert first == at
            assert np.array_equal(codes, codes_at(first, len(codes)))
            at = first + len(codes)
            stored += len(codes)
        assert stored + sum(lost.values()) == sent
        assert run.scans_lost(0) == sum(lost.values())
    assert verify(path, None, lambda *_: None).findings == ()
    return stored, sum(lost.values()), {str(gap.cause) for gap in gaps}


def test_a_disk_that_hangs_does_not_keep_the_port_from_being_drained(
    begin: Callable[..., Bench], clocks: Clocks, monkeypatch: pytest.MonkeyPatch
) -> None:
    hangs, released = threading.Event(), threading.Event()
    commit = run_writer.RunWriter.commit

    def slow(self: run_writer.RunWriter) -> None:
        if hangs.is_set():
            assert released.wait(60)
        commit(self)

    monkeypatch.setattr(run_writer.RunWriter, "commit", slow)
    read = 0
    put_chunk = LinkQueue.put_chunk

    def counted(self: LinkQueue, chunk: Chunk, wait_s: float) -> None:
        nonlocal read
        put_chunk(self, chunk, wait_s)
        read += len(chunk.data)

    def all_read() -> bool:
        return read >= sent_bytes

    monkeypatch.setattr(LinkQueue, "put_chunk", counted)
    bench = begin(limit_bytes=200_000)
    with bench.accept() as peer:
        sent = HELLO + packets(0, 20_000)
        peer.sendall(sent)
        sent_bytes = len(sent)
        bench.wait_for_scans(20_000)
        hangs.set()
        # Thirty times what the queue holds.
        for first in range(20_000, 1_020_000, 20_000):
            # By its clocks the computer gets them at their rate, or they would look like a restart: the next
            # second may not begin while a socket still holds bytes of this one.
            clocks.asleep_s += 20_000 / RATE_HZ
            sent = packets(first, 20_000)
            peer.sendall(sent)
            sent_bytes += len(sent)
            until(all_read, "the port to be drained")
        released.set()
        hangs.clear()
        until(lambda: bench.recorder._queue.waiting_bytes == 0, "an empty queue")
        peer.sendall(packets(1_020_000, 20_000))
        until(
            lambda: (bench.recorder.look().scans + (bench.recorder.look().lost or 0)) >= 1_040_000, "the end"
        )
        summary = bench.end()
    stored, lost, causes = accounted(bench.path, 1_040_000)
    assert causes == {"host"}
    assert lost > 500_000
    assert summary["groups"][0]["scans_lost"] == lost
    assert stored >= 40_000
    assert (summary["faults"], summary["restarts"], summary["ended"]) == ({}, 0, "asked")


@pytest.mark.slow
def test_beside_a_busy_processor_everything_is_stored_or_a_counted_gap(begin: Callable[..., Bench]) -> None:
    stop = threading.Event()

    def hog() -> None:
        number = 0
        while not stop.is_set():
            number = (number * 31 + 7) % 1_000_003

    hogs = [threading.Thread(target=hog) for _ in range(3)]
    for thread in hogs:
        thread.start()
    try:
        bench = begin()
        with bench.accept() as peer:
            peer.sendall(HELLO)
            for first in range(0, 200_000, 2_000):
                peer.sendall(packets(first, 2_000))
            bench.wait_for_scans(200_000)
            summary = bench.end()
    finally:
        stop.set()
        for thread in hogs:
            thread.join()
    # 64 MB may wait: nothing needs to be lost.
    assert accounted(bench.path, 200_000) == (200_000, 0, set())
    assert summary["faults"] == {}


@pytest.mark.slow
def test_a_logbook_that_another_program_locks_for_a_while_loses_nothing(begin: Callable[..., Bench]) -> None:
    bench = begin()
    with bench.accept() as peer:
        peer.sendall(HELLO + packets(0, 20_000))
        bench.wait_for_scans(20_000)
        with closing(sqlite3.connect(bench.path, isolation_level=None)) as other:
            other.execute("PRAGMA busy_timeout = 20000")
            other.execute("BEGIN IMMEDIATE")
            # More than what a socket's buffers hold: it is read while nothing can be written.
            for first in range(20_000, 1_020_000, 100_000):
                peer.sendall(packets(first, 100_000))
            other.execute("ROLLBACK")
        bench.wait_for_scans(1_020_000)
        summary = bench.end()
    assert accounted(bench.path, 1_020_000) == (1_020_000, 0, set())
    assert summary["error"] is None


def test_a_logbook_that_stays_locked_ends_the_recording_with_what_to_do(
    begin: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    from livesense.logbook import connection

    monkeypatch.setattr(connection, "BUSY_S", 0.1)
    bench = begin()
    with bench.accept() as peer:
        peer.sendall(HELLO + packets(0, 20_000))
        bench.wait_for_scans(20_000)
        until(lambda: stored_in(bench.path) == 20_000, "what was sent in the logbook")
        monkeypatch.setattr(connection, "PATIENCE_S", 0.1)
        with closing(sqlite3.connect(bench.path, isolation_level=None)) as other:
            other.execute("PRAGMA busy_timeout = 20000")
            other.execute("BEGIN IMMEDIATE")
            peer.sendall(packets(20_000, 10_000))
            until(lambda: bench.recorder.error is not None, "an error")
            other.execute("ROLLBACK")
        summary = bench.end()
    assert summary["ended"] == "error"
    assert "another program kept the logbook locked" in summary["error"]
    assert "end it and try again" in summary["error"]
    with Logbook(bench.path) as book:
        # With the lock gone the end could be written, and what was pending with it.
        assert book.run(1).row.state == "failed"
        assert book.run(1).scans_stored(0) == 30_000
    assert verify(bench.path, None, lambda *_: None).findings == ()


def stored_in(path: Path) -> int:
    with Logbook(path) as book:
        return book.run(1).scans_stored(0) if book.run(1).groups else 0


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 400 * 86400.0, -400 * 86400.0])
def test_a_clock_that_is_set_changes_no_scan_and_no_time_of_the_run(
    begin: Callable[..., Bench], clocks: Clocks, jump_s: float
) -> None:
    bench = begin()
    with bench.accept() as peer:
        peer.sendall(HELLO)
        for number in range(20):
            if number == 10:
                bench.wait_for_scans(20_000)
                clocks.wall_s = jump_s
                peer.sendall(HELLO)
            peer.sendall(packets(number * 2_000, 2_000))
        bench.wait_for_scans(40_000)
        summary = bench.end()
    assert accounted(bench.path, 40_000) == (40_000, 0, set())
    assert (summary["restarts"], summary["gaps"], summary["seconds"]) == (0, 0, 2.0)
    with Logbook(bench.path) as book:
        run = book.run(1)
        assert (run.row.state, run.row.seconds) == ("complete", 2.0)
        assert len(run.segments(0)) == 1


def test_a_computer_that_slept_lost_what_was_sent_meanwhile_and_no_more(
    begin: Callable[..., Bench], clocks: Clocks
) -> None:
    asleep = 2 * 3600 * RATE_HZ
    bench = begin()
    with bench.accept() as peer:
        peer.sendall(HELLO + packets(0, 20_000))
        bench.wait_for_scans(20_000)
        clocks.asleep_s = clocks.wall_s = 2 * 3600.0
        peer.sendall(packets(20_000 + asleep, 20_000))
        bench.wait_for_scans(40_000)
        summary = bench.end()
    assert (summary["restarts"], summary["groups"][0]["scans_lost"]) == (0, asleep)
    assert summary["groups"][0]["scans_stored"] == 40_000
    with Logbook(bench.path) as book:
        (gap,) = book.run(1).gaps(0)
        assert (gap.first, gap.count, gap.cause) == (20_000, asleep, "wire")
        assert book.run(1).row.seconds == pytest.approx(2 * 3600 + 2.0)
    assert verify(bench.path, None, lambda *_: None).findings == ()


def test_a_port_that_comes_and_goes_all_the_time(begin: Callable[..., Bench]) -> None:
    rng = random.Random(4)
    bench = begin()
    first, plugged = 0, 12
    for _ in range(plugged):
        with bench.accept() as peer:
            peer.sendall(HELLO + packets(first, 1_000))
            first += 1_000
            known = first
            until(lambda known=known: _seen(bench) >= known, "the scans")
            # A plug that is torn out leaves half a packet on the line.
            torn = packets(first, 100)
            peer.sendall(torn[: rng.randrange(1, len(torn))])
        first += rng.choice([100, 100, 300, 1_000])
    with bench.accept() as peer:
        peer.sendall(HELLO + packets(first, 1_000))
        until(lambda: _seen(bench) >= first + 1_000, "the last scans")
        summary = bench.end()
    stored, lost, causes = accounted(bench.path, first + 1_000)
    assert stored == 1_000 * (plugged + 1)
    assert causes == {"outage"}
    assert summary["away"]["count"] == plugged
    assert summary["away"]["scans_lost"] == lost
    assert (summary["restarts"], summary["runs"]) == (0, [1])


def _seen(bench: Bench) -> int:
    look = bench.recorder.look()
    return look.scans + (look.lost or 0)
