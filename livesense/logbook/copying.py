"""A run as it stands, code for code, into a logbook of its own or behind the runs of another one."""

from __future__ import annotations

import json
import os
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livesense.errors import DiskFullError, LogbookError, UsageError
from livesense.logbook import connection as db
from livesense.logbook import revisions, schema
from livesense.logbook.reader import Logbook

Tell = Callable[[str, int, int], None]

ROWS_AT_ONCE = 100
"""Blocks are large; so many are in memory at once."""

NUMBERED = ("tail", "block", "pyramid", "trend", "gap", "restart", "note", "request", "stage", "picture")
"""Tables whose rows have a number of their own, which is given anew, in the same order."""

KEYED = (
    "scan_group",
    "channel",
    "segment",
    "fault",
    "event",
    "outage",
    "rate",
    "health",
    "revision",
    "dropped",
)
"""Tables whose key is the run's number and something within it."""

SCANS = ("tail", "block")
"""Tables that hold the codes."""

UNFINISHED = ".unfinished"
"""Ends the name under which a new logbook grows; one that is left over may be deleted."""


@dataclass(frozen=True, slots=True)
class Copied:
    """Where the run is now, and how large the file became."""

    run: int
    path: Path
    created: bool
    bytes: int


def copy_run(book: Logbook, ref: int | str, target: Path | str, tell: Tell, *, scans: bool = True) -> Copied:
    """Copy a run that is over, with everything that belongs to it.

    A logbook that is not there yet is made, and the run keeps its number; it appears under its name when it
    is whole. In one that is there the run gets the next number, in one transaction. Without ``scans`` only
    what is known of the run goes into a new logbook, its codes do not.

    Raises
    ------
    UsageError
        The run is being recorded, or the target is its own logbook or cannot be one.
    LogbookError, NewerLogbookError, DiskFullError, RunNotFoundError
        Nothing was copied.
    """
    number = book.run(ref).number
    goal = Path(target).absolute()
    _check(book, number, goal)
    there = goal.exists() and (goal.is_dir() or goal.stat().st_size > 0)
    try:
        made = _into(book, number, goal, tell) if there else _anew(book, number, goal, tell, scans)
    except DiskFullError as error:
        raise DiskFullError(f"{goal}: the disk is full; nothing was copied. Free some space") from error
    return Copied(made, goal, not there, goal.stat().st_size)


def _into(book: Logbook, number: int, goal: Path, tell: Tell) -> int:
    with Logbook(goal) as other:
        if other.recordings():
            raise UsageError(
                f"{goal}: a recorder is at work in it, and a copy would hold it up; wait until it has ended,"
                " or copy to another file"
            )
    with closing(db.open_to_write(goal)) as connection:
        with db.transaction(connection, goal):
            made = _Copy(book, number, connection, None, tell).run()
        with suppress(sqlite3.Error):
            connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
    return made


def _anew(book: Logbook, number: int, goal: Path, tell: Tell, scans: bool) -> int:
    growing = goal.with_name(f"{goal.name}.{uuid.uuid4().hex[:8]}{UNFINISHED}")
    try:
        with _fresh(growing) as connection:
            made = _Copy(book, number, connection, number, tell, scans=scans).run()
        _move(growing, goal)
    finally:
        for end in ("", "-wal", "-shm", "-journal"):
            with suppress(OSError):
                Path(f"{growing}{end}").unlink()
    return made


def _check(book: Logbook, number: int, goal: Path) -> None:
    if book.run(number).row.state == "recording":
        raise UsageError(f"run {number} is being recorded: copy it when it has ended")
    if not goal.parent.is_dir():
        raise UsageError(f"{goal}: there is no folder {goal.parent}; make it, or name another with --to")
    if goal.exists() and book.path.samefile(goal):
        raise UsageError(f"{goal} is the logbook that holds run {number}; name another file with --to")


@contextmanager
def _fresh(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a new file that nobody else knows of: what is synced at the end need not be synced before."""
    with closing(db.open_to_write(path)) as connection:
        # Without readers beside it a write-ahead file would only double what is written.
        connection.execute("PRAGMA journal_mode = DELETE").fetchone()
        with db.transaction(connection, path):
            yield connection
        connection.execute("PRAGMA journal_mode = WAL").fetchone()


def _move(growing: Path, goal: Path) -> None:
    """Give a file its name, unless somebody made one of that name meanwhile."""
    try:
        try:
            # Unlike a renaming this never replaces a file.
            os.link(growing, goal)
        except FileExistsError:
            if goal.stat().st_size:
                raise
            os.replace(growing, goal)
        except (OSError, NotImplementedError):
            # File systems without links.
            if goal.exists():
                raise FileExistsError from None
            os.replace(growing, goal)
    except FileExistsError:
        raise UsageError(f"{goal} was made by somebody else meanwhile; copy again") from None
    except OSError as error:
        raise LogbookError(f"{goal}: cannot be written: {error.strerror or error}") from error


class _Copy:
    def __init__(
        self,
        book: Logbook,
        run: int,
        to: sqlite3.Connection,
        wanted: int | None,
        tell: Tell,
        *,
        scans: bool = True,
    ) -> None:
        self._book = book
        self._from = run
        self._to = to
        self._wanted = wanted
        self._tell = tell
        self._new = 0
        self._left_out = () if scans else SCANS
        self._used = {row.number: row.calibrations for row in revisions.all_of(book.select, run)}
        self._calibrations: dict[int, int] = {}
        ((version,),) = book.select("PRAGMA user_version")
        self._version = int(version)

    def run(self) -> int:
        """Copy all rows; the caller's transaction makes them count. Returns the run's number there."""
        names = [name for name in (*KEYED, *NUMBERED) if schema.SINCE.get(name, 1) <= self._version]
        names = [name for name in names if name not in self._left_out]
        counts = {name: self._count(name) for name in names}
        total, done = sum(counts.values()) + 1, 0
        self._tell_done(done, total)
        self._run_row()
        self._copy_calibrations()
        for name in names:
            copied = 0
            for rows in self._rows(name):
                self._put(name, rows)
                copied += len(rows)
                self._tell_done(done + copied, total)
            done += copied
            if copied != counts[name]:
                self._changed()
        # Nothing of a run that is over changes, unless somebody deletes or rescales it just now.
        if any(self._count(name) != counts[name] for name in names) or not self._there():
            self._changed()
        return self._new

    def _tell_done(self, done: int, total: int) -> None:
        self._tell(f"run {self._from}", done, total)

    def _changed(self) -> None:
        raise LogbookError(f"run {self._from} changed while it was copied; nothing was copied, try again")

    def _there(self) -> bool:
        return bool(self._book.select("SELECT 1 FROM run WHERE number = ?", (self._from,)))

    def _count(self, table: str) -> int:
        ((count,),) = self._book.select(f"SELECT count(*) FROM {table} WHERE run = ?", (self._from,))
        return int(count)

    def _columns(self, table: str) -> list[str]:
        """Columns of a table that the logbook copied from has; an older one lacks some."""
        there = {name for (name,) in self._book.select(f"SELECT name FROM pragma_table_info('{table}')")}
        wanted = [name for _, name, *_ in self._to.execute(f"PRAGMA table_info({table})")]
        return [name for name in wanted if name in there]

    def _run_row(self) -> None:
        names = [name for name in self._columns("run") if name not in ("number", "token")]
        rows = self._book.select(f"SELECT {', '.join(names)} FROM run WHERE number = ?", (self._from,))
        if not rows:
            self._changed()
        # Two runs of one file may not share the name of a lock.
        values = (self._wanted, uuid.uuid4().hex, *rows[0])
        self._new = self._insert("run", ["number", "token", *names], values)

    def _rows(self, table: str) -> Iterator[list[dict[str, Any]]]:
        columns = self._columns(table)
        if table in NUMBERED:
            yield from self._numbered_rows(table, columns)
            return
        select = ", ".join(columns)
        if table == "rate" and "nominal_hz" not in columns:
            columns = [*columns, "nominal_hz"]
            select += f", {schema.NOMINAL_BEFORE} AS nominal_hz"
        rows = self._book.select(f"SELECT {select} FROM {table} AS b WHERE run = ?", (self._from,))
        for begin in range(0, len(rows), ROWS_AT_ONCE):
            yield [dict(zip(columns, row, strict=True)) for row in rows[begin : begin + ROWS_AT_ONCE]]

    def _numbered_rows(self, table: str, columns: list[str]) -> Iterator[list[dict[str, Any]]]:
        ((low, high),) = self._book.select(
            f"SELECT min(id), max(id) FROM {table} WHERE run = ?", (self._from,)
        )
        at = None if low is None else low - 1
        while at is not None and at < high:
            rows = self._book.select(
                # By the rows' own order, which is that of the file: + keeps the index out of it.
                f"SELECT {', '.join(columns)} FROM {table}"
                " WHERE +run = :run AND id > :at AND id <= :high ORDER BY id LIMIT :limit",
                {"run": self._from, "at": at, "high": high, "limit": ROWS_AT_ONCE},
            )
            if not rows:
                return
            named = [dict(zip(columns, row, strict=True)) for row in rows]
            at = named[-1]["id"]
            yield [{name: value for name, value in row.items() if name != "id"} for row in named]

    def _put(self, table: str, rows: list[dict[str, Any]]) -> None:
        for row in rows:
            row["run"] = self._new
            if table == "revision":
                # One that is not there any more has no number: another calibration may have it now.
                used = (self._calibrations.get(number) for number in self._used[row["number"]])
                row["calibrations"] = json.dumps([number for number in used if number is not None])
        names = list(rows[0])
        self._to.executemany(
            f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})",
            [list(row.values()) for row in rows],
        )

    def _copy_calibrations(self) -> None:
        """Copy the calibrations that the run's figures stand on, with their points."""
        for number in sorted({number for used in self._used.values() for number in used}):
            columns = [name for name in self._columns("calibration") if name != "id"]
            rows = self._book.select(f"SELECT {', '.join(columns)} FROM calibration WHERE id = ?", (number,))
            if not rows:
                continue
            alike = self._to.execute(
                f"SELECT id FROM calibration WHERE {' AND '.join(f'{name} IS ?' for name in columns)}",
                rows[0],
            ).fetchone()
            if alike is not None:
                self._calibrations[number] = alike[0]
                continue
            kept = number if self._wanted is not None else None
            self._calibrations[number] = self._insert("calibration", ["id", *columns], (kept, *rows[0]))
            self._copy_points(number)

    def _copy_points(self, number: int) -> None:
        columns = [name for name in self._columns("calibration_point") if name not in ("id", "calibration")]
        for row in self._book.select(
            f"SELECT {', '.join(columns)} FROM calibration_point WHERE calibration = ? ORDER BY id", (number,)
        ):
            values = (*row, self._calibrations[number])
            self._insert("calibration_point", [*columns, "calibration"], values)

    def _insert(self, table: str, names: list[str], values: tuple[Any, ...]) -> int:
        marks = ", ".join("?" * len(names))
        made = self._to.execute(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", values)
        return int(made.lastrowid or 0)
