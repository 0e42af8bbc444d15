"""Deleted runs stay away, their space is used again or given back; broken off, nothing is broken."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from whole_run import begin, calibration, fast_codes, write_run

from livesense.errors import LogbookError, NewerLogbookError, RunNotFoundError, UsageError
from livesense.logbook import removal, schema
from livesense.logbook.connection import wal_bytes
from livesense.logbook.reader import Logbook
from livesense.logbook.verify import verify
from livesense.logbook.writer import FLOOR_BYTES, LogbookWriter
from livesense.samples import ScanBlock

WITH_RUN = [name for name in schema.TABLES if name not in ("run", "calibration", "calibration_point")]


def quiet(what: str, done: int, total: int) -> None:
    assert 0 <= done <= max(total, 0)


def kinds(path: Path) -> set[str]:
    return {finding.kind for finding in verify(path, None, lambda *_: None).findings}


def rows(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        return sum(
            db.execute(f"SELECT count(*) FROM {name} WHERE run = 2").fetchone()[0] for name in WITH_RUN
        )


def long_run(writer: LogbookWriter, blocks: int = 120) -> None:
    run = begin(writer, "long")
    for at in range(0, blocks * 2000, 2000):
        run.append(ScanBlock(0, at, fast_codes(at, 2000)))
        run.merge(force=True)
    run.finish("time", 1.0)


@pytest.fixture
def three(path: Path, writer: LogbookWriter) -> Path:
    """A closed logbook with three runs, the second one long."""
    write_run(writer)
    long_run(writer)
    write_run(writer, name="third", seed_calibrations=False)
    writer.close()
    return path


def test_a_run_goes_with_all_its_rows(three: Path) -> None:
    before = three.stat().st_size
    done = removal.delete_runs(three, [2], quiet)
    assert (done.runs, done.leftover_rows) == ((2,), 0)
    assert 0 < done.freed_bytes < before
    assert rows(three) == 0
    assert kinds(three) == set()
    with Logbook(three) as book:
        assert [row.number for row in book.runs()] == [3, 1]
        assert len(book.run(1).calibration(0)) == 2
    with closing(sqlite3.connect(three)) as db:
        free, size = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("freelist_count", "page_size"))
    assert done.freed_bytes == free * size


def test_calibrations_stay_and_numbers_are_not_given_again(three: Path) -> None:
    removal.delete_runs(three, [3, 1, 2], quiet)
    with LogbookWriter(three) as writer:
        assert writer.select("SELECT count(*) FROM calibration") == [(2,)]
        assert writer.select("SELECT count(*) FROM calibration_point") == [(2,)]
        writer.add_calibrations([calibration()])
        assert write_run(writer, seed_calibrations=False) == 4
    assert kinds(three) == set()


def test_the_space_is_used_again(three: Path) -> None:
    removal.delete_runs(three, [2], quiet)
    before = three.stat().st_size
    with LogbookWriter(three) as writer:
        long_run(writer)
    assert three.stat().st_size <= before


def test_compact_gives_the_space_back(three: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(sqlite3.connect(three)) as db:
        pages = db.execute("PRAGMA page_count").fetchone()[0]
    freed = removal.delete_runs(three, [2], quiet).freed_bytes
    monkeypatch.setattr(removal, "PAGES_AT_ONCE", 20)
    steps: list[int] = []
    done = removal.compact(three, lambda what, done, total: steps.append(done))
    assert done.before_bytes == pages * 8192
    # One look before the first step; each step gives back as many pages as it may.
    assert steps == [0, *range(0, freed // 8192, 20)]
    assert done.after_bytes == three.stat().st_size
    # A page in a thousand or so told where the others were.
    assert freed <= done.before_bytes - done.after_bytes <= freed + 2 * 8192
    assert (done.pending_bytes, done.leftover_rows) == (0, 0)
    assert kinds(three) == set()
    assert removal.compact(three, quiet).after_bytes == done.after_bytes
    with Logbook(three) as book:
        _, codes = next(book.run(3).codes(0, 0, 20_000))
        assert np.array_equal(codes, fast_codes(0, 20_000))


def test_what_is_refused_deletes_nothing(three: Path, path: Path) -> None:
    with LogbookWriter(three) as writer:
        begin(writer, "on").commit()
        for numbers in ([4], [1, 4]):
            with pytest.raises(UsageError, match="run 4 is being recorded: delete it when it has ended"):
                removal.delete_runs(three, numbers, quiet)
            with Logbook(three) as book, pytest.raises(UsageError, match="run 4 is being recorded"):
                removal.deletable(book, numbers)
        with pytest.raises(RunNotFoundError, match="run 9 is not there"):
            removal.delete_runs(three, [1, 9], quiet)
        with Logbook(three) as book:
            assert [row.number for row in book.runs()] == [4, 3, 2, 1]
        # Beside a recorder the others may go.
        removal.delete_runs(three, [2], quiet)
        with Logbook(three) as book:
            assert [row.state for row in book.runs()] == ["recording", "complete", "complete"]
    with Logbook(three) as book:
        assert removal.deletable(book, ["last", 4, 1]) == [4, 1]


def test_a_logbook_that_cannot_shrink(three: Path) -> None:
    with closing(sqlite3.connect(three)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("PRAGMA auto_vacuum = NONE")
        db.execute("VACUUM")
    with pytest.raises(LogbookError, match=r"can shrink .* found 0: .*livesense copy"):
        removal.compact(three, quiet)


def test_what_is_no_logbook_is_left_alone(path: Path) -> None:
    path.touch()
    with pytest.raises(LogbookError, match="holds no logbook yet"):
        removal.compact(path, quiet)
    assert path.stat().st_size == 0


def test_a_newer_logbook_is_refused(three: Path) -> None:
    with closing(sqlite3.connect(three)) as db:
        db.execute("PRAGMA user_version = 77")
    for call in (lambda: removal.compact(three, quiet), lambda: removal.delete_runs(three, [1], quiet)):
        with pytest.raises(NewerLogbookError):
            call()


def test_a_recorder_goes_on_beside_both(three: Path) -> None:
    with LogbookWriter(three) as writer:
        run = begin(writer, "on")
        at = 0

        def record(what: str, done: int, total: int) -> None:
            nonlocal at
            run.append(ScanBlock(0, at, fast_codes(at, 500)))
            run.merge(force=at % 2000 == 0)
            at += 500

        removal.delete_runs(three, [2, 3], record)
        deleting = at
        removal.compact(three, record)
        assert at > deleting > 1000
        run.finish("time", 1.0)
    assert kinds(three) == set()
    with Logbook(three) as book:
        read = [codes for _, codes in book.run(4).codes(0, 0, 1 << 40)]
        assert np.array_equal(
            np.concatenate(read), np.concatenate([fast_codes(k, 500) for k in range(0, at, 500)])
        )


def test_while_others_have_it_open_the_file_shrinks_all_the_same(three: Path) -> None:
    # Whoever closes a logbook last moves everything into it; here that is not who compacts.
    with LogbookWriter(three), Logbook(three) as book:
        assert len(book.runs()) == 3
        freed = removal.delete_runs(three, [2], quiet).freed_bytes
        done = removal.compact(three, quiet)
        assert done.pending_bytes == 0
        assert done.before_bytes - done.after_bytes >= freed


def test_a_reader_holds_the_file_back_only_for_a_while(three: Path) -> None:
    removal.delete_runs(three, [2], quiet)
    with closing(sqlite3.connect(three, isolation_level=None)) as db:
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM run").fetchone()
        held = removal.compact(three, quiet)
        assert held.pending_bytes > 0
        db.execute("COMMIT")
    assert removal.compact(three, quiet).after_bytes == held.after_bytes - held.pending_bytes


def test_a_disk_that_is_full_for_a_recorder_has_room_enough(path: Path, writer: LogbookWriter) -> None:
    # A recorder stops with so much free, and whoever then deletes has no more than that.
    noise = np.random.default_rng(1).integers(0, 1 << 16, (32_768, 4)).astype("<u2")
    for _ in range(2):
        run = begin(writer, "noise")
        for at in range(0, 40 * 32_768, 32_768):
            run.append(ScanBlock(0, at, noise))
            run.merge(force=True)
            writer.upkeep()
        run.finish("time", 1.0)
    writer.close()
    largest = 0

    def look(what: str, done: int, total: int) -> None:
        nonlocal largest
        largest = max(largest, wal_bytes(path))

    assert removal.delete_runs(path, [1], look).freed_bytes > 2 * FLOOR_BYTES
    removal.compact(path, look)
    assert 0 < largest < FLOOR_BYTES


class Stop:
    def __init__(self, after: int) -> None:
        self.left = after

    def __call__(self, what: str, done: int, total: int) -> None:
        self.left -= 1
        if self.left < 0:
            raise KeyboardInterrupt


def test_a_deletion_broken_off_is_finished_by_the_next(three: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        removal.delete_runs(three, [2], Stop(0))
    with Logbook(three) as book:
        assert len(book.runs()) == 3
    with pytest.raises(KeyboardInterrupt):
        removal.delete_runs(three, [2], Stop(3))
    left = rows(three)
    assert left > 0
    assert kinds(three) == {"leftover"}
    with Logbook(three) as book:
        assert [row.number for row in book.runs()] == [3, 1]
    done = removal.delete_runs(three, [1], quiet)
    assert done.leftover_rows == left
    assert rows(three) == 0
    assert kinds(three) == set()


def test_compact_finishes_a_deletion_that_was_broken_off(three: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        removal.delete_runs(three, [2], Stop(2))
    left = rows(three)
    assert removal.compact(three, quiet).leftover_rows == left > 0
    assert kinds(three) == set()


KILLED = """
import sys
from pathlib import Path
from livesense.logbook import removal
removal.PAGES_AT_ONCE = 16
removal.ROWS_AT_ONCE = 20
def tell(what, done, total):
    print(what, done, flush=True)
path = Path(sys.argv[2])
removal.compact(path, tell) if sys.argv[1] == "compact" else removal.delete_runs(path, [2], tell)
"""


def kill_amid(path: Path, what: str, after: int, then: random.Random) -> bool:
    """Kill a process that deletes or compacts; tells whether it was still at it."""
    child = subprocess.Popen(
        [sys.executable, "-c", KILLED, what, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    with child.stdout:
        for _ in range(after):
            child.stdout.readline()
        for _ in range(then.randrange(50_000)):
            pass
        child.kill()
        child.stdout.read()
    return child.wait() != 0


@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_killed_amid_it_the_logbook_is_sound(three: Path, seed: int) -> None:
    then = random.Random(seed)
    killed = kill_amid(three, "delete", then.randrange(3, 12), then)
    assert kinds(three) <= {"leftover"}
    for after in (2, 5, 9):
        killed = kill_amid(three, "compact", after, then) or killed
        assert kinds(three) <= {"leftover"}
        with Logbook(three) as book:
            assert [row.number for row in book.runs()] == [3, 1]
    assert killed
    removal.compact(three, quiet)
    assert kinds(three) == set()
    with closing(sqlite3.connect(three)) as db:
        assert db.execute("PRAGMA freelist_count").fetchone() == (0,)
