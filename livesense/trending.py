"""Rows of a trend from codes: while recording, and again for runs that were recorded without."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from livesense.chain import Chain, ChannelChain
from livesense.chain.no_current import still_below
from livesense.logbook.run_reader import RunReader
from livesense.measures.whole_cycles import LONGEST_S, NEAR_S, Cut, cut_row, fundamentals
from livesense.samples import Codes, FloatArray
from livesense.trend_rows import LEVELS_S, TrendRows, joined, merged, merged_by, no_rows, slots_of

SMOOTH_S = 2e-4
"""The current vector is averaged over so long before its angle is taken."""

PIECE_S = 10.0
"""So much of a file that comes at once is looked at in one go."""

LINED = 0.8
"""Share of the fundamental in what alternates in the phase currents; in six-step currents it is 0.91."""

TOGETHER_SCANS = 16384
"""So many scans of a row are multiplied at once."""

FEWEST_SCANS = 16
"""Rows of fewer scans are not kept: they would take more room than the scans."""

Leveled = list[tuple[int, TrendRows]]
"""Rows with their level."""


class TrendBuilder:
    """Makes the rows of one group, block by block; the rows do not depend on where blocks end.

    Parameters
    ----------
    chain, group
        Which columns are phase currents, and of what size; what they are worth may be corrected later.
    rate_hz
        Nominal scan rate: another rate needs another builder.
    """

    def __init__(self, chain: Chain, group: int, columns: int, rate_hz: float) -> None:
        self._phases = _phase_currents(chain, group)
        self._sources = sorted({chain.column(n) for c in self._phases for n in (c.source or (c.name,))})
        self._chain = chain
        self._columns = columns
        self._rate_hz = rate_hz
        self._lowest = lowest_level(rate_hz)
        self._step = max(1, round(SMOOTH_S * rate_hz))
        self._still = still_below(self._phases) if self._phases else math.inf
        self._waiting: list[Codes] = []
        self._first = 0
        self._count = 0
        self._enough = round(NEAR_S * rate_hz)
        self._turned = False
        self._open: list[TrendRows | None] = [None] * len(LEVELS_S)

    def feed(self, first: int, codes: Codes) -> Leveled:
        """Take ``(n, k)`` codes; those of calls in a row are neighbours unless :meth:`cut` was called."""
        found = self.cut() if self._count and first != self._first + self._count else []
        if not self._count:
            self._first = first
        # Whole columns are what all of this looks at.
        self._waiting.append(np.asfortranarray(codes))
        self._count += len(codes)
        return found if self._count <= self._enough else found + self._rows(last=False)

    def cut(self) -> Leveled:
        """End what is open: scans are missing, or the device began anew."""
        found = self._rows(last=True)
        self._turned = False
        return found

    def close(self) -> Leveled:
        """End the rows of all levels: the run ends, or its time goes on otherwise."""
        found = self.cut()
        for level in range(1, len(LEVELS_S)):
            waiting = self._open[level]
            if waiting is not None:
                found += self._done(level, waiting)
                self._open[level] = None
        return found

    def _rows(self, *, last: bool) -> Leveled:
        if not self._count:
            return []
        codes = self._waiting[0] if len(self._waiting) == 1 else np.concatenate(self._waiting)
        at, rows = 0, []
        piece = max(1, round(PIECE_S * self._rate_hz))
        while at < len(codes):
            part = codes[at : at + piece]
            ends = last and at + piece >= len(codes)
            made, used = self._rows_of(self._first + at, part, last=ends)
            rows += made
            at += used
            if not used:
                break
        self._waiting = [codes[at:]] if at < len(codes) else []
        self._first, self._count = self._first + at, len(codes) - at
        # Not again with each small block: what was too short for a cycle is looked at when it grew.
        self._enough = max(round(NEAR_S * self._rate_hz), round(self._count * 1.1))
        return [] if not rows else self._leveled(0, joined(rows))

    def _rows_of(self, first: int, codes: Codes, *, last: bool) -> tuple[list[TrendRows], int]:
        rows: list[TrendRows] = []
        at = 0
        while at < len(codes):
            cut, covered = self._cut(codes[at:], last=last)
            if cut is None:
                break
            rest = len(codes) - at
            # Fewer scans than a step are no vector of their own: they go with the last one.
            count = rest if last and not cut.cycles and covered else round(cut.steps * self._step)
            count = min(max(1, count), rest)
            rows.append(self._row(first + at, codes[at : at + count], cut))
            at += count
        return rows, at

    def _cut(self, codes: Codes, *, last: bool) -> tuple[Cut | None, bool]:
        """Find a row's end, and tell whether it is that of all whole steps; most ends are near."""
        step_s = self._step / self._rate_hz
        for look_s in (1.1 * NEAR_S, 1.6 * NEAR_S, LONGEST_S + NEAR_S):
            look = round(look_s * self._rate_hz) + 2 * self._step
            vector = self._vector(codes[:look])
            if last and not vector.size:
                return Cut(0.0, 0), True
            cut = cut_row(vector, step_s, self._still, last=last and look >= len(codes))
            if cut is not None or look >= len(codes):
                return cut, cut is not None and look >= len(codes) and cut.steps >= vector.size
        raise AssertionError("a row is cut within its longest length")

    def _vector(self, codes: Codes) -> NDArray[np.complex128]:
        if not self._phases:
            return np.zeros(len(codes) // self._step, dtype=np.complex128)
        means = self._step_means(codes)
        values = [self._chain.value(c.name, means) for c in self._phases]
        if len(values) == 2:
            values.append(-values[0] - values[1])
        u, v, w = values
        vector = (2 * u - v - w) / 3 + 1j * (v - w) / math.sqrt(3)
        return np.asarray(vector if np.isfinite(vector.sum()) else np.nan_to_num(vector))

    def _step_means(self, codes: Codes) -> FloatArray:
        """Mean codes of each whole step, ``(m, k)``; a current is linear in them. Only of phase currents."""
        steps = len(codes) // self._step
        means = np.zeros((steps, codes.shape[1]))
        for column in self._sources:
            here = codes[: steps * self._step, column]
            if codes.dtype.kind == "f":
                means[:, column] = here.reshape(steps, self._step).mean(axis=1, dtype=np.float64)
            else:
                # Sums of whole numbers are exact.
                sums = here.reshape(steps, self._step).sum(axis=1, dtype=np.int64)
                means[:, column] = sums / self._step
        return means

    def _row(self, first: int, codes: Codes, cut: Cut) -> TrendRows:
        short = len(codes) < round(NEAR_S * self._rate_hz)
        # What is left of a cycle that a gap broke would bend mean and rms.
        broken = not cut.cycles and self._turned and short
        self._turned = cut.cycles > 0 or (self._turned and short)
        n = len(codes)
        mean = codes.mean(axis=0, dtype=np.float64)
        square, phasors = _products(codes, mean, cut.cycles)
        alternating = sum(square[at, at] for at in self._sources)
        lined = cut.cycles > 0 and sum(abs(phasors[at]) ** 2 for at in self._sources) > LINED * alternating
        return TrendRows(
            first=np.array([first]),
            scans=np.array([n]),
            used=np.array([0 if broken else n]),
            cycles=np.array([float(cut.cycles)]),
            turning=np.array([n if cut.cycles else 0]),
            mean=mean[None],
            low=codes.min(axis=0).astype(np.float64)[None],
            high=codes.max(axis=0).astype(np.float64)[None],
            square=square[None],
            cross=np.outer(phasors, phasors.conj())[None],
            lined=np.array([n if lined else 0]),
        )

    def _leveled(self, level: int, rows: TrendRows) -> Leveled:
        """Hand rows on, and what they complete in the levels above."""
        found: Leveled = [(level, rows)] if level >= self._lowest else []
        above = level + 1
        if above == len(LEVELS_S):
            return found
        waiting = self._open[above]
        gathered = rows if waiting is None else joined([waiting, rows])
        slots = slots_of(gathered.first, self._rate_hz, above)
        whole = int(np.searchsorted(slots, slots[-1]))
        self._open[above] = gathered[whole:]
        if whole:
            found += self._leveled(above, merged_by(gathered[:whole], slots[:whole]))
        return found

    def _done(self, level: int, waiting: TrendRows) -> Leveled:
        return self._leveled(level, merged(waiting, np.array([0])))


def _products(codes: Codes, mean: FloatArray, cycles: int) -> tuple[FloatArray, NDArray[np.complex128]]:
    """Mean products ``(k, k)`` of what the columns are off their means, and their line's phasors ``(k,)``.

    In pieces that fit the processor's nearest memory.
    """
    n = len(codes)
    square = np.zeros((mean.size, mean.size))
    phasors = np.zeros(mean.size, dtype=np.complex128)
    for at in range(0, n, TOGETHER_SCANS):
        off = codes[at : at + TOGETHER_SCANS].T.astype(np.float64, order="C")
        off -= mean[:, None]
        square += off @ off.T
        phasors += fundamentals(off.T, cycles, at, n)
    return square / n, phasors


def lowest_level(rate_hz: float) -> int:
    """Tell the lowest level that is kept of a group: slow ones have no rows of 200 ms."""
    return 0 if NEAR_S * rate_hz >= FEWEST_SCANS else 1


def _phase_currents(chain: Chain, group: int) -> list[ChannelChain]:
    """Take one current of each phase in a group; two are enough to tell how they turn, one is not."""
    chosen: dict[str, ChannelChain] = {}
    here = [c for c in chain.group_channels(group) if c.quantity == "current" and c.phase in ("U", "V", "W")]
    for channel in sorted(here, key=lambda c: c.computed):
        chosen.setdefault(str(channel.phase), channel)
    return [chosen[phase] for phase in sorted(chosen)] if len(chosen) > 1 else []


def rows_between(run: RunReader, chain: Chain, group: int, first: int, stop: int, level: int) -> TrendRows:
    """Read a group's rows of one level; what its rows do not reach yet is put together from those below.

    Runs without any rows are made again from their codes, which takes as long as reading them.
    """
    columns = len(run.groups[group].channels)
    if stop <= first:
        return no_rows(columns)
    parts = [no_rows(columns)]
    at = first
    for below in range(level, -1, -1):
        found = run.trends(group, below, at, stop)
        if len(found):
            parts.append(found)
            at = int(found.stop[-1])
    if not run.has_trends(group):
        parts.append(_again(run, chain, group, first, stop))
    lowest = joined(parts)
    return merged_by(lowest, _slots(run, group, lowest, level)) if level else lowest


def _slots(run: RunReader, group: int, rows: TrendRows, level: int) -> FloatArray:
    """Tell rows' slots, those of different segments apart."""
    slots = np.zeros(len(rows))
    for number, segment in enumerate(run.time_axis(group).segments):
        after = rows.first >= segment.first
        rate_hz = segment.rate_hz or 1.0
        slots[after] = slots_of(rows.first[after], rate_hz, level) + 1e12 * number
    return slots


def _again(run: RunReader, chain: Chain, group: int, first: int, stop: int) -> TrendRows:
    columns = len(run.groups[group].channels)
    segments = run.time_axis(group).segments
    begins = [s.first for s in segments if first < s.first < stop]
    rows: list[TrendRows] = [no_rows(columns)]
    for begin, end in zip([first, *begins], [*begins, stop], strict=True):
        rate_hz = next(s.rate_hz for s in reversed(segments) if s.first <= begin) or 1.0
        builder = TrendBuilder(chain, group, columns, rate_hz)
        reached = begin
        for at, codes in run.codes(group, begin, end):
            if at != reached:
                rows += [r for level, r in builder.cut() if level == 0]
            rows += [r for level, r in builder.feed(at, codes) if level == 0]
            reached = at + len(codes)
        rows += [r for level, r in builder.cut() if level == 0]
    return joined(rows)
