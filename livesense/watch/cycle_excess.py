"""Where the rms over a cycle stays beyond a limit: each scan stands for the rms of its whole cycle."""

from __future__ import annotations

import numpy as np

from livesense.samples import BoolArray, FloatArray
from livesense.watch.arrivals import Arrivals
from livesense.watch.cycles import CycleCutter, Cycles
from livesense.watch.excess import Excess, ExcessTracker


class CycleTracker:
    """As :class:`ExcessTracker`, on the rms of cycles. A part of a cycle is neither beyond nor below."""

    def __init__(self, limit: float, hold: int, release: float, calm: int, longest: int) -> None:
        self._reference = limit
        self._cutter = CycleCutter(limit, longest)
        self._tracker = ExcessTracker(limit, hold, release, calm)
        self._arrivals = Arrivals()

    @property
    def open(self) -> Excess | None:
        """The excess that lasts, if one does."""
        return self._tracker.open

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing here; None: some, nobody knows how many."""
        self._part()
        self._arrivals.gap(count)
        self._tracker.gap(count)

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Excess]:
        """Take ``values`` ``(n,)``, at least one, from scan ``first`` on; hand back what ended."""
        before = self._arrivals.next
        if self._arrivals.missing(first, values.size):
            self._part(before)
        return self._take(self._cutter.feed(first, values, clipped))

    def close(self, last_scan: int | None = None) -> Excess | None:
        """End what lasts at the last scan that came (or the one stated), cut short; then start anew."""
        self._part()
        self._arrivals.forget()
        return self._tracker.close(last_scan)

    def _part(self, stop: int | None = None) -> None:
        """End the cycle that lasts where scans in a row end."""
        stop = self._arrivals.next if stop is None else stop
        part = None if stop is None else self._cutter.flush(stop)
        if part is not None:
            self._take(part)

    def _take(self, cycles: Cycles) -> list[Excess]:
        parts = int(np.count_nonzero(~cycles.whole))
        if parts:
            # Only the first one can be a part.
            self._tracker.skip(int(cycles.start[0]), int(cycles.count[0]), bool(cycles.clipped[0]))
        if parts == cycles.start.size:
            return []
        counts = cycles.count[parts:]
        rms = self._reference * np.sqrt(cycles.mean_square[parts:])
        return self._tracker.feed(
            int(cycles.start[parts]), np.repeat(rms, counts), np.repeat(cycles.clipped[parts:], counts)
        )
