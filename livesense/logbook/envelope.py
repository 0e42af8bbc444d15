"""A window of any length, in at most so many buckets, from as few rows as possible."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import DamagedBlockError
from livesense.logbook import pyramid
from livesense.logbook.pyramid import PAGE_ENTRIES, Entries, factor
from livesense.logbook.stretches import Source
from livesense.logbook.whole import whole
from livesense.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Envelope:
    """What a window holds, bucket by bucket, in code units.

    Bucket i spans the scan indices ``scan[i] … scan[i + 1] − 1``. ``low``, ``high`` and
    ``mean`` are NaN where no scan is stored; ``n`` says how many are.

    Attributes
    ----------
    scan
        ``(b + 1,)`` edges; the first and last are the window's own, those between lie
        where stored sums begin, so buckets are only nearly alike in length.
    low, high, mean
        ``(b,)``
    n
        ``(b,)`` stored scans.
    """

    scan: NDArray[np.int64]
    low: FloatArray
    high: FloatArray
    mean: FloatArray
    n: NDArray[np.int64]


def edges_of(first: int, stop: int, buckets: int, finest: int = 0) -> tuple[NDArray[np.int64], int]:
    """Edges ``(b + 1,)`` of at most ``buckets`` buckets, and the pyramid's level they fit to.

    Below level ``finest`` nothing is there: buckets are no shorter than its entries.
    """
    if first < 0 or stop <= first:
        raise ValueError(f"expected a window of at least one scan from 0 on, got {first} to {stop}")
    if buckets < 1:
        raise ValueError(f"expected at least one bucket, got {buckets}")
    span = stop - first
    buckets = min(buckets, max(1, span // factor(finest)))
    level = finest
    # As coarse as can be: with one or two entries in a bucket these differ in length, and are read at once.
    while level < pyramid.LEVELS and span >= buckets * factor(level + 1):
        level += 1
    step = factor(level)
    edges = first + np.arange(buckets + 1, dtype=np.int64) * (span // buckets)
    edges += np.arange(buckets + 1, dtype=np.int64) * (span % buckets) // buckets
    if step > 1:
        edges = np.clip((edges + step // 2) // step * step, first, stop)
        edges[0], edges[-1] = first, stop
    return edges, level


def envelope(source: Source, position: int, first: int, stop: int, buckets: int) -> Envelope:
    """Envelope of one channel; see :meth:`RunReader.envelope`."""
    finest = min(source.dropped_level(first, stop), pyramid.LEVELS)
    edges, level = edges_of(first, stop, buckets, finest)
    # Where scans were dropped, what sums up those at the window's ends is taken whole.
    whole_first, whole_stop = (
        first // factor(finest) * factor(finest),
        -(-stop // factor(finest)) * factor(finest),
    )
    count = len(edges) - 1
    low, high, mean = (np.full(count, np.nan) for _ in range(3))
    n = np.zeros(count, np.int64)
    parts = [part for part in _gather(source, position, whole_first, whole_stop, level, edges) if len(part)]
    if parts:
        found = pyramid.joined(parts)
        if np.any(found.start[1:] < found.start[:-1]):
            found = found[np.argsort(found.start, kind="stable")]
        bins = np.clip(np.searchsorted(edges, found.start, "right") - 1, 0, count - 1)
        sums = pyramid.gathered(found, bins, bins)
        held = sums.n > 0
        at = sums.start[held]
        low[at], high[at], n[at] = sums.low[held], sums.high[held], sums.n[held]
        mean[at] = sums.sum[held] / sums.n[held]
    return Envelope(edges, low, high, mean, n)


def _gather(
    source: Source, position: int, first: int, stop: int, level: int, edges: NDArray[np.int64]
) -> Iterator[Entries]:
    """Find sums that together hold every stored scan of a window once, the coarsest that fit its edges."""
    if first >= stop:
        return
    if level == 0:
        for at, codes in source.stretches(first, stop, [position]):
            yield pyramid.sums_of(at, codes[:, 0], edges)
        return
    step = factor(level)
    begin, end = -(-first // step) * step, stop // step * step
    if begin >= end:
        yield from _gather(source, position, first, stop, level - 1, edges)
        return
    # Pages are written in order: before the end of the last one nothing is missing.
    reach = min(max(begin, _reach(source, position, level)), end)
    yield from _gather(source, position, first, begin, level - 1, edges)
    if begin < reach:
        yield from _pages(source, position, level, begin, reach)
    yield from _gather(source, position, reach, stop, level - 1, edges)


def _reach(source: Source, position: int, level: int) -> int:
    ((last,),) = source.select(
        "SELECT max(first) FROM pyramid WHERE run = ? AND scan_group = ? AND position = ? AND level = ?",
        (source.run, source.number, position, level),
    )
    return 0 if last is None else whole(last, "first") + factor(level) * PAGE_ENTRIES


def _pages(source: Source, position: int, level: int, first: int, stop: int) -> Iterator[Entries]:
    step = factor(level)
    page_scans = step * PAGE_ENTRIES
    rows = source.select(
        "SELECT first, entries, data FROM pyramid"
        " WHERE run = ? AND scan_group = ? AND position = ? AND level = ? AND first >= ? AND first < ?"
        " ORDER BY first",
        (source.run, source.number, position, level, first // page_scans * page_scans, stop),
    )
    if not rows:
        return
    try:
        found = pyramid.unpack([_page(row) for row in rows], step)
    except DamagedBlockError as error:
        raise DamagedBlockError(
            f"run {source.run}, group {source.number}: {error}; the codes themselves are not concerned"
        ) from error
    if np.any(found.start[1:] < found.start[:-1]):
        found = found[np.argsort(found.start, kind="stable")]
    begin, end = np.searchsorted(found.start, [first, stop])
    yield found[begin:end]


def _page(row: tuple[Any, ...]) -> pyramid.Row:
    first, count, data = row
    if not isinstance(data, bytes):
        raise DamagedBlockError(f"expected a page of the pyramid, found {type(data).__name__}")
    return whole(first, "first"), whole(count, "entries"), data
