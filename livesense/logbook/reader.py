"""Reading a logbook: by any number of processes, while it is written or long after."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Mapping
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from livesense.errors import RunNotFoundError
from livesense.logbook import calibrations, finding
from livesense.logbook import connection as db
from livesense.logbook.locks import is_held
from livesense.logbook.rows import CalibrationRow, OutageRow, PointRow, RunRow, state_of_end
from livesense.logbook.run_rows import last_with_scans, run_rows, without_scans
from livesense.logbook.whole import Values

if TYPE_CHECKING:
    from livesense.logbook.run_reader import RunReader
    from livesense.logbook.stretches import BlockCache

HELD_FOR_S = 0.5
"""A recorder seen at work is not looked for again within this time."""

SILENT_S = 5.0
"""Where a lock cannot be looked at, a recorder that wrote within this time counts as alive."""


class Logbook:
    """Opens an existing logbook for reading; nothing in it can be changed through this.

    Used by one thread at a time; opening another one is cheap.

    Attributes
    ----------
    path
        The file.
    warnings
        Things to tell the user, such as that the newest seconds cannot be read.

    Raises
    ------
    LogbookError, NewerLogbookError
        No such file, no logbook, or one that a newer livesense wrote.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path).absolute()
        self._connection, immutable = db.open_to_read(self.path)
        self.warnings: tuple[str, ...] = ()
        if immutable and db.wal_bytes(self.path):
            self.warnings = (
                f"{self.path}: on read-only media the newest scans (in {self.path.name}-wal) cannot be read;"
                " copy both files to a disk that can be written",
            )
        self._held_at_s: dict[str, float] = {}
        self._dead: set[str] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    @cached_property
    def cache(self) -> BlockCache:
        """Blocks that were decoded last."""
        # Here and not above: a list of runs wants no codes, and nothing that is loaded for them.
        from livesense.logbook.stretches import BlockCache

        return BlockCache()

    def without_scans(self) -> list[int]:
        """Find the runs that hold no scans, newest first."""
        return without_scans(self.select)

    def runs(self) -> list[RunRow]:
        """All runs, newest first."""
        return run_rows(self.select, self.state)

    def outages(self, only: int | None = None) -> dict[int, list[OutageRow]]:
        """List the outages of all runs that had any, or of ``only`` one, each run's in order of time."""
        found: dict[int, list[OutageRow]] = {}
        where = "" if only is None else "WHERE run = :run"
        # All columns: schema version 1 did not have the last two.
        text = f"SELECT * FROM outage {where} ORDER BY run, began_wall_s"
        for run, *row in self.select(text, {"run": only}):
            found.setdefault(run, []).append(OutageRow(*row))
        return found

    def recordings(self) -> list[int]:
        """Find the runs that are being recorded, newest first; cheap enough to be asked often."""
        rows = self.select("SELECT number, token FROM run WHERE ended IS NULL ORDER BY number DESC")
        return [n for n, token in rows if self.state(n, token, None) == "recording"]

    def last(self) -> int | None:
        """Find the number of the newest run of all; None while there is none."""
        ((number,),) = self.select("SELECT max(number) FROM run")
        return None if number is None else int(number)

    def last_with_scans(self) -> int | None:
        """Find the number of the newest run that holds scans; None while there is none."""
        return last_with_scans(self.select)

    def notes_of_runs(self) -> dict[int, list[str]]:
        """Give the notes of each run that has any, newest first."""
        return finding.notes_of_runs(self.select)

    def events_of_runs(self) -> dict[int, list[str]]:
        """Give kinds and channels of each run's events, each once."""
        return finding.events_of_runs(self.select)

    def run(self, ref: int | str) -> RunReader:
        """Open a run by number, or ``"last"``.

        Raises
        ------
        RunNotFoundError
            There is no such run.
        """
        from livesense.logbook.run_reader import RunReader

        if isinstance(ref, str) and ref.strip().lower() == "last":
            ((number,),) = self.select("SELECT max(number) FROM run")
            if number is None:
                raise RunNotFoundError(f"{self.path}: holds no runs yet; record one first")
            return RunReader(self, number)
        try:
            number = int(ref)
        except ValueError:
            raise RunNotFoundError(f'expected the number of a run or "last", got {ref!r}') from None
        if not 0 < number < 1 << 62 or not self.select("SELECT 1 FROM run WHERE number = ?", (number,)):
            numbers = [row[0] for row in self.select("SELECT number FROM run ORDER BY number DESC LIMIT 5")]
            newest = ", ".join(map(str, numbers)) or "none"
            raise RunNotFoundError(f"{self.path}: expected one of its runs (newest: {newest}), got {ref!r}")
        return RunReader(self, number)

    def calibrations(
        self, bench_name: str, boards: Mapping[str, str], before_wall_s: float | None = None
    ) -> list[CalibrationRow]:
        """Find the newest zero and scale of each channel of a bench on its board, made no later than a time.

        ``boards`` names the channels and the board each is on, empty where the bench file names none.
        """
        return calibrations.newest(self.select, bench_name, boards, before_wall_s)

    def calibration_history(self, bench_name: str) -> list[CalibrationRow]:
        """List the calibrations of a bench, whatever their board, the newest first."""
        return calibrations.history(self.select, bench_name)

    def calibrations_numbered(self, numbers: Iterable[int]) -> list[CalibrationRow]:
        """Read calibrations by their numbers."""
        return calibrations.by_number(self.select, numbers)

    def waiting_points(self, bench_name: str, boards: Mapping[str, str]) -> list[PointRow]:
        """List a bench's calibration points that no scale was made of yet."""
        return calibrations.waiting_points(self.select, bench_name, boards)

    def select(self, text: str, values: Values = ()) -> list[tuple[Any, ...]]:
        """All rows of one query; the read transaction ends with it.

        Raises
        ------
        LogbookError
            The file is damaged or cannot be read.
        """
        try:
            return self._connection.execute(text, values).fetchall()
        except UnicodeDecodeError as error:
            raise db.garbled(self.path) from error
        except (sqlite3.Error, OverflowError) as error:
            if isinstance(error, OverflowError):
                raise ValueError(f"a number beyond 64 bits: {error}") from error
            raise db.explain(error, self.path, "read") from error

    def state(self, number: int, token: str, ended: str | None) -> str:
        """State of a run: see docs/logbook.md."""
        if ended is not None:
            return state_of_end(ended)
        if token in self._dead:
            return "recovered"
        now = time.monotonic()
        if now - self._held_at_s.get(token, float("-inf")) < HELD_FOR_S:
            return "recording"
        held = is_held(self.path, token)
        if held is None:
            rows = self.select("SELECT wall_s FROM health WHERE run = ?", (number,))
            held = bool(rows) and isinstance(rows[0][0], float) and abs(time.time() - rows[0][0]) < SILENT_S
            return "recording" if held else "recovered"
        if held:
            self._held_at_s[token] = now
            return "recording"
        # The end may have been written, and the lock let go, since the row was read.
        ((ended,),) = self.select("SELECT ended FROM run WHERE number = ?", (number,)) or [(None,)]
        if ended is not None:
            return state_of_end(ended)
        self._dead.add(token)
        return "recovered"
