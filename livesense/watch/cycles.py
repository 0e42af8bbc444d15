"""Cuts a current into electrical cycles and gives each one's mean square, the same for any block borders.

A cycle begins where the current rises through zero: at the first scan above half the reference (the
rule's limit or pick-up) after one below minus half of it. Ripple smaller than the reference is no cycle.
One that lasts for ``longest`` scans is cut there, so that direct and very slow currents are cut as well.
After so many scans within ± half the reference, or at a stretch's beginning, the first one beyond begins
a cycle too: a step counts from its first scan.

Squares are summed as whole numbers. Their sums are exact, so they do not depend on how scans come in
blocks, and do not drift however long a stream is.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.samples import BoolArray, FloatArray
from livesense.watch.excess import Peak

_Integers = NDArray[np.int64]

LARGEST_BITS = 8
"""Currents up to 2^8 times the reference are told apart; larger ones count as that."""


@dataclass(frozen=True, slots=True)
class Cycles:
    """Cycles in a row, ``(k,)`` each.

    ``start`` is the index of the first scan, ``count`` how many scans there are. ``mean_square`` is
    relative to the reference squared. ``whole`` is False for a part of a cycle beside a gap, the
    beginning or the end. ``peak`` finds the largest magnitude from
    one of them up to another, which is not included.
    """

    start: _Integers
    count: _Integers
    mean_square: FloatArray
    clipped: BoolArray
    whole: BoolArray
    peak: Callable[[int, int], Peak]


class CycleCutter:
    """Cuts one current, block by block; scans of a block and of the next one are neighbours.

    Parameters
    ----------
    reference
        Current, above 0.
    longest
        Scans after which a cycle is cut, at least 1.
    """

    def __init__(self, reference: float, longest: int) -> None:
        self._loud = reference / 2
        self._longest = longest
        # A sum of ``longest`` largest squares stays within 62 bits.
        self._one = float(1 << (62 - 2 * LARGEST_BITS - longest.bit_length()))
        self._scale = self._one / reference**2
        self._largest = reference * (1 << LARGEST_BITS)
        self._forget()

    def _forget(self) -> None:
        self._begin: int | None = None
        self._begun = False  # at the beginning of a cycle, and not at that of a stretch
        self._last_loud = 0
        self._sign = 0
        self._open()

    def _open(self) -> None:
        self._sum = 0
        self._peak = Peak()

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> Cycles:
        """Take ``(n,)`` values, at least one; hand back the cycles that are over. NaN is no current."""
        if self._begin is None:
            self._begin, self._last_loud = first, first
        carried, begun = self._peak, self._begun
        cuts = self._cuts(self._begin - first, self._marks(first, values), values.size)
        sums = np.zeros(values.size + 1, dtype=np.int64)
        np.cumsum(self._squares(values), out=sums[1:])
        starts = np.concatenate(([self._begin - first], cuts[:-1]))[: cuts.size]
        counts = cuts - starts
        squares = np.diff(sums[cuts], prepend=-self._sum)
        whole = np.ones(cuts.size, dtype=bool)
        whole[:1] = begun or counts[:1] == self._longest
        tail = 0

        def peak(one: int, other: int) -> Peak:
            begin, stop = max(0, int(starts[one])), int(cuts[other - 1])
            piece = loudest(first, begin, stop, values, clipped)
            return carried.joined(piece) if one == 0 else piece

        marked = self._clipped(cuts, clipped)
        if cuts.size:
            tail = int(cuts[-1])
            self._begin, self._begun = first + tail, True
            self._open()
        self._sum += int(sums[-1] - sums[tail])
        self._peak = self._peak.joined(loudest(first, tail, values.size, values, clipped))
        return Cycles(starts + first, counts, squares / (counts * self._one), marked, whole, peak)

    def flush(self, stop: int) -> Cycles | None:
        """Hand back the cycle that lasts, cut before scan ``stop``, and start anew: what follows is apart."""
        found = None
        if self._begin is not None and stop > self._begin:
            last, count = self._peak, stop - self._begin
            found = Cycles(
                np.array([self._begin]),
                np.array([count]),
                np.array([self._sum / (count * self._one)]),
                np.array([last.clipped]),
                np.array([False]),
                lambda one, other: last,
            )
        self._forget()
        return found

    def _marks(self, first: int, values: FloatArray) -> NDArray[np.intp]:
        """Where the current rises through zero, or begins after it was quiet for long."""
        rises, ups = _stays(values > self._loud)
        falls, downs = _stays(values < -self._loud)
        starts, lasts = np.concatenate((rises, falls)), np.concatenate((ups, downs))
        if starts.size == 0:
            return starts
        order = starts.argsort()
        starts, lasts = starts[order], lasts[order]
        positive = order < rises.size
        negative_before = np.concatenate(([self._sign < 0], ~positive[:-1]))
        quiet_before = starts - np.concatenate(([self._last_loud - first], lasts[:-1])) > self._longest
        quiet_before[0] |= self._sign == 0
        self._last_loud, self._sign = first + int(lasts[-1]), 1 if positive[-1] else -1
        return starts[(positive & negative_before) | quiet_before]

    def _cuts(self, begin: int, marks: NDArray[np.intp], size: int) -> NDArray[np.intp]:
        """Where cycles end in the block: at each mark, and ``longest`` scans after what begins one."""
        edges = np.concatenate(([begin], marks, [size]))
        forced = np.maximum(0, np.diff(edges) - 1) // self._longest
        forced[-1] = (edges[-1] - edges[-2]) // self._longest
        cuts = marks
        if forced.any():
            each = np.arange(forced.sum()) - np.repeat(np.cumsum(forced) - forced, forced) + 1
            cuts = np.union1d(marks, np.repeat(edges[:-1], forced) + each * self._longest)
        # A mark on the first scan after a cut ends nothing.
        return cuts[cuts > begin]

    def _squares(self, values: FloatArray) -> _Integers:
        # Written so that NaN, which is beyond nothing, is found as well.
        if not (values.max() <= self._largest and values.min() >= -self._largest):
            values = np.clip(np.nan_to_num(values), -self._largest, self._largest)
        squares = values * values
        squares *= self._scale
        return squares.astype(np.int64)

    def _clipped(self, cuts: NDArray[np.intp], clipped: BoolArray) -> BoolArray:
        """Tell which of the cycles that are over hold a clipped scan."""
        if not (clipped.any() or self._peak.clipped):
            return np.zeros(cuts.size, dtype=bool)
        counted = np.concatenate(([0], np.cumsum(clipped)))
        return np.diff(counted[cuts], prepend=-int(self._peak.clipped)) > 0


def _stays(flags: BoolArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last of each row of true ones."""
    edges = np.flatnonzero(np.diff(flags, prepend=False, append=False))
    return edges[0::2], edges[1::2] - 1


def loudest(first: int, begin: int, stop: int, values: FloatArray, clipped: BoolArray) -> Peak:
    """Find the largest magnitude of ``values[begin:stop]``, which begin at scan ``first``; NaN is none."""
    if begin >= stop:
        return Peak()
    magnitude = np.abs(values[begin:stop])
    where = int(magnitude.argmax())
    if np.isnan(magnitude[where]):
        magnitude = np.nan_to_num(magnitude, nan=-1.0)
        where = int(magnitude.argmax())
    found = bool(clipped[begin:stop].any())
    if magnitude[where] < 0:
        return Peak(clipped=found)
    return Peak(float(values[begin + where]), first + begin + where, found)
