"""Where rows of figures (one a cycle, one a window) stay beyond a level: openings, ends, peaks.

A *row* stands for scans in a row. It is beyond, held (beyond the release level) or calm. A fault opens with
rows beyond that follow each other and hold enough scans; it ends with the last row held before enough
scans of calm rows. Rows are few, so each is looked at by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Row:
    """Figures of the scans ``start`` to ``stop`` (not included).

    ``level`` is what is held against the limit, ``square`` the sum of the current squared over its scans
    (A²), ``over`` that of what is beyond the limit squared. ``high`` is set where the level is that of an
    alarm; ``which`` names what stands out in it. ``onset`` is the scan from which it is beyond, where that is
    known better than by ``start``.
    """

    start: int
    stop: int
    level: float
    beyond: bool
    held: bool
    high: bool = True
    clipped: bool = False
    square: float = 0.0
    over: float = 0.0
    which: str = ""
    onset: int | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """One stay beyond the limit; ``end`` (inclusive) is None while it lasts.

    ``peak`` is the largest level, of the row that begins at ``peak_scan``; ``alarm`` is set once rows of
    an alarm's level lasted for as long as an opening takes.
    """

    start: int
    end: int | None
    peak: float
    peak_scan: int
    clipped: bool
    alarm: bool
    square: float
    over: float
    beyond: int
    which: str
    lost: int = 0
    lost_unknown: bool = False
    cut_short: bool = False


class FaultTracker:
    """Finds the faults of one series of rows.

    Parameters
    ----------
    rows, scans
        What an opening takes: so many rows in a row, and so many scans in them.
    calm
        Scans of calm rows that end a fault.
    """

    def __init__(self, rows: int, scans: int, calm: int) -> None:
        self._need_rows = rows
        self._need_scans = scans
        self._calm = calm
        self.forget()

    def forget(self) -> None:
        """Start anew."""
        self._run: list[Row] = []
        self._high = self._high_rows = 0
        self._open: Fault | None = None
        self._last = self._end = -1
        self._quiet = 0
        self._late: list[Row] = []
        self._lost_late, self._unknown_late = 0, False

    @property
    def open(self) -> Fault | None:
        """The fault that lasts, if one does."""
        return self._open

    def lost(self, count: int | None, *, apart: bool) -> None:
        """Note that ``count`` scans are missing here; None: nobody can count them.

        ``apart`` starts both counts anew: what comes is no neighbour of what was.
        """
        self._lost_late += count or 0
        self._unknown_late |= count is None
        if apart:
            self._run, self._quiet = [], 0
            self._high = self._high_rows = 0

    def feed(self, row: Row) -> Fault | None:
        """Take a row; hand back the fault that ended with it."""
        self._last = row.stop - 1
        count = row.stop - row.start
        high = row.beyond and row.high
        self._high = self._high + count if high else 0
        self._high_rows = self._high_rows + 1 if high else 0
        if self._open is None:
            self._approach(row)
            return None
        self._late.append(row)
        if row.held:
            self._quiet = 0
            self._extend()
            return None
        self._quiet += count
        if self._quiet < self._calm:
            return None
        ended, self._open = replace(self._open, end=self._end), None
        self._late, self._quiet = [], 0
        return ended

    def _approach(self, row: Row) -> None:
        if not row.beyond:
            self._run = []
            return
        if not self._run:
            # What was lost before the first row is not inside.
            self._lost_late, self._unknown_late = 0, False
        self._run.append(row)
        if len(self._run) < self._need_rows or self._scans() < self._need_scans:
            return
        first = self._run[0]
        start = first.start if first.onset is None else first.onset
        self._open = Fault(start, None, -1.0, -1, False, False, 0.0, 0.0, 0, "")
        self._late, self._run, self._quiet = self._run, [], 0
        self._extend()

    def _scans(self) -> int:
        return sum(row.stop - row.start for row in self._run)

    def _extend(self) -> None:
        """Write the rows that came since the last one held to what lasts."""
        fault = self._open
        assert fault is not None
        for row in self._late:
            fault = replace(
                fault,
                clipped=fault.clipped or row.clipped,
                square=fault.square + row.square,
                over=fault.over + row.over,
                beyond=fault.beyond + (row.stop - row.start if row.over else 0),
            )
            if row.level > fault.peak:
                fault = replace(fault, peak=row.level, peak_scan=row.start, which=row.which)
            self._end = row.stop - 1
        self._open = replace(
            fault,
            alarm=fault.alarm or (self._high_rows >= self._need_rows and self._high >= self._need_scans),
            lost=fault.lost + self._lost_late,
            lost_unknown=fault.lost_unknown or self._unknown_late,
        )
        self._late = []
        self._lost_late, self._unknown_late = 0, False

    def close(self, last_scan: int | None = None) -> Fault | None:
        """End what lasts at the last row that came (or the scan stated), cut short; then start anew."""
        fault = None
        if self._open is not None:
            self._extend()
            fault = replace(self._open, end=self._last if last_scan is None else last_scan, cut_short=True)
        self.forget()
        return fault
