"""Rows of a trend: what so many scans of one group were, in code units, so that any chain applies later.

A row holds mean, smallest and largest code of each column, the mean products of the columns' deviations from
their means (so that a linear chain gives rms values and powers), and the mean products of their fundamentals'
rms phasors (so that it gives fundamentals, symmetrical components and unbalance). All of them add up: rows
put together are what one row over all their scans would be, and rms values are then aggregated by
root-mean-square, as IEC 61000-4-30 asks (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.samples import FloatArray

LEVELS_S = (0.2, 3.0, 60.0, 600.0)
"""Length of the rows of each level; those of level 0 hold whole cycles and are only about as long."""

Integers = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TrendRows:
    """``n`` rows of one group with ``k`` columns, in order.

    Attributes
    ----------
    first, scans
        ``(n,)`` first scan, and how many the row spans, lost ones too; ``low`` and ``high`` hold all others.
    used
        ``(n,)`` scans in ``mean`` and ``square``: of a cycle that a gap broke, what is left is not.
    cycles, turning
        ``(n,)`` whole electrical cycles, and the scans that they fill; 0 where nothing turned.
    mean, low, high
        ``(n, k)`` codes.
    square
        ``(n, k, k)`` mean products of the deviations from ``mean``.
    cross
        ``(n, k, k)`` complex: mean of ``c_j * conj(c_k)`` over ``lined``, ``c`` the
        fundamentals' rms phasors.
    lined
        ``(n,)`` scans of the cycles in which one line makes most of what alternates in the phase currents:
        not where speed or current change.
    """

    first: Integers
    scans: Integers
    used: Integers
    cycles: FloatArray
    turning: Integers
    mean: FloatArray
    low: FloatArray
    high: FloatArray
    square: FloatArray
    cross: NDArray[np.complex128]
    lined: Integers

    def __len__(self) -> int:
        return len(self.first)

    def __getitem__(self, chosen: slice | NDArray[Any]) -> TrendRows:
        return TrendRows(*(getattr(self, entry.name)[chosen] for entry in fields(self)))

    @property
    def stop(self) -> Integers:
        """``(n,)`` the scan after the last one of each row."""
        return self.first + self.scans


def no_rows(columns: int) -> TrendRows:
    """Make an empty set of rows."""
    whole, table, square = np.zeros(0, np.int64), np.zeros((0, columns)), np.zeros((0, columns, columns))
    return TrendRows(
        whole,
        whole,
        whole,
        np.zeros(0),
        whole,
        table,
        table,
        table,
        square,
        square.astype(np.complex128),
        whole,
    )


def joined(parts: Sequence[TrendRows]) -> TrendRows:
    """Put sets of rows behind each other; at least one set."""
    return TrendRows(*(np.concatenate([getattr(p, e.name) for p in parts]) for e in fields(TrendRows)))


def merged(rows: TrendRows, starts: Integers) -> TrendRows:
    """Put neighbours together: rows ``starts[j]`` to ``starts[j + 1] - 1`` become row j.

    ``starts`` begins with 0 and grows; empty for no rows.
    """
    if not len(rows):
        return rows
    counts = np.diff(np.append(starts, len(rows)))

    def total(values: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(np.add.reduceat(values, starts, axis=0))

    def weighted(values: NDArray[Any], weights: Integers) -> NDArray[Any]:
        shape = (-1,) + (1,) * (values.ndim - 1)
        sums = np.maximum(total(weights), 1).reshape(shape)
        return np.asarray(total(values * weights.reshape(shape)) / sums)

    mean = weighted(rows.mean, rows.used)
    off = rows.mean - np.repeat(mean, counts, axis=0)
    square = weighted(rows.square + off[:, :, None] * off[:, None, :], rows.used)
    return TrendRows(
        rows.first[starts],
        rows.stop[np.append(starts[1:], len(rows)) - 1] - rows.first[starts],
        total(rows.used),
        total(rows.cycles),
        total(rows.turning),
        mean,
        np.minimum.reduceat(rows.low, starts, axis=0),
        np.maximum.reduceat(rows.high, starts, axis=0),
        square,
        weighted(rows.cross, rows.lined),
        total(rows.lined),
    )


def merged_by(rows: TrendRows, slots: NDArray[Any]) -> TrendRows:
    """Put neighbours of the same slot ``(n,)`` together."""
    return merged(rows, np.flatnonzero(np.append(True, np.diff(slots) != 0))) if len(rows) else rows


def slots_of(first: Integers, rate_hz: float, level: int) -> Integers:
    """Tell in which stretch of ``LEVELS_S[level]`` scans lie, counted from scan 0."""
    return np.floor(first / (rate_hz * LEVELS_S[level])).astype(np.int64)
