"""Several recorders and readers on one logbook."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from livesense.errors import LogbookError
from livesense.logbook import connection, requests
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.samples import ScanBlock

RECORD = """
import sys
import numpy as np
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock
with LogbookWriter(sys.argv[1]) as writer:
    run = writer.start_run(name=sys.argv[2], bench_name="", bench_text="", bench_path="", version="", port="",
                           wire="", started_wall_s=1.0)
    run.add_groups([GroupInfo(20000.0, CodeType.U16, 16, ("a", "b"))])
    for at in range(0, 30_000, 200):
        codes = np.full((200, 2), int(sys.argv[2]), "<u2")
        run.append(ScanBlock(0, at, codes))
        run.merge(force=at % 7000 == 0)
    run.finish("time", 2.0)
"""


def test_recorders_in_several_processes_share_a_logbook(path: Path) -> None:
    names = ("11", "22")
    children = [subprocess.Popen([sys.executable, "-c", RECORD, str(path), name]) for name in names]
    assert [child.wait() for child in children] == [0, 0]
    with Logbook(path) as book:
        assert sorted(run.name for run in book.runs()) == list(names)
        for row in book.runs():
            reader = book.run(row.number)
            assert row.state == "complete"
            codes = np.concatenate([c for _, c in reader.codes(0, 0, 1 << 40)])
            assert len(codes) == 30_000
            assert (codes == int(row.name)).all()
            found = reader.envelope(0, "b", 0, 30_000, 10)
            assert found.low.tolist() == found.high.tolist() == [float(row.name)] * 10
        assert book.select("PRAGMA integrity_check") == [("ok",)]


def test_a_reader_beside_a_recorder_sees_whole_commits_only(
    path: Path, writer: LogbookWriter, start: Callable[..., Any], pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start()
    codes = pump_codes(100_000)
    run.commit()
    over = threading.Event()
    wrong: list[str] = []
    looks = 0

    def look() -> None:
        nonlocal looks
        with Logbook(path) as book:
            reader = book.run(1)
            while not over.is_set() or looks < 5:
                looks += 1
                first, newest = reader.latest(0, 3000)
                stop = first + len(newest)
                if stop % 500 or not np.array_equal(newest, codes[first:stop]):
                    wrong.append(f"latest {first} {stop}")
                if stop:
                    found = reader.envelope(0, "iu", 0, stop, 20)
                    if found.n.sum() != stop or np.nanmax(found.high) != codes[:stop, 0].max():
                        wrong.append(f"envelope {stop}")
                    pieces = [c for _, c in reader.codes(0, max(0, stop - 30_000), stop)]
                    if not np.array_equal(np.concatenate(pieces), codes[max(0, stop - 30_000) : stop]):
                        wrong.append(f"codes {stop}")

    looker = threading.Thread(target=look)
    looker.start()
    try:
        for number, at in enumerate(range(0, 100_000, 500)):
            run.append(ScanBlock(0, at, codes[at : at + 500]))
            run.merge(force=number % 10 == 9)
    finally:
        over.set()
        looker.join()
    assert wrong == []
    assert looks >= 5


def test_a_piece_in_hand_holds_no_transaction(
    path: Path, writer: LogbookWriter, start: Callable[..., Any], pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(2000)))
    run.commit()
    with Logbook(path) as book:
        pieces = book.run(1).codes(0, 0, 2000)
        next(pieces)
        # Emptying the write-ahead file fails while anyone reads from it.
        ((busy, _, _),) = writer.select("PRAGMA wal_checkpoint(TRUNCATE)")
        assert busy == 0


def test_a_request_reaches_a_recorder_at_work(path: Path, start: Callable[..., Any]) -> None:
    run = start()
    asked = [requests.ask(path, 1, "note", str(number)) for number in range(5)]
    assert [r.number for r in run.requests()] == asked


def test_patience_ends(
    path: Path, writer: LogbookWriter, start: Callable[..., Any], monkeypatch: Any
) -> None:
    run = start()
    monkeypatch.setattr(connection, "PATIENCE_S", 0.0)
    monkeypatch.setattr(connection, "BUSY_S", 0.01)
    with LogbookWriter(path) as other:
        other.select("BEGIN IMMEDIATE")
        writer.select("PRAGMA busy_timeout = 10")
        run.note("waiting", 1.0)
        with pytest.raises(LogbookError, match="kept the logbook locked"):
            run.commit()
        other.select("COMMIT")
    run.commit()
    with Logbook(path) as book:
        assert [note.text for note in book.run(1).notes()] == ["waiting"]


def test_a_checkpoint_empties_the_write_ahead_file(
    path: Path, writer: LogbookWriter, start: Callable[..., Any], pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(30_000)))
    run.commit()
    before = path.stat().st_size
    assert run.size_bytes() > before
    writer._checkpointed_s = float("-inf")
    run.commit()
    assert path.stat().st_size > before
    ((busy, in_log, moved),) = writer.select("PRAGMA wal_checkpoint(PASSIVE)")
    assert busy == 0
    assert in_log == moved


def test_a_write_ahead_file_grown_large_is_started_over(
    path: Path, writer: LogbookWriter, start: Callable[..., Any], monkeypatch: Any
) -> None:
    run = start()
    run.commit()
    monkeypatch.setattr("livesense.logbook.writer.LARGEST_WAL_BYTES", 0)
    writer._checkpointed_s = float("-inf")
    run.commit()
    grown = connection.wal_bytes(path)
    run.note("x", 1.0)
    run.commit()
    assert connection.wal_bytes(path) == grown
    assert writer.select("PRAGMA busy_timeout") == [(5000,)]
