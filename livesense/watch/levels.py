"""Clipping, over- and undervoltage, overtemperature: each scan of a channel against a level.

Counting is that of overcurrent (:mod:`livesense.watch.excess`): an event exists once scans in a row for
``hold`` are beyond the limit, exact to the scan, and ends with the last one beyond ``release`` before
``release_hold`` of calm.

*Clipping* is told of scans at an end of the range whose magnitude is above half the limit, which is what the
channel reads at most: where a one-way amplifier rests at its lower end there is nothing to tell.
*Undervoltage* is told of a voltage that has been above ``release`` before: a bus that is off from the
beginning does not sag. Of a rule that names currents a scan counts only where these carry more than
``above``, or did within the last half second: a supply that is switched off while the drive rests does not
sag either, and what sags under load is over once the current is gone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, Event, FloatArray
from livesense.watch.columns import RuleWatch
from livesense.watch.excess import BEYOND, Excess, ExcessTracker, scans_for
from livesense.watch.words import duration, figure, reservations

KELVIN = 273.15

END_SHARE = 0.5
"""A clipped scan below this share of the end of the range is at the other end, where nothing flows."""


IN_USE_S = 0.5
"""How long a drive counts as in use after its last current: a sag may stop it before the limit is passed."""

NEVER = -(1 << 62)


class LevelWatch(RuleWatch[Excess]):
    """One rule on single channels; see :class:`RuleWatch`.

    What is held against the limit is a magnitude that is made of the values: kelvins of a temperature, what
    is missing up to twice the limit of an undervoltage, the value of a clipped scan. Behind the watched
    channels stand columns of the rule's ``currents``, if it names any.
    """

    KINDS = ("clipping", "overvoltage", "undervoltage", "overtemperature")

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        if rule.kind not in self.KINDS:
            raise ValueError(f"kind: expected {', '.join(self.KINDS)}, got {rule.kind!r}")
        super().__init__(rule, rule_number, channels, rate_hz, group)
        limit, release = (self._height(level) * (1 + BEYOND) for level in (rule.limit, rule.release))
        levels = (
            limit,
            max(rule.hold_scans, scans_for(rule.hold_s, rate_hz)),
            release,
            scans_for(rule.release_hold_s, rate_hz),
        )
        self._limit = limit
        self._release = release
        self._excesses = [ExcessTracker(*levels, summed=False) for _ in channels]
        self._trackers = self._excesses
        self._columns += len(rule.currents)
        self._in_use = scans_for(IN_USE_S, rate_hz)
        self._begin()

    def _begin(self) -> None:
        self._armed = [self._rule.kind != "undervoltage"] * len(self._names)
        self._flowed = NEVER

    def _height(self, level: float) -> float:
        match self._rule.kind:
            case "overtemperature":
                return level + KELVIN
            case "undervoltage":
                return 2 * self._rule.limit - level
            case "clipping":
                return END_SHARE * self._rule.limit
        return level

    def _value(self, height: float) -> float:
        """Give the value of a height."""
        match self._rule.kind:
            case "overtemperature":
                return height - KELVIN
            case "undervoltage":
                return 2 * self._rule.limit - height
        return height

    def _feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        watched = len(self._names)
        heights = self._heights(values[:, :watched], clipped[:, :watched])
        if self._rule.currents:
            self._leave_out_rest(first, values[:, watched:], heights)
        quiet = float(np.max(heights)) <= self._limit and float(np.min(heights)) >= -self._limit
        events: list[Event] = []
        for column, tracker in enumerate(self._excesses):
            if quiet and tracker.open is None:
                tracker.pass_over(first, len(values))
                continue
            ended = tracker.feed(first, np.ascontiguousarray(heights[:, column]), clipped[:, column])
            events += self._news(column, ended)
        return events

    def _heights(self, values: FloatArray, clipped: BoolArray) -> FloatArray:
        match self._rule.kind:
            case "clipping":
                return np.where(clipped, values, 0.0)
            case "overtemperature":
                return values + KELVIN
            case "overvoltage":
                return np.maximum(values, 0.0)
        heights = np.maximum(2 * self._rule.limit - values, 0.0)
        if not all(self._armed):
            self._arm(values, heights)
        return heights

    def _arm(self, values: FloatArray, heights: FloatArray) -> None:
        """Leave out what comes before a voltage was there for the first time."""
        for column in range(values.shape[1]):
            if self._armed[column]:
                continue
            there = values[:, column] >= self._rule.release
            self._armed[column] = bool(there.any())
            heights[: int(there.argmax()) if there.any() else len(values), column] = 0.0

    def _leave_out_rest(self, first: int, currents: FloatArray, heights: FloatArray) -> None:
        """Leave out scans at which no current has flowed for a while; ``(n, k)`` currents."""
        square = self._rule.above**2
        if float(heights.max()) <= self._release and float(np.mean(currents[-1] ** 2)) > square:
            self._flowed = first + len(currents) - 1
            return
        scans = np.arange(first, first + len(currents))
        flowing = np.mean(currents * currents, axis=1) > square
        latest = np.maximum.accumulate(np.where(flowing, scans, self._flowed))
        heights[scans - latest > self._in_use] = 0.0
        self._flowed = int(latest[-1])

    def close(self, last_scan: int | None = None) -> list[Event]:
        """End every open event at the last stored scan, cut short: the run ended or the device restarted."""
        events = super().close(last_scan)
        self._begin()
        return events

    def _event(self, column: int, found: Excess) -> Event:
        rule, name = self._rule, self._names[column]
        return Event(
            kind=rule.kind,
            channel=name,
            group=self._group,
            rule=self._number,
            start_scan=found.start,
            end_scan=found.end,
            peak=self._value(found.peak.value),
            peak_scan=found.peak.scan,
            peak_at_least=found.peak.clipped,
            limit=rule.limit,
            unit=rule.unit,
            text=self._text(name, found),
            lost_scans=found.lost,
            cut_short=found.cut_short,
            details=self._details(column, found.start, found.end, {"lost_uncounted": found.lost_unknown}),
        )

    def _text(self, name: str, excess: Excess) -> str:
        rule = self._rule
        peak = f"{figure(self._value(excess.peak.value))} {rule.unit}"
        lasted = "so far"
        if excess.end is not None:
            lasted = f"over {duration((excess.end - excess.start + 1) / self._rate_hz)}"
        match rule.kind:
            case "clipping":
                text = f"{name}: at the end of its range, {peak} or more, {lasted}"
            case "undervoltage":
                text = f"{name}: voltage down to {peak}, limit {figure(rule.limit)} V, {lasted}"
            case _:
                what = "voltage" if rule.kind == "overvoltage" else "temperature"
                text = f"{name}: {what} up to {peak}, limit {figure(rule.limit)} {rule.unit}, {lasted}"
        return text + reservations(excess.peak, excess.lost, excess.lost_unknown, excess.cut_short)
