"""Reading one run."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import DamagedBlockError, LogbookError, RunNotFoundError
from livesense.logbook import codec, kept, revisions, trends
from livesense.logbook.envelope import Envelope, envelope
from livesense.logbook.fields import event_row, from_json
from livesense.logbook.kept import DroppedRow
from livesense.logbook.rows import (
    CalibrationRow,
    ChannelRow,
    EventRow,
    FaultRow,
    GapRow,
    HealthRow,
    NoteRow,
    OutageRow,
    RequestRow,
    RestartRow,
    RevisionRow,
    RunRow,
    StageRow,
)
from livesense.logbook.run_rows import run_rows
from livesense.logbook.stretches import Source
from livesense.logbook.totals import Totals
from livesense.logbook.whole import whole
from livesense.samples import CodeType, Estimate, GroupInfo, SegmentStart, TimeAxis
from livesense.trend_rows import TrendRows

if TYPE_CHECKING:
    from livesense.logbook.reader import Logbook

_EVENT = (
    "number, revision, kind, channel, scan_group, rule, start_scan, end_scan, peak, peak_scan,"
    " peak_at_least, limit_value, unit, text, lost_scans, cut_short, details"
)


class RunReader:
    """One run of a logbook; made by :meth:`Logbook.run`.

    Scans that are being recorded appear at once. What groups the run has, and its
    row, are read when they are first asked for, and again after :meth:`refresh`.
    """

    def __init__(self, logbook: Logbook, number: int) -> None:
        self._logbook = logbook
        self.number = number
        self._row: RunRow | None = None
        self._groups: tuple[GroupInfo, ...] | None = None
        self._counted: tuple[bool, ...] = ()
        self._sources: tuple[Source, ...] = ()
        self._channels: list[ChannelRow] = []
        self._totals = Totals(logbook.select, number)

    def refresh(self) -> None:
        """Forget what was read of the run's row and groups."""
        self._row = None
        self._groups = None

    @property
    def row(self) -> RunRow:
        """The run at a glance."""
        if self._row is None:
            self._row = self._read_row()
        return self._row

    @property
    def groups(self) -> tuple[GroupInfo, ...]:
        """Its groups, in the order of their numbers; empty while none is known yet."""
        if self._groups is None:
            self._read_groups()
        return self._groups or ()

    @property
    def description(self) -> str:
        """The device's description as it came."""
        rows = self._logbook.select("SELECT description FROM run WHERE number = ?", (self.number,))
        return str(rows[0][0]) if rows else ""

    def channel_rows(self) -> list[ChannelRow]:
        """List the stored channels of all groups, clocks too."""
        if self._groups is None:
            self._read_groups()
        return list(self._channels)

    def time_axis(self, group: int) -> TimeAxis:
        """Tell where a group's scans lie in time."""
        source = self._source(group)
        found = self.segments(group)
        if not found or found[0].first > 0:
            rate_hz = self.groups[source.number].rate_hz
            found.insert(0, SegmentStart(group, 0, 0.0, rate_hz))
        return TimeAxis(tuple(found))

    def extent(self, group: int) -> tuple[int, int]:
        """Find the first stored scan index, and the last one + 1; (0, 0) while nothing is stored.

        Scans that retention dropped count: they are summed up.
        """
        source = self._source(group)
        place = {"run": self.number, "number": source.number}
        gone = (
            "(SELECT min(first) FROM dropped WHERE run = :run AND scan_group = :number AND level = 0)"
            if source.drops
            else "NULL"
        )
        ((low, low_tail, high, high_tail, low_gone),) = self._logbook.select(
            "SELECT (SELECT min(first) FROM block"
            "  WHERE run = :run AND scan_group = :number AND position = 0),"
            " (SELECT min(first) FROM tail WHERE run = :run AND scan_group = :number),"
            " (SELECT first + scans FROM block WHERE run = :run AND scan_group = :number AND position = 0"
            "  ORDER BY first DESC LIMIT 1),"
            " (SELECT first + scans FROM tail WHERE run = :run AND scan_group = :number"
            f"  ORDER BY first DESC LIMIT 1), {gone}",
            place,
        )
        firsts = [self._whole(value, "first") for value in (low, low_tail, low_gone) if value is not None]
        stops = [self._whole(value, "first") for value in (high, high_tail) if value is not None]
        return (min(firsts), max(stops)) if firsts else (0, 0)

    def scans_stored(self, group: int) -> int:
        """Count the scans of a group that were stored; retention may have dropped some of them since."""
        return self._totals.scans_stored(self._source(group).number)

    def scans_dropped(self, group: int) -> int:
        """Count the scans of a group that retention dropped."""
        return self._totals.scans_dropped(self._source(group).number)

    def dropped(self, group: int | None = None, level: int = 0) -> list[DroppedRow]:
        """List the ranges that retention dropped, in order; ``level`` 0 are raw scans, 1 the finest sums."""
        return [
            row for row in kept.dropped_rows(self._logbook.select, self.number, group) if row.level == level
        ]

    def is_dropped(self, group: int, first: int, stop: int) -> bool:
        """Tell whether retention dropped raw scans of a window."""
        return self._source(group).dropped_level(int(first), int(stop)) > 0

    def scans_lost(self, group: int) -> int | None:
        """Count the scans lost, burst pauses left out; None where the wire has no counter."""
        source = self._source(group)
        if not self._counted[source.number]:
            return None
        return self._totals.scans_lost(source.number)

    def holds_scans(self) -> bool:
        """Tell whether any scan is stored."""
        return any(stop > first for first, stop in map(self.extent, range(len(self.groups))))

    def codes(
        self, group: int, first: int, stop: int, channels: Sequence[str] | None = None
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """Read the stored codes of scan indices ``first … stop − 1``.

        Yields ``(index of the first row, (n, channels))`` for each whole stretch, in the
        group's own type. A stretch longer than half a million scans comes in pieces, each
        beginning where the one before ended.

        Raises
        ------
        DamagedBlockError
            Stored codes do not match their checksum.
        """
        source = self._source(group)
        names = self.groups[source.number].channels
        positions = (
            range(len(names)) if channels is None else [self._position(group, name) for name in channels]
        )
        return source.stretches(int(first), int(stop), list(positions))

    def clock(self, group: int, first: int, stop: int) -> Iterator[tuple[int, NDArray[np.int64]]]:
        """Read the device's own clock in unwrapped ticks, ``(n,)``, stretch by stretch."""
        return self._source(group).stretches(int(first), int(stop), [], clock=True)

    def latest(self, group: int, count: int) -> tuple[int, NDArray[Any]]:
        """Read the newest whole stretch, at most ``count`` scans of it.

        Returns ``(index of the first row, (n, channels))``; ``n`` is 0 while nothing is stored.
        """
        source = self._source(group)
        positions = list(range(source.channels))
        low, high = self.extent(group)
        if high <= low or count < 1:
            return high, np.empty((0, source.channels), source.dtype)
        parts: list[tuple[int, NDArray[Any]]] = list(
            source.stretches(max(low, high - int(count)), high, positions)
        )
        if not parts:
            return high, np.empty((0, source.channels), source.dtype)
        keep = len(parts) - 1
        while keep and parts[keep - 1][0] + len(parts[keep - 1][1]) == parts[keep][0]:
            keep -= 1
        pieces = [codes for _, codes in parts[keep:]]
        return parts[keep][0], pieces[0] if len(pieces) == 1 else np.concatenate(pieces)

    def envelope(self, group: int, channel: str, first: int, stop: int, buckets: int) -> Envelope:
        """Find the smallest, largest and mean code of each of at most ``buckets`` buckets of a window.

        Takes a bounded number of rows, whatever the window's length. A window of fewer
        scans than buckets gives one bucket a scan. Scans not merged yet are in it.

        Raises
        ------
        ValueError
            An empty window, or no bucket.
        DamagedBlockError
            What is stored does not match its checksum.
        """
        source = self._source(group)
        return envelope(source, self._position(group, channel), int(first), int(stop), int(buckets))

    def trends(self, group: int, level: int, first: int, stop: int) -> TrendRows:
        """Read the rows of a level that hold any of the scans ``first … stop − 1``, in order.

        None for runs of a recorder before schema version 5. A level that is not reached yet may hold less
        than the one below it; :func:`livesense.trending.rows_between` puts them together.

        Raises
        ------
        DamagedBlockError
            What is stored is not a row of this group.
        """
        source = self._source(group)
        return trends.read(
            self._logbook.select, self.number, source.number, source.channels, level, first, stop
        )

    def has_trends(self, group: int) -> bool:
        """Tell whether any row of a trend is kept of a group."""
        return trends.are_kept(self._logbook.select, self.number, self._source(group).number)

    def gaps_between(self, group: int, first: int, stop: int) -> list[GapRow]:
        """List a group's gaps that begin before ``stop`` and may reach ``first`` or beyond, in order."""
        rows = self._logbook.select(
            "SELECT scan_group, first, scans, cause, wall_s FROM gap"
            " WHERE run = :run AND scan_group = :number AND first < :stop AND first >= coalesce("
            "  (SELECT max(first) FROM gap WHERE run = :run AND scan_group = :number AND first <= :first), 0)"
            " ORDER BY first, id",
            {"run": self.number, "number": int(group), "first": int(first), "stop": int(stop)},
        )
        return [GapRow(*row) for row in rows]

    def gaps(self, group: int | None = None, *, most: int | None = None) -> list[GapRow]:
        """List gaps in order of their scans, of one group or of all; at most the first ``most``."""
        rows = self._logbook.select(
            "SELECT scan_group, first, scans, cause, wall_s FROM gap"
            " WHERE run = ? AND (? IS NULL OR scan_group = ?) ORDER BY scan_group, first, id LIMIT ?",
            (self.number, group, group, -1 if most is None else int(most)),
        )
        return [GapRow(*row) for row in rows]

    def gap_count(self) -> int:
        """Count the gaps of all groups."""
        ((count,),) = self._logbook.select("SELECT count(*) FROM gap WHERE run = ?", (self.number,))
        return int(count)

    def restarts(self) -> list[RestartRow]:
        """List restarts of the device, in the order they were seen."""
        rows = self._logbook.select(
            "SELECT scan_group, scan, last_counter, first_counter, wall_s FROM restart"
            " WHERE run = ? ORDER BY id",
            (self.number,),
        )
        return [RestartRow(*row) for row in rows]

    def faults(self) -> list[FaultRow]:
        """List faults per kind and second, in order of time."""
        rows = self._logbook.select(
            "SELECT wall_s, kind, count FROM fault WHERE run = ? ORDER BY wall_s, kind", (self.number,)
        )
        return [FaultRow(*row) for row in rows]

    def fault_counts(self) -> dict[str, int]:
        """Count the faults of the whole run per kind."""
        return self._totals.faults()

    def stages(self) -> list[StageRow]:
        """List the verdicts of a bring-up, in the order they were kept."""
        if not self._logbook.select("SELECT 1 FROM sqlite_master WHERE name = 'stage'"):
            return []
        rows = self._logbook.select(
            "SELECT id, wall_s, stage, verdict, from_s, to_s, text, details FROM stage"
            " WHERE run = ? ORDER BY id",
            (self.number,),
        )
        return [
            StageRow(number, wall_s, stage, verdict, from_s, to_s, text, from_json(details))
            for number, wall_s, stage, verdict, from_s, to_s, text, details in rows
        ]

    def notes(self, *, newest: int | None = None) -> list[NoteRow]:
        """List notes in the order they were kept; ``newest`` limits them to so many that were kept last."""
        rows = self._logbook.select(
            "SELECT id, wall_s, scan, source, text FROM note WHERE run = ? ORDER BY id DESC LIMIT ?",
            (self.number, -1 if newest is None else int(newest)),
        )
        return [NoteRow(*row) for row in reversed(rows)]

    def events(self, revision: int | None = None, *, newest: int | None = None) -> list[EventRow]:
        """List events in order of their start; of the newest revision unless one is named.

        ``newest`` limits them to so many that were found last, and those still open.
        """
        rows = self._logbook.select(
            f"SELECT {_EVENT} FROM event"
            " WHERE run = :run"
            "  AND revision = :revision"
            # By their numbers: groups count their scans apart.
            "  AND (:newest IS NULL OR end_scan IS NULL OR number IN (SELECT number FROM event"
            "   WHERE run = :run AND revision = :revision ORDER BY number DESC LIMIT :newest))"
            " ORDER BY start_scan, number",
            {
                "run": self.number,
                "revision": self.revision() if revision is None else revision,
                "newest": newest,
            },
        )
        return [event_row(row) for row in rows]

    def events_page(self, offset: int, limit: int) -> list[EventRow]:
        """List at most ``limit`` events of the newest revision, in the order they were found, from one on."""
        rows = self._logbook.select(
            f"SELECT {_EVENT} FROM event"
            " WHERE run = :run AND revision = :revision ORDER BY number LIMIT :limit OFFSET :offset",
            {
                "run": self.number,
                "revision": self.revision(),
                "limit": max(int(limit), 0),
                "offset": max(int(offset), 0),
            },
        )
        return [event_row(row) for row in rows]

    def outages(self) -> list[OutageRow]:
        """List the times when the port was away."""
        return self._logbook.outages(self.number).get(self.number, [])

    def is_away(self) -> bool:
        """Tell whether the port is away, or was at the end."""
        return bool(
            self._logbook.select(
                "SELECT 1 FROM outage WHERE run = ? AND ended_wall_s IS NULL LIMIT 1", (self.number,)
            )
        )

    def segments(self, group: int) -> list[SegmentStart]:
        """List a group's segments as they were stored."""
        return self._totals.segments(group)

    def rates(self) -> dict[int, dict[float, Estimate]]:
        """Give the scan rates fitted in each group, in Hz, by the nominal rate they were fitted at."""
        # Schema version 1 had no nominal rate, it kept that of the latest one.
        known = self._logbook.select("SELECT 1 FROM pragma_table_info('rate') WHERE name = 'nominal_hz'")
        rows = self._logbook.select(
            f"SELECT scan_group, {'nominal_hz' if known else 'NULL'}, value_hz, u_random_hz, u_systematic_hz"
            " FROM rate WHERE run = ? ORDER BY scan_group",
            (self.number,),
        )
        found: dict[int, dict[float, Estimate]] = {}
        for group, nominal_hz, value, random, systematic in rows:
            if nominal_hz is None:
                nominal_hz = next((s.rate_hz for s in reversed(self.segments(group))), None) or value
            found.setdefault(group, {})[nominal_hz] = Estimate(value, random, systematic, "Hz")
        return found

    def health(self) -> HealthRow | None:
        """Give the recorder's latest figures."""
        rows = self._logbook.select("SELECT wall_s, figures FROM health WHERE run = ?", (self.number,))
        return HealthRow(rows[0][0], from_json(rows[0][1])) if rows else None

    def requests(self) -> list[RequestRow]:
        """List what was asked of this run, with the answers."""
        rows = self._logbook.select(
            "SELECT id, run, asked_wall_s, kind, text, answer FROM request WHERE run = ? ORDER BY id",
            (self.number,),
        )
        return [RequestRow(*row) for row in rows]

    def revision(self) -> int:
        """Find the newest revision that was not undone; 0 is the run as it was recorded."""
        return revisions.newest(self._logbook.select, self.number)

    def revisions(self) -> list[RevisionRow]:
        """List what the run's figures stood on, undone revisions too; old logbooks keep no number 0."""
        return revisions.all_of(self._logbook.select, self.number)

    def calibration(self, revision: int | None = None) -> list[CalibrationRow]:
        """Read the calibrations that a revision uses, of the newest one unless another is named."""
        number = self.revision() if revision is None else revision
        used = next((r.calibrations for r in self.revisions() if r.number == number), ())
        return self._logbook.calibrations_numbered(used)

    def _whole(self, value: object, name: str) -> int:
        try:
            return whole(value, name)
        except DamagedBlockError as error:
            raise DamagedBlockError(f"{self._logbook.path}: run {self.number}: {error}") from error

    def _source(self, group: int) -> Source:
        if self._groups is None:
            self._read_groups()
        if not 0 <= group < len(self._sources):
            raise ValueError(
                f"run {self.number}: expected a group from 0 to {len(self._sources) - 1}, got {group}"
            )
        return self._sources[group]

    def _position(self, group: int, name: str) -> int:
        names = self.groups[group].channels
        if name not in names:
            raise ValueError(
                f"run {self.number}, group {group}: expected one of {', '.join(names)}, got {name!r}"
            )
        return names.index(name)

    def _read_groups(self) -> None:
        book = self._logbook
        channels = [
            ChannelRow(*row)
            for row in book.select(
                "SELECT scan_group, position, name, shown_name, role, decimals FROM channel"
                " WHERE run = ? ORDER BY scan_group, position",
                (self.number,),
            )
        ]
        groups: list[GroupInfo] = []
        counted: list[bool] = []
        sources: list[Source] = []
        drops = kept.are_noted(book.select)
        for row in book.select(
            "SELECT number, rate_hz, code, held_as, bits, burst, counted FROM scan_group"
            " WHERE run = ? ORDER BY number",
            (self.number,),
        ):
            number, rate_hz, code, held_as, bits, burst, flag = row
            mine = [c for c in channels if c.group == number and c.role == "code"]
            if number != len(groups) or [c.position for c in mine] != list(range(len(mine))):
                raise LogbookError(
                    f"{book.path}: run {self.number}: expected groups and channels numbered from 0 on"
                )
            try:
                kind = CodeType(code)
            except ValueError:
                raise LogbookError(
                    f"{book.path}: run {self.number}: expected a known type of codes, found {code!r}"
                ) from None
            decimals = tuple(c.decimals for c in mine)
            groups.append(
                GroupInfo(
                    rate_hz,
                    kind,
                    bits,
                    tuple(c.name for c in mine),
                    burst,
                    decimals if any(decimals) else (),
                    next((c.name for c in channels if c.group == number and c.role == "clock"), None),
                )
            )
            counted.append(bool(flag))
            try:
                held = codec.dtype_of(held_as)
            except DamagedBlockError as error:
                raise LogbookError(f"{book.path}: run {self.number}: {error}") from error
            sources.append(self._source_for(number, held, len(mine), drops))
        self._channels, self._counted, self._sources = channels, tuple(counted), tuple(sources)
        self._groups = tuple(groups) if groups else None

    def _source_for(self, group: int, held: np.dtype[Any], channels: int, drops: bool) -> Source:
        """Tell where a group's codes are: in the logbook, unless a kind of run keeps them elsewhere."""
        return Source(self._logbook.select, self._logbook.cache, self.number, group, held, channels, drops)

    def _read_row(self) -> RunRow:
        lost = [self.scans_lost(group) for group in range(len(self.groups))]
        book = self._logbook
        totals = sum(count or 0 for count in lost), self._totals.events()
        rows = run_rows(book.select, book.state, self.number, totals)
        if not rows:
            raise RunNotFoundError(f"{book.path}: run {self.number} is not there any more")
        return rows[0]
