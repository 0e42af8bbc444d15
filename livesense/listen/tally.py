"""What came so far, counted: all that the hints are told from."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from livesense.listen.rows import WELL, Row, Verdict

KEPT = 1 << 14
"""Bytes that are kept, from the first and of the latest: enough to look for frames, lines or records."""

READ = WELL | {Verdict.UNDESCRIBED, Verdict.REPEATED, Verdict.BEHIND}

SAMPLES = 24
"""Rows of each fault that are kept for a closer look."""

MOST_SIZES = 512


def _histogram() -> NDArray[np.int64]:
    return np.zeros(256, dtype=np.int64)


@dataclass
class Tally:
    """Counts of a stream.

    Attributes
    ----------
    size
        Bytes in all.
    faults
        By the names under which a recording counts them.
    verdicts
        Rows of each verdict, as far as they are decided.
    histogram
        ``(256,)`` how often each byte came.
    latest
        The latest bytes, :data:`KEPT` to twice as many.
    read
        Bytes of rows that were understood, whether their scans were taken or not.
    good_sizes, bad_sizes
        How often rows of each size were well, or had bits or bytes wrong.
    samples
        Some rows of each fault.
    notes, devices
        Latest note; names that descriptions gave.
    """

    size: int = 0
    rows: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    verdicts: Counter[Verdict] = field(default_factory=Counter)
    histogram: NDArray[np.int64] = field(default_factory=_histogram)
    latest: bytearray = field(default_factory=bytearray)
    read: int = 0
    good_sizes: Counter[int] = field(default_factory=Counter)
    bad_sizes: Counter[int] = field(default_factory=Counter)
    samples: dict[Verdict, list[Row]] = field(default_factory=dict)

    def take(self, data: bytes) -> None:
        """Count bytes as they come."""
        self.size += len(data)
        self.histogram += np.bincount(np.frombuffer(data, dtype=np.uint8), minlength=256)
        self.latest += data
        if len(self.latest) > 2 * KEPT:
            del self.latest[:-KEPT]

    def bytes_only(self) -> Tally:
        """Forget what the rows were: they were read as another wire."""
        return Tally(self.size, self.rows, histogram=self.histogram, latest=self.latest)

    def row(self, row: Row) -> None:
        """Count a row that is decided."""
        self.rows += 1
        self.verdicts[row.verdict] += 1
        if row.verdict in READ:
            self.read += row.size
        if row.verdict is Verdict.GOOD:
            self._size(self.good_sizes, row.size)
        elif row.verdict in {Verdict.CRC, Verdict.STUFFING, Verdict.LENGTH, Verdict.BAD_LINE}:
            self._size(self.bad_sizes, row.size)
        if row.verdict not in WELL:
            some = self.samples.setdefault(row.verdict, [])
            if len(some) < SAMPLES:
                some.append(row)

    @staticmethod
    def _size(sizes: Counter[int], size: int) -> None:
        if size in sizes or len(sizes) < MOST_SIZES:
            sizes[size] += 1

    @property
    def sample(self) -> bytes:
        """The latest bytes, few enough for a search that takes a while."""
        return bytes(self.latest[-KEPT:])

    @property
    def good(self) -> int:
        """Rows that held scans, all taken."""
        return self.verdicts[Verdict.GOOD]

    @property
    def well(self) -> int:
        """Rows that nothing was wrong with."""
        return sum(self.verdicts[verdict] for verdict in WELL)

    @property
    def damaged(self) -> int:
        """Faults of bits and bytes: what came twice or is out of range was received as it was sent."""
        whole = {str(Verdict.REPEATED), "code_range"}
        return sum(count for kind, count in self.faults.items() if kind not in whole)
