"""What every rule has in common: a tracker for each watched signal, and events when something is new."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from typing import Any, Generic, Protocol, TypeVar

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, Event, FloatArray
from livesense.watch.arrivals import Arrivals
from livesense.watch.excess import scans_for

Found = TypeVar("Found")

BATCH_S = 0.2
"""Longest time for which scans are kept to be taken together …"""

BATCH_SCANS = 16384
"""… and most of them: more gain nothing, and fit no processor's nearest memory."""


class Tracker(Protocol[Found]):
    """Follows one signal."""

    @property
    def open(self) -> Found | None:
        """What lasts."""

    def gap(self, count: int | None) -> None:
        """Note that scans are missing here."""

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Found]:
        """Take values from scan ``first`` on; hand back what ended."""

    def close(self, last_scan: int | None = None) -> Found | None:
        """End what lasts, and start anew."""


def integrals(i2t: float, over: float | None = None, beyond_s: float = 0.0) -> dict[str, float]:
    """Keep ∫ i² dt of an event, A²s, and ∫ (i² − limit²) dt of the ``beyond_s`` in which it is above zero."""
    found = {"i2t": i2t}
    return found if over is None else found | {"excess_i2t": over, "beyond_s": beyond_s}


class RuleWatch(ABC, Generic[Found]):
    """One rule on one group of channels, fed block by block.

    Parameters
    ----------
    rule, rule_number
        The rule and its position in the bench file.
    channels
        Names, in the order of the columns that are fed.
    rate_hz
        Nominal scan rate.
    group
        The channels' group.

    Raises
    ------
    ValueError
        When the rule cannot be watched.
    """

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        if not rate_hz > 0:
            raise ValueError(f"rate_hz: expected more than 0, got {rate_hz}")
        self._rule = rule
        self._number = rule_number
        self._rate_hz = rate_hz
        self._group = group
        self._columns = len(channels)
        self._names = list(channels)
        self._trackers: Sequence[Tracker[Found]] = ()
        self._told: dict[int, Found | None] = {}
        self._batch = 1
        """Scans that are taken together: what is told once a cycle may wait, and small blocks cost most."""
        self._kept: list[tuple[FloatArray, BoolArray]] = []
        self._kept_first = 0
        self._ready: list[Event] = []
        self._arrivals = Arrivals()

    def _keep_cycles(self) -> int:
        """Take scans in batches; hand back after how many of them a cycle is cut."""
        longest_s = self._rule.longest_cycle_s
        self._batch = min(scans_for(min(longest_s, BATCH_S), self._rate_hz), BATCH_SCANS)
        return scans_for(longest_s, self._rate_hz)

    @abstractmethod
    def _event(self, column: int, found: Found) -> Event:
        """Say what was found on a signal."""

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        """Take scans in a row from index ``first`` on; hand back what is new.

        Rules on the rms of cycles keep blocks for a while: what they hand in must not be changed later.
        A jump of ``first`` is taken as a gap of so many scans, unless :meth:`gap` told it already.

        Parameters
        ----------
        values, clipped
            ``(n, k)``, the columns in the order of ``channels``.

        Returns
        -------
        list of Event
            Each event when it opens (``end_scan`` None), when its peak or its lost scans have changed,
            and when it ends. ``details["key"]`` stays the same over all of these.

        Raises
        ------
        ValueError
            When the shapes do not fit or ``first`` goes back.
        """
        if values.ndim != 2 or values.shape[1] != self._columns or clipped.shape != values.shape:
            expected = f"(n, {self._columns})"
            raise ValueError(f"values, clipped: expected {expected}, got {values.shape}, {clipped.shape}")
        if values.shape[0] == 0:
            return []
        missing = self._arrivals.missing(first, values.shape[0])
        if self._batch == 1:
            return self._feed(first, values, clipped)
        if missing:
            self._take_kept()
        if not self._kept:
            self._kept_first = first
        self._kept.append((values, clipped))
        if first + values.shape[0] - self._kept_first >= self._batch:
            self._take_kept()
        ready, self._ready = self._ready, []
        return ready

    def _take_kept(self) -> None:
        """Take the blocks that were kept as one."""
        if self._kept:
            values, clipped = self._kept[0]
            if len(self._kept) > 1:
                values, clipped = (np.concatenate(parts) for parts in zip(*self._kept, strict=True))
            self._kept = []
            self._ready += self._feed(self._kept_first, values, clipped)

    def _feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        events: list[Event] = []
        for column, tracker in enumerate(self._trackers):
            ended = tracker.feed(first, np.ascontiguousarray(values[:, column]), clipped[:, column])
            events += self._news(column, ended)
        return events

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing before the next block; None: nobody can count them."""
        self._take_kept()
        self._arrivals.gap(count)
        for tracker in self._trackers:
            tracker.gap(count)

    def close(self, last_scan: int | None = None) -> list[Event]:
        """End every open event at the last stored scan, cut short: the run ended or the device restarted.

        ``last_scan`` states that scan where it is not the last one fed. Afterwards all starts anew.
        """
        self._take_kept()
        ready, self._ready = self._ready, []
        self._arrivals.forget()
        ended = [(column, tracker.close(last_scan)) for column, tracker in enumerate(self._trackers)]
        return ready + [self._event(column, found) for column, found in ended if found is not None]

    def _news(self, column: int, ended: list[Found]) -> list[Event]:
        lasting = self._trackers[column].open
        events = [self._event(column, found) for found in ended]
        if lasting is not None and self._is_news(self._told.get(column), lasting):
            events.append(self._event(column, lasting))
        self._told[column] = lasting
        return events

    def _is_news(self, told: Found | None, lasting: Found) -> bool:
        return lasting != told

    def _details(self, column: int, start: int, end: int | None, more: Mapping[str, Any]) -> dict[str, Any]:
        """Give what every event carries beside its figures.

        ``keep_first`` and ``keep_last`` (None while it lasts) are the scans whose waveform belongs to it.
        """
        rule, rate_hz = self._rule, self._rate_hz
        before, after = (math.ceil(s * rate_hz - 1e-9) for s in (rule.pre_s, rule.post_s))
        return {
            "key": f"{self._group}.{self._number}.{self._names[column]}.{start}",
            "quantity": rule.quantity,
            "severity": rule.severity,
            "default": rule.default,
            "pre_s": rule.pre_s,
            "post_s": rule.post_s,
            "keep_first": max(0, start - before),
            "keep_last": None if end is None else end + after,
            **more,
        }
