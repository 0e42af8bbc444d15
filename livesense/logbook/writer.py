"""The recorder's side of the logbook: one connection that owns all writing."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from livesense.errors import DiskFullError, LogbookError
from livesense.logbook import calibrations, revisions
from livesense.logbook import connection as db
from livesense.logbook.locks import RunLock, sweep
from livesense.logbook.rows import CalibrationRow, PointRow, RevisionRow
from livesense.logbook.run_writer import RunWriter
from livesense.logbook.whole import Values
from livesense.samples import Event

__all__ = ["FLOOR_BYTES", "LogbookWriter", "RunWriter"]

CHECKPOINT_S = 2.0
"""So often what was committed is moved into the main file; after a power cut at most this is missing."""

FLOOR_BYTES = 4 << 20
"""Recording stops with less free space than this, so that the run's end can still be written."""

LARGEST_WAL_BYTES = 64 << 20
"""Beyond this the write-ahead file is emptied even if readers must be waited for a moment."""


class LogbookWriter:
    """Opens or creates a logbook for writing.

    Used by one thread at a time. Several processes may write to one logbook.

    Parameters
    ----------
    path
        The file; its folder must exist.
    floor_bytes
        Free disk space below which :class:`~livesense.errors.DiskFullError` is raised.

    Raises
    ------
    LogbookError, NewerLogbookError, DiskFullError
        The file cannot be used; a file that is no logbook stays as it was.
    """

    def __init__(self, path: Path | str, *, floor_bytes: int = FLOOR_BYTES) -> None:
        self.path = Path(path).absolute()
        self._floor_bytes = floor_bytes
        self._unlooked_bytes = 0
        self._runs: list[RunWriter] = []
        self._connection = db.open_to_write(self.path)
        # Loaded now rather than in the middle of the first merge.
        import_module("soundfile")
        import_module("zstandard")
        self._checkpointed_s = time.monotonic()
        try:
            rows = self._connection.execute("SELECT token FROM run WHERE ended IS NULL").fetchall()
        except sqlite3.Error as error:
            raise db.explain(error, self.path, "open") from error
        sweep(self.path, {token for (token,) in rows if isinstance(token, str)})

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def start_run(
        self,
        *,
        name: str,
        bench_name: str,
        bench_text: str,
        bench_path: str,
        version: str,
        port: str,
        wire: str,
        started_wall_s: float,
    ) -> RunWriter:
        """Write the run's row at once and hand back what records it."""
        self.check_space()
        lock = RunLock(self.path)
        row = {
            "name": name,
            "token": lock.token,
            "bench_name": bench_name,
            "bench_text": bench_text,
            "bench_path": bench_path,
            "version": version,
            "port": port,
            "wire": wire,
            "device": "",
            "description": "",
        }
        columns = ", ".join(row)
        marks = ", ".join("?" * len(row))
        values = [db.plain_text(value) for value in row.values()]
        try:
            with db.transaction(self._connection, self.path):
                number = self._connection.execute(
                    f"INSERT INTO run (started_wall_s, {columns}) VALUES (?, {marks})",
                    [float(started_wall_s), *values],
                ).lastrowid
        except BaseException:
            lock.release()
            raise
        if number is None:
            raise LogbookError(f"{self.path}: the run's row was not written")
        run = RunWriter(self, number, lock)
        self._runs.append(run)
        return run

    def add_calibrations(
        self, rows: Sequence[CalibrationRow], points: Mapping[str, Sequence[int]] | None = None
    ) -> list[int]:
        """Keep what was found of channels, all or none; hands back the numbers.

        Later runs of the same bench name and board use the newest zero and scale of each channel.
        ``points`` tells the points that each channel's scale was made of.
        """
        numbers: list[int] = []
        with db.transaction(self._connection, self.path):
            for row in rows:
                number = int(self._connection.execute(*calibrations.insertion(row)).lastrowid or 0)
                numbers.append(number)
                for point in (points or {}).get(row.channel, ()):
                    self._connection.execute(
                        "UPDATE calibration_point SET calibration = ? WHERE id = ?", (number, int(point))
                    )
        return numbers

    def add_points(self, rows: Sequence[PointRow]) -> None:
        """Keep points of a calibration, all or none."""
        self.write([calibrations.insertion(row) for row in rows])

    def discard_points(self, numbers: Sequence[int]) -> None:
        """Throw away points that no scale was made of."""
        self.write(
            [
                ("DELETE FROM calibration_point WHERE id = ? AND calibration IS NULL", (int(number),))
                for number in numbers
            ]
        )

    def add_revision(self, run: int, row: RevisionRow, events: Sequence[Event]) -> int:
        """Keep on what a run's figures stand from now on, with its events, all in one transaction.

        The row's number is not looked at; hands back the one it got.
        """
        with db.transaction(self._connection, self.path):
            execute = self._connection.execute
            ((last,),) = execute(
                "SELECT coalesce(max(number), 0) FROM revision WHERE run = ?", (int(run),)
            ).fetchall()
            number = int(last) + 1
            execute(*revisions.insertion(run, replace(row, number=number)))
            for text, values in revisions.event_insertions(run, number, events):
                execute(text, values)
        return number

    def undo_revision(self, run: int, number: int, wall_s: float) -> None:
        """Mark a revision as undone; its row and events are kept."""
        self.write(
            [
                (
                    "UPDATE revision SET undone_wall_s = ? WHERE run = ? AND number = ? AND number > 0",
                    (float(wall_s), int(run), int(number)),
                )
            ]
        )

    def write(self, statements: Sequence[db.Statement]) -> None:
        """Run statements in one transaction: all or none of them.

        Raises
        ------
        DiskFullError, LogbookError
            Nothing of them was written.
        """
        execute = self._connection.execute
        with db.transaction(self._connection, self.path):
            for text, values in statements:
                execute(text, values)
        self._unlooked_bytes += sum(
            len(value) for _, values in statements for value in values if isinstance(value, bytes)
        )

    def select(self, text: str, values: Values = ()) -> list[tuple[Any, ...]]:
        """Read all rows of one query."""
        try:
            return self._connection.execute(text, values).fetchall()
        except sqlite3.Error as error:
            raise db.explain(error, self.path, "read") from error

    def upkeep(self) -> None:
        """Move, every two seconds, what was committed into the main file, look at the free space.

        At the free space also whenever a sixteenth of the floor was written, however soon that is.

        Raises
        ------
        DiskFullError
            Less than the floor is free. Everything committed is kept, and a run can still be finished.
        """
        now = time.monotonic()
        if now - self._checkpointed_s < CHECKPOINT_S:
            if self._unlooked_bytes >= self._floor_bytes // 16:
                self.check_space()
            return
        self._checkpointed_s = now
        self._checkpoint("RESTART" if db.wal_bytes(self.path) > LARGEST_WAL_BYTES else "PASSIVE")
        self.check_space()

    def check_space(self) -> None:
        """Raise DiskFullError when less than the floor would be free with everything in the main file."""
        self._unlooked_bytes = 0
        # What stands in the write-ahead file is written a second time when it moves into the main file.
        free = db.free_bytes(self.path) - db.wal_bytes(self.path)
        if free < self._floor_bytes:
            floor = f"{self._floor_bytes / 1e6:.1f} MB"
            if self._floor_bytes == FLOOR_BYTES:
                why = f"the disk is full: {max(free, 0) / 1e6:.1f} MB free, at least {floor} are needed"
            else:
                why = (
                    f"stopped before the disk is full: {max(free, 0) / 1e6:.1f} MB free,"
                    f" {floor} are to stay free ([keep] free in the bench file)"
                )
            raise DiskFullError(
                f"{self.path}: {why}; what was written is kept. Free some space and record again"
            )

    def size_bytes(self) -> int:
        """Measure the bytes on the disk, with what has not been moved into the main file yet."""
        size = 0
        with suppress(OSError):
            size = self.path.stat().st_size
        return size + db.wal_bytes(self.path)

    def close(self) -> None:
        """Write what is pending, let go of the runs and the file. A run without end reads as recovered."""
        try:
            for run in list(self._runs):
                with suppress(DiskFullError):
                    run.abandon()
        finally:
            self._connection.close()

    def forget(self, run: RunWriter) -> None:
        """Take a run that has ended off the list."""
        if run in self._runs:
            self._runs.remove(run)

    def _checkpoint(self, kind: str) -> None:
        try:
            if kind != "PASSIVE":
                self._connection.execute("PRAGMA busy_timeout = 100")
            self._connection.execute(f"PRAGMA wal_checkpoint({kind})").fetchone()
        except sqlite3.Error as error:
            explained = db.explain(error, self.path, "checkpoint")
            if isinstance(explained, DiskFullError):
                raise explained from error
            # Busy: the next one will do.
        finally:
            if kind != "PASSIVE":
                self._connection.execute(f"PRAGMA busy_timeout = {int(db.BUSY_S * 1000)}")
