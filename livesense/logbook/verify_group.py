"""Whether all scans of one group are there, sound, and summed up rightly; a block at a time."""

from __future__ import annotations

import heapq
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from livesense.errors import DamagedBlockError
from livesense.logbook import codec, kept, pyramid
from livesense.logbook.findings import Finding, Findings
from livesense.logbook.verify_dropped import DroppedCheck
from livesense.logbook.whole import Select, whole

ROWS_AT_ONCE = 16
"""So many blocks of a channel, tail rows or gaps are read by one query."""

LARGEST_INDEX = 1 << 62
_CLOCK = np.dtype("<i8")
_LOWEST = -(1 << 63)

_BLOCKS = """
SELECT first, scans, id, encoding, base, crc32, data FROM block
 WHERE run = :run AND scan_group = :group AND position = :position AND first <= :last
   AND (first, scans, id) > (:first, :scans, :id) ORDER BY first, scans, id LIMIT :limit
"""
_TAIL = """
SELECT first, scans, id, crc32, codes, clock FROM tail
 WHERE run = :run AND scan_group = :group AND (first, scans, id) > (:first, :scans, :id)
 ORDER BY first, scans, id LIMIT :limit
"""
_GAPS = """
SELECT first, id, scans FROM gap
 WHERE run = :run AND scan_group = :group AND first < :stop AND (first, id) > (:first, :id)
 ORDER BY first, id LIMIT :limit
"""
_PAGE = """
SELECT entries, data FROM pyramid
 WHERE run = :run AND scan_group = :group AND position = :position AND level = :level AND first = :first
"""


@dataclass(frozen=True, slots=True)
class Place:
    """The group that is looked at.

    ``names`` are its channels by position, the clock's last where ``clock``; ``state`` is the run's.
    """

    select: Select
    run: int
    group: int
    names: tuple[str, ...]
    clock: bool
    dtype: np.dtype[Any]
    state: str

    @property
    def channels(self) -> int:
        """How many channels hold codes."""
        return len(self.names) - self.clock

    @property
    def values(self) -> dict[str, object]:
        """What every query asks with."""
        return {"run": self.run, "group": self.group, "limit": ROWS_AT_ONCE}


@dataclass(slots=True)
class Tally:
    """What was found: stored scans, blocks, pages, and the index behind all that is accounted for.

    Of the stored ``scans``, ``dropped`` were dropped by retention since.
    """

    scans: int = 0
    dropped: int = 0
    lost: int = 0
    blocks: int = 0
    pages: int = 0
    stop: int = 0


class _Row(NamedTuple):
    first: int
    position: int
    scans: int
    encoded: tuple[object, ...]


def check_group(place: Place, found: Findings, tick: Callable[[int], None]) -> Tally:
    """Check a group's blocks, tail, gaps and pyramid; ``tick`` is told how many blocks were looked at."""
    return _GroupCheck(place, found, tick).run()


class _GroupCheck:
    def __init__(self, place: Place, found: Findings, tick: Callable[[int], None]) -> None:
        self._place = place
        self._found = found
        self._tick = tick
        self._tally = Tally()
        self._builder = pyramid.PyramidBuilder()
        self._spoiled: dict[int, list[tuple[int, int]]] = {}
        self._fed = 0
        self._gap_at: tuple[object, object] = (_LOWEST, _LOWEST)
        self._dropped = DroppedCheck(
            place.select, place.run, place.group, place.names[: place.channels], found
        )

    def run(self) -> Tally:
        for first, rows in groupby(
            heapq.merge(*self._columns(), key=lambda row: row[:2]), lambda row: row[0]
        ):
            self._stretch(first, list(rows))
        if self._place.state != "recording":
            self._tail()
            self._gaps(LARGEST_INDEX)
        if self._place.state in ("complete", "failed"):
            self._pages(self._builder.finish())
        if self._dropped.rows:
            self._tally.dropped = self._dropped.scans
            self._tally.scans += self._tally.dropped
            self._tally.pages += self._dropped.check(self._tick)
        self._extra_pages()
        return self._tally

    def _tell(self, kind: str, text: str, first: int, scans: int, position: int | None = None) -> None:
        place = self._place
        name = None if position is None else place.names[position]
        self._found.add(Finding(kind, text, place.run, place.group, name, first, scans))

    def _tell_odd(self, what: str, row_id: object, error: object) -> None:
        text = f"{what} of row {row_id!r}: {error}"
        self._found.add(Finding("damaged", text, self._place.run, self._place.group))

    # Blocks

    def _columns(self) -> list[Iterator[_Row]]:
        """Each position's blocks in order, up to the newest there is now: what comes later is open."""
        place = self._place
        positions = range(len(place.names))
        # In a run that is over text in place of a number, which sorts behind all numbers, is found as well.
        bound: object = b"\xff" * 64
        if place.state == "recording":
            ((newest,),) = place.select(
                "SELECT max(first) FROM block WHERE run = :run AND scan_group = :group AND position = 0",
                place.values,
            )
            bound = -1 if newest is None else newest
        return [self._column(position, bound) for position in positions]

    def _column(self, position: int, last: object) -> Iterator[_Row]:
        place = self._place
        first: object = _LOWEST
        scans: object = _LOWEST
        row_id: object = _LOWEST
        while True:
            values = place.values | {"position": position, "last": last}
            rows = place.select(_BLOCKS, values | {"first": first, "scans": scans, "id": row_id})
            for first, scans, row_id, *encoded in rows:
                try:
                    yield _Row(*_extent(first, scans, position), tuple(encoded))
                except DamagedBlockError as error:
                    self._tell_odd(f"{place.names[position]}: a block", row_id, error)
            self._tick(len(rows))
            self._tally.blocks += len(rows)
            if len(rows) < ROWS_AT_ONCE:
                return

    def _stretch(self, first: int, rows: list[_Row]) -> None:
        """Check what is stored from one scan on: a block of every channel, all of one length."""
        by_position: dict[int, _Row] = {}
        for row in rows:
            if row.position in by_position:
                self._tell("overlap", "a block is stored twice", first, row.scans, row.position)
            by_position.setdefault(row.position, row)
        lengths = [by_position[p].scans for p in sorted(by_position)]
        scans = max(set(lengths), key=lengths.count)
        table = np.zeros((scans, self._place.channels), self._place.dtype)
        for position in range(self._place.channels):
            codes = self._codes(position, by_position.get(position), first, scans)
            if codes is None:
                self._spoil(position, first, first + scans)
            else:
                table[:, position] = codes
        if self._place.clock and (clock := by_position.get(self._place.channels)) is not None:
            self._codes(clock.position, clock, first, scans)
        self._account(first, scans)
        if first < self._fed:
            self._spoil_all(first, first + scans)
            return
        self._fed = first + scans
        self._pages(self._builder.add(first, table))

    def _codes(self, position: int, row: _Row | None, first: int, scans: int) -> NDArray[Any] | None:
        """Codes of one channel; None where they cannot be had, which is then told."""
        if row is None:
            if self._dropped_meanwhile(first, first + scans):
                return None
            self._tell("missing", "the channel's block is missing", first, scans, position)
            return None
        try:
            codes = _decoded(row, _CLOCK if position == self._place.channels else self._place.dtype)
        except DamagedBlockError as error:
            self._tell("damaged", str(error), first, row.scans, position)
            return None
        if row.scans != scans:
            text = f"expected a block of {scans} scans like those of the other channels, found {row.scans}"
            self._tell("missing", text, first, scans, position)
            return None
        return codes

    # Every scan is stored, or in a gap

    def _account(self, first: int, scans: int) -> None:
        self._tally.scans += scans
        self._gaps(first)
        at = self._tally.stop
        if first > at:
            self._tell_unaccounted(at, first)
        elif first < at:
            twice = min(at, first + scans) - first
            self._tell("overlap", "scans are stored that are stored or in a gap already", first, twice)
        self._tally.stop = max(at, first + scans)

    def _dropped_meanwhile(self, first: int, stop: int) -> bool:
        """Tell whether a recorder at work dropped scans since they were listed."""
        if self._place.state != "recording":
            return False
        self._dropped.read()
        return self._dropped.covers(first, stop)

    def _tell_unaccounted(self, first: int, stop: int) -> None:
        self._dropped_meanwhile(first, stop)
        for begin, end in kept.outside((first, stop), self._dropped.ranges):
            self._tell("unaccounted", "scans are neither stored nor in a gap", begin, end - begin)
            self._spoil_all(begin, end)

    def _gaps(self, until: int) -> None:
        """Go on through the gaps that begin before ``until``."""
        place = self._place
        while True:
            first, row_id = self._gap_at
            rows = place.select(_GAPS, place.values | {"stop": until, "first": first, "id": row_id})
            for first, row_id, scans in rows:
                self._gap_at = first, row_id
                try:
                    self._gap(whole(first, "first"), None if scans is None else whole(scans, "scans"))
                except DamagedBlockError as error:
                    self._tell_odd("a gap", row_id, error)
            if len(rows) < ROWS_AT_ONCE:
                return

    def _gap(self, first: int, scans: int | None) -> None:
        at = self._tally.stop
        if scans is None:
            return
        if scans < 1 or first < 0:
            self._tell("gap", f"expected a gap of 1 scan or more, found {scans}", first, 1)
            return
        if first > at:
            self._tell_unaccounted(at, first)
        elif first < at and not self._dropped.covers(first, min(at, first + scans)):
            twice = min(at, first + scans) - first
            self._tell("gap", "a gap holds scans that are stored or in another gap", first, twice)
        self._tally.stop = max(at, first + scans)

    # The newest scans of a run that was cut off

    def _tail(self) -> None:
        place = self._place
        at: tuple[object, object, object] = (_LOWEST, _LOWEST, _LOWEST)
        while True:
            first, scans, row_id = at
            rows = place.select(_TAIL, place.values | {"first": first, "scans": scans, "id": row_id})
            for first, scans, row_id, *stored in rows:
                at = first, scans, row_id
                try:
                    begin, _, count = _extent(first, scans, 0)
                except DamagedBlockError as error:
                    self._tell_odd("the tail", row_id, error)
                    continue
                why = self._tail_trouble(count, *stored)
                if why:
                    self._tell("damaged", why, begin, count)
                self._account(begin, count)
            if len(rows) < ROWS_AT_ONCE:
                return

    def _tail_trouble(self, scans: int, crc32: object, codes: object, clock: object) -> str:
        size = scans * self._place.channels * self._place.dtype.itemsize
        if not isinstance(codes, bytes) or len(codes) != size:
            return f"expected {size} bytes in a tail row"
        if zlib.crc32(codes) != crc32:
            return "the stored codes do not match their checksum"
        if clock is not None and (not isinstance(clock, bytes) or len(clock) != 8 * scans):
            return f"expected {scans} clock ticks in a tail row"
        return ""

    # The pyramid, made again from the blocks

    def _spoil(self, position: int, first: int, stop: int) -> None:
        """Remember that a channel's codes are not known there: sums over them cannot be checked."""
        spans = self._spoiled.setdefault(position, [])
        if spans and first <= spans[-1][1]:
            spans[-1] = min(first, spans[-1][0]), max(stop, spans[-1][1])
        else:
            spans.append((first, stop))

    def _spoil_all(self, first: int, stop: int) -> None:
        for position in range(self._place.channels):
            self._spoil(position, first, stop)

    def _pages(self, pages: list[pyramid.Page]) -> None:
        for page in pages:
            self._page(page)

    def _page(self, page: pyramid.Page) -> None:
        place = self._place
        span = pyramid.factor(page.level)
        scans = span * pyramid.PAGE_ENTRIES
        where = (page.first, scans, page.position)
        values = {"position": page.position, "level": page.level, "first": page.first}
        rows = place.select(_PAGE, place.values | values)
        if not rows:
            self._tell("pyramid", f"the page of level {page.level} is missing", *where)
            return
        ((entries, data),) = rows
        self._tally.pages += 1
        if (entries, data) == (page.entries, page.data):
            return
        try:
            if not isinstance(data, bytes):
                raise DamagedBlockError(f"expected a blob, found {type(data).__name__}")
            stored = pyramid.unpack([(page.first, whole(entries, "entries"), data)], span)
        except DamagedBlockError as error:
            self._tell("pyramid", f"level {page.level}: {error}", *where)
            return
        # Where codes cannot be read, nobody knows what the page should say.
        known = not self._dropped.covers(page.first, page.first + scans) and all(
            stop <= page.first or first >= page.first + scans
            for first, stop in self._spoiled.get(page.position, ())
        )
        if known and not _same(stored, pyramid.unpack([(page.first, page.entries, page.data)], span)):
            self._tell(
                "pyramid", f"the page of level {page.level} does not agree with the stored codes", *where
            )

    def _extra_pages(self) -> None:
        """Look for pages that sum up nothing; where codes are not known, so is how many there should be."""
        place = self._place
        if self._spoiled or self._dropped.rows or place.state == "recording":
            return
        ((count,),) = place.select(
            "SELECT count(*) FROM pyramid WHERE run = :run AND scan_group = :group", place.values
        )
        if count > self._tally.pages:
            text = f"expected {self._tally.pages} pages that belong to stored codes, found {count}"
            self._found.add(Finding("pyramid", text, place.run, place.group))


def _extent(first: object, scans: object, position: int) -> tuple[int, int, int]:
    begin, count = whole(first, "first"), whole(scans, "scans")
    if not 0 <= begin < LARGEST_INDEX:
        raise DamagedBlockError(f"expected a scan index from 0 up, found {begin}")
    if not 1 <= count <= codec.LARGEST_BLOCK_SCANS:
        raise DamagedBlockError(f"expected 1 to {codec.LARGEST_BLOCK_SCANS} scans, found {count}")
    return begin, position, count


def _decoded(row: _Row, dtype: np.dtype[Any]) -> NDArray[Any]:
    encoding, base, crc32, data = row.encoded
    if not isinstance(data, bytes) or not isinstance(encoding, str):
        raise DamagedBlockError("expected a blob and its encoding")
    encoded = codec.Encoded(encoding, whole(base, "base"), whole(crc32, "crc32"), data)
    return codec.decode(encoded, row.scans, dtype)


def _same(one: pyramid.Entries, other: pyramid.Entries) -> bool:
    if len(one) != len(other):
        return False
    exact = ((one.start, other.start), (one.n, other.n), (one.low, other.low), (one.high, other.high))
    if not all(np.array_equal(a, b) for a, b in exact):
        return False
    if one.sum.dtype.kind != "f":
        return np.array_equal(one.sum, other.sum)
    # Sums of floats depend on the order in which a machine adds.
    largest = np.maximum(np.abs(one.low.astype(float)), np.abs(one.high.astype(float))) * one.n
    apart = np.abs(one.sum - other.sum)
    return bool(np.all((apart <= 1e-9 * largest) | (one.sum == other.sum) | (one.n == 0)))
