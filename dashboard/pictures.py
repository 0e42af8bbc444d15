"""Making the live pictures: which scans may be shown by now, and what is drawn of them."""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.picture import Picture, reduce_columns, steady_window
from dashboard.reading import Desk, Reading
from livesense.errors import LivesenseError

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis, Window

SEARCH_S = 2.1
"""Long enough for three rising crossings at 2 Hz and a bit."""
SEARCH_EVERY_S = 0.25
"""While there is nothing to hold still, the long search is made so seldom."""
HELD_S = 0.4
"""A steady picture stays this long when its cycles cannot be found, as after a gap."""
SPANS_S = (0.2, 2.0, 10.0)
"""Widths a running picture may have."""
BEHIND_S = 0.055
"""The recorder commits every 50 ms. A picture so far behind moves on between commits instead of in jerks."""
CLOCK_S = 2.0
"""How long the fastest arrival is remembered."""
MOST_VIEWS = 32
FAST_FRAMES_PER_S = 60.0
FORGOTTEN_S = 60.0


@dataclass(frozen=True, slots=True)
class View:
    """How one tab wants its picture: steady if it can be, else a running one of this width.

    ``fast`` asks for :data:`FAST_FRAMES_PER_S` instead of the usual pictures a second.
    """

    steady: bool
    span_s: float
    columns: int
    fast: bool = False

    def frame_s(self, usual_s: float) -> float:
        """Time from one picture to the next."""
        return min(usual_s, 1.0 / FAST_FRAMES_PER_S) if self.fast else usual_s


class PlayHead:
    """Tells up to which scan a picture may show by now, so that it moves evenly.

    Scans appear in the logbook some at a time. The fastest of them of late tells when a scan can be
    there at the earliest; everything is shown :data:`BEHIND_S` after that, or when it is there.
    """

    def __init__(self) -> None:
        self._seen = -1
        self._arrivals: deque[tuple[float, float]] = deque()

    def stop(self, now_s: float, newest: int, rate_hz: float) -> int:
        """Return the index after the last scan to show; ``newest`` is the index after the last one stored."""
        if newest != self._seen:
            self._seen = newest
            self._arrivals.append((now_s, now_s - newest / rate_hz))
        while len(self._arrivals) > 1 and self._arrivals[0][0] < now_s - CLOCK_S:
            self._arrivals.popleft()
        earliest = min(offset for _, offset in self._arrivals)
        return min(newest, math.floor((now_s - earliest - BEHIND_S) * rate_hz))


@dataclass
class _Kept:
    """What one view remembers from picture to picture."""

    made_at: float = -math.inf
    run: int | None = None
    head: PlayHead = field(default_factory=PlayHead)
    stop: int = -1
    span_s: float | None = None
    reach_s: float | None = None
    search_next: float = -math.inf
    held: Picture | None = None
    found_at: float = -math.inf
    picture: Picture | None = None


class Pictures:
    """The newest picture of each view, made at most once per frame however many tabs ask."""

    def __init__(self, reading: Reading, frames_per_s: float) -> None:
        self._reading = reading
        self._frame_s = 1.0 / frames_per_s
        self._lock = threading.Lock()
        self._views: dict[View, _Kept] = {}

    def newest(self, setup: dict[str, Any], view: View) -> Picture | None:
        """Return the newest picture of a run's channels; None when there is nothing to show."""
        with self._lock:
            now = time.monotonic()
            kept = self._views.setdefault(view, _Kept())
            if now - kept.made_at < view.frame_s(self._frame_s) * 0.9 and kept.run == setup["run"]:
                return kept.picture
            if kept.run != setup["run"]:
                kept = self._views[view] = _Kept(run=setup["run"])
            kept.made_at = now
            if len(self._views) > MOST_VIEWS:
                self._views = {v: k for v, k in self._views.items() if now - k.made_at < FORGOTTEN_S}
            if setup["run"] is None or not setup["channels"]:
                kept.picture = None
                return None
            try:
                with self._reading.desk() as desk:
                    kept.picture = _next_picture(desk, setup, view, kept, now) if desk else None
            except LivesenseError:
                kept.picture = None  # the facts say why
            return kept.picture


def _next_picture(desk: Desk, setup: dict[str, Any], view: View, kept: _Kept, now: float) -> Picture | None:
    names = [c["name"] for c in setup["channels"]]
    analysis = desk.run(setup["run"], fresh=False)
    group = int(setup["channels"][0]["group"])
    rate_hz = analysis.run.groups[group].rate_hz
    if not rate_hz:
        return None
    stop = kept.head.stop(now, analysis.run.extent(group)[1], rate_hz)
    if stop <= kept.stop and kept.picture is not None:
        return kept.picture
    kept.stop = stop
    if view.steady:
        picture = _steady(analysis, group, names, view, kept, now)
        if picture is not None:
            return picture
    window = _shown(analysis, group, names, view.span_s, kept.stop)
    if window is None:
        return None
    left_s = float(window.time_s[-1]) - view.span_s
    return _drawn(window, 0, len(window.time_s), left_s, view.span_s, view.columns, math.nan)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """What of a window may be shown: ``(channels, n)`` values."""

    first: int
    rate_hz: float
    time_s: np.ndarray[Any, np.dtype[np.float64]]
    values: np.ndarray[Any, np.dtype[np.float64]]
    clipped: np.ndarray[Any, np.dtype[np.bool_]]


def _shown(
    analysis: RunAnalysis, group: int, names: Sequence[str], seconds: float, stop: int
) -> _Stretch | None:
    window: Window | None = analysis.latest(seconds + BEHIND_S + 0.05, names).get(group)
    if window is None or not window.rate_hz:
        return None
    last = min(len(window.time_s), stop - window.first)
    first = max(0, last - math.ceil(seconds * window.rate_hz))
    if last - first < 2:
        return None
    return _Stretch(
        first=window.first + first,
        rate_hz=window.rate_hz,
        time_s=window.time_s[first:last],
        values=np.stack([window.values[name][first:last] for name in names]),
        clipped=np.stack([window.clipped[name][first:last] for name in names]),
    )


def _steady(
    analysis: RunAnalysis, group: int, names: Sequence[str], view: View, kept: _Kept, now: float
) -> Picture | None:
    reaches = [kept.reach_s] if kept.reach_s is not None else []
    if now >= kept.search_next:
        reaches.append(SEARCH_S)
        kept.search_next = now + SEARCH_EVERY_S
    for reach_s in reaches:
        window = _shown(analysis, group, names, reach_s, kept.stop)
        found = steady_window(window.values[0], window.rate_hz, kept.span_s) if window is not None else None
        if window is None or found is None:
            continue
        start, span_s, frequency_hz = found
        kept.span_s, kept.found_at = span_s, now
        kept.reach_s = min(SEARCH_S, span_s + 2.0 / frequency_hz)
        first = max(0, math.floor(start))
        last = min(len(window.time_s), math.ceil(start + span_s * window.rate_hz) + 1)
        left_s = float(window.time_s[0]) + start / window.rate_hz
        kept.held = _drawn(window, first, last, left_s, span_s, view.columns, frequency_hz)
        return kept.held
    if kept.held is not None and now - kept.found_at < HELD_S:
        return kept.held
    kept.reach_s = kept.span_s = kept.held = None
    return None


def _drawn(
    window: _Stretch,
    first: int,
    last: int,
    left_s: float,
    span_s: float,
    columns: int,
    frequency_hz: float,
) -> Picture:
    """Points first … last-1 of a window as a picture, reduced when there are over two a column."""
    period_s = 1.0 / window.rate_hz
    values, clipped = window.values[:, first:last], window.clipped[:, first:last]
    x0_s, dx_s = float(window.time_s[first]) - left_s, period_s
    reduced = values.shape[1] > 2 * columns
    if reduced:
        per_column = math.ceil(values.shape[1] / columns)
        values, clipped, began = reduce_columns(values, clipped, window.first + first, per_column)
        x0_s += (began - window.first - first + per_column / 4.0) * period_s
        dx_s = per_column * period_s / 2.0
    return Picture(
        steady=math.isfinite(frequency_hz),
        left_s=left_s,
        span_s=span_s,
        x0_s=x0_s,
        dx_s=dx_s,
        values=values.astype(np.float32),
        clipped=clipped.astype(np.uint8),
        reduced=reduced,
        frequency_hz=frequency_hz,
        newest_s=float(window.time_s[last - 1]),
    )
