"""Finds where a current rises through zero, block by block: the scans at which electrical cycles begin.

A rise is the first scan above a level after one below minus that level. The current must go on to a share of
the peak in the cycle before, and have been as far below, so that noise about a slow current's zeros is no
cycle; where it falls below that share of what it was, it is seen again after one and a half such cycles.
"""

from __future__ import annotations

from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.samples import FloatArray

NOISE = 0.3
"""Share of the last cycle's peak that the current must pass both ways; an open phase leaves 0.58 of it."""

PATIENCE = 1.5
"""So many times the last cycle may pass until the current counts as another, smaller one."""


FEWEST = 32
"""Scans that are looked at in one go, at least."""

TOGETHER = 8
"""Cycles one like the other that are worth to be looked at together, at least."""

MOST = 128
"""Cycles that are looked at together, at most."""


class RiseFinder:
    """Finds the rises of one current.

    Parameters
    ----------
    level
        Current, A: it must be passed both ways, whatever the current was before.
    longest
        Most scans of a cycle.
    """

    def __init__(self, level: float, longest: int) -> None:
        self._level = level
        self._longest = longest
        self.forget()

    def forget(self) -> None:
        """Note that what comes is no neighbour of what was."""
        self._low, self._lost = False, False
        self._passes, self._peak = self._level, 0.0
        self._crossed, self._patience, self._foot = 0, self._longest, -1
        self._risen: int | None = None

    @property
    def begun(self) -> int | None:
        """The scan at which a rise begins that is not through yet; None without one."""
        return self._foot + 1 if self._low else None

    def find(self, first: int, current: FloatArray) -> list[tuple[int, bool]]:
        """Find where ``(n,)`` currents rise, and whether they were lost from sight before that."""
        found: list[tuple[int, bool]] = []
        size = np.abs(current)
        at = since = fell = 0
        alike = True
        while at < current.size:
            # Not farther than the next crossing should be: each scan is looked at about once.
            end = at + max(FEWEST, self._patience // 2)
            seen = self._passes > self._level
            if seen:
                end = min(end, max(at + 1, self._crossed + self._patience + 1 - first))
            beyond = current[at:end] > self._passes if self._low else current[at:end] < -self._passes
            where = int(beyond.argmax())
            if not beyond[where]:
                at += beyond.size
                if seen and first + at > self._crossed + self._patience:
                    # What is left is smaller by far than it was: its last peak is no measure any more.
                    self._passes, self._lost, self._peak, since = self._level, True, 0.0, at
                continue
            at += where
            self._crossed, self._low = first + at, not self._low
            if self._low:
                fell = at
                continue
            self._set_foot(first, fell, current[fell:at])
            self._peak = float(np.fmax.reduce(size[since:at], initial=self._peak))
            found.append((self._foot + 1, self._lost))
            self._rise(self._foot + 1)
            while alike and current.size - at >= TOGETHER * self._patience:
                window = slice(at, at + MOST * self._patience)
                rises = self._alike(first, at, current[window], size[window])
                found += [(rise, False) for rise in rises]
                at = self._crossed - first
                alike = len(rises) >= TOGETHER
            since = at
        if self._low:
            self._set_foot(first, fell, current[fell:])
        self._peak = float(np.fmax.reduce(size[since:], initial=self._peak))
        return found

    def _set_foot(self, first: int, fell: int, rising: FloatArray) -> None:
        """Find the last scan that is not above the level itself: behind it a rise begins."""
        below = rising[::-1] <= self._level
        if below.any():
            self._foot = first + fell + rising.size - 1 - int(below.argmax())

    def _rise(self, scan: int) -> None:
        """Take a rise: what the cycle before it was tells how large and how long the next one should be."""
        known = self._risen is not None and not self._lost
        self._patience = ceil(PATIENCE * (scan - (self._risen or 0))) if known else self._longest
        self._passes = max(self._level, NOISE * self._peak)
        self._risen, self._lost, self._peak = scan, False, 0.0

    def _alike(self, first: int, at: int, current: FloatArray, size: FloatArray) -> list[int]:
        """Take the rises of all cycles that follow a rise without surprise; what comes then is left.

        The same rises as one by one, for as long as each half cycle passes the share of the last cycle's
        peak, in time: between two half cycles that pass ``bound``, which is less, nothing passes that share.
        """
        bound = max(self._level, self._passes / 2)
        outside = np.flatnonzero(size > bound)
        above = current[outside] > 0
        # Half cycles, from their first scan beyond the bound; the last one may go on behind what is here.
        begins = outside[np.flatnonzero(above[1:] != above[:-1]) + 1]
        cycles = (begins.size - 1) // 2
        if cycles < 1 or not above[0]:
            return []
        begins = np.concatenate([[0], begins[: 2 * cycles + 1]])
        peaks = np.fmax.reduceat(size[: begins[-1]], begins[:-1])
        # What must be passed after each rise, the first one's first.
        passes = np.maximum(self._level, NOISE * np.fmax(peaks[:-1:2], peaks[1::2]))
        passes = np.concatenate([[self._passes], passes])
        needed = np.repeat(passes[:-1], 2)
        regular = (peaks[1:] > needed) & (needed >= bound)
        cycles = _leading(regular) // 2
        if cycles < 1:
            return []
        begins, needed = begins[: 2 * cycles + 2], needed[: 2 * cycles]
        hits = begins[1] + np.flatnonzero(
            size[begins[1] : begins[-1]] > np.repeat(needed, np.diff(begins[1:]))
        )
        crossings = np.concatenate([[0], hits[np.searchsorted(hits, begins[1:-1])]])
        below = np.flatnonzero(current[: crossings[-1]] <= self._level)
        feet = first + at + below[np.searchsorted(below, crossings[2::2]) - 1]
        rises = [int(foot) + 1 for foot in feet]
        patience = self._patiences(rises)
        cycles = min(cycles, _leading(np.diff(crossings) <= np.repeat(patience[:-1], 2)) // 2)
        if cycles < 1:
            return []
        self._crossed = first + at + int(crossings[2 * cycles])
        self._foot, self._risen = rises[cycles - 1] - 1, rises[cycles - 1]
        self._passes, self._patience = float(passes[cycles]), patience[cycles]
        return rises[:cycles]

    def _patiences(self, rises: list[int]) -> list[int]:
        """Tell how long to wait after a rise and after each that follows it."""
        lengths = np.diff(rises, prepend=self._risen or 0)
        return [self._patience, *np.ceil(PATIENCE * lengths).astype(np.int64).tolist()]


def _leading(true: NDArray[Any]) -> int:
    """Count what is true before the first that is not."""
    return int(true.size if true.all() else true.argmin())
