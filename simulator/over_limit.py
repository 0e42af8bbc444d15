"""When the true current was over its limit: a slow, plain twin of any overcurrent watch.

It walks through single scans, and only where a chunk comes near the limit. It shares
no code with livesense's own watch, so that one can judge the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

HOLD_S = 100e-6
RELEASE = 0.95
RELEASE_HOLD_S = 0.05


@dataclass(frozen=True, slots=True)
class OverLimit:
    """One stretch over the limit; scans are indices, ``end_scan`` is part of it."""

    start_scan: int
    end_scan: int
    peak_a: float
    peak_scan: int


class OverLimitFinder:
    """Finds the stretches of one channel.

    One begins with the first of ``hold`` scans in a row beyond the limit, and ends with the
    last scan beyond ``RELEASE`` of it that is followed by a release time below.
    """

    def __init__(self, limit_a: float, rate_hz: float) -> None:
        self.limit_a = limit_a
        self._hold = max(1, math.ceil(HOLD_S * rate_hz - 1e-9))
        self._release_scans = math.ceil(RELEASE_HOLD_S * rate_hz - 1e-9)
        self._beyond = 0
        self._start: int | None = None
        self._last_hot = 0
        self._peak_a = 0.0
        self._peak_scan = 0
        self._run_peak: tuple[float, int] = (0.0, 0)

    def feed(self, first: int, current_a: NDArray[np.float64]) -> list[OverLimit]:
        """Take ``(n,)`` true currents from scan ``first`` on; stretches that ended."""
        if self._start is None and not np.any(np.abs(current_a) > self.limit_a):
            self._beyond = 0
            return []
        ended: list[OverLimit] = []
        for scan, value in enumerate(current_a.tolist(), start=first):
            self._step(scan, value, ended)
        return ended

    def _step(self, scan: int, value: float, ended: list[OverLimit]) -> None:
        size = abs(value)
        if self._start is None:
            if size <= self.limit_a * (1.0 + 1e-9):
                self._beyond = 0
                return
            self._beyond += 1
            if self._beyond == 1 or size > abs(self._run_peak[0]):
                self._run_peak = (value, scan)
            if self._beyond >= self._hold:
                self._start = scan - self._hold + 1
                self._peak_a, self._peak_scan = self._run_peak
                self._last_hot = scan
            return
        if size > abs(self._peak_a):
            self._peak_a, self._peak_scan = value, scan
        if size > RELEASE * self.limit_a * (1.0 + 1e-9):
            self._last_hot = scan
        elif scan - self._last_hot >= self._release_scans:
            ended.extend(self.finish())

    def finish(self) -> list[OverLimit]:
        """Close an open stretch at its last scan beyond the release level."""
        if self._start is None:
            return []
        stretch = OverLimit(self._start, self._last_hot, self._peak_a, self._peak_scan)
        self._start = None
        self._beyond = 0
        return [stretch]
