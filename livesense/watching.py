"""A bench's rules on one group of channels, fed block by block: live, and again afterwards.

The recorder and a corrected chain's events both come from here, so that the same codes through
the same chain give the same events.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from livesense.bench import Bench
from livesense.chain import Chain
from livesense.errors import DescriptionError, LogbookError
from livesense.logbook.rows import GapRow
from livesense.logbook.run_reader import RunReader
from livesense.samples import BoolArray, Codes, Event, FloatArray
from livesense.watch.rules import AnyWatch, watch_for

TOGETHER = ("vector", "vector-rms", "sequence")
"""Quantities of several channels at once."""


class GroupWatches:
    """All rules whose channels are in one group.

    Parameters
    ----------
    rate_hz
        Nominal scan rate: holds are counted in scans, so a new rate needs new watches.

    Raises
    ------
    DescriptionError
        when a rule's state channel is in another group than its currents.
    """

    def __init__(self, bench: Bench, chain: Chain, group: int, rate_hz: float) -> None:
        self._chain = chain
        here = [channel.name for channel in chain.group_channels(group)]
        self._watches: list[tuple[AnyWatch, tuple[str, ...]]] = []
        for number, rule in enumerate(bench.rules):
            names = tuple(name for name in rule.channels if name in here)
            # Currents that are looked at together are all here or not at all.
            if not names or (len(names) < len(rule.channels) and rule.quantity in TOGETHER):
                continue
            if not set(rule.currents) <= set(here):
                # They are sampled apart: nothing tells of each scan whether the drive is in use.
                rule = replace(rule, currents=(), above=0.0)
            if rule.state and rule.state not in here:
                there = chain.channels[rule.state].group
                raise DescriptionError(
                    f"rule {number + 1} of the bench file ({rule.kind}): expected the state channel "
                    f"{rule.state} in group {group}, sampled with the currents; the device sends it in group "
                    f"{there}. Send it with the currents, or take state out of the rule"
                )
            columns = (*names, *rule.currents, *filter(None, [rule.state]))
            self._watches.append((watch_for(rule, number, names, rate_hz, group), columns))

    def feed(self, first: int, codes: Codes) -> list[Event]:
        """Take scans in a row, ``(n, channels)`` codes from index ``first`` on; hand back what is new."""
        values: dict[str, Any] = {}
        clipped: dict[str, Any] = {}
        # Most rules are on the same three currents, and only look at them.
        tables: dict[tuple[str, ...], tuple[FloatArray, BoolArray]] = {}
        found: list[Event] = []
        # Whole columns are what rules look at.
        codes = np.asfortranarray(codes)
        for watch, names in self._watches:
            if names not in tables:
                for name in names:
                    if name not in values:
                        values[name] = self._chain.value(name, codes)
                        clipped[name] = self._chain.clipped(name, codes)
                # Column by column in memory: rules compute with whole columns.
                table = tables[names] = (
                    np.stack([values[name] for name in names]).T,
                    np.stack([clipped[name] for name in names]).T,
                )
                for part in table:
                    part.flags.writeable = False
            found += watch.feed(first, *tables[names])
        return found

    def gap(self, count: int | None) -> None:
        """Note that scans are missing before the next block; None: nobody can count them."""
        for watch, _ in self._watches:
            watch.gap(count)

    def close(self, last_scan: int) -> list[Event]:
        """End every open event at the last stored scan: the run ended or the device restarted."""
        return [event for watch, _ in self._watches for event in watch.close(last_scan)]


def events_again(run: RunReader, bench: Bench, chain: Chain) -> list[Event]:
    """Find the events of a run's stored codes through a chain, as the recorder would have found them.

    Raises
    ------
    LogbookError
        when a group's scan rate is not known.
    """
    found: list[Event] = []
    for group in range(len(run.groups)):
        found += _group_again(run, bench, chain, group)
    # In the order of their beginnings; groups have their own counts.
    axes = [run.time_axis(group) for group in range(len(run.groups))]

    def begins_s(event: Event) -> float:
        return float(axes[event.group].time_s(np.array([event.start_scan]))[0])

    return sorted(found, key=begins_s)


def _group_again(run: RunReader, bench: Bench, chain: Chain, group: int) -> list[Event]:
    latest: dict[tuple[int, Any], Event] = {}

    def keep(events: Sequence[Event]) -> None:
        for event in events:
            latest[event.rule, event.details["key"]] = event

    rate_hz = _rate(run, group, 0)
    watches = GroupWatches(bench, chain, group, rate_hz)
    dropped = [(row.first, row.stop) for row in run.dropped(group)]
    # Behind dropped scans everything begins anew, as after a restart.
    ends = sorted({*_closings(run, group), *(stop for _, stop in dropped)})
    gaps = [gap for gap in run.gaps(group) if not any(first <= gap.first < stop for first, stop in dropped)]
    last = -1
    for first, codes in _pieces(run, group, [*ends, *(gap.first for gap in gaps)]):
        while gaps and gaps[0].first <= first and not _after_closing(gaps[0], ends):
            watches.gap(gaps.pop(0).count)
        while ends and ends[0] <= first:
            ends.pop(0)
            keep(watches.close(last))
            if _rate(run, group, first) != rate_hz:
                rate_hz = _rate(run, group, first)
                watches = GroupWatches(bench, chain, group, rate_hz)
        while gaps and gaps[0].first <= first:
            watches.gap(gaps.pop(0).count)
        keep(watches.feed(first, codes))
        last = first + len(codes) - 1
    for gap in gaps:
        watches.gap(gap.count)
    keep(watches.close(last))
    return list(latest.values())


def _pieces(run: RunReader, group: int, cuts: Sequence[int]) -> Iterator[tuple[int, Codes]]:
    """Read a group's stored codes in order, cut at some scans besides."""
    for first, codes in run.codes(group, *run.extent(group)):
        inside = sorted({cut for cut in cuts if first < cut < first + len(codes)})
        for begin, end in zip([first, *inside], [*inside, first + len(codes)], strict=True):
            yield begin, codes[begin - first : end - first]


def _closings(run: RunReader, group: int) -> list[int]:
    """Find the scans before which everything open was closed: after a restart, or where the rate changed.

    Each of them begins a segment of the group, and nothing else does.
    """
    return [segment.first for segment in run.segments(group) if segment.first > 0]


def _after_closing(gap: GapRow, ends: Sequence[int]) -> bool:
    """Tell whether a gap came after everything was closed: one that ends where a new rate begins.

    The device told the new rate first; that scans were lost showed with the next one. After a restart
    nothing that is lost can be counted.
    """
    return gap.count is not None and bool(ends) and gap.first + gap.count == ends[0]


def _rate(run: RunReader, group: int, scan: int) -> float:
    rate_hz = run.groups[group].rate_hz
    for segment in run.segments(group):
        if segment.first <= scan:
            rate_hz = segment.rate_hz
    if not rate_hz:
        raise LogbookError(f"run {run.number}: the scan rate of group {group} is not known")
    return rate_hz
