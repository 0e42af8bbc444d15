"""Minimum, maximum and sum over ever longer spans, so that any zoom is a short read.

An *entry* of level L sums up the stored scans whose index lies in
``[k·F, (k+1)·F)`` with ``F = 64·16^(L−1)``: their number, smallest and largest code,
and sum. Entries are kept in *pages* of 512, aligned the same way for every run.
A page is written once, when all of it lies in the past; what is newer than a
level's last page is read from the level below, so nothing is ever rewritten and
a run that was cut off needs no repair.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import DamagedBlockError
from livesense.logbook.codec import compress, decompress, pack_whole

LEVELS = 6
FIRST_FACTOR = 64
STEP = 16
PAGE_ENTRIES = 512

_HEADER = struct.Struct("<Bq")
COLUMNS = 5
_COLUMN_TYPES: dict[int, type[np.unsignedinteger[Any]]] = {
    0: np.uint8,
    1: np.uint8,
    2: np.uint16,
    4: np.uint32,
    8: np.uint64,
}
_LARGEST_PAGE_BYTES = _HEADER.size + COLUMNS * (1 + 8 * PAGE_ENTRIES)


def factor(level: int) -> int:
    """Count the scans in one entry; level 0 is the scans themselves."""
    return 1 if level == 0 else FIRST_FACTOR * int(STEP ** (level - 1))


@dataclass(frozen=True, slots=True)
class Entries:
    """Sums over spans of scans, ``(m,)``, or ``(m, channels)`` for all but ``start``, their first scan index.

    ``sum`` is int64 for codes of up to 32 bits (exact), float64 for others.
    """

    start: NDArray[np.int64]
    n: NDArray[np.int64]
    low: NDArray[Any]
    high: NDArray[Any]
    sum: NDArray[Any]

    def __len__(self) -> int:
        return len(self.start)

    def __getitem__(self, which: slice | NDArray[np.bool_] | NDArray[np.intp]) -> Entries:
        return Entries(self.start[which], self.n[which], self.low[which], self.high[which], self.sum[which])

    def channel(self, position: int) -> Entries:
        """Take the entries of one channel."""
        if self.n.ndim == 1:
            n = self.n
        else:
            n = self.n[:, position]
        return Entries(self.start, n, self.low[:, position], self.high[:, position], self.sum[:, position])


def joined(parts: list[Entries]) -> Entries:
    """Several entries, one after the other."""
    return Entries(
        np.concatenate([p.start for p in parts]),
        np.concatenate([p.n for p in parts]),
        np.concatenate([p.low for p in parts]),
        np.concatenate([p.high for p in parts]),
        np.concatenate([p.sum for p in parts]),
    )


def sums_of(first: int, codes: NDArray[Any], cuts: NDArray[np.int64]) -> Entries:
    """Entries of whole codes ``(n,)`` or ``(n, channels)`` between cuts.

    ``cuts`` are increasing scan indices; the entries are the stretches of
    ``first … first + n`` between them. Numbers that are not finite count as absent.
    """
    stop = first + len(codes)
    inside = cuts[np.searchsorted(cuts, first, "right") : np.searchsorted(cuts, stop, "left")]
    start = np.concatenate(([first], inside)).astype(np.int64)
    at = start - first
    if codes.dtype.kind == "f":
        good = np.isfinite(codes)
        return Entries(
            start,
            np.add.reduceat(good.astype(np.int64), at, axis=0),
            np.minimum.reduceat(np.where(good, codes, np.inf).astype(np.float64), at, axis=0),
            np.maximum.reduceat(np.where(good, codes, -np.inf).astype(np.float64), at, axis=0),
            np.add.reduceat(np.where(good, codes, 0.0).astype(np.float64), at, axis=0),
        )
    total = np.float64 if codes.dtype.itemsize == 8 else np.int64
    n = np.diff(np.concatenate((at, [len(codes)])))
    return Entries(
        start,
        n if codes.ndim == 1 else np.repeat(n[:, None], codes.shape[1], axis=1),
        np.minimum.reduceat(codes, at, axis=0).astype(np.int64),
        np.maximum.reduceat(codes, at, axis=0).astype(np.int64),
        np.add.reduceat(codes, at, axis=0, dtype=total),
    )


def gathered(entries: Entries, bins: NDArray[np.int64], start: NDArray[np.int64]) -> Entries:
    """Sum up the entries of each bin; ``bins (m,)`` is non-decreasing, ``start`` names each sum."""
    at = np.concatenate(([0], np.flatnonzero(np.diff(bins)) + 1))
    return Entries(
        start[at],
        np.add.reduceat(entries.n, at, axis=0),
        np.minimum.reduceat(entries.low, at, axis=0),
        np.maximum.reduceat(entries.high, at, axis=0),
        np.add.reduceat(entries.sum, at, axis=0),
    )


@dataclass(frozen=True, slots=True)
class Page:
    """One page of one channel, ready to be stored."""

    position: int
    level: int
    first: int
    entries: int
    data: bytes


class _Level:
    """Entries of one level that are not in a page yet; the last one may still grow."""

    def __init__(self, level: int) -> None:
        self.level = level
        self.factor = factor(level)
        self.page_scans = self.factor * PAGE_ENTRIES
        self.held: Entries | None = None
        self.passed_on = 0

    def add(self, entries: Entries) -> None:
        aligned = entries.start - entries.start % self.factor
        everything = Entries(aligned, entries.n, entries.low, entries.high, entries.sum)
        if self.held is not None:
            everything = joined([self.held, everything])
        self.held = gathered(everything, everything.start, everything.start)

    def settled(self, now: int) -> Entries | None:
        """Entries that ended before scan index ``now`` and were not passed on yet."""
        if self.held is None:
            return None
        done = int(np.searchsorted(self.held.start, now - self.factor, "right"))
        fresh = self.held[self.passed_on : done]
        self.passed_on = max(done, self.passed_on)
        return fresh if len(fresh) else None

    def pages(self, now: int) -> Iterator[Page]:
        """Take out the pages that ended before scan index ``now``."""
        while self.held is not None and len(self.held):
            first = int(self.held.start[0]) // self.page_scans * self.page_scans
            if first + self.page_scans > now:
                return
            count = int(np.searchsorted(self.held.start, first + self.page_scans, "left"))
            page = self.held[:count]
            self.held = self.held[count:]
            self.passed_on -= count
            for position in range(page.low.shape[1]):
                yield Page(
                    position, self.level, first, count, pack(page.channel(position), first, self.factor)
                )


class PyramidBuilder:
    """Builds the pages of one group as its scans come, in order."""

    def __init__(self) -> None:
        self._levels = [_Level(level) for level in range(1, LEVELS + 1)]

    def add(self, first: int, codes: NDArray[Any]) -> list[Page]:
        """Take the next scans ``(n, channels)``; hands back the pages that they complete."""
        stop = first + len(codes)
        lead = first // FIRST_FACTOR + 1
        cuts = np.arange(lead, stop // FIRST_FACTOR + 1, dtype=np.int64) * FIRST_FACTOR
        self._levels[0].add(sums_of(first, codes, cuts))
        return self._climb(stop)

    def finish(self) -> list[Page]:
        """Take every page, filled or not: the run is over."""
        return self._climb(1 << 62)

    def _climb(self, now: int) -> list[Page]:
        pages: list[Page] = []
        for lower, upper in zip(self._levels, [*self._levels[1:], None], strict=True):
            fresh = lower.settled(now)
            if fresh is not None and upper is not None:
                upper.add(fresh)
            pages.extend(lower.pages(now))
        return pages


def pack(entries: Entries, first: int, span: int) -> bytes:
    """One channel's page as a blob (zstd); see docs/logbook.md for its layout."""
    # In a page without gaps the first two columns are all 0, and cost nothing.
    place = ((entries.start - first) // span - np.arange(len(entries))).astype(np.uint64)
    missing = (span - entries.n).astype(np.uint64)
    if entries.low.dtype.kind == "f":
        body = _HEADER.pack(2, 0) + pack_whole(place) + pack_whole(missing)
        for column in (entries.low, entries.high, entries.sum):
            body += pack_whole(column.astype("<f8").view(np.uint64))
        return compress(body)
    low = entries.low.view(np.uint64)
    base = int(entries.low.min())
    height = entries.high.view(np.uint64) - low
    body = pack_whole(place) + pack_whole(missing)
    body += pack_whole(low - np.array(base, np.int64).view(np.uint64)) + pack_whole(height)
    if entries.sum.dtype.kind == "f":
        return compress(_HEADER.pack(1, base) + body + pack_whole(entries.sum.astype("<f8").view(np.uint64)))
    above = entries.sum - entries.n * entries.low
    return compress(_HEADER.pack(0, base) + body + pack_whole(above.astype(np.uint64)))


Row = tuple[int, int, bytes]
"""A stored page: ``first``, ``entries``, ``data``."""


def unpack(rows: Sequence[Row], span: int) -> Entries:
    """Entries of stored pages of one level, page after page of a kind.

    Pages that are laid out alike are decoded together: what a page costs is then
    hardly more than its decompression.

    Raises
    ------
    DamagedBlockError
        A page does not fit what it says of itself.
    """
    alike: dict[tuple[int, ...], list[tuple[bytes, int, int]]] = {}
    for first, count, data in rows:
        try:
            body, layout, base = _opened(count, data)
        except DamagedBlockError as error:
            raise DamagedBlockError(f"the page of the pyramid at scan {first}: {error}") from error
        alike.setdefault(layout, []).append((body, first, base))
    return joined([_decoded(layout, pages, span) for layout, pages in alike.items()])


def _opened(count: int, data: bytes) -> tuple[bytes, tuple[int, ...], int]:
    """Decompressed page, its layout (kind, entries, width of each column), and its base."""
    if not 1 <= count <= PAGE_ENTRIES:
        raise DamagedBlockError(f"expected 1 to {PAGE_ENTRIES} entries, found {count}")
    body = decompress(data, _LARGEST_PAGE_BYTES)
    at, size = _HEADER.size, len(body)
    widths: tuple[int, ...] = ()
    for _ in range(COLUMNS):
        width = body[at] if at < size else -1
        if width not in _COLUMN_TYPES:
            raise DamagedBlockError(f"expected a width of 0, 1, 2, 4 or 8 bytes, found {width}")
        widths += (width,)
        at += 1 + width * count
    if at != size:
        raise DamagedBlockError(f"expected {at} bytes, found {size}")
    kind, base = _HEADER.unpack_from(body)
    return body, (kind, count, *widths), base


def _decoded(layout: tuple[int, ...], pages: list[tuple[bytes, int, int]], span: int) -> Entries:
    kind, count, *widths = layout
    table = np.frombuffer(b"".join(body for body, _, _ in pages), np.uint8).reshape(len(pages), -1)
    columns = []
    at = _HEADER.size
    for width in widths:
        # Put together in as few bytes as hold it: most columns are one or two bytes wide.
        held = _COLUMN_TYPES[width]
        column = np.zeros((len(pages), count), held)
        for number in range(width):
            begin = at + 1 + number * count
            column |= table[:, begin : begin + count].astype(held) << held(8 * number)
        columns.append(column.astype(np.uint64))
        at += 1 + width * count
    place, missing, low_bits, high_bits, sum_bits = columns
    firsts = np.array([first for _, first, _ in pages], np.int64)[:, None]
    start = (firsts + (place.view(np.int64) + np.arange(count)) * span).ravel()
    n = (span - missing.view(np.int64)).ravel()
    if kind == 2:
        return Entries(start, n, *(column.view(np.float64).ravel() for column in columns[2:]))
    bases = np.array([base for _, _, base in pages], np.int64)[:, None]
    shifted = low_bits + bases.view(np.uint64)
    low = shifted.view(np.int64).ravel()
    high = (shifted + high_bits).view(np.int64).ravel()
    if kind == 1:
        return Entries(start, n, low, high, sum_bits.view(np.float64).ravel())
    return Entries(start, n, low, high, sum_bits.view(np.int64).ravel() + n * low)
