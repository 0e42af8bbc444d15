"""Where one signal stays beyond a limit: run lengths on whole blocks, the same for any block borders.

Two ideas carry it. A *run* is scans in a row beyond the limit; a run of ``hold`` scans opens an excess.
A *cluster* is scans beyond the release level with fewer than ``calm`` scans in a row at or below it
between them; an excess ends with its cluster. So each cluster holds at most one excess, from its first
long run to its end, and all of a block's runs and clusters come from two comparisons.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from livesense.samples import BoolArray, FloatArray

_Indices = NDArray[np.intp]

BEYOND = 1e-9
"""Relative margin above a level within which a value still counts as at it: rounding of the chain."""


@dataclass(frozen=True, slots=True)
class Peak:
    """Largest magnitude so far, with its sign; ``clipped`` when any of its scans was."""

    value: float = 0.0
    scan: int = -1
    clipped: bool = False

    def joined(self, later: Peak) -> Peak:
        """Both; the earlier of two equal ones."""
        clipped = self.clipped or later.clipped
        better = self.scan < 0 or abs(later.value) > abs(self.value)
        return replace(later if better and later.scan >= 0 else self, clipped=clipped)


ONE = 1 << 26
"""A square as large as the limit's, in whole numbers: their sums do not depend on block borders."""

LARGEST = 256.0
"""Values up to so many times the limit are told apart in sums; larger ones count as that."""


@dataclass(frozen=True, slots=True)
class Squares:
    """Sums over scans, in :data:`ONE` per square of the limit.

    ``whole`` is that of the values squared, ``over`` that of what they are beyond the limit squared, of the
    ``beyond`` scans that are.
    """

    whole: int = 0
    over: int = 0
    beyond: int = 0

    def plus(self, other: Squares) -> Squares:
        """Both."""
        return Squares(self.whole + other.whole, self.over + other.over, self.beyond + other.beyond)

    def integrals(self, limit: float, rate_hz: float) -> tuple[float, float, float]:
        """∫ i² dt, ∫ (i² − limit²) dt where that is above zero, and for how long it was, s."""
        scale = limit * limit / (ONE * rate_hz)
        return self.whole * scale, self.over * scale, self.beyond / rate_hz


@dataclass(frozen=True, slots=True)
class Excess:
    """One stay beyond the limit; ``end`` (inclusive) is None while it lasts.

    ``lost`` scans are missing between its first and its last; ``lost_unknown`` when some more were
    lost that nobody counted. ``squares`` are those of its scans; alone they are no change worth telling.
    """

    start: int
    end: int | None
    peak: Peak
    lost: int = 0
    lost_unknown: bool = False
    cut_short: bool = False
    squares: Squares = field(default=Squares(), compare=False)


def scans_for(seconds: float, rate_hz: float) -> int:
    """Fewest scans in a row that make up a time, at least 1."""
    return max(1, math.ceil(seconds * rate_hz - 1e-9))


class ExcessTracker:
    """Finds the excesses of one signal, block by block."""

    def __init__(self, limit: float, hold: int, release: float, calm: int, *, summed: bool = True) -> None:
        """Take levels (magnitudes; at a level is not beyond it) and counts of scans, at least 1 each.

        ``summed`` tells whether squares are summed up.
        """
        self._summed = summed
        self._limit = limit
        self._hold = hold
        self._release = release
        self._calm = calm
        self.forget()

    def forget(self) -> None:
        """Start anew, as before the first block."""
        self._next: int | None = None
        self._last_scan = -1
        self._run = 0  # scans in a row beyond the limit, up to now; kept while nothing is open
        self._run_peak = Peak()
        self._run_squares = Squares()
        self._open: Excess | None = None
        self._last_held = -1
        # Since the last scan beyond the release level:
        self._quiet = 0
        self._clipped_late = False
        self._squares_late = Squares()
        self._lost_late, self._unknown_late = 0, False
        # Since the last scan of any kind:
        self._lost_now, self._unknown_now = 0, False

    @property
    def open(self) -> Excess | None:
        """The excess that lasts, if one does."""
        return self._open

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing here; None: some, nobody knows how many.

        Scans in a row must be neighbours: both counts start anew, that of scans beyond the limit
        and that of scans at or below the release level. What lasts goes on.
        """
        self._run, self._quiet = 0, 0
        self._run_peak = Peak()
        if count is None:
            self._unknown_now = True
        else:
            self._lost_now += count
            if self._next is not None:
                self._next += count

    def pass_over(self, first: int, count: int) -> None:
        """Take a block known to stay within the limit, while nothing is open."""
        self._arrive(first, count)
        self._run, self._run_peak = 0, Peak()

    def skip(self, first: int, count: int, clipped: bool) -> None:
        """Take a block of which nothing is known: neither beyond the limit nor below the release level."""
        self._arrive(first, count)
        self._run, self._run_peak, self._quiet = 0, Peak(), 0
        self._clipped_late |= clipped

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Excess]:
        """Take ``values`` ``(n,)``, at least one, from scan ``first`` on; hand back what ended.

        Raises
        ------
        ValueError
            When ``first`` lies before the scan that should follow.
        """
        size = values.size
        self._arrive(first, size)
        magnitude = np.abs(values)
        held = np.flatnonzero(magnitude > self._release)
        ended = self._end_if_quiet(int(held[0]) if held.size else size)
        if held.size == 0:
            self._run, self._run_peak = 0, Peak()
            self._quiet += size
            self._clipped_late |= bool(clipped.any())
            if self._open is not None:
                self._squares_late = self._squares_late.plus(self._squares(magnitude))
            return ended
        starts, lengths = self._runs(magnitude > self._limit)
        heads, tails = _clusters(held, self._calm)
        for cluster, begin in self._openings(starts, lengths, heads):
            end = int(tails[cluster])
            self._extend(first, begin, end, values, magnitude, clipped)
            self._quiet = size - 1 - end
            self._clipped_late = bool(clipped[end + 1 :].any())
            self._squares_late = self._squares(magnitude[end + 1 :])
            if self._quiet >= self._calm:
                ended.append(self._ended())
        self._carry_run(first, starts, lengths, values, magnitude, clipped)
        return ended

    def close(self, last_scan: int | None = None) -> Excess | None:
        """End what lasts at the last scan that came (or the one stated), cut short; then start anew."""
        excess = self._open
        if excess is not None:
            excess = replace(
                excess,
                end=self._last_scan if last_scan is None else last_scan,
                peak=replace(excess.peak, clipped=excess.peak.clipped or self._clipped_late),
                lost=excess.lost + self._lost_late,
                lost_unknown=excess.lost_unknown or self._unknown_late,
                cut_short=True,
                squares=excess.squares.plus(self._squares_late),
            )
        self.forget()
        return excess

    def _squares(self, magnitude: FloatArray) -> Squares:
        """Sum up scans in a row, ``(n,)`` magnitudes; NaN counts as nothing."""
        if not self._summed or not magnitude.size:
            return Squares()
        relative = np.minimum(np.nan_to_num(magnitude) / self._limit, LARGEST)
        squares = (relative * relative * ONE).astype(np.int64)
        over = squares[magnitude > self._limit] - ONE
        return Squares(int(squares.sum()), int(over.sum()), int(over.size))

    def _arrive(self, first: int, count: int) -> None:
        if self._next is not None and first != self._next:
            if first < self._next:
                raise ValueError(f"first: expected scan {self._next} or later, got {first}")
            self.gap(first - self._next)
        self._lost_late += self._lost_now
        self._unknown_late |= self._unknown_now
        self._lost_now, self._unknown_now = 0, False
        self._next = first + count
        self._last_scan = first + count - 1

    def _end_if_quiet(self, before: int) -> list[Excess]:
        """End what lasts if, with ``before`` more quiet scans, it has been quiet for long enough."""
        if self._open is None or self._quiet + before < self._calm:
            return []
        return [self._ended()]

    def _ended(self) -> Excess:
        assert self._open is not None
        excess = replace(self._open, end=self._last_held)
        self._open = None
        return excess

    def _runs(self, beyond: BoolArray) -> tuple[_Indices, _Indices]:
        """Where runs beyond the limit start, and their lengths with what earlier blocks began."""
        edges = np.flatnonzero(np.diff(beyond, prepend=False, append=False))
        starts, lengths = edges[0::2], edges[1::2] - edges[0::2]
        if starts.size and starts[0] == 0:
            lengths[0] += self._run
        return starts, lengths

    def _openings(self, starts: _Indices, lengths: _Indices, heads: _Indices) -> list[tuple[int, int]]:
        """Each cluster that holds (a part of) an excess, and where in the block that begins."""
        long = starts[lengths >= self._hold]
        clusters, which = np.unique(np.searchsorted(heads, long, side="right") - 1, return_index=True)
        found = list(zip(clusters.tolist(), long[which].tolist(), strict=True))
        if self._open is None:
            return found
        return [(0, 0), *(f for f in found if f[0] > 0)]

    def _extend(
        self,
        first: int,
        begin: int,
        end: int,
        values: FloatArray,
        magnitude: FloatArray,
        clipped: BoolArray,
    ) -> None:
        """Open an excess at ``begin``, or carry on with the one that lasts, up to ``end`` (inclusive)."""
        piece = _peak_of(first, begin, end + 1, values, magnitude, clipped)
        squares = self._squares(magnitude[begin : end + 1])
        self._last_held = first + end
        if self._open is None:
            carried = self._run if begin == 0 else 0
            peak = self._run_peak.joined(piece) if carried else piece
            if carried:
                squares = self._run_squares.plus(squares)
            self._open = Excess(first + begin - carried, None, peak, squares=squares)
        else:
            peak = self._open.peak.joined(replace(piece, clipped=piece.clipped or self._clipped_late))
            lost, unknown = self._open.lost + self._lost_late, self._open.lost_unknown or self._unknown_late
            squares = self._open.squares.plus(self._squares_late).plus(squares)
            self._open = replace(self._open, peak=peak, lost=lost, lost_unknown=unknown, squares=squares)
        self._lost_late, self._unknown_late = 0, False

    def _carry_run(
        self,
        first: int,
        starts: _Indices,
        lengths: _Indices,
        values: FloatArray,
        magnitude: FloatArray,
        clipped: BoolArray,
    ) -> None:
        """Keep the run that the block ends with, for the next block to go on with."""
        size = values.size
        if starts.size == 0 or not magnitude[-1] > self._limit:
            self._run, self._run_peak = 0, Peak()
            return
        begin = int(starts[-1])
        piece = _peak_of(first, begin, size, values, magnitude, clipped)
        whole_block = begin == 0
        self._run_peak = self._run_peak.joined(piece) if whole_block else piece
        if self._open is None:
            squares = self._squares(magnitude[begin:])
            self._run_squares = self._run_squares.plus(squares) if whole_block and self._run else squares
        self._run = int(lengths[-1])


def _clusters(held: _Indices, calm: int) -> tuple[_Indices, _Indices]:
    """First and last scan of each cluster: ``calm`` scans not held lie between neighbours."""
    apart = np.flatnonzero(np.diff(held) > calm)
    heads = np.concatenate((held[:1], held[apart + 1]))
    tails = np.concatenate((held[apart], held[-1:]))
    return heads, tails


def _peak_of(
    first: int, begin: int, stop: int, values: FloatArray, magnitude: FloatArray, clipped: BoolArray
) -> Peak:
    # NaN, from a device that sends floats, is beyond no level.
    where = begin + int(np.nanargmax(magnitude[begin:stop]))
    return Peak(float(values[where]), first + where, bool(clipped[begin:stop].any()))
