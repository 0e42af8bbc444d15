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

from collections.abc import Sequence

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, Event, FloatArray
from livesense.watch.columns import RuleWatch, integrals
from livesense.watch.cycle_excess import CycleTracker
from livesense.watch.excess import BEYOND, Excess, ExcessTracker, scans_for
from livesense.watch.words import duration, figure, peak_text, reservations

QUANTITIES = ("instant", "vector", "cycle-rms")


class OvercurrentWatch(RuleWatch[Excess]):
    """One overcurrent rule on one group of channels; see :class:`RuleWatch`.

    ``quantity`` "instant" watches each channel, "vector" the length of the current vector of three,
    "cycle-rms" the rms of each channel's cycles (:mod:`livesense.watch.cycles`).

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
            raise ValueError(f"quantity: expected {', '.join(QUANTITIES)}, got {rule.quantity!r}")
        if rule.quantity == "vector" and len(channels) != 3:
            raise ValueError(f"channels: a vector needs three phase currents, got {len(channels)}")
        if not 0 < rule.release <= rule.limit:
            raise ValueError(f"release: expected above 0 and at most {rule.limit:g}, got {rule.release:g}")
        super().__init__(rule, rule_number, channels, rate_hz, group)
        if rule.quantity == "vector":
            self._names = ["+".join(channels)]
        self._limit = rule.limit * (1 + BEYOND)
        self._instant: list[ExcessTracker] = []
        levels = (
            self._limit,
            max(rule.hold_scans, scans_for(rule.hold_s, rate_hz)),
            rule.release * (1 + BEYOND),
            scans_for(rule.release_hold_s, rate_hz),
        )
        if rule.quantity == "cycle-rms":
            longest = self._keep_cycles()
            self._trackers = [CycleTracker(*levels, longest) for _ in self._names]
        else:
            self._instant = [ExcessTracker(*levels) for _ in self._names]
            self._trackers = self._instant

    def _feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        if self._rule.quantity == "vector":
            u, v, w = np.ascontiguousarray(values.T)
            values = np.sqrt(2 / 3 * (u * u + v * v + w * w))[:, None]
            clipped = (clipped[:, 0] | clipped[:, 1] | clipped[:, 2])[:, None]
        # Nearly always nothing is beyond the limit: two reductions over the block tell.
        if self._instant and float(values.max()) <= self._limit and float(values.min()) >= -self._limit:
            return self._feed_calm(first, values, clipped)
        return super()._feed(first, values, clipped)

    def _feed_calm(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Event]:
        events: list[Event] = []
        for column, tracker in enumerate(self._instant):
            if tracker.open is None:
                tracker.pass_over(first, values.shape[0])
            else:
                ended = tracker.feed(first, np.ascontiguousarray(values[:, column]), clipped[:, column])
                events += self._news(column, ended)
        return events

    def _event(self, column: int, found: Excess) -> Event:
        name, rule = self._names[column], self._rule
        return Event(
            kind=rule.kind,
            channel=name,
            group=self._group,
            rule=self._number,
            start_scan=found.start,
            end_scan=found.end,
            peak=found.peak.value,
            peak_scan=found.peak.scan,
            peak_at_least=found.peak.clipped,
            limit=rule.limit,
            unit=rule.unit,
            text=_text(name, rule, found, self._rate_hz),
            lost_scans=found.lost,
            cut_short=found.cut_short,
            details=self._details(
                column,
                found.start,
                found.end,
                {
                    "lost_uncounted": found.lost_unknown,
                    **integrals(*found.squares.integrals(self._limit, self._rate_hz)),
                },
            ),
        )


WHAT = {
    "instant": "current",
    "vector": "current vector",
    "cycle-rms": "rms over a cycle",
}


def _text(name: str, rule: Watch, excess: Excess, rate_hz: float) -> str:
    """Say in plain words what happened."""
    what = f"{name}: {WHAT[rule.quantity]}"
    peak = peak_text(excess.peak, rule.unit)
    limit = f"limit {figure(rule.limit)} {rule.unit}"
    if excess.end is None:
        text = f"{what} is beyond its {limit}; peak so far {peak}"
    else:
        text = f"{what} peaked at {peak}, {limit}, over {duration((excess.end - excess.start + 1) / rate_hz)}"
    return text + reservations(excess.peak, excess.lost, excess.lost_unknown, excess.cut_short)
