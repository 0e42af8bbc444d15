"""Recording one run: scans are buffered, everything is written by ``commit``."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from livesense.errors import LogbookError, LogbookFullError
from livesense.logbook import revisions, trends
from livesense.logbook.connection import Statement, plain_text
from livesense.logbook.fields import device_of, event_fields, real_or_none, to_json, whole_or_none
from livesense.logbook.group_writer import GroupWriter
from livesense.logbook.locks import RunLock
from livesense.logbook.retention import Keeping, Retention, Written
from livesense.logbook.rows import OutageRow, RequestRow, RevisionRow, StageRow
from livesense.samples import (
    Estimate,
    Event,
    Gap,
    GroupInfo,
    LinkFault,
    Restart,
    ScanBlock,
    SegmentStart,
)
from livesense.trend_rows import TrendRows

if TYPE_CHECKING:
    from livesense.logbook.writer import LogbookWriter

HEALTH_S = 1.0
"""The recorder's sign of life is renewed at least so often."""


class RunWriter:
    """Records one run; made by :meth:`LogbookWriter.start_run`.

    Every method but :meth:`commit`, :meth:`merge` and :meth:`finish` only takes note.
    After a failed commit nothing is lost: the next one tries again.
    """

    def __init__(self, logbook: LogbookWriter, number: int, lock: RunLock) -> None:
        self.number = number
        self._logbook = logbook
        self._lock = lock
        self._queue: list[Statement] = []
        self._groups: dict[int, GroupWriter] = {}
        self._faults: dict[tuple[int, str], int] = {}
        self._events = 0
        self._health: dict[str, Any] = {}
        self._health_written_s = float("-inf")
        self._health_changed = False
        self._over = False
        self._retention: Retention | None = None

    def retain(self, keeping: Keeping) -> None:
        """Drop raw scans of this run once they are old, or where the file would become too large."""
        self._retention = Retention(keeping, self.number, self._logbook.select)

    def add_groups(
        self,
        groups: Sequence[GroupInfo],
        shown_names: Mapping[str, str] | Sequence[tuple[str, str]] = (),
        *,
        counted: bool | Sequence[bool] = True,
    ) -> None:
        """Tell what groups the run has; once, before their first scans.

        ``shown_names`` gives the device's own names where they were replaced.
        ``counted`` False: the wire has no scan counter, so loss cannot be counted.
        """
        if self._groups:
            raise ValueError(f"run {self.number} has its groups already; start another run for others")
        shown = dict(shown_names)
        flags = [counted] * len(groups) if isinstance(counted, bool) else list(counted)
        for number, (info, flag) in enumerate(zip(groups, flags, strict=True)):
            group = GroupWriter(self.number, number, info)
            self._groups[number] = group
            if self._retention is not None:
                self._retention.rate(number, info.rate_hz)
            self._put(
                "INSERT INTO scan_group (run, number, rate_hz, code, held_as, bits, burst, counted)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                self.number,
                number,
                real_or_none(info.rate_hz),
                str(info.code),
                group.held_as,
                whole_or_none(info.bits),
                whole_or_none(info.burst),
                int(flag),
            )
            for position, name in enumerate(info.channels):
                decimals = info.decimals[position] if position < len(info.decimals) else 0
                self._put(
                    "INSERT INTO channel (run, scan_group, position, name, shown_name, role, decimals)"
                    " VALUES (?, ?, ?, ?, ?, 'code', ?)",
                    self.number,
                    number,
                    position,
                    plain_text(name),
                    plain_text(shown.get(name, name)),
                    int(decimals),
                )
            if info.clock is not None:
                self._queue.append(group.clock_channel(info.clock))

    def describe(self, text: str, device: str | None = None) -> None:
        """Keep the device's description as it came; ``device`` is read from it when not given."""
        if device is None:
            device = device_of(text)
        self._put(
            "UPDATE run SET description = ?, device = ? WHERE number = ?",
            plain_text(text),
            plain_text(device),
            self.number,
        )

    def use_calibrations(self, numbers: Sequence[int], wall_s: float, version: str) -> None:
        """Keep which calibrations the run is recorded with: its revision 0."""
        row = RevisionRow(0, wall_s, "", "", "", "", tuple(numbers), version, None)
        self._queue.append(revisions.insertion(self.number, row))

    def append(self, block: ScanBlock) -> None:
        """Take the next scans of a group.

        The arrays are kept as they are until they are merged: do not change them afterwards.

        Raises
        ------
        ValueError
            Unknown group, wrong shape or type, or scan indices that go back.
        """
        self._group(block.group).append(block)

    def trend(self, group: int, level: int, rows: TrendRows) -> None:
        """Keep rows of a group's trend; see :mod:`livesense.trend_rows`."""
        self._queue += [
            trends.insertion(self.number, int(group), int(level), row) for row in trends.each(rows)
        ]

    def segment(self, start: SegmentStart) -> None:
        """Begin a new stretch of even sampling."""
        if self._retention is not None:
            self._retention.rate(start.group, start.rate_hz)
        self._put(
            "INSERT OR REPLACE INTO segment (run, scan_group, first, start_s, rate_hz)"
            " VALUES (?, ?, ?, ?, ?)",
            self.number,
            int(start.group),
            int(start.first),
            float(start.start_s),
            real_or_none(start.rate_hz),
        )

    def gap(self, gap: Gap, wall_s: float | None = None) -> None:
        """Keep that scans were not stored."""
        self._put(
            "INSERT INTO gap (run, scan_group, first, scans, cause, wall_s) VALUES (?, ?, ?, ?, ?, ?)",
            self.number,
            int(gap.group),
            int(gap.first),
            whole_or_none(gap.count),
            str(gap.cause),
            real_or_none(wall_s),
        )

    def restart(self, restart: Restart, wall_s: float | None = None) -> None:
        """Keep that the device began anew."""
        self._put(
            "INSERT INTO restart (run, scan_group, scan, last_counter, first_counter, wall_s)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            self.number,
            whole_or_none(restart.group),
            int(restart.scan),
            whole_or_none(restart.last_counter),
            whole_or_none(restart.first_counter),
            real_or_none(wall_s),
        )

    def fault(self, fault: LinkFault, wall_s: float) -> None:
        """Count a fault; kept per kind and second."""
        key = (int(wall_s), str(fault.kind))
        self._faults[key] = self._faults.get(key, 0) + int(fault.count)

    def note(self, text: str, wall_s: float, scan: int | None = None, source: str = "device") -> None:
        """Keep a note of the device or of the user; ``scan`` is of group 0."""
        self._put(
            "INSERT INTO note (run, wall_s, scan, source, text) VALUES (?, ?, ?, ?, ?)",
            self.number,
            float(wall_s),
            whole_or_none(scan),
            plain_text(source),
            plain_text(text),
        )

    def stage(self, row: StageRow) -> None:
        """Keep a verdict on a stage of a bring-up; its number is given by the logbook."""
        self._put(
            "INSERT INTO stage (run, wall_s, stage, verdict, from_s, to_s, text, details)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            self.number,
            float(row.wall_s),
            plain_text(row.stage),
            plain_text(row.verdict),
            real_or_none(row.from_s),
            real_or_none(row.to_s),
            plain_text(row.text),
            to_json(row.details),
        )

    def outage(self, outage: OutageRow) -> None:
        """Keep that the port went away, came back, what it cost: the same beginning updates one row."""
        self._put(
            "INSERT OR REPLACE INTO outage (run, began_wall_s, ended_wall_s, cause, scans_lost, uncounted)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            self.number,
            float(outage.began_wall_s),
            real_or_none(outage.ended_wall_s),
            plain_text(outage.cause),
            whole_or_none(outage.scans_lost),
            outage.uncounted,
        )

    def open_event(self, event: Event) -> int:
        """Keep an event; hands back its number within the run, for :meth:`update_event`."""
        number = self._events
        self._events += 1
        if self._retention is not None:
            self._retention.event(number, event)
        fields = event_fields(event)
        columns = ", ".join(fields)
        marks = ", ".join("?" * len(fields))
        self._put(
            f"INSERT INTO event (run, revision, number, {columns}) VALUES (?, 0, ?, {marks})",
            self.number,
            number,
            *fields.values(),
        )
        return number

    def update_event(self, number: int, event: Event) -> None:
        """Renew an event that went on or ended."""
        if self._retention is not None:
            self._retention.event(number, event)
        fields = event_fields(event)
        columns = ", ".join(f"{column} = ?" for column in fields)
        self._put(
            f"UPDATE event SET {columns} WHERE run = ? AND revision = 0 AND number = ?",
            *fields.values(),
            self.number,
            int(number),
        )

    def rate(self, group: int, nominal_hz: float, estimate: Estimate) -> None:
        """Keep the scan rate as fitted so far, where the device calls it ``nominal_hz``."""
        self._put(
            "INSERT OR REPLACE INTO rate"
            " (run, scan_group, value_hz, u_random_hz, u_systematic_hz, nominal_hz)"
            " VALUES (?, ?, ?, ?, ?, ?)",
            self.number,
            int(group),
            float(estimate.value),
            float(estimate.u_random),
            float(estimate.u_systematic),
            float(nominal_hz),
        )

    def health(self, **figures: Any) -> None:
        """Take the recorder's figures (anything JSON can hold); the newest value of each name is kept."""
        self._health.update(figures)
        self._health_changed = True

    def requests(self) -> list[RequestRow]:
        """List what is asked of this run and not answered yet, oldest first."""
        rows = self._logbook.select(
            "SELECT id, run, asked_wall_s, kind, text, answer FROM request"
            " WHERE run = ? AND answered_wall_s IS NULL ORDER BY id LIMIT 100",
            (self.number,),
        )
        return [RequestRow(*row) for row in rows]

    def answer(self, number: int, text: str) -> None:
        """Answer a request, with the next commit."""
        self._put(
            "UPDATE request SET answer = ?, answered_wall_s = ? WHERE id = ? AND run = ?",
            plain_text(text),
            time.time(),
            int(number),
            self.number,
        )

    def commit(self) -> None:
        """Write everything pending in one transaction; called every 50 ms or so.

        About once a second the newest scans are merged into compressed blocks, in the same transaction.

        Raises
        ------
        DiskFullError
            The disk is full, or nearly so: what was committed before is kept, and this too if there was room.
        LogbookFullError
            The logbook has reached its largest size; this commit is kept.
        LogbookError
            The file cannot be written.
        """
        self._commit(force=False)
        self._logbook.upkeep()
        if self._retention is not None:
            self._drop_old(self._retention)

    def _drop_old(self, retention: Retention) -> None:
        if retention.due(time.monotonic(), sum(group.block_bytes for group in self._groups.values())):
            self._queue.extend(retention.statements(self._written(), time.time()))
            self._write()

    def _drop_all_old(self, retention: Retention) -> None:
        """Drop what is old by now: a file is read faster than looks are taken."""
        self._commit(force=True)
        while statements := retention.statements(self._written(), time.time()):
            self._queue.extend(statements)
            self._write()

    def _written(self) -> dict[int, Written]:
        return {number: Written(*group.shape, group.block_bytes) for number, group in self._groups.items()}

    def merge(self, force: bool = False) -> None:
        """Commit; ``force`` merges all scans into blocks now."""
        self._commit(force=force)

    def finish(self, ended: str, wall_s: float, summary: Mapping[str, Any] | None = None) -> None:
        """Write what is pending and the run's end; nothing can be added afterwards.

        ``ended`` is time, closed, asked, error or another word; only ``error`` makes the run a failed one.
        """
        if self._over:
            raise ValueError(f"run {self.number} has ended already")
        if self._retention is not None and ended != "error":
            with suppress(LogbookFullError):
                self._drop_all_old(self._retention)
        for group in self._groups.values():
            self._queue.extend(group.statements(time.monotonic(), force=True))
            self._queue.extend(group.last_pages())
        self._put(
            "UPDATE run SET ended = ?, ended_wall_s = ?, summary = ? WHERE number = ?",
            plain_text(ended),
            float(wall_s),
            None if summary is None else to_json(summary),
            self.number,
        )
        self._commit(force=False)
        self._end()

    def abandon(self) -> None:
        """Write what is pending and let go of the run without an end; it reads as recovered."""
        if not self._over:
            try:
                self._commit(force=False)
            finally:
                self._end()

    def size_bytes(self) -> int:
        """Measure the whole logbook on the disk, in bytes."""
        return self._logbook.size_bytes()

    def _end(self) -> None:
        self._over = True
        self._lock.release()
        self._logbook.forget(self)

    def _commit(self, *, force: bool) -> None:
        if self._over:
            raise LogbookError(f"run {self.number} has ended; start another run")
        now = time.monotonic()
        for group in self._groups.values():
            self._queue.extend(group.statements(now, force=force))
        for (second, kind), count in self._faults.items():
            self._put(
                "INSERT INTO fault (run, wall_s, kind, count) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (run, wall_s, kind) DO UPDATE SET count = count + excluded.count",
                self.number,
                second,
                kind,
                count,
            )
        self._faults.clear()
        if self._health_changed or now - self._health_written_s >= HEALTH_S:
            self._put(
                "INSERT OR REPLACE INTO health (run, wall_s, figures) VALUES (?, ?, ?)",
                self.number,
                time.time(),
                to_json(self._health),
            )
            self._health_changed = False
            self._health_written_s = now
        self._write()

    def _write(self) -> None:
        if self._queue:
            self._logbook.write(self._queue)
            self._queue = []

    def _group(self, number: int) -> GroupWriter:
        try:
            return self._groups[number]
        except KeyError:
            raise ValueError(f"expected one of the groups {sorted(self._groups)}, got {number}") from None

    def _put(self, text: str, *values: Any) -> None:
        self._queue.append((text, values))
