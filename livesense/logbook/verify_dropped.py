"""Whether what retention dropped is accounted for, and summed up by pages that can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from livesense.errors import DamagedBlockError
from livesense.logbook import kept, pyramid
from livesense.logbook.findings import Finding, Findings
from livesense.logbook.kept import DroppedRow
from livesense.logbook.pyramid import PAGE_ENTRIES, Entries, factor
from livesense.logbook.whole import Select, whole

PAGES_AT_ONCE = 64

_PAGES = """
SELECT first, entries, data FROM pyramid
 WHERE run = ? AND scan_group = ? AND position = ? AND level = ? AND first > ? AND first < ?
 ORDER BY first LIMIT ?
"""
_GAPS = """
SELECT coalesce(sum(min(first + scans, :stop) - first), 0) FROM gap
 WHERE run = :run AND scan_group = :group AND first >= :first AND first < :stop AND scans > 0
"""


class DroppedCheck:
    """One group's dropped scans; ``names`` are those of its channels of codes, by position."""

    def __init__(self, select: Select, run: int, group: int, names: tuple[str, ...], found: Findings) -> None:
        self._select = select
        self._run = run
        self._group = group
        self._names = names
        self._found = found
        self.rows: list[DroppedRow] = []
        self.ranges: list[kept.Range] = []
        self.read()

    def read(self) -> None:
        """Read the rows, or once more: a recorder at work drops on."""
        rows = kept.dropped_rows(self._select, self._run, self._group)
        self.rows = [row for row in rows if row.level == 0]
        self.ranges = kept.joined_ranges([(row.first, row.stop) for row in self.rows])
        self._sums_from = max((row.stop for row in rows if row.level == 1), default=0)

    @property
    def scans(self) -> int:
        """How many scans were dropped."""
        return sum(row.scans for row in self.rows)

    def covers(self, first: int, stop: int) -> bool:
        """Tell whether any scan of a span was dropped."""
        return kept.outside((first, stop), self.ranges) != [(first, stop)]

    def check(self, tick: Callable[[int], None]) -> int:
        """Check rows and pages; returns how many pages were read."""
        self._check_rows()
        return sum(self._check_channel(position, tick) for position in range(len(self._names)))

    def _tell(self, kind: str, text: str, first: int, scans: int, position: int | None = None) -> None:
        name = None if position is None else self._names[position]
        self._found.add(Finding(kind, text, self._run, self._group, name, first, scans))

    def _check_rows(self) -> None:
        at = 0
        for row in self.rows:
            if not 0 <= row.first < row.stop or row.scans < 1:
                self._tell("count", "expected a range of at least one dropped scan", row.first, 1)
                continue
            if row.first < at:
                self._tell("overlap", "scans were dropped twice", row.first, at - row.first)
            at = row.stop
            values = {"run": self._run, "group": self._group, "first": row.first, "stop": row.stop}
            ((lost,),) = self._select(_GAPS, values)
            if row.scans + int(lost) != row.stop - row.first:
                text = f"{row.scans} scans were dropped and {lost} lost in a range of {row.stop - row.first}"
                self._tell("count", text, row.first, row.stop - row.first)

    def _check_channel(self, position: int, tick: Callable[[int], None]) -> int:
        read = 0
        below: dict[int, Entries] = {}
        for level in range(1, pyramid.LEVELS + 1):
            here: dict[int, Entries] = {}
            for first, entries in self._pages(position, level):
                read += 1
                tick(0)
                if entries is None:
                    continue
                here[first] = entries
                if level > 1:
                    self._check_page(position, level, first, entries, below)
            if level == 1:
                self._check_counts(position, here)
            below = {first: _coarser(entries, level + 1) for first, entries in here.items()}
        return read

    def _pages(self, position: int, level: int) -> Iterator[tuple[int, Entries | None]]:
        """Read the pages over dropped scans, in order; None for one that cannot be read."""
        span = factor(level) * PAGE_ENTRIES
        for begin, end in self.ranges:
            at = begin // span * span - 1
            while True:
                values = (self._run, self._group, position, level, at, end, PAGES_AT_ONCE)
                rows = self._select(_PAGES, values)
                for first, count, data in rows:
                    at = whole(first, "first")
                    yield at, self._opened(position, level, at, count, data)
                if len(rows) < PAGES_AT_ONCE:
                    break

    def _opened(self, position: int, level: int, first: int, count: Any, data: Any) -> Entries | None:
        try:
            if not isinstance(data, bytes):
                raise DamagedBlockError(f"expected a blob, found {type(data).__name__}")
            return pyramid.unpack([(first, whole(count, "entries"), data)], factor(level))
        except DamagedBlockError as error:
            self._tell("pyramid", f"level {level}: {error}", first, factor(level) * PAGE_ENTRIES, position)
            return None

    def _check_counts(self, position: int, pages: dict[int, Entries]) -> None:
        """Hold the scans that the finest sums count against those that were dropped."""
        if not pages:
            start, n = np.zeros(0, np.int64), np.zeros(0, np.int64)
        else:
            found = pyramid.joined([pages[first] for first in sorted(pages)])
            start, n = found.start, found.n
        for row in self.rows:
            if row.first < self._sums_from:
                continue
            touching = (start < row.stop) & (start + factor(1) > row.first)
            inside = (start >= row.first) & (start + factor(1) <= row.stop)
            if not n[inside].sum() <= row.scans <= n[touching].sum():
                text = f"{row.scans} scans were dropped, the sums over them count {n[touching].sum()}"
                self._tell("pyramid", text, row.first, row.stop - row.first, position)

    def _check_page(
        self, position: int, level: int, first: int, entries: Entries, below: dict[int, Entries]
    ) -> None:
        """Hold a page against those of the level below, where all of them are there."""
        span = factor(level) * PAGE_ENTRIES
        lower = factor(level - 1) * PAGE_ENTRIES
        parts = [below[at] for at in range(first, first + span, lower) if at in below]
        if len(parts) < span // lower:
            return
        again = pyramid.joined(parts)
        if len(again) != len(entries) or not all(
            np.array_equal(a, b)
            for a, b in (
                (again.start, entries.start),
                (again.n, entries.n),
                (again.low, entries.low),
                (again.high, entries.high),
            )
        ):
            text = f"the page of level {level} does not agree with those below it"
            self._tell("pyramid", text, first, span, position)


def _coarser(entries: Entries, level: int) -> Entries:
    start = entries.start - entries.start % factor(level)
    return pyramid.gathered(entries, start, start)
