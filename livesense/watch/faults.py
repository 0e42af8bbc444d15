"""What rules on three currents together have in common: one tracker of rows, and its events."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from functools import reduce
from typing import Any

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, Event, FloatArray
from livesense.watch.columns import RuleWatch
from livesense.watch.excess import Peak, scans_for
from livesense.watch.rows import Fault, FaultTracker, Row
from livesense.watch.words import reservations

BRIDGED_S = 0.1
"""Counted gaps up to this long do not start the counts anew: what lasts for cycles and seconds goes on."""

PEAK_NEWS = 1.02
"""A peak that grew by less is nothing to write down before the end."""


def _none(count: int) -> BoolArray:
    return np.zeros(count, dtype=np.bool_)


class TripleWatch(RuleWatch[Fault]):
    """One rule on the currents of three phases; see :class:`RuleWatch`.

    Raises
    ------
    ValueError
        When there are not three channels.
    """

    KINDS: tuple[str, ...] = ()

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        if rule.kind not in self.KINDS:
            raise ValueError(f"kind: expected {', '.join(self.KINDS)}, got {rule.kind!r}")
        if len(channels) != 3:
            raise ValueError(f"channels: expected three phase currents, got {len(channels)}")
        super().__init__(rule, rule_number, channels, rate_hz, group)
        self._keep_cycles()
        self._phases = list(channels)
        self._next: int | None = None
        self._last = -1
        self._missing: list[int | None] = []
        """Gaps since the last block: what comes after them tells whether they lie inside."""
        self._names = ["+".join(channels)]
        self._tracker = FaultTracker(
            max(1, rule.cycles),
            scans_for(rule.hold_s, rate_hz) if rule.hold_s else 1,
            scans_for(rule.release_hold_s, rate_hz),
        )

    @abstractmethod
    def _rows(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Row]:
        """Make the rows that are over."""

    @abstractmethod
    def _parted(self) -> None:
        """Note that what comes is no neighbour of what was."""

    def _anew(self) -> None:
        """Start anew."""
        self._parted()

    @abstractmethod
    def _text(self, fault: Fault) -> str:
        """Say in words what happened, without the reservations."""

    def _feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        if self._next is not None and first != self._next:
            self._missing.append(first - self._next)
        for count in self._missing:
            far = count is None or count > BRIDGED_S * self._rate_hz
            self._tracker.lost(count, apart=far)
            self._parted()
        self._missing = []
        self._next = first + len(values)
        self._last = self._next - 1
        events = []
        # Column by column: numpy reduces short rows one by one. Nearly always nothing is clipped.
        marked: BoolArray = reduce(np.logical_or, clipped.T) if clipped.any() else _none(len(clipped))
        for row in self._rows(first, values, marked):
            ended = self._tracker.feed(row)
            if ended is not None:
                events.append(self._event(0, ended))
        lasting = self._tracker.open
        if lasting is not None and self._is_news(self._told.get(0), lasting):
            events.append(self._event(0, lasting))
            self._told[0] = lasting
        if lasting is None:
            self._told[0] = None
        return events

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing before the next block; None: nobody can count them."""
        self._take_kept()
        self._arrivals.gap(count)
        if self._next is not None:
            self._missing.append(count)
            self._next += count or 0

    def close(self, last_scan: int | None = None) -> list[Event]:
        """End every open event at the last stored scan, cut short: the run ended or the device restarted."""
        self._take_kept()
        ready, self._ready = self._ready, []
        ended = self._tracker.close(self._last if last_scan is None else last_scan)
        self._arrivals.forget()
        self._anew()
        self._next = None
        self._missing = []
        self._told = {}
        return ready + ([] if ended is None else [self._event(0, ended)])

    def _is_news(self, told: Fault | None, lasting: Fault) -> bool:
        if told is None or told.start != lasting.start:
            return True
        grown = lasting.peak > PEAK_NEWS * told.peak
        return grown or (told.alarm, told.lost) != (lasting.alarm, lasting.lost)

    def _severity(self, fault: Fault) -> str:
        return self._rule.severity

    def _limit_of(self, fault: Fault) -> float:
        """Give the limit that a fault is beyond."""
        return self._rule.limit

    def _more(self, fault: Fault) -> dict[str, Any]:
        return {}

    def _event(self, column: int, found: Fault) -> Event:
        rule = self._rule
        peak = Peak(found.peak, found.peak_scan, found.clipped)
        return Event(
            kind=rule.kind,
            channel=self._names[column],
            group=self._group,
            rule=self._number,
            start_scan=found.start,
            end_scan=found.end,
            peak=found.peak,
            peak_scan=found.peak_scan,
            peak_at_least=found.clipped and rule.unit == "A",
            limit=self._limit_of(found),
            unit=rule.unit,
            text=self._text(found) + reservations(peak, found.lost, found.lost_unknown, found.cut_short),
            lost_scans=found.lost,
            cut_short=found.cut_short,
            details=self._details(
                column,
                found.start,
                found.end,
                {
                    "lost_uncounted": found.lost_unknown,
                    "severity": self._severity(found),
                    **self._more(found),
                },
            ),
        )
