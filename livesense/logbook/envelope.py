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


Span = tuple[int, int]
"""Scan indices ``first … stop − 1``."""


def _gather(
    source: Source, position: int, first: int, stop: int, level: int, edges: NDArray[np.int64]
) -> Iterator[Entries]:
    """Find sums that together hold every stored scan of a window once, the coarsest that fit its edges.

    What a level leaves over at both ends goes to the one below: a statement and a decoding for each level,
    however long the run is.
    """
    left = [(first, stop)] if first < stop else []
    reaches = _reaches(source, position, level)
    for here in range(level, 0, -1):
        whole_spans, left = _parted(left, factor(here), reaches[here - 1])
        if whole_spans:
            yield from _pages(source, position, here, whole_spans)
    for begin, end in left:
        for at, codes in source.stretches(begin, end, [position]):
            yield pyramid.sums_of(at, codes[:, 0], edges)


def _parted(spans: list[Span], step: int, reach: int) -> tuple[list[Span], list[Span]]:
    """Part spans into what whole entries of ``step`` scans cover, up to ``reach``, and what is left."""
    covered: list[Span] = []
    left: list[Span] = []
    for first, stop in spans:
        begin, end = -(-first // step) * step, min(stop // step * step, reach)
        if begin >= end:
            left.append((first, stop))
            continue
        covered.append((begin, end))
        left += [part for part in ((first, begin), (end, stop)) if part[0] < part[1]]
    return covered, left


def _reaches(source: Source, position: int, level: int) -> list[int]:
    """Find up to where pages are stored of each level, from the first up to ``level``.

    Pages are written in order: before the end of the last one nothing is missing.
    """
    if not level:
        return []
    each = (
        "(SELECT max(first) FROM pyramid WHERE run = :run AND scan_group = :number AND position = :position"
        f" AND level = {number})"
        for number in range(1, level + 1)
    )
    (lasts,) = source.select(
        f"SELECT {', '.join(each)}", {"run": source.run, "number": source.number, "position": position}
    )
    return [
        0 if last is None else whole(last, "first") + factor(number) * PAGE_ENTRIES
        for number, last in enumerate(lasts, start=1)
    ]


_PAGES = (
    "SELECT first, entries, data FROM pyramid"
    " WHERE run = ? AND scan_group = ? AND position = ? AND level = ? AND first >= ? AND first < ?"
)


def _pages(source: Source, position: int, level: int, spans: list[Span]) -> Iterator[Entries]:
    """Read the entries of spans, which are in order and apart."""
    step = factor(level)
    page_scans = step * PAGE_ENTRIES
    values: list[int] = []
    read = 0
    for first, stop in spans:
        # A page in which two spans lie is read once.
        begin = max(first // page_scans * page_scans, read)
        values += [source.run, source.number, position, level, begin, stop]
        read = -(-stop // page_scans) * page_scans
    rows = source.select(" UNION ALL ".join([_PAGES] * len(spans)) + " ORDER BY first", values)
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
    for begin, end in np.searchsorted(found.start, spans).tolist():
        yield found[begin:end]


def _page(row: tuple[Any, ...]) -> pyramid.Row:
    first, count, data = row
    if type(first) is int and type(count) is int and type(data) is bytes:
        return first, count, data
    if not isinstance(data, bytes):
        raise DamagedBlockError(f"expected a page of the pyramid, found {type(data).__name__}")
    return whole(first, "first"), whole(count, "entries"), data
