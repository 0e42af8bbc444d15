"""Overcurrent: where currents stayed beyond a limit, exact to the scan.

With ``N = max(1, ceil(hold * rate - 1e-9))`` an event exists once N scans in a row are beyond the limit
(magnitude; the limit itself is not beyond); it starts at the first of them. It ends with the last scan
beyond the release level before ``ceil(release_hold * rate)`` scans in a row at or below it.

Scans in a row are neighbours. A gap therefore starts both counts anew: lost scans were not seen to be
beyond the limit, and were not seen to be below the release level either. An event that is open at a gap
stays open and says how many scans were lost inside. A restart or the run's end closes it at the last
stored scan. A value that is no number (NaN) is not beyond any level.

Events are evidence, not protection: nothing here can switch anything off.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, Event, FloatArray
from livesense.watch.excess import Excess, ExcessTracker

BEYOND = 1e-9
"""Relative margin above a level within which a value still counts as at it: rounding of the chain."""

QUANTITIES = ("instant", "vector")


class OvercurrentWatch:
    """One overcurrent rule on one group of channels, fed block by block.

    Parameters
    ----------
    rule
        The rule from the bench file; ``quantity`` "instant" watches each channel, "vector" the length
        of the current vector of three.
    rule_number
        The rule's position in the bench file.
    channels
        Names, in the order of the columns that are fed.
    rate_hz
        Nominal scan rate.
    group
        The channels' group.

    Raises
    ------
    ValueError
        When the rule cannot be watched: unknown quantity, "vector" without three channels, a release
        level above the limit, a limit or a rate that is not above zero.
    """

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        if rule.quantity not in QUANTITIES:
            raise ValueError(f"quantity: expected {' or '.join(QUANTITIES)}, got {rule.quantity!r}")
        if rule.quantity == "vector" and len(channels) != 3:
            raise ValueError(f"channels: a vector needs three phase currents, got {len(channels)}")
        if not 0 < rule.release <= rule.limit:
            raise ValueError(f"release: expected above 0 and at most {rule.limit:g}, got {rule.release:g}")
        if not rate_hz > 0:
            raise ValueError(f"rate_hz: expected more than 0, got {rate_hz}")
        self._rule = rule
        self._number = rule_number
        self._rate_hz = rate_hz
        self._group = group
        self._columns = len(channels)
        self._names = ["+".join(channels)] if rule.quantity == "vector" else list(channels)
        self._limit = rule.limit * (1 + BEYOND)
        hold = scans_for(rule.hold_s, rate_hz)
        calm = scans_for(rule.release_hold_s, rate_hz)
        release = rule.release * (1 + BEYOND)
        self._trackers = [ExcessTracker(self._limit, hold, release, calm) for _ in self._names]
        self._told: list[Excess | None] = [None] * len(self._names)

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        """Take scans in a row from index ``first`` on; hand back what is new.

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
        if self._rule.quantity == "vector":
            u, v, w = np.ascontiguousarray(values.T)
            values = np.sqrt(2 / 3 * (u * u + v * v + w * w))[:, None]
            clipped = (clipped[:, 0] | clipped[:, 1] | clipped[:, 2])[:, None]
        # Nearly always nothing is beyond the limit: two reductions over the block tell.
        if float(values.max()) <= self._limit and float(values.min()) >= -self._limit:
            busy = [tracker.open is not None for tracker in self._trackers]
        else:
            busy = [True] * len(self._trackers)
        events: list[Event] = []
        for column, tracker in enumerate(self._trackers):
            if busy[column]:
                ended = tracker.feed(first, np.ascontiguousarray(values[:, column]), clipped[:, column])
                events += self._news(column, ended)
            else:
                tracker.pass_over(first, values.shape[0])
        return events

    def gap(self, count: int | None) -> None:
        """Note that ``count`` scans are missing before the next block; None: nobody can count them."""
        for tracker in self._trackers:
            tracker.gap(count)

    def close(self, last_scan: int | None = None) -> list[Event]:
        """End every open event at the last stored scan, cut short: the run ended or the device restarted.

        ``last_scan`` states that scan where it is not the last one fed. Afterwards all starts anew.
        """
        events: list[Event] = []
        for column, tracker in enumerate(self._trackers):
            excess = tracker.close(last_scan)
            if excess is not None:
                events.append(self._event(column, excess))
            self._told[column] = None
        return events

    def _news(self, column: int, ended: list[Excess]) -> list[Event]:
        lasting = self._trackers[column].open
        events = [self._event(column, excess) for excess in ended]
        if lasting is not None and lasting != self._told[column]:
            events.append(self._event(column, lasting))
        self._told[column] = lasting
        return events

    def _event(self, column: int, excess: Excess) -> Event:
        name, rule = self._names[column], self._rule
        return Event(
            kind=rule.kind,
            channel=name,
            group=self._group,
            rule=self._number,
            start_scan=excess.start,
            end_scan=excess.end,
            peak=excess.peak.value,
            peak_scan=excess.peak.scan,
            peak_at_least=excess.peak.clipped,
            limit=rule.limit,
            unit=rule.unit,
            text=_text(name, rule, excess, self._rate_hz),
            lost_scans=excess.lost,
            cut_short=excess.cut_short,
            details={
                "key": f"{self._group}.{self._number}.{name}.{excess.start}",
                "quantity": rule.quantity,
                "lost_uncounted": excess.lost_unknown,
            },
        )


def overcurrent_events(
    rule: Watch,
    rule_number: int,
    channels: Sequence[str],
    rate_hz: float,
    group: int,
    stretches: Iterable[tuple[int, FloatArray, BoolArray]],
) -> list[Event]:
    """Find the events of one rule in stored stretches, in order of their start.

    Parameters
    ----------
    stretches
        ``(first, values (n, k), clipped (n, k))`` in rising order; a jump of ``first`` is a gap. For a
        restart, call this once for each side of it.
    """
    watch = OvercurrentWatch(rule, rule_number, channels, rate_hz, group)
    found: dict[str, Event] = {}
    for first, values, clipped in stretches:
        for event in watch.feed(first, values, clipped):
            found[event.details["key"]] = event
    for event in watch.close():
        found[event.details["key"]] = event
    return sorted(found.values(), key=lambda event: event.start_scan)


def scans_for(seconds: float, rate_hz: float) -> int:
    """Fewest scans in a row that make up a time, at least 1."""
    return max(1, math.ceil(seconds * rate_hz - 1e-9))


def _text(name: str, rule: Watch, excess: Excess, rate_hz: float) -> str:
    """Say in plain words what happened."""
    unit = rule.unit
    what = f"{name}: current vector" if rule.quantity == "vector" else f"{name}: current"
    peak = f"{_figure(excess.peak.value)} {unit}"
    if excess.peak.clipped:
        peak += " or more"
    limit = f"limit {_figure(rule.limit)} {unit}"
    if excess.end is None:
        text = f"{what} is beyond its {limit}; peak so far {peak}"
    else:
        duration = _duration((excess.end - excess.start + 1) / rate_hz)
        text = f"{what} peaked at {peak}, {limit}, over {duration}"
    if excess.peak.clipped:
        text += "; clipped at the end of the range"
    if excess.lost:
        text += f"; {excess.lost} {'scan was' if excess.lost == 1 else 'scans were'} lost inside"
    if excess.lost_unknown:
        text += f"; {'further' if excess.lost else 'some'} scans that nobody could count were lost inside"
    if excess.cut_short:
        text += "; cut short: the recording ended or the device restarted"
    return text


def _figure(value: float) -> str:
    return f"{value:.4g}".replace("-", "−")


def _duration(seconds: float) -> str:
    for scale, unit in ((1.0, "s"), (1e-3, "ms")):
        if seconds >= scale:
            return f"{seconds / scale:.4g} {unit}"
    return f"{seconds * 1e6:.4g} µs"
