"""Deleting runs, and giving their space back: in small steps, so that a recorder beside it goes on.

A run goes in one short transaction: with its row it is gone for every reader. Its scans follow in
steps; what is left over when these are broken off belongs to no run, because no number is given
twice, and the next deletion or compaction takes it away.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from livesense.errors import LogbookError, RunNotFoundError, UsageError
from livesense.logbook import connection as db
from livesense.logbook import schema
from livesense.logbook.reader import Logbook

Tell = Callable[[str, int, int], None]

ROWS_AT_ONCE = 50
"""Blocks that one transaction deletes: about a megabyte."""

PAGES_AT_ONCE = 128
"""Free pages that one transaction gives back: 1 MiB."""

CHECKPOINT_PAGES = 128
"""The write-ahead file stays small: who deletes may have done so because the disk is full."""

PAUSE_S = 0.002
"""Between two transactions, so that whoever waits for its turn gets it."""

WITH_ID = ("tail", "block", "pyramid", "trend", "gap", "restart", "note", "request", "picture")
_WITH_RUN = tuple(name for name in schema.TABLES if name not in ("run", "calibration", "calibration_point"))


@dataclass(frozen=True, slots=True)
class Deleted:
    """What a deletion did: bytes that became free within the file, rows of runs that were gone before."""

    runs: tuple[int, ...]
    freed_bytes: int
    leftover_rows: int


@dataclass(frozen=True, slots=True)
class Compacted:
    """Sizes of the file; it shrinks by ``pending_bytes`` more when those who read it now let go."""

    before_bytes: int
    after_bytes: int
    pending_bytes: int
    leftover_rows: int


def deletable(book: Logbook, references: Iterable[int | str]) -> list[int]:
    """Tell the numbers of runs that may be deleted.

    Raises
    ------
    RunNotFoundError
        There is no such run.
    UsageError
        One of them is being recorded.
    """
    rows = {row.number: row for row in (book.run(reference).row for reference in references)}
    for number, row in rows.items():
        if row.state == "recording":
            raise UsageError(f"run {number} is being recorded: delete it when it has ended")
    return list(rows)


def delete_runs(path: Path, numbers: Sequence[int], tell: Tell) -> Deleted:
    """Delete runs that are over; all of them go at once, and stay away whatever happens then.

    Raises
    ------
    UsageError, RunNotFoundError
        One is being recorded or not there: none was deleted.
    LogbookError
        The logbook cannot be written.
    """
    with Logbook(path) as book, _opened(path) as connection:
        before = _free_bytes(connection)
        leftover = sum(count for *_, count in _leftover(connection))
        tell("deleting", 0, 0)
        with db.transaction(connection, path):
            gone = [n for n in numbers if not book.select("SELECT 1 FROM run WHERE number = ?", (n,))]
            if gone:
                raise RunNotFoundError(f"{path}: run {gone[0]} is not there any more; nothing was deleted")
            deletable(book, numbers)
            connection.executemany("DELETE FROM run WHERE number = ?", [(int(n),) for n in numbers])
        _purge(connection, path, tell)
        return Deleted(tuple(numbers), max(_free_bytes(connection) - before, 0), leftover)


def compact(path: Path, tell: Tell) -> Compacted:
    """Give free pages back to the system; may be broken off at any moment, even by a kill.

    Raises
    ------
    LogbookError
        The logbook cannot be written, or was made so that it cannot shrink.
    """
    # Opened to read first: what is no logbook yet is not made one.
    Logbook(path).close()
    tell("compacting", 0, 0)
    before = path.stat().st_size
    with _opened(path) as connection:
        ((mode,),) = connection.execute("PRAGMA auto_vacuum").fetchall()
        if mode != 2:
            raise LogbookError(
                f"{path}: expected a logbook that can shrink (auto_vacuum 2), found {mode}: another program"
                " rewrote it; `livesense copy RUN --to FILE` moves its runs to one that can"
            )
        leftover = _purge(connection, path, tell)
        _give_back(connection, path, tell)
        _checkpoint(connection)
        ((pages,),) = connection.execute("PRAGMA page_count").fetchall()
        ((size,),) = connection.execute("PRAGMA page_size").fetchall()
    after = path.stat().st_size
    return Compacted(before, after, max(after - int(pages) * int(size), 0), leftover)


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    with closing(db.open_to_write(path)) as connection:
        # Rows follow their run in steps, not in the one transaction that a cascade is.
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        try:
            yield connection
        except sqlite3.Error as error:
            raise db.explain(error, path, "write") from error
        except UnicodeDecodeError as error:
            raise db.garbled(path) from error


def _free_bytes(connection: sqlite3.Connection) -> int:
    ((pages,),) = connection.execute("PRAGMA freelist_count").fetchall()
    ((size,),) = connection.execute("PRAGMA page_size").fetchall()
    return int(pages) * int(size)


def _leftover(connection: sqlite3.Connection) -> list[tuple[str, object, int]]:
    """List tables, runs that are not there, and how many rows of theirs are."""
    found = []
    for table in _WITH_RUN:
        rows = connection.execute(
            f"SELECT run, count(*) FROM {table} WHERE run NOT IN (SELECT number FROM run) GROUP BY run"
        ).fetchall()
        found += [(table, run, int(count)) for run, count in rows]
    return found


def _purge(connection: sqlite3.Connection, path: Path, tell: Tell) -> int:
    """Delete what belongs to no run, a few rows at a time; returns how many rows there were."""
    leftover = _leftover(connection)
    total, done = sum(count for *_, count in leftover), 0
    for table, run, count in leftover:
        until = done + count
        while done < until:
            tell("deleting", done, total)
            with db.transaction(connection, path):
                gone = connection.execute(_deletion(table), {"run": run, "limit": ROWS_AT_ONCE}).rowcount
            if gone < 1:
                break
            done += gone
            time.sleep(PAUSE_S)
        done = until
    _checkpoint(connection)
    return total


def _deletion(table: str) -> str:
    whose = "run = :run AND :run NOT IN (SELECT number FROM run)"
    if table in WITH_ID:
        return f"DELETE FROM {table} WHERE id IN (SELECT id FROM {table} WHERE {whose} LIMIT :limit)"
    # Rows without a number of their own are small.
    return f"DELETE FROM {table} WHERE {whose} AND :limit > 0"


def _give_back(connection: sqlite3.Connection, path: Path, tell: Tell) -> None:
    ((total,),) = connection.execute("PRAGMA freelist_count").fetchall()
    left = int(total)
    while left > 0:
        tell("compacting", int(total) - left, int(total))
        with db.transaction(connection, path):
            # Of a statement without columns Python takes one step, which is one page, whatever its number.
            for _ in range(min(PAGES_AT_ONCE, left)):
                connection.execute("PRAGMA incremental_vacuum(1)").fetchall()
        ((now,),) = connection.execute("PRAGMA freelist_count").fetchall()
        if now >= left:
            # A recorder frees pages of its own all the time; they are used again.
            return
        left = int(now)
        time.sleep(PAUSE_S)


def _checkpoint(connection: sqlite3.Connection) -> None:
    """Move everything into the main file, which shrinks then; while somebody reads, what can be moved."""
    with suppress(sqlite3.Error):
        connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
