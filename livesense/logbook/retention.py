"""Dropping old raw scans of the run that is being recorded, so that its logbook stops growing.

What is dropped was summed up before (the pyramid's page over it is stored), and stands in the table
``dropped``. The scans of events stay: their blocks are cut down to them. Where the logbook would become too
large they go at last, the oldest first; what is known of the events stays. Freed pages are used again by
what comes next, inside the same file.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

import numpy as np

from livesense.errors import LogbookFullError
from livesense.logbook import codec, pyramid
from livesense.logbook.connection import Statement
from livesense.logbook.group_writer import block_row
from livesense.logbook.kept import Range, joined_ranges, outside, waveforms_of
from livesense.samples import Event

STEP_S = 2.0
"""So often old scans are looked for; what falls due in between goes in one transaction …"""

STEP_BYTES = 2 << 20
"""… or whenever so much was written, where a file is read as fast as it goes."""

BLOCKS_AT_ONCE = 64
"""Blocks of each channel that one transaction drops: a recorder that is behind catches up in steps."""

WAVEFORM_BLOCKS = 1024
"""Blocks of events that one transaction drops."""

FINE_TIMES = 10
"""The finest sums are kept so many times as long as raw scans; coarser ones stay."""

WAL_BYTES = 16 << 20
"""Of the largest size this much is left to the write-ahead file …"""

HEADROOM_BYTES = 8 << 20
"""… and this much to what comes until the next look."""

LEAST_RAW_S = 10.0
"""A size that leaves less raw scans than this ends the recording."""

VACUUM_PAGES = 256
"""Free pages that a step gives back while the file is larger than it may be."""

AGE, SIZE, WAVEFORMS = "age", "size", "waveforms"
"""Why scans were dropped; the last: to keep the size, the waveforms of events among them."""


@dataclass(frozen=True, slots=True)
class Keeping:
    """What is kept; the fields are those of :class:`livesense.bench.Keep`."""

    raw_s: float | None
    size_bytes: int | None
    around_s: float
    event_s: float


@dataclass(frozen=True, slots=True)
class Written:
    """What was written of a group: the next scan's index, channels of codes, a clock, bytes of blocks."""

    next: int
    channels: int
    clock: bool
    dtype: np.dtype[Any]
    bytes: int


@dataclass(slots=True)
class _Group:
    """How far retention has come in a group."""

    number: int
    rate_hz: float
    written: Written
    edge: int = 0
    """Everything before it was looked at: dropped, or kept with an event."""
    row: tuple[int, int, int] | None = None
    """The newest dropped range: first, stop, scans; None where the next one begins a new row."""
    bare_first: int | None = None
    """Where the dropped range begins in which no waveform of an event is left."""
    sums_edge: int = 0
    passed_bytes: int = 0
    events: dict[int, tuple[int, Event]] = field(default_factory=dict)
    """By number: where an event's waveform begins, and the event."""

    def scans(self, seconds: float) -> int:
        return math.ceil(seconds * self.rate_hz)

    @property
    def age_s(self) -> float:
        """How old the oldest raw scans are that may go."""
        return (self.written.next - self.edge) / self.rate_hz

    @property
    def positions(self) -> int:
        return self.written.channels + self.written.clock

    @property
    def in_positions(self) -> str:
        return f"position IN ({','.join(map(str, range(self.positions)))})"


Read = Callable[[str, Sequence[object]], list[tuple[Any, ...]]]

Block = tuple[int, int, int, int, int]
"""``first, scans, position, id`` and the bytes of its data."""

_BLOCKS = """
SELECT first, scans, position, id, length(data) FROM block
 WHERE run = ? AND scan_group = ? AND {positions} AND first >= ? AND first + scans <= ?
 ORDER BY first, position LIMIT ?
"""
_OLDEST = """
SELECT first + scans FROM block WHERE run = ? AND scan_group = ? AND position = 0 AND first >= ? AND first < ?
 ORDER BY first LIMIT ?
"""
_DROPPED = (
    "INSERT OR REPLACE INTO dropped (run, scan_group, level, first, stop, scans, reason, wall_s)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)


class Retention:
    """Decides what goes; made by :meth:`RunWriter.retain`, which asks for statements every two seconds."""

    def __init__(self, keeping: Keeping, run: int, select: Read) -> None:
        self._keeping = keeping
        self._run = run
        self._select = select
        self._groups: dict[int, _Group] = {}
        self._rates: dict[int, float] = {}
        self._events: list[tuple[int, Event]] = []
        self._looked_s = float("-inf")
        self._looked_bytes = 0
        self._reason = AGE

    def rate(self, number: int, rate_hz: float | None) -> None:
        """Tell at which rate a group's scans come from now on; without one all of it is kept."""
        if rate_hz:
            self._rates[number] = rate_hz

    def event(self, number: int, event: Event) -> None:
        """Tell of an event, or how it went on: its scans stay."""
        self._events.append((number, event))

    def due(self, now_s: float, written_bytes: int) -> bool:
        """Tell whether it is time to look, now that so many bytes of blocks were written in all."""
        if now_s - self._looked_s < STEP_S and written_bytes - self._looked_bytes < STEP_BYTES:
            return False
        self._looked_s, self._looked_bytes = now_s, written_bytes
        return True

    def statements(self, written: Mapping[int, Written], wall_s: float) -> list[Statement]:
        """Say what to write, given what was written of each group.

        Raises
        ------
        LogbookFullError
            The largest size is reached, and there is nothing left that may go.
        """
        for number, now in written.items():
            rate_hz = self._rates.get(number)
            if rate_hz is not None:
                group = self._groups.setdefault(number, _Group(number, rate_hz, now))
                group.written, group.rate_hz = now, rate_hz
        for number, event in self._events:
            if event.group in self._groups:
                group = self._groups[event.group]
                begin = waveforms_of(event, event.start_scan, group.rate_hz, self._keeping.around_s, 1.0)[0][
                    0
                ]
                group.events[number] = begin, event
        self._events.clear()
        raw_s, beyond = self._raw_s()
        found: list[Statement] = self._drop_waveforms(beyond, wall_s) if beyond else []
        if raw_s is not None:
            for group in self._groups.values():
                found += self._drop(group, raw_s, wall_s)
        return found + self._give_back()

    def _raw_s(self) -> tuple[float | None, int]:
        """Seconds of raw scans to keep now: as asked, or less where the file would become too large.

        And how many bytes it has too many where dropping raw scans is not enough.
        """
        raw_s, size = self._keeping.raw_s, self._keeping.size_bytes
        self._reason = AGE
        if size is None:
            return raw_s, 0
        used = (self._pragma("page_count") - self._pragma("freelist_count")) * self._pragma("page_size")
        excess = used - (size - WAL_BYTES - HEADROOM_BYTES)
        if excess <= 0:
            return raw_s, 0
        groups = self._groups.values()
        raw_bytes = sum(g.written.bytes - g.passed_bytes for g in groups)
        oldest_s = max((g.age_s for g in groups), default=0.0)
        if not any(self._may_drop(g, LEAST_RAW_S) for g in groups):
            # A little more than the budget does no harm yet.
            if excess > HEADROOM_BYTES // 2 and not any(self._oldest(g, 0, g.edge, 1) for g in groups):
                raise LogbookFullError(_full(size, raw_bytes, oldest_s))
            return raw_s, excess
        fewer_s = max(oldest_s * (1.0 - excess / max(raw_bytes, 1)), LEAST_RAW_S)
        if raw_s is not None and raw_s <= fewer_s:
            return raw_s, 0
        self._reason = SIZE
        return fewer_s, 0

    def _may_drop(self, group: _Group, raw_s: float) -> bool:
        """Tell whether any whole block is older than that, and summed up."""
        limit = self._limit(group, raw_s)
        return any(stop <= limit for stop in self._oldest(group, group.edge, limit, 1))

    def _limit(self, group: _Group, raw_s: float) -> int:
        return min(group.written.next - group.scans(raw_s), self._reach(group, 1))

    def _oldest(self, group: _Group, first: int, stop: int, count: int) -> list[int]:
        """Find where the first so many blocks that begin within a span of scans end."""
        rows = self._select(_OLDEST, (self._run, group.number, first, stop, count))
        return [int(end) for (end,) in rows]

    def _pragma(self, name: str) -> int:
        ((value,),) = self._select(f"PRAGMA {name}", ())
        return int(value)

    def _give_back(self) -> list[Statement]:
        """Let a file shrink that is larger than it may be: it was so before, or runs were deleted from it."""
        if self._keeping.size_bytes is None or self._pragma("auto_vacuum") != 2:
            return []
        page = self._pragma("page_size")
        over = self._pragma("page_count") * page - (self._keeping.size_bytes - WAL_BYTES)
        pages = min(VACUUM_PAGES, self._pragma("freelist_count"), -(-over // page))
        return [("PRAGMA incremental_vacuum(1)", ())] * max(pages, 0)

    # Raw scans

    def _drop(self, group: _Group, raw_s: float, wall_s: float) -> list[Statement]:
        limit = self._limit(group, raw_s)
        if limit <= group.edge:
            return []
        rows: list[Block] = self._select(
            _BLOCKS.format(positions=group.in_positions),
            (self._run, group.number, group.edge, limit, BLOCKS_AT_ONCE * group.positions),
        )
        stored = [(first, list(blocks)) for first, blocks in groupby(rows, key=lambda row: row[0])]
        windows = self._waveforms(group, limit, raw_s)
        found: list[Statement] = []
        for first, blocks in stored:
            span = first, first + blocks[0][1]
            kept = [(max(a, span[0]), min(b, span[1])) for a, b in windows if a < span[1] and b > span[0]]
            if kept != [span]:
                found += self._cut(group, blocks, kept)
                for part in outside(span, kept):
                    if part[0] > span[0]:
                        group.row = None
                    found.append(self._note(group, part, wall_s))
            if kept and kept[-1][1] == span[1]:
                group.row = None
            group.edge = span[1]
            group.passed_bytes += sum(block[-1] for block in blocks)
        found += self._drop_sums(group, wall_s)
        return found

    def _waveforms(self, group: _Group, limit: int, raw_s: float) -> list[Range]:
        """Find what stays of the group before a scan, and forget events that lie behind."""
        keeping = self._keeping
        # The end of an event that goes on must lie within what is there anyway, or all of it would stay.
        half_s = min(keeping.event_s, raw_s) / 2.0
        found: list[Range] = []
        for number, (begin, event) in list(group.events.items()):
            if begin >= limit:
                continue
            now = group.written.next
            ranges = waveforms_of(event, now, group.rate_hz, keeping.around_s, half_s)
            if event.end_scan is not None and ranges[-1][1] <= group.edge:
                del group.events[number]
            found += ranges
        return joined_ranges(found)

    def _cut(self, group: _Group, blocks: list[Block], kept: list[Range]) -> Iterator[Statement]:
        for _, scans, position, row_id, _ in blocks:
            for part in kept:
                yield self._part(group, position, scans, row_id, part)
        ids = [block[3] for block in blocks]
        yield f"DELETE FROM block WHERE id IN ({','.join('?' * len(ids))})", ids

    def _part(self, group: _Group, position: int, scans: int, row_id: int, part: Range) -> Statement:
        """Encode the part of a block that stays."""
        ((first, encoding, base, crc32, data),) = self._select(
            "SELECT first, encoding, base, crc32, data FROM block WHERE id = ?", (row_id,)
        )
        ticks = position == group.written.channels
        dtype = np.dtype("<i8") if ticks else group.written.dtype
        whole_block = codec.decode(codec.Encoded(encoding, base, crc32, data), scans, dtype)
        codes = whole_block[part[0] - first : part[1] - first]
        encoded = codec.encode_differences(codes) if ticks else codec.encode(codes)
        return block_row(self._run, group.number, position, part[0], encoded, len(codes))

    def _note(self, group: _Group, part: Range, wall_s: float) -> Statement:
        """Write down a dropped range; one that follows on, be it after a gap, makes the last one longer."""
        first, _, scans = group.row or (part[0], part[0], 0)
        group.row = first, part[1], scans + part[1] - part[0]
        reason = WAVEFORMS if group.row[0] == group.bare_first else self._reason
        return _DROPPED, (self._run, group.number, 0, *group.row, reason, wall_s)

    # Waveforms of events

    def _drop_waveforms(self, excess: int, wall_s: float) -> list[Statement]:
        """Drop the oldest waveforms of events of all groups until so many bytes are gone."""
        blocks: list[tuple[float, _Group, int, int, int]] = []
        for group in self._groups.values():
            stops = self._oldest(group, 0, group.edge, WAVEFORM_BLOCKS)
            if stops:
                rows: list[Block] = self._select(
                    _BLOCKS.format(positions=group.in_positions),
                    (self._run, group.number, 0, stops[-1], WAVEFORM_BLOCKS * group.positions),
                )
                for first, alike in groupby(rows, key=lambda row: row[0]):
                    sizes = [(scans, size) for _, scans, _, _, size in alike]
                    total = sum(size for _, size in sizes)
                    blocks.append((first / group.rate_hz, group, first, sizes[0][0], total))
        gone: dict[int, tuple[_Group, int, int, int]] = {}
        for _, group, first, scans, size in sorted(blocks, key=lambda block: block[0]):
            if excess <= 0:
                break
            begin, before = gone[group.number][1:3] if group.number in gone else (first, 0)
            gone[group.number] = group, begin, before + scans, first + scans
            excess -= size
        return [s for group, *span in gone.values() for s in self._bare(group, *span, wall_s=wall_s)]

    def _bare(self, group: _Group, first: int, scans: int, stop: int, *, wall_s: float) -> list[Statement]:
        """Drop what is left of a group before ``stop``: ``scans`` from ``first`` on; one row tells it all."""
        ((begin, end, before),) = self._select(
            "SELECT min(first), max(stop), sum(scans) FROM dropped"
            " WHERE run = ? AND scan_group = ? AND level = 0 AND first <= ?",
            (self._run, group.number, stop),
        )
        if begin is not None:
            first, stop, scans = min(first, int(begin)), max(stop, int(end)), scans + int(before)
        group.bare_first = first
        if group.row is not None and group.row[0] < stop:
            group.row = first, stop, scans
        return [
            (
                f"DELETE FROM block WHERE run = ? AND scan_group = ? AND first < ? AND {group.in_positions}",
                (self._run, group.number, stop),
            ),
            (
                "DELETE FROM dropped WHERE run = ? AND scan_group = ? AND level = 0 AND first < ?",
                (self._run, group.number, stop),
            ),
            (_DROPPED, (self._run, group.number, 0, first, stop, scans, WAVEFORMS, wall_s)),
        ]

    # The finest sums

    def _reach(self, group: _Group, level: int) -> int:
        ((last,),) = self._select(
            "SELECT max(first) FROM pyramid WHERE run = ? AND scan_group = ? AND position = 0 AND level = ?",
            (self._run, group.number, level),
        )
        return 0 if last is None else int(last) + pyramid.factor(level) * pyramid.PAGE_ENTRIES

    def _drop_sums(self, group: _Group, wall_s: float) -> list[Statement]:
        """Drop pages of level 1 long before the raw scans, where coarser ones are stored."""
        page = pyramid.factor(1) * pyramid.PAGE_ENTRIES
        limit = min(
            group.written.next - FINE_TIMES * (group.written.next - group.edge), self._reach(group, 2)
        )
        stop = min(limit // page, group.sums_edge // page + BLOCKS_AT_ONCE) * page
        if stop <= group.sums_edge:
            return []
        group.sums_edge = stop
        return [
            (
                "DELETE FROM pyramid WHERE run = ? AND scan_group = ? AND level = 1 AND first < ?"
                f" AND {group.in_positions}",
                (self._run, group.number, stop),
            ),
            (_DROPPED, (self._run, group.number, 1, 0, stop, 0, self._reason, wall_s)),
        ]


def _full(size: int, raw_bytes: int, oldest_s: float) -> str:
    return (
        f"the logbook has reached its largest size of {size / 1e6:g} MB ([keep] size in the bench file):"
        f" {max(raw_bytes, 0) / 1e6:.1f} MB of it are raw scans of the newest {oldest_s:.0f} s, the rest is"
        " kept (other runs, sums, what is known of events). Delete runs that are over, state a larger"
        " size, or record into another logbook"
    )
