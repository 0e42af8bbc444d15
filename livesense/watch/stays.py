"""Stays of one current beyond its pick-up, and the scan at which a law trips within one."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from livesense.samples import BoolArray, FloatArray
from livesense.watch.arrivals import Arrivals
from livesense.watch.cycles import CycleCutter, Cycles, loudest
from livesense.watch.excess import Peak
from livesense.watch.laws import DOWN, UP, Law


@dataclass(frozen=True, slots=True)
class Stay:
    """One stay beyond the pick-up; ``end`` (inclusive) is its last scan so far while it is ``open``.

    ``trip`` is the scan of the trip, None before it. ``sure`` once a whole cycle was beyond the pick-up.
    ``lost`` scans are missing between first and last; ``lost_unknown`` when some more nobody counted are.
    ``square`` sums up the current squared of its scans, relative to the pick-up squared, ``over`` what of it
    is above one; ``beyond`` scans are (an ``i2t`` rule without pick-up: relative to its limit, at the trip).
    """

    start: int
    end: int
    peak: Peak
    trip: int | None = None
    sure: bool = True
    lost: int = 0
    lost_unknown: bool = False
    open: bool = True
    cut_short: bool = False
    square: float = 0.0
    over: float = 0.0
    beyond: int = 0


class StayTracker:
    """Finds the stays of one current that trip a law, block by block."""

    def __init__(self, law: Law, pickup: float, longest: int) -> None:
        """Take the pick-up, an rms above 0, and after how many scans a cycle is cut."""
        self._law = law
        self._cutter = CycleCutter(pickup, longest)
        self._arrivals = Arrivals()
        self._forget()

    def _forget(self) -> None:
        self._arrivals.forget()
        self._law.cold()
        self._stay: Stay | None = None
        self._held()

    def _held(self) -> None:
        # Since the last cycle that belongs to the stay:
        self._late = Peak()
        self._square_late = 0.0
        self._lost_late, self._unknown_late = 0, False

    @property
    def open(self) -> Stay | None:
        """The stay that has tripped and lasts, if one does."""
        return self._stay if self._stay is not None and self._stay.trip is not None else None

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing here; None: some, nobody knows how many.

        What lasts goes on. Lost time counts as time without current; a loss that nobody counted as none.
        """
        self._apart(self._arrivals.next, count)
        self._arrivals.gap(count)

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Stay]:
        """Take ``values`` ``(n,)``, at least one, from scan ``first`` on; hand back what ended.

        Raises
        ------
        ValueError
            When ``first`` lies before the scan that should follow.
        """
        before = self._arrivals.next
        missing = self._arrivals.missing(first, values.size)
        if missing:
            self._apart(before, missing)
        return self._take(self._cutter.feed(first, values, clipped))

    def close(self, last_scan: int | None = None) -> Stay | None:
        """End what lasts at the last scan that came (or the one stated), cut short; then start anew."""
        stop = self._arrivals.next
        self._part(stop)
        stay = self.open
        if stay is not None:
            assert stop is not None
            peak = stay.peak.joined(self._late)
            last = stop - 1 if last_scan is None else last_scan
            stay = replace(
                self._with_lost(stay),
                end=last,
                peak=peak,
                open=False,
                cut_short=True,
                square=stay.square + self._square_late,
            )
        self._forget()
        return stay

    def _apart(self, stop: int | None, count: int | None) -> None:
        self._part(stop)
        if count is None:
            self._unknown_late = True
        else:
            self._lost_late += count
            self._law.lost(count)

    def _part(self, stop: int | None) -> None:
        """End the cycle that lasts where scans in a row end; a part of a cycle ends no stay."""
        part = None if stop is None else self._cutter.flush(stop)
        if part is not None:
            self._take(part)

    def _take(self, cycles: Cycles) -> list[Stay]:
        ended = []
        rows = zip(cycles.mean_square.tolist(), cycles.count.tolist(), cycles.whole.tolist(), strict=True)
        begin = 0  # first of the cycles that belong to the stay and are not written to it yet
        for number, (square, count, whole) in enumerate(rows):
            trip = self._law.take(square, count)
            stay = self._stay
            if stay is None and square <= UP:
                begin = number + 1
                continue
            if stay is not None and whole and square <= (DOWN if stay.sure else UP):
                stay = self._extended(stay, cycles, begin, number)
                if stay.trip is not None:
                    ended.append(replace(stay, open=False))
                self._stay, begin = None, number + 1
                self._law.dropped()
                continue
            first = int(cycles.start[number])
            if stay is None:
                self._held()
                stay = Stay(first, first, Peak(), sure=False)
            elif square <= DOWN:
                # Only a part of a cycle, and so the first: it tells nothing.
                self._late = self._late.joined(cycles.peak(number, number + 1))
                self._square_late += square * count
                begin = number + 1
                continue
            if whole and square > UP and not stay.sure:
                stay = replace(stay, sure=True)
            if trip is not None and stay.trip is None:
                stay = replace(stay, trip=first + trip - 1)
            self._stay = stay
        if self._stay is not None:
            self._stay = self._extended(self._stay, cycles, begin, cycles.start.size)
        return ended

    def _extended(self, stay: Stay, cycles: Cycles, begin: int, stop: int) -> Stay:
        """Carry on a stay with cycles from ``begin`` up to ``stop``, which is not included."""
        if begin == stop:
            return stay
        peak = stay.peak.joined(self._late).joined(cycles.peak(begin, stop))
        end = int(cycles.start[stop - 1] + cycles.count[stop - 1]) - 1
        square, over, beyond = stay.square + self._square_late, stay.over, stay.beyond
        # One after the other: sums must not depend on how cycles come in blocks.
        for mean, count in zip(
            cycles.mean_square[begin:stop].tolist(), cycles.count[begin:stop].tolist(), strict=True
        ):
            square += mean * count
            if mean > UP:
                over += (mean - 1) * count
                beyond += count
        stay = replace(self._with_lost(stay), end=end, peak=peak, square=square, over=over, beyond=beyond)
        self._held()
        return stay

    def _with_lost(self, stay: Stay) -> Stay:
        lost, unknown = stay.lost + self._lost_late, stay.lost_unknown or self._unknown_late
        return replace(stay, lost=lost, lost_unknown=unknown)


SUM_BITS = 60


class SumTracker:
    """∫ i² dt of every scan since it was cold, which trips once: nothing is too small to count.

    Squares are summed as whole numbers, exactly, as with cycles.
    """

    def __init__(self, i2t: float, rate_hz: float) -> None:
        """Take the limit in A²s."""
        # One scan of this current trips.
        self._most = math.sqrt(i2t * rate_hz)
        self._scale = (1 << SUM_BITS) / (i2t * rate_hz)
        self._full = int((1 << SUM_BITS) * (1 - 1e-9))
        self._arrivals = Arrivals()
        self._forget()

    def _forget(self) -> None:
        self._arrivals.forget()
        self._sum = 0
        self._start: int | None = None
        self._peak = Peak()
        self._lost, self._unknown = 0, False
        self._over = False

    @property
    def open(self) -> Stay | None:
        """Never one: what trips is over with its trip."""
        return None

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing here; the sum stays as it is."""
        self._arrivals.gap(count)
        if self._start is not None:
            self._lost += count or 0
            self._unknown |= count is None

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Stay]:
        """Take ``values`` ``(n,)``, at least one, from scan ``first`` on; hand back what tripped."""
        missing = self._arrivals.missing(first, values.size)
        if self._over:
            return []
        if self._start is not None:
            self._lost += missing
        # Written so that NaN, which is beyond nothing, is found as well.
        counted = values
        if not (values.max() <= self._most and values.min() >= -self._most):
            counted = np.clip(np.nan_to_num(values), -self._most, self._most)
        squares = counted * counted
        squares *= self._scale
        # Beyond the trip the sum may overflow; it is not looked at there.
        sums = np.cumsum(squares.astype(np.int64)) + self._sum
        begin = 0
        if self._start is None:
            some = sums != 0
            if not some.any():
                return []
            begin = int(some.argmax())
            self._start = first + begin
        full = sums >= self._full
        stop = int(full.argmax()) + 1 if full.any() else values.size
        self._peak = self._peak.joined(loudest(first, begin, stop, values, clipped))
        if not full.any():
            self._sum = int(sums[-1])
            return []
        self._over = True
        trip = first + stop - 1
        return [
            Stay(
                self._start,
                trip,
                self._peak,
                trip,
                lost=self._lost,
                lost_unknown=self._unknown,
                open=False,
                square=int(sums[stop - 1]) / (1 << SUM_BITS),
            )
        ]

    def close(self, last_scan: int | None = None) -> Stay | None:
        """Start anew, from cold."""
        self._forget()
        return None
