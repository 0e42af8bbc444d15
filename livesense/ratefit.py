"""How fast a device really scans, with an honest uncertainty.

Two sources. :class:`ArrivalFit` has only the times at which scans arrived at the
host. They are never early, but late by milliseconds and sometimes by hundreds,
so the line is laid through the least late arrival of each stretch of time.
:class:`ClockFit` has the device's own clock at every scan, and fits a straight
line. Both run for weeks in constant memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.samples import Estimate, FloatArray

CLOCK_TOLERANCE = 50e-6
"""Assumed limit of error of a clock that nothing else is known of (common for quartz crystals)."""

MAX_STRETCHES = 256
FIRST_STRETCH_S = 0.02
ARRIVALS_PER_POINT = 8
"""Of so many arrivals, one is hoped to be in time."""

MIN_POINTS = 5
MAX_POINTS = 64
MIN_ARRIVALS = 10
MIN_SPAN_S = 0.5

TIME_FLOOR_S = 1e-4
"""Arrivals are not trusted below this, however well they agree."""

MAX_INDEPENDENT = 64
"""Deviations of a clock repeat (rounding to whole ticks does), so more of them tell no more."""


@dataclass(slots=True)
class _Stretch:
    number: int
    scan: int
    time_s: float
    arrivals: int


def t_factor(freedom: int) -> float:
    """Half of the coverage factor for 95.45 % at so many degrees of freedom (1 for very many).

    Expansion of Student's t in 1/freedom (Abramowitz and Stegun 26.7.5, from memory)
    at the normal quantile 2; above the true value from 2 degrees of freedom on.
    """
    z = 2.0
    g1 = (z**3 + z) / 4
    g2 = (5 * z**5 + 16 * z**3 + 3 * z) / 96
    g3 = (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384
    g4 = (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160
    return 0.5 * (z + g1 / freedom + g2 / freedom**2 + g3 / freedom**3 + g4 / freedom**4)


class ArrivalFit:
    """Scan rate against the host's clock.

    Parameters
    ----------
    nominal_hz
        Rate by which arrivals are compared until a better one is known; may be None.
    """

    def __init__(self, nominal_hz: float | None) -> None:
        self._period_s = 1.0 / nominal_hz if nominal_hz else None
        self._width_s = FIRST_STRETCH_S
        self._began_s = 0.0
        self._stretches: list[_Stretch] = []

    def add(self, scan: int, time_s: float) -> None:
        """Note that all scans before index ``scan`` had arrived at ``time_s``."""
        if not self._stretches:
            self._began_s = time_s
        number = int((time_s - self._began_s) / self._width_s)
        last = self._stretches[-1] if self._stretches else None
        if last is None or number > last.number:
            self._stretches.append(_Stretch(number, scan, time_s, 1))
            if len(self._stretches) > MAX_STRETCHES:
                self._halve()
            return
        last.arrivals += 1
        if self._earlier(scan, time_s, last):
            last.scan, last.time_s = scan, time_s

    def _earlier(self, scan: int, time_s: float, other: _Stretch) -> bool:
        """Whether an arrival is less late than another one."""
        if self._period_s is None:
            return scan > other.scan
        return time_s - other.time_s < (scan - other.scan) * self._period_s

    def _halve(self) -> None:
        """Join neighbouring stretches two by two."""
        slope = self._slope()
        if slope is not None:
            self._period_s = slope[0]
        self._width_s *= 2
        joined: list[_Stretch] = []
        for stretch in self._stretches:
            stretch.number //= 2
            if joined and joined[-1].number == stretch.number:
                joined[-1].arrivals += stretch.arrivals
                if self._earlier(stretch.scan, stretch.time_s, joined[-1]):
                    joined[-1].scan, joined[-1].time_s = stretch.scan, stretch.time_s
            else:
                joined.append(stretch)
        self._stretches = joined

    def _points(self) -> tuple[FloatArray, FloatArray]:
        """Give scans and times of the least late arrivals, counted from the first."""
        total = sum(stretch.arrivals for stretch in self._stretches)
        wanted = max(MIN_POINTS, min(MAX_POINTS, total // ARRIVALS_PER_POINT))
        scans: list[float] = []
        times: list[float] = []
        origin = self._stretches[0]
        best = None
        seen = 0
        for stretch in self._stretches:
            if best is None or self._earlier(stretch.scan, stretch.time_s, best):
                best = stretch
            seen += stretch.arrivals
            if seen * wanted >= total * (len(scans) + 1):
                scans.append(float(best.scan - origin.scan))
                times.append(best.time_s - origin.time_s)
                best = None
        return np.array(scans), np.array(times)

    def _slope(self) -> tuple[float, float] | None:
        """Seconds per scan and its standard uncertainty."""
        if sum(stretch.arrivals for stretch in self._stretches) < MIN_ARRIVALS:
            return None
        x, y = self._points()
        while True:
            if len(x) < MIN_POINTS - 1 or y[-1] - y[0] < MIN_SPAN_S or x[-1] <= x[0]:
                return None
            dx = x - x.mean()
            sxx = float(dx @ dx)
            slope = float(dx @ y) / sxx
            rest = y - y.mean() - slope * dx
            # Late arrivals only ever lie above the line.
            scale = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
            keep = rest <= np.median(rest) + 5 * max(scale, TIME_FLOOR_S)
            if keep.all():
                break
            x, y = x[keep], y[keep]
        freedom = len(x) - 2
        spread_s = math.sqrt(float(rest @ rest) / freedom)
        # Neighbouring deviations that resemble each other carry less than their number.
        likeness = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300)
        likeness = min(max(likeness, 0.0), 0.8)
        u_fit = spread_s / math.sqrt(sxx) * math.sqrt((1 + likeness) / (1 - likeness)) * t_factor(freedom)
        # The least delay itself may wander between the run's two ends.
        u_ends = max(spread_s, TIME_FLOOR_S) / float(x[-1] - x[0])
        return slope, math.hypot(u_fit, u_ends)

    def estimate(self) -> Estimate | None:
        """Rate in Hz; None while there is too little to go by."""
        slope = self._slope()
        if slope is None or slope[0] <= 0:
            return None
        return _as_rate(1.0 / slope[0], slope[1] / slope[0])


class ClockFit:
    """Scan rate against the device's own clock.

    Parameters
    ----------
    ticks_per_s
        Of the device's clock.
    nominal_hz
        Rate that deviations are taken from; may be None.
    """

    def __init__(self, ticks_per_s: float, nominal_hz: float | None) -> None:
        self._ticks_per_s = ticks_per_s
        self._step = ticks_per_s / nominal_hz if nominal_hz else None
        self._origin: tuple[int, int] | None = None
        self._n = 0
        self._mean = np.zeros(2)
        self._sxx = self._sxy = self._syy = 0.0
        self._span = 0.0

    def add(self, scans: NDArray[np.int64], ticks: NDArray[np.int64]) -> None:
        """Note the clock ``ticks`` at scan indices ``scans``, both ``(n,)``."""
        if self._origin is None:
            self._origin = (int(scans[0]), int(ticks[0]))
        x = (scans - self._origin[0]).astype(np.float64)
        ticks_since = ticks - self._origin[1]
        self._span = float(ticks_since[-1])
        if self._step is None:
            if x[-1] == 0:
                return
            self._step = float(ticks_since[-1]) / float(x[-1])
        # Deviations from a fixed line stay small, so that sums of their squares stay exact.
        y = ticks_since - x * self._step
        count = len(x)
        mean = np.array([x.mean(), y.mean()])
        dx, dy = x - mean[0], y - mean[1]
        total = self._n + count
        shift = mean - self._mean
        weight = self._n * count / total
        # Joining two sets of sums (Chan, Golub and LeVeque 1979, from memory).
        self._sxx += float(dx @ dx) + shift[0] * shift[0] * weight
        self._sxy += float(dx @ dy) + shift[0] * shift[1] * weight
        self._syy += float(dy @ dy) + shift[1] * shift[1] * weight
        self._mean = self._mean + shift * (count / total)
        self._n = total

    def _line(self) -> tuple[float, float] | None:
        """Ticks per scan, and the scatter around the line in ticks."""
        if self._step is None or self._n < MIN_ARRIVALS or self._sxx == 0:
            return None
        slope = self._sxy / self._sxx
        scatter = math.sqrt(max(self._syy - slope * self._sxy, 0.0) / (self._n - 2))
        return self._step + slope, scatter

    @property
    def jitter_s(self) -> float | None:
        """Standard deviation of the device's clock readings around even sampling."""
        line = self._line()
        return None if line is None else line[1] / self._ticks_per_s

    def estimate(self) -> Estimate | None:
        """Rate in Hz; None while there is too little to go by."""
        line = self._line()
        if line is None or line[0] <= 0 or self._span <= 0:
            return None
        # A clock is read in whole ticks: rectangular, one tick wide.
        scatter = max(line[1], 1 / math.sqrt(12))
        u = scatter * math.sqrt(12 / min(self._n, MAX_INDEPENDENT)) / self._span
        return _as_rate(self._ticks_per_s / line[0], u)


def _as_rate(rate_hz: float, u_relative: float) -> Estimate:
    rate_hz = float(rate_hz)
    return Estimate(
        value=rate_hz,
        u_random=rate_hz * u_relative,
        u_systematic=rate_hz * CLOCK_TOLERANCE / math.sqrt(3),
        unit="Hz",
    )
