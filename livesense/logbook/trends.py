"""Rows of a trend, packed for the table ``trend`` and read again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from livesense.errors import DamagedBlockError
from livesense.logbook.connection import Statement
from livesense.logbook.whole import Select
from livesense.trend_rows import TrendRows, no_rows

_READ = """
SELECT first, scans, used, turning, lined, cycles, data FROM trend
 WHERE run = :run AND scan_group = :number AND level = :level
   AND first >= coalesce((SELECT max(first) FROM trend WHERE run = :run AND scan_group = :number
                           AND level = :level AND first <= :first), :first) AND first < :stop
 ORDER BY first
"""


def each(rows: TrendRows) -> Iterator[TrendRows]:
    """Take rows apart."""
    return (rows[at : at + 1] for at in range(len(rows)))


def size_of(columns: int) -> int:
    """Bytes of a row of so many columns."""
    return 24 * columns + 2 * columns * (columns + 1) + 4 * columns * columns


def insertion(run: int, group: int, level: int, row: TrendRows) -> Statement:
    """Write one row."""
    return (
        "INSERT OR REPLACE INTO trend"
        " (run, scan_group, level, first, scans, used, cycles, turning, lined, data)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            run,
            group,
            level,
            int(row.first[0]),
            int(row.scans[0]),
            int(row.used[0]),
            float(row.cycles[0]),
            int(row.turning[0]),
            int(row.lined[0]),
            _packed(row),
        ),
    )


def _packed(row: TrendRows) -> bytes:
    upper = np.triu_indices(row.mean.shape[1])
    beside = np.triu_indices(row.mean.shape[1], 1)
    doubles = np.concatenate((row.mean[0], row.low[0], row.high[0])).astype("<f8")
    products = np.concatenate((row.square[0][upper], row.cross[0].real[upper], row.cross[0].imag[beside]))
    # Codes of wild floats may go beyond what 32 bits hold: they are no numbers then.
    with np.errstate(over="ignore", invalid="ignore"):
        return doubles.tobytes() + products.astype("<f4").tobytes()


def are_kept(select: Select, run: int, number: int) -> bool:
    """Tell whether any row is kept of a group; none where the logbook's schema is older."""
    if not select("SELECT 1 FROM sqlite_master WHERE name = 'trend'", ()):
        return False
    place = {"run": run, "number": number}
    return bool(select("SELECT 1 FROM trend WHERE run = :run AND scan_group = :number LIMIT 1", place))


def read(select: Select, run: int, number: int, columns: int, level: int, first: int, stop: int) -> TrendRows:
    """Read the rows that hold any of some scans; none where the logbook's schema is older."""
    if not are_kept(select, run, number):
        return no_rows(columns)
    place = {"run": run, "number": number, "level": int(level), "first": int(first), "stop": int(stop)}
    rows = select(_READ, place)
    if not rows:
        return no_rows(columns)
    size = size_of(columns)
    if any(
        not isinstance(r[6], bytes)
        or len(r[6]) != size
        or not all(isinstance(v, int) for v in r[:5])
        or not isinstance(r[5], int | float)
        for r in rows
    ):
        raise DamagedBlockError(
            f"run {run}, group {number}: expected trend rows of {size} bytes, found others;"
            " `livesense verify` tells more"
        )
    found = _unpacked(rows, columns)
    return found[found.stop > first]


def _unpacked(rows: list[tuple[Any, ...]], columns: int) -> TrendRows:
    count, wide = len(rows), 24 * columns
    data = np.frombuffer(b"".join(row[6] for row in rows), np.uint8).reshape(count, -1)
    mean, low, high = (
        np.ascontiguousarray(data[:, at : at + 8 * columns]).view("<f8").astype(np.float64)
        for at in range(0, wide, 8 * columns)
    )
    products = np.ascontiguousarray(data[:, wide:]).view("<f4").astype(np.float64)
    upper, beside = np.triu_indices(columns), np.triu_indices(columns, 1)
    many = len(upper[0])
    square = np.zeros((count, columns, columns))
    square[:, upper[0], upper[1]] = square[:, upper[1], upper[0]] = products[:, :many]
    cross = np.zeros((count, columns, columns), dtype=np.complex128)
    cross[:, upper[0], upper[1]] = products[:, many : 2 * many]
    cross[:, beside[0], beside[1]] += 1j * products[:, 2 * many :]
    cross[:, beside[1], beside[0]] = cross[:, beside[0], beside[1]].conj()
    first, scans, used, turning, lined = (
        np.array([row[at] for row in rows], dtype=np.int64) for at in range(5)
    )
    cycles = np.array([row[5] for row in rows], dtype=np.float64)
    return TrendRows(first, scans, used, cycles, turning, mean, low, high, square, cross, lined)
